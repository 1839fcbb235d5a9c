"""What a test report must state beside its results (ISO/IEC 17025:2017, 7.8.2), cautions, hashes, signatures.

It must never fill in a field that the folder does not hold: such a field is left to be written by hand.
"""

from typing import Any

from benchd.report import soft
from benchd.report.blocks import BODY_PT, SMALL_PT, Block, Column, heading, pairs, paragraphs, rows, section
from benchd.report.findings import TestFound
from benchd.report.front import identifier, raw_data
from benchd.report.happenings import told_in_tests
from benchd.report.local_time import LocalTime
from benchd.report.material import Material
from benchd.report.words import name_of_test, said, small

BY_HAND = "not recorded; to be entered by hand"
NO_SUM = "not listed in SHA256SUMS"
HARDWARE_HOLDS = (
    "A stop by software is not a safety function. The bench must be held safe by its hardware: emergency stop, guards "
    "with locking, safe torque off, over-voltage and overspeed protection; the risk assessment (ISO 12100), local "
    "codes and qualified persons decide. An emergency stop is of category 0 or 1 (IEC 60204-1, 9.2.2), overrides "
    "everything, and its reset permits a restart and starts nothing (ISO 13850); nothing may start unexpectedly "
    "(ISO 14118)."
)
WHAT_STAYS = (
    "Safe torque off (IEC 61800-5-2) removes torque, it is no electrical isolation. A machine with permanent magnets "
    "generates voltage while it turns, also after safe torque off. A DC link keeps its charge: wait until it is below "
    "60 V and measure before touching. Guards stay closed until standstill was measured (ISO 14119, ISO 14120). Test "
    "stations have rules of their own (EN 50191); this report claims no performance level (ISO 13849-1)."
)


def report_data(material: Material, tests: list[TestFound], at: LocalTime) -> dict[str, Any]:
    """The fields of 7.8.2.1, each with its letter."""
    run = material.description
    if at.virtual:
        said_so = paragraphs(
            f"A rehearsal is no test report (ISO/IEC 17025:2017, 7.8.2): nothing was tested. {at.sentence}"
        )
        return section("Report data", said_so, *_hashes(material), *_software(material))
    motor = soft.table(soft.table(run.get("configuration")).get("motor"))
    methods = ", ".join(dict.fromkeys(small(name_of_test(test.kind, test.title)) for test in tests))
    specimen = " ".join(filter(None, (soft.text(motor.get("manufacturer")), soft.text(motor.get("type_designation")))))
    in_tests, others = told_in_tests(material.events, {test.index: test.notes for test in tests})
    laboratory, customer = run.get("laboratory"), run.get("customer")
    order, serial = soft.text(run.get("order"), "unknown"), soft.text(run.get("serial"), "unknown")
    condition = soft.text(run.get("condition"), BY_HAND)
    places = [(in_tests, "in the remarks of the tests"), (others, "listed under events")]
    told = "; ".join(f"{len(some)} {where}" for some, where in places if some) or "none recorded"
    entries = [
        ("a", "Title", "Test report"),
        ("b", "Laboratory and address", said(laboratory) if laboratory else BY_HAND),
        ("c", "Place of the tests", f"bench {soft.text(run.get('bench'), 'not recorded')}"),
        ("d", "Identification", f"{identifier(material)}; on every page, the end is marked"),
        ("e", "Customer", said(customer) if customer else f"order {order}; {BY_HAND}"),
        ("f", "Methods", f"{methods or 'none'}; programme {soft.text(run.get('programme'), 'not recorded')}"),
        ("g", "Item tested", f"{specimen or 'not described'}, serial number {serial}; condition: {condition}"),
        ("h", "Received on", soft.text(run.get("received_on"), BY_HAND)),
        ("i", "Tested on", at.day(run.get("started_utc"))),
        ("j", "Issued on", "the date beside the authorising signature"),
        ("k", "Sampling", "no sampling is known to this report; one specimen as delivered"),
        ("l", "Validity", "the results relate only to the item tested"),
        ("m", "Results", "with their units and uncertainties in the sections of the tests"),
        ("n", "Deviations from the method", told),
        ("o", "Authorised by", "signature below"),
        ("p", "External providers", "no result of an external provider is contained"),
    ]
    columns = [Column(title=""), Column(title="field"), Column(title="entry", wide=1.0)]
    table = rows(columns, [list(entry) for entry in entries], size_pt=SMALL_PT, whole=True)
    note = paragraphs(
        "Letters are those of ISO/IEC 17025:2017, 7.8.2.1. The report may be copied only as a whole unless the "
        f"laboratory agrees. {at.sentence}"
    )
    return section("Report data", table, note, *_hashes(material), *_software(material))


def _hashes(material: Material) -> list[Block]:
    raw = raw_data(material)
    entries = [
        ("Raw data" if raw is None else f"Raw data, {raw[0]}", NO_SUM if raw is None else raw[1]),
        ("Configuration", soft.text(material.description.get("configuration_sha256"), "not recorded")),
        *(
            (name, material.sums[name])
            for name in ("run.json", "events.jsonl", "results.json")
            if name in material.sums
        ),
    ]
    return [heading("Hashes (SHA-256)"), pairs(entries)]


def _software(material: Material) -> list[Block]:
    software = soft.table(material.description.get("software"))
    if not software:
        return []
    listed = ", ".join(f"{name} {soft.text(version, '?')}" for name, version in software.items())
    return [heading("Software that recorded the run"), paragraphs(f"{listed}.")]


def closing(material: Material) -> dict[str, Any]:
    """Cautions and the lines to sign on."""
    operator = soft.text(material.description.get("operator"))
    lines = [
        ["Tested by", f"{operator}, date" if operator else "name, date"],
        ["Checked by", "name, date"],
        ["Authorised by", "name, function, date of issue"],
    ]
    cautions = paragraphs(HARDWARE_HOLDS, WHAT_STAYS, size_pt=BODY_PT)
    if material.description.get("rehearsal") is not None:
        return section("Cautions", cautions, whole=True)  # nobody signs what nobody has tested
    return section("Cautions and signatures", cautions, {"kind": "signatures", "signatures": lines}, whole=True)
