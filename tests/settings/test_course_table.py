"""Tables of courses as files: what is read, and that each mistake is one sentence with file and row."""

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.rules.course_pieces import Between, Table
from benchd.settings.course_table import TIME, read_course_table
from benchd.settings.errors import SettingsError

BOTH = ("speed_rpm", "torque_nm")
GOOD = "time_s,speed_rpm,torque_nm\n0,0,0\n1.5,1500,-0.25\n3,3.0e3,.5\n"


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path / "duty.csv"


def refused(file: Path, content: str | bytes, **more: int) -> str:
    file.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    with pytest.raises(SettingsError) as caught:
        read_course_table(file, BOTH, **more)
    assert "\n" not in caught.value.sentence
    assert caught.value.sentence.startswith("duty.csv")
    place = re.match(r"duty\.csv:(\d+)", caught.value.sentence)
    assert caught.value.line == (int(place.group(1)) if place else 0)
    return caught.value.sentence


def test_a_good_file_is_read_as_it_stands_and_becomes_pieces(file: Path) -> None:
    file.write_text(GOOD, encoding="utf-8")
    found = read_course_table(file, BOTH)
    assert found.times_s == (0.0, 1.5, 3.0)
    assert dict(found.values) == {"speed_rpm": (0.0, 1500.0, 3000.0), "torque_nm": (0.0, -0.25, 0.5)}
    assert found.piece("torque_nm", Between.CUBIC) == Table(
        times_s=(0.0, 1.5, 3.0), values=(0.0, -0.25, 0.5), between=Between.CUBIC
    )


@pytest.mark.parametrize(
    "content",
    [
        "torque_nm, time_s ,speed_rpm\n0, 0 ,0\n-0.25,1.5,1500\n.5,3,+3000\n",
        GOOD.removesuffix("\n"),
        GOOD.replace("\n", "\r\n"),
    ],
    ids=["another order and blanks", "no last line end", "CR LF"],
)
def test_order_of_columns_blanks_and_line_ends_do_not_matter(file: Path, content: str) -> None:
    file.write_bytes(content.encode())
    found = read_course_table(file, BOTH)
    assert found.values["speed_rpm"] == (0.0, 1500.0, 3000.0)
    assert found.values["torque_nm"] == (0.0, -0.25, 0.5)


def changed(old: str, new: str) -> str:
    assert GOOD.count(old) == 1
    return GOOD.replace(old, new)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "duty.csv is empty; begin it with a header such as time_s,speed_rpm,torque_nm."),
        (" \n\n", "duty.csv is empty"),
        (b"\xef\xbb\xbf" + GOOD.encode(), "duty.csv:1 begins with a byte order mark; save it as UTF-8 without one."),
        (changed("0,0,0\n", "0,0,0\r"), "duty.csv:2 holds a tab or a character that cannot be shown"),
        (changed("1500", "15\xb00").encode("latin-1"), "duty.csv:3 is not UTF-8 text"),
        (
            GOOD.replace(",", ";").replace(".", ","),
            "duty.csv:1 has semicolons; save it with commas between the columns",
        ),
        (changed("1.5,1500,-0.25", "1,5;1500;-0,25"), "duty.csv:3 has semicolons"),
        (changed("1.5,1500,-0.25", "1,5,1500,-0,25"), "duty.csv:3 time_s begins a row of 5 cells for 3 columns"),
        (changed("time_s,speed_rpm,torque_nm\n", ""), "duty.csv:1 has no header; write time_s,speed_rpm,torque_nm"),
        (
            changed("speed_rpm", "speed_rad_s"),
            'duty.csv:1 speed_rad_s has the unit "rad_s", and only speed_rpm is',
        ),
        (changed("torque_nm", "torque"), "duty.csv:1 torque has no unit, and only torque_nm is known"),
        (changed("torque_nm", "torque_Nm"), 'duty.csv:1 torque_Nm has the unit "Nm", and only torque_nm is known'),
        (changed("time_s", "time_ms"), 'duty.csv:1 time_ms has the unit "ms", and only time_s is known'),
        (
            changed("speed_rpm", "sped_rpm"),
            "duty.csv:1 sped_rpm is not a column that is known here; did you mean speed",
        ),
        (changed("speed_rpm", "current_a"), "duty.csv:1 current_a is not asked for here"),
        (
            changed("speed_rpm", "torque_nm"),
            "duty.csv:1 torque_nm is there a second time; keep one (and 1 more",
        ),
        (changed("speed_rpm", ""), "duty.csv:1 column 2 has no name"),
        (
            "time_s,torque_nm\n0,0\n1,1\n",
            "duty.csv:1 speed_rpm is missing; the header must be time_s,speed_rpm,torq",
        ),
        (changed("1.5,1500,-0.25", "1.5,,-0.25"), "duty.csv:3 speed_rpm has a gap; write the number that is meant."),
        (changed("1.5,1500,-0.25", "1.5,1500"), "duty.csv:3 torque_nm has a gap"),
        (changed("1.5,1500,-0.25", ""), "duty.csv:3 time_s has a gap: the row is empty"),
        (GOOD + "\n", "duty.csv:5 time_s has a gap: the row is empty"),
        (changed("1500", "NaN"), "duty.csv:3 speed_rpm is NaN, which is not a number"),
        (changed("1500", "-inf"), "duty.csv:3 speed_rpm is -inf, which is infinite"),
        (changed("1500", "1e999"), "duty.csv:3 speed_rpm is 1e999, which is infinite"),
        (changed("1500", "1_500"), 'duty.csv:3 speed_rpm is "1_500", which is not a number'),
        (changed("1500", '"1500"'), 'duty.csv:3 speed_rpm is ""1500"", which is not a number'),
        (changed("1500", "15\x0000"), "duty.csv:3 holds a tab or a character that cannot be shown"),
        (GOOD.replace(",", "\t"), "duty.csv:1 holds a tab"),
        (changed("1500", "0x5dc"), 'duty.csv:3 speed_rpm is "0x5dc", which is not a number'),
        (changed("1500", "١٥٠٠"), 'duty.csv:3 speed_rpm is "١٥٠٠", which is not a number'),
        (changed("3,3.0e3", "1.5,3.0e3"), "duty.csv:4 time_s stands at 1.5 s; each row must be later."),
        (changed("3,3.0e3", "1.25,3.0e3"), "duty.csv:4 time_s runs backwards, from 1.5 to 1.25 s"),
        (changed("0,0,0", "0.5,0,0"), "duty.csv:2 time_s begins with 0.5 s; a table begins with 0"),
        ("time_s,speed_rpm,torque_nm\n0,0,0\n", "duty.csv:2 has fewer than two rows below its header"),
        ("time_s,speed_rpm,torque_nm\n", "duty.csv:1 has fewer than two rows below its header"),
        (changed("1.5,1500,-0.25", "1.5,NaN,x"), "duty.csv:3 speed_rpm is NaN"),
    ],
)
def test_a_mistake_is_refused_with_its_row_and_what_to_do(file: Path, content: str | bytes, says: str) -> None:
    sentence = refused(file, content)
    assert sentence.startswith(says), sentence


