"""How long a start waits for a person to reset the safety chain."""

import pytest

from benchd.app.serve import chain_within_s


@pytest.mark.parametrize(("given", "seconds"), [(None, 60.0), ("3.5", 3.5), ("soon", 60.0), ("", 60.0)])
def test_a_minute_unless_the_environment_says_another_time(
    monkeypatch: pytest.MonkeyPatch, given: str | None, seconds: float
) -> None:
    monkeypatch.delenv("BENCHD_CHAIN_WITHIN_S", raising=False)
    if given is not None:
        monkeypatch.setenv("BENCHD_CHAIN_WITHIN_S", given)
    assert chain_within_s() == seconds
