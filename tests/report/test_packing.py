"""Tables and sentences that were packed: shorter than they were, and nothing lost."""

import re
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.report.blocks import Column, rows
from benchd.report.findings import Found, PointFound, TestFound
from benchd.report.point_tables import point_tables
from benchd.report.sayings import told_once
from benchd.report.testing import test_section as section_of  # pytest would take test_section for a test

from .conftest import Printed
from .pdf_text import squeezed

ENDS = (", read at rated torque between the points.", ": end of the dwell less its beginning.", ".", ", mean.")
HEADS = ("", "At the end of the dwell: ", "Mean of ")


def found(names: Sequence[str], count: int, **changed: Any) -> TestFound:
    """A test with so many points; each number is another one."""
    points = [
        PointFound(
            number=number,
            direction="up",
            asked={"torque_nm": 0.5 * number},
            values={
                name: Found(value=1.0 + number + at / 1000, standard_uncertainty=1e-5) for at, name in enumerate(names)
            },
        )
        for number in range(count)
    ]
    parts: dict[str, Any] = {
        "index": 0, "kind": "load", "title": "", "settings": {}, "evaluated": True, "quantities": [], "notes": []
    }  # fmt: skip
    return TestFound(**parts | {"points": points, "units": dict.fromkeys(names, "W")} | changed)


@given(st.lists(st.tuples(st.sampled_from(HEADS), st.text("abc ,:", max_size=9), st.sampled_from(ENDS)), max_size=12))
def test_sentences_told_once_can_be_put_together_again(parts: list[tuple[str, str, str]]) -> None:
    sentences = ["".join(part).strip() for part in parts]
    short, notes = told_once(sentences)
    ends = {note[:3]: note[5:] for note in notes if note[4] == "…"}
    heads = {note[:3]: note[4:-1] for note in notes if note[4] != "…"}
    again = []
    for sentence in short:
        whole = sentence
        for letter, head in heads.items():
            whole = whole.removeprefix(f"{letter} ") if not whole.startswith(f"{letter} ") else head + whole[4:]
        for letter, end in ends.items():
            whole = re.sub(rf"\u00a0{re.escape(letter)}$", lambda _, end=end: end, whole)
        again.append(whole)
    assert again == sentences


def test_what_three_sentences_share_is_told_once_and_what_two_share_is_not() -> None:
    end = ", read at rated torque between the neighbouring points."
    short, notes = told_once([f"Power{end}", f"Speed{end}", f"Current{end}", "Mean of all."])
    assert short == ["Power\u00a0[a]", "Speed\u00a0[a]", "Current\u00a0[a]", "Mean of all."]
    assert notes == [f"[a] …{end}"]
    assert told_once([f"Power{end}", f"Speed{end}"]) == ([f"Power{end}", f"Speed{end}"], [])


@pytest.mark.parametrize("count", [1, 2, 3, 4, 10])
@pytest.mark.parametrize("many", [1, 5, 7, 24])
def test_every_number_of_every_point_stands_in_the_tables_once(many: int, count: int) -> None:
    names = [f"quantity_{chr(97 + number)}_with_a_long_name" for number in range(many)]
    tables = [block for block in point_tables(found(names, count)) if block["kind"] == "rows"]
    cells = [cell for table in tables for row in table["rows"] for cell in row["cells"]]
    for number in range(count):
        for at in range(many):
            assert cells.count(f"{1 + number + at / 1000:.6f}(10)") == 1
    for table in tables:
        assert all(len(row["cells"]) == len(table["columns"]) for row in table["rows"])


def test_quantities_without_a_number_stand_together_by_their_reason() -> None:
    missing = [
        {"name": name, "unit": "W", "value": None, "reason": reason}
        for name, reason in (
            ("losses", "no usable shaft_torque"),
            ("input_power", "no usable shaft_torque"),
            ("x", "z"),
        )
    ]
    tables = [block for block in section_of(found([], 0, quantities=missing), [])["blocks"] if block["kind"] == "rows"]
    assert [[row["cells"] for row in table["rows"]] for table in tables] == [
        [["Losses, input power", "No usable shaft torque"], ["x", "z"]]
    ]


@pytest.mark.parametrize("whole", [False, True])
def test_a_table_too_tall_for_a_page_may_break_there(*, whole: bool) -> None:
    long = "word " * 300
    tall = rows([Column(title="a"), Column(title="b", wide=1.0)], [["x", long]] * 6, whole=whole)
    assert (tall["whole"], tall["kept"]) == (False, False)
    short = rows([Column(title="a")], [["x"]] * 20, whole=whole)
    assert (short["whole"], short["kept"]) == (whole, True)
    assert rows([Column(title="a")], [["x"]] * 60, whole=True)["whole"] is False


def test_texts_longer_than_a_page_are_printed_whole(printed: Printed) -> None:
    events = [{"event": "deviation", "sentence": f"{start} " + "word " * 1500 + "last."} for start in ("one", "two")]
    found = squeezed(printed(events=events).text)
    assert found.count("wordlast.") == 2
    pages = [page for page in printed(events=events).pages if page.count("word") > 300]
    assert len(pages) >= 2
