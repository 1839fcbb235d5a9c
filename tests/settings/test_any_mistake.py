"""Whatever is wrong with a bench file, the answer is one sentence and never another exception."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.settings.load import Registry, SettingsError, load_bench, load_programme

JUNK = st.sampled_from(
    ["", "= 1", "3", "-1", '"x"', '"a.b.c"', "[]", "[1]", "{}", "{ a = 1 }", "true", "nan", "1979-05-27", "[[]]", "[x]",
     "[[devices]]", "[devices]", "[roles]", "[limits]", "[[channels]]", "devices = 3", "settings = 4", "schema = 9",
     '"""', "['", "test = 1", "[[test]]", "x" * 300]
)  # fmt: skip


@pytest.mark.parametrize("which", ["bench", "programme"])
@given(data=st.data())
@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
def test_a_spoilt_file_loads_or_is_refused_in_one_sentence(
    site: Any, registry: Registry, which: str, data: st.DataObject
) -> None:
    file: Path = getattr(site, which)
    spoilt = file.with_name("spoilt.toml")
    rows = file.read_text(encoding="utf-8").split("\n")
    for _ in range(data.draw(st.integers(1, 3))):
        place = data.draw(st.integers(0, len(rows) - 1))
        key, equals, _ = rows[place].partition("=")
        junk = data.draw(JUNK)
        rows[place : place + 1] = data.draw(st.sampled_from([[], [junk], [f"{key}{equals} {junk}"], [rows[place]] * 2]))
    spoilt.write_text("\n".join(rows), encoding="utf-8")
    try:
        if which == "bench":
            load_bench(spoilt, registry)
        else:
            load_programme(spoilt, registry)
    except SettingsError as error:
        assert error.sentence.startswith(f"{spoilt.relative_to(site.root)}:")  # noqa: PT017 - it may load as well
        assert 1 <= error.line <= len(rows) + 1  # noqa: PT017
        assert "\n" not in error.sentence  # noqa: PT017
