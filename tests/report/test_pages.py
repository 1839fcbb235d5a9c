"""What stands on the pages, read back from the PDF itself."""

import dataclasses
import re

import pytest

from benchd.report import Material, render

from .conftest import Printed
from .made_up import decision, load_points, results, window
from .pdf_text import Pdf, squeezed

HOSTILE = (
    '#panic("x") *bold* [',
    "$x^2$ <label> @ref `raw` _under_ ~ // no comment /* none */",
    "= no heading - no list + none / none: \\ \\u{41} #set page(width: 1cm) ---",
    '#sys.inputs.report #read("/etc/passwd") ]]]] }}}} \'\'""',
)


@pytest.fixture(scope="module")
def report(pump: Material) -> Pdf:
    return Pdf(render(dataclasses.replace(pump, windows=[window()]), paper="a4"))


@pytest.mark.parametrize("said", HOSTILE)
def test_whatever_people_type_is_printed_as_it_is(printed: Printed, said: str) -> None:
    wording = results(notes=[said])
    wording["decision"]["requirements"][0]["sentence"] = said
    wording["tests"]["load"]["quantities"][0]["how"] = said
    events = [{"event": "deviation", "sentence": said}, {"event": "new_kind", "field": said}]
    pdf = printed(run={"order": said, "operator": said}, results=wording, events=events)
    whole = squeezed(pdf.text)
    assert whole.count(squeezed(said)) >= 8  # corner, block, report data, signature, remark, requirement, how, events


def test_letters_that_no_font_has_are_printed_as_code_points(printed: Printed) -> None:
    pdf = printed(run={"serial": "中-7\x00\u202e😀", "operator": "Zoë Ångström-Čapek Ωλ Жук"})
    assert "⟨U+4E2D⟩-7⟨U+0000⟩⟨U+202E⟩⟨U+1F600⟩" in pdf.pages[0]
    assert "Zoë Ångström-Čapek Ωλ Жук" in pdf.pages[0]


def test_a_name_of_120_letters_is_printed_whole(printed: Printed) -> None:
    name = "Trommelwaschmaschinenpumpe" * 5
    pdf = printed(run={"order": name[:120]})
    assert name[:120] in squeezed(pdf.pages[0])


def test_it_declares_itself_as_pdf_a_2b(report: Pdf) -> None:
    assert b"<pdfaid:part>2</pdfaid:part>" in report.content
    assert b"<pdfaid:conformance>B</pdfaid:conformance>" in report.content
    assert b"/OutputIntents" in report.content


def test_every_picture_has_an_alternative_text(report: Pdf) -> None:
    assert len(report.figures) >= 5  # no-load, back-EMF and load curves, a window, the time record
    assert all(report.figures)


@pytest.mark.parametrize(("paper", "width_pt", "height_pt"), [("a4", 595.3, 841.9), ("letter", 612.0, 792.0)])
def test_both_papers_are_to_be_had(printed: Printed, paper: str, width_pt: float, height_pt: float) -> None:
    """ISO 216 (210 mm x 297 mm) and ANSI/ASME Y14.1 A (8.5 in x 11 in)."""
    assert printed(paper=paper).media_boxes == {(width_pt, height_pt)}


def test_every_page_has_its_number_and_the_end_is_marked(report: Pdf) -> None:
    count = len(report.pages)
    assert count > 5
    for number, page in enumerate(report.pages, start=1):
        assert f"page {number} of {count}" in page
        assert "Report 2026-117 / BP-00031 / 20260504T065812Z / " in page
    assert "end of report 2026-117" in report.pages[-1]


def test_the_first_page_says_who_what_when_and_the_decision(report: Pdf) -> None:
    first = report.pages[0]
    for words in (
        "2026-117",
        "BP-00031",
        "Tove Askeland-Iwu",
        "Hartmoos Brunnenwerk BP-750/4",
        "2026-05-04 08:58:12 UTC+02:00",  # two hours before the file's UTC
        "benchd 0.2.0",
        "Undecided",
        "Guard band w = 1·U",
    ):
        assert words in first


@pytest.mark.parametrize("verdict", ["accepted", "rejected", "undecided"])
def test_the_verdict_stands_in_words_above_everything_else(printed: Printed, verdict: str) -> None:
    first = printed(results=results(decision=decision(verdict))).pages[0]
    assert verdict.capitalize() in first
    assert first.index(verdict.capitalize()) < first.index("Serial numberBP")
    other = {"Accepted", "Rejected", "Undecided"} - {verdict.capitalize()}
    assert not any(word in first for word in other)