def test_several_mistakes_are_counted(file: Path) -> None:
    assert refused(file, changed("1.5,1500,-0.25", "1.5,NaN,x")).endswith("(and 1 more problem in this file).")


def test_a_table_has_up_to_the_stated_number_of_rows(file: Path) -> None:
    file.write_text(GOOD, encoding="utf-8")
    assert len(read_course_table(file, BOTH, most_rows=3).times_s) == 3
    assert refused(file, GOOD, most_rows=2).startswith("duty.csv:4 is row 3, and a table has up to 2 rows")
    assert "is larger than 2 rows can be" in refused(file, GOOD + "0" * 3000, most_rows=2)


@pytest.mark.parametrize(("name", "says"), [("none.csv", "does not exist"), (".", "is a directory")])
def test_what_is_no_file_is_refused(file: Path, name: str, says: str) -> None:
    with pytest.raises(SettingsError, match=says):
        read_course_table(Path(name), BOTH)


NUMBERS = st.floats(-1e9, 1e9)


@given(st.lists(st.tuples(st.floats(1e-3, 1e3), NUMBERS), min_size=1, max_size=30), NUMBERS)
def test_what_was_written_is_read_to_the_last_digit(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[float, float]], first: float
) -> None:
    rows = [(0.0, first)]
    for step_s, value in steps:
        rows.append((rows[-1][0] + step_s, value))
    file = tmp_path_factory.mktemp("tables") / "duty.csv"
    file.write_text("time_s,speed_rpm\n" + "".join(f"{at!r},{value!r}\n" for at, value in rows), encoding="utf-8")
    found = read_course_table(file, ("speed_rpm",))
    assert list(zip(found.times_s, found.values["speed_rpm"], strict=True)) == rows


@given(st.text(alphabet="time_s,speedrpm\n\r;.0123456789eE+-naif \t\"'\ufeff\x00", max_size=80))
def test_whatever_is_in_the_file_it_is_read_or_refused_in_one_sentence(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    file = tmp_path_factory.mktemp("tables") / "duty.csv"
    for content in (text, f"{TIME},speed_rpm\n{text}"):
        file.write_bytes(content.encode("utf-8"))
        sentence = ""
        try:
            read_course_table(file, ("speed_rpm",)).piece("speed_rpm", Between.LINEAR)
        except SettingsError as error:
            sentence = error.sentence
        assert sentence.isprintable(), sentence
