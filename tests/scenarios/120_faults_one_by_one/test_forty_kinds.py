"""The list of kinds is what there is: at least forty, each told by a test that exists."""

from pathlib import Path

import pytest

from .kinds import KINDS

STORIES = Path(__file__).parent.parent
LEAST = 40


def test_there_are_at_least_forty_kinds() -> None:
    assert len(KINDS) >= LEAST


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_is_told_by_a_test_that_exists(kind: str) -> None:
    place, name = KINDS[kind].split("::")
    file = STORIES / place
    assert file.is_file()
    assert f"def {name or 'test_'}" in file.read_text(encoding="utf-8")
