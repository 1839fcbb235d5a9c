"""What asks people: attended programmes and the release at the bench; every mistake has its file, line and key."""

import shutil
from pathlib import Path

import pytest

from benchd.app.discovery import find_drivers
from benchd.app.loading import registry
from benchd.settings.load import SettingsError, load_bench, load_programme
from benchd.settings.places import configs_directory

from ..sensor_dates import never_overdue

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


INPUTS = "guard_closed = 0, estop_released = 1, remote_selected = 2, torque_enabled = 3, permit = 4"


@pytest.mark.parametrize("shown", [True, False])
def test_a_release_at_the_bench_is_asked_for_only_where_the_safety_chain_shows_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shown: bool
) -> None:
    never_overdue(shutil.copytree(configs_directory(), tmp_path / "site"))
    monkeypatch.chdir(tmp_path / "site")
    file = tmp_path / "site/benches/greenhouse.toml"
    release = ", release_pressed = 5" if shown else ""
    text = file.read_text(encoding="utf-8")
    text = text.replace("[start]\n", "[start]\nrelease_at_bench = true\n")
    chain = "[devices.safety_chain.settings]\n"
    text = text.replace(chain, f"{chain}inputs = {{ {INPUTS}{release} }}\n")
    file.write_text(text, encoding="utf-8")
    known = registry(find_drivers())
    if shown:
        assert load_bench(file, known).start.release_at_bench
        return
    with pytest.raises(SettingsError) as refused:
        load_bench(file, known)
    assert " start.release_at_bench is true, but safety_chain.chain has no input release_pressed" in (
        refused.value.sentence
    )
    assert refused.value.line == text[: text.index("release_at_bench")].count("\n") + 1
