"""What is wrong with a duty cycle in files is one sentence with file, line and key, or file and row of its table."""

from pathlib import Path

import pytest

from benchd.app.wiring import Unfit
from benchd.settings.load import SettingsError
from tests.live.twin_bench import BRUSHLESS, planned

HEAD = """
schema = 1
name = "duty"

[[test]]
kind = "duty_cycle"
speed_by = "motor"
supply_voltage_v = 48.0

[[test.part]]
table = "duty.csv"

[[limits]]
channel = "winding_temperature"
high = 120.0
reaction = "ramp_down"
"""
ROWS = "time_s,speed_rpm,torque_nm\n0,0,0\n2,900,0.2\n4,900,0.6\n6,0,0\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def sentence_of(folder: Path, *, rows: str = ROWS, programme: str = HEAD) -> str:
    (folder / "duty.csv").write_text(rows, encoding="utf-8")
    with pytest.raises((SettingsError, Unfit)) as caught:
        planned(programme, folder=folder, kind=BRUSHLESS)
    told = str(caught.value)
    assert "\n" not in told
    return told


def test_a_table_beside_the_programme_becomes_the_course(folder: Path) -> None:
    (folder / "duty.csv").write_text(ROWS, encoding="utf-8")
    _, run = planned(HEAD, folder=folder, kind=BRUSHLESS)
    assert run.tests[0].demand.speed_rpm == 900.0
    assert run.tests[0].demand.torque_nm == 0.6
    table = run.tests[0].settings.model_dump(mode="json")["part"][0]["table"]
    assert table["file"] == "duty.csv"
    assert table["time_s"] == [0.0, 2.0, 4.0, 6.0]


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("2,900,0.2", "2,,0.2", "duty.csv:3 speed_rpm has a gap"),
        ("2,900,0.2", "2,900,NaN", "duty.csv:3 torque_nm is NaN, which is not a number"),
        ("4,900,0.6", "1,900,0.6", "duty.csv:4 time_s runs backwards, from 2 to 1 s"),
        ("torque_nm", "torque_mnm", 'duty.csv:1 torque_mnm has the unit "mnm"'),
    ],
)
def test_what_is_wrong_with_a_table_is_told_with_its_file_and_row(
    folder: Path, before: str, after: str, says: str
) -> None:
    assert sentence_of(folder, rows=ROWS.replace(before, after)).startswith(says)


@pytest.mark.parametrize(
    "name", ["/etc/duty.csv", "../duty.csv", "sub/duty.csv", "sub\\\\duty.csv", "du\\nty.csv", "duty.txt", ""]
)
def test_a_table_is_named_and_lies_beside_the_programme(folder: Path, name: str) -> None:
    told = sentence_of(folder, programme=HEAD.replace("duty.csv", name))
    assert told.startswith("programme.toml:11 test.part.table is refused: ")
    assert "is not the name of a CSV file beside the programme" in told


def test_a_table_that_is_not_there_and_one_written_into_the_programme_are_refused(folder: Path) -> None:
    told = sentence_of(folder, programme=HEAD.replace("duty.csv", "other.csv"))
    assert told.startswith("programme.toml:11 test.part.table is refused: there is no file other.csv")
    rows = '{ file = "duty.csv", time_s = [0, 1], speed_rpm = [0, 0], torque_nm = [0, 0] }'
    told = sentence_of(folder, programme=HEAD.replace('"duty.csv"', rows))
    assert told.startswith("programme.toml:11 test.part.table is refused: a table is given as the name of a CSV file")


def test_a_course_that_outruns_the_bench_is_refused_with_its_second_and_place(folder: Path) -> None:
    told = sentence_of(folder, rows=ROWS.replace("6,0,0", "4.4,0,0"))
    assert told.startswith(
        "programme.toml:10 test.part item 1 (Duty cycle) asks for slope of speed of 2250 r/min per s"
    )
    assert "from second 4 of the course on, and there is 2000 r/min per s" in told


def test_a_course_beyond_a_limit_is_refused_where_it_stands(folder: Path) -> None:
    told = sentence_of(folder, rows=ROWS.replace("900,0.6", "900,5.0"))
    assert told.startswith("programme.toml:11 test.part.table is 5 (torque_nm, at second 4 of its course), which would")
    low = HEAD + '\n[[limits]]\nchannel = "shaft_speed"\nlow = -300.0\nhigh = 4000.0\nreaction = "cut"\n'
    told = sentence_of(folder, rows=ROWS.replace("2,900", "2,-900"), programme=low)
    assert "is -900 (speed_rpm, at second 2 of its course), which would cross the limit -300 of" in told


def test_a_misspelt_key_of_a_shape_is_told_with_its_line(folder: Path) -> None:
    shape = 'speed_rpm = { shape = "linear", ende = 900.0, time_s = 2.0 }\ntorque_nm = { shape = "hold" }'
    told = sentence_of(folder, programme=HEAD.replace('table = "duty.csv"', shape))
    assert told.startswith(
        "programme.toml:11 test.part.speed_rpm.ende is not a key that is known here; did you mean end"
    )


def test_a_key_of_another_shape_is_told_as_one(folder: Path) -> None:
    shape = 'speed_rpm = { shape = "hold", start = 900.0, time_s = 2.0 }\ntorque_nm = { shape = "hold", at = 0.0 }'
    told = sentence_of(folder, programme=HEAD.replace('table = "duty.csv"', shape))
    assert told.startswith(
        "programme.toml:11 test.part.speed_rpm.start is not a key that is known here; it does not go with what else"
    )
