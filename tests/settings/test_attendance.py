"""Programmes that ask the operator: only attended ones may, and every mistake has its file, line and key."""

from pathlib import Path

import pytest

from benchd.app.command_line import registry
from benchd.app.discovery import find_drivers
from benchd.settings.load import SettingsError, load_programme

PROGRAMME = """\
schema = 1
name = "locked"
attended = true

[[test]]
kind = "no_load"
confirm = "Is the coupling guard closed?"
supply_voltages_v = [6.0, 12.0]
"""


def loaded(folder: Path, *changes: tuple[str, str]):
    text = PROGRAMME
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    file = folder / "locked.toml"
    file.write_text(text, encoding="utf-8")
    return load_programme(file, registry(find_drivers()))


def test_any_test_may_have_something_confirmed_and_its_own_settings_stay_as_they_are(tmp_path: Path) -> None:
    programme = loaded(tmp_path)
    assert programme.attended
    assert programme.answer_within_s == 300.0
    assert programme.tests[0].confirm == "Is the coupling guard closed?"
    assert programme.tests[0].settings.supply_voltages_v == (6.0, 12.0)


def test_without_a_question_nobody_needs_to_attend(tmp_path: Path) -> None:
    programme = loaded(tmp_path, ("attended = true\n", ""), ('confirm = "Is the coupling guard closed?"\n', ""))
    assert not programme.attended
    assert programme.tests[0].confirm is None


@pytest.mark.parametrize(
    ("changes", "where", "words"),
    [
        ([("attended = true\n", "")], "locked.toml:6 test.confirm", "but nobody attends it: write attended = true"),
        ([("attended = true", "attended = false")], "locked.toml:7 test.confirm", "locked.toml:3 attended is false"),
        ([("attended = true", 'attended = "yes"')], "locked.toml:3 attended", ""),
        ([("attended = true", "attended = true\nanswer_within_s = 0.0")], "locked.toml:4 answer_within_s", ""),
        ([("attended = true", "attended = true\nanswer_within_s = 1e6")], "locked.toml:4 answer_within_s", ""),
        ([('"Is the coupling guard closed?"', '""')], "locked.toml:7 test.confirm", ""),
        ([('"Is the coupling guard closed?"', "true")], "locked.toml:7 test.confirm", ""),
        ([('"Is the coupling guard closed?"', '"a\\u001b[2J"')], "locked.toml:7 test.confirm", "one line"),
        ([('"Is the coupling guard closed?"', f'"{"x" * 201}"')], "locked.toml:7 test.confirm", ""),
        ([("confirm =", "confirms =")], "locked.toml:7 test.confirms", ""),
    ],
)
def test_a_mistake_is_one_sentence_with_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, changes: list[tuple[str, str]], where: str, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SettingsError) as refused:
        loaded(tmp_path, *changes)
    assert refused.value.sentence.startswith(where), refused.value.sentence
    assert words in refused.value.sentence