def test_without_requirements_there_is_no_decision(printed: Printed) -> None:
    first = printed(results=results(decision=None)).pages[0]
    assert "No decision" in first
    assert not re.search("Accepted|Rejected|Undecided", first)


def test_a_requirement_shows_range_value_uncertainty_and_verdict(report: Pdf) -> None:
    first = squeezed(report.pages[0])
    assert "0.0855to0.0885V·s/rad(0.086892±0.000062)V·s/radaccepted" in first
    assert "atleast0.90.9012±0.0022?undecided" in first
    assert "notdetermined–?undecided" in first


def test_a_quantity_without_a_number_has_its_reason(report: Pdf) -> None:
    assert "not determinedbecauseBack-EMF constant at 20 °CThe magnet thermometer gave no reading" in report.text


def test_a_sensor_past_its_date_is_called_overdue(report: Pdf) -> None:
    assert "2026-02-28 (overdue)" in report.text
    assert "2028-02-29 (overdue)" not in report.text


def test_every_test_says_what_was_asked_and_has_its_points(report: Pdf) -> None:
    for words in ("Winding resistance", "Torque zero", "No-load test", "Back-EMF test", "Load test", "Rated point"):
        assert words in report.text
    whole = squeezed(report.text)
    assert "Torques0.5,1,1.5,2,2.4N·m" in whole
    assert "rising30000.53000.1(1.2)0.50000(21)" in whole
    assert "falling30000.53000.1(1.2)0.50000(21)" in whole


def test_the_window_is_drawn_with_its_fundamental(report: Pdf) -> None:
    assert "Waveforms at point 1" in report.text
    assert re.search(r"fundamental about 200\sHz", report.text)


def test_hashes_of_raw_data_and_configuration_are_printed_whole(report: Pdf, pump: Material) -> None:
    assert f"Raw data, samples.parquet{pump.sums['samples.parquet']}" in report.text
    assert f"Configuration{pump.description['configuration_sha256']}" in report.text


def test_the_fields_of_a_test_report_stand_there_or_are_left_to_be_written(report: Pdf) -> None:
    """Letters a to p of ISO/IEC 17025:2017, 7.8.2.1 (value from memory)."""
    whole = report.text[report.text.index("Report data") :]
    for letter, field in zip("abcdefghijklmnop", FIELDS, strict=True):
        assert f"{letter}{field}" in whole
    assert "to be entered by hand" in whole
    for line in ("Tested by", "Checked by", "Authorised by"):
        assert line in whole


FIELDS = (
    "Title",
    "Laboratory",
    "Place",
    "Identification",
    "Customer",
    "Methods",
    "Item tested",
    "Received on",
    "Tested on",
    "Issued on",
    "Sampling",
    "Validity",
    "Results",
    "Deviations",
    "Authorised by",
    "External providers",
)


def test_the_cautions_call_no_software_a_safety_function(report: Pdf) -> None:
    assert "A stop by software is not a safety function." in report.text
    assert len(re.findall("safety function", report.text)) == 1


def test_forty_points_and_sixty_events_all_stand_there(printed: Printed) -> None:
    found = results()
    found["tests"]["load"]["points"] = load_points([0.05 * number for number in range(1, 41)])
    events = [
        {"event": "warning", "utc": "2026-05-04T06:59:00Z", "cause": f"warning number {number}.", "reaction": "warn"}
        for number in range(60)
    ]
    text = printed(results=found, events=events).text
    assert all(f"warning number {number}." in text for number in range(60))
    assert squeezed(text).count("79falling30000.05") == 1
    assert squeezed(text).count("79falling") == 3  # once in each table that the columns need


def test_a_trip_stands_on_the_first_page_with_its_cause(printed: Printed) -> None:
    cause = "shaft_speed was above 4500 r/min for 0.02 s: 4611.2 r/min was read."
    ending = {"ending": "aborted", "why": "the run was tripped", "utc": "2026-05-04T07:00:00Z"}
    first = printed(events=[{"event": "tripped", "cause": cause, "reaction": "cut"}], ending=ending).pages[0]
    assert "The run was tripped" in first
    assert first.index(cause.replace("shaft_speed", "shaft speed")) < first.index("Serial numberBP")
