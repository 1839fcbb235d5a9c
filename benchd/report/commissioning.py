"""The record of a campaign of provocations as a paper: plain values in, a document for the pages out.

It must never say that a software stop is a safety function, nor judge more than what was measured.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from benchd.report.blocks import SMALL_PT, Block, Column, pairs, paragraphs, picture, rows, section
from benchd.report.document import PAPERS
from benchd.report.formal import HARDWARE_HOLDS, WHAT_STAYS
from benchd.report.letters import Printable
from benchd.report.local_time import parsed
from benchd.report.panels import Line, Panel, stacked
from benchd.report.rendering import compiled, shows
from benchd.report.scales import scale

BINS = 24
MILLI = 1e3


def render_commissioning(record: Mapping[str, Any], *, paper: str) -> bytes:
    """The record as PDF/A-2b; the same record gives the same bytes. Raises RuntimeError where pages cannot be set."""
    moment = parsed(record["utc"])
    whole = Printable(shows).all(commissioning(record, paper=paper))
    return compiled(whole, timestamp=0 if moment is None else int(moment.timestamp()))


def commissioning(record: Mapping[str, Any], *, paper: str) -> dict[str, Any]:
    """The whole paper as plain values."""
    answers = list(record["answers"])
    title = f"Commissioning record {record['bench']} {record['utc']}"
    return {
        "paper": PAPERS[paper],
        "title": title,
        "author": record["operator"] or "unknown",
        "keywords": ["commissioning record", record["bench"]],
        "identifier": f"{record['bench']} {record['utc']}",
        "running": {"left": f"Commissioning record, bench {record['bench']}", "right": _moment(record["utc"])},
        "masthead": {
            "title": "Commissioning record",
            "subtitle": "how the bench answers what its limits and its devices do",
            "corner": [f"Bench {record['bench']}", _moment(record["utc"]), f"benchd {record['software']['benchd']}"],
        },
        "decision": _plate(record, answers),
        "alarms": [{"title": "The campaign ended before its end", "sentences": [record["trouble"]]}]
        if record["trouble"]
        else [],
        "front": [_conditions(record), *_histogram(answers)],
        "front_picture": [],
        "sections": [
            section("Answers", *_answers(answers)),
            section("What was not provoked", _left_out(record["not_provoked"])),
            section("How it was measured", paragraphs(PROVOKED, TIMES, BOUNDS)),
            section(
                "Cautions and signatures",
                paragraphs(HARDWARE_HOLDS, WHAT_STAYS),
                {
                    "kind": "signatures",
                    "signatures": [
                        ["Carried out by", record["operator"] or "name, date"],
                        ["Risk assessment", "name, function, date"],
                    ],
                },
                whole=True,
            ),
        ],
    }


def _moment(utc: str) -> str:
    return utc.replace("T", " ").replace("Z", " UTC")


PROVOKED = (
    "The shaft turned slowly and nearly unloaded. A limit was provoked by bringing its threshold below the present "
    "value, a loss by withholding a device's readings while orders still reached it, the permit by asking the safety "
    "chain to open. Times count from that moment."
)
TIMES = (
    "Seen is when the cause was told; it holds up to one poll period of the channel's slowest device, the limit's own "
    "delay and with one another poll period, and the time in which a reading travels. First order is when the first "
    "call that changes something was handed to a driver. At rest is when standstill had been measured, the link was "
    "discharged and every device had confirmed."
)
BOUNDS = (
    "The times belong to this bench, this shaft, this load of the computer. They do not bound what a faster or heavier "
    "shaft does meanwhile, and nothing here replaces the validation of the hardware safety chain."
)


def _plate(record: Mapping[str, Any], answers: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    wrong = sorted({one["what"] for one in answers if not one["as_wanted"]})
    kinds = len({one["what"] for one in answers})
    if not answers or record["trouble"]:
        return {"verdict": "none", "headline": "The campaign is not complete", "sentences": []}
    if wrong:
        return {
            "verdict": "rejected",
            "headline": f"{len(wrong)} of {kinds} were not answered as wanted",
            "sentences": [f"Not as wanted: {'; '.join(wrong)}."],
        }
    return {
        "verdict": "accepted",
        "headline": f"All {kinds} were answered as wanted",
        "sentences": [f"{len(answers)} provocations, each kind {record['times']} times where it could be provoked."],
    }


def _conditions(record: Mapping[str, Any]) -> Block:
    polls = ", ".join(f"{name.replace('_', ' ')} {hz:g}" for name, hz in record["poll_hz"].items())
    return pairs(
        [
            ("Bench file", record["bench_file"]),
            ("Limits of", f"{record['programme']}, {record['motor']}"),
            ("Ticks per second", f"{record['tick_hz']:g}"),
            ("Polls per second", polls),
            ("Carried out by", record["operator"] or "not recorded"),
        ]
    )


def _histogram(answers: Sequence[Mapping[str, Any]]) -> list[Block]:
    """First orders after the threshold fell, the limit's own delay taken off, in bins of equal width."""
    taken = [one["order_s"] - _delay_s(one) for one in answers if one["order_s"] is not None and one["kind"] == "limit"]
    if len(taken) < 3:
        return []
    times_ms = np.maximum(np.array(taken) * MILLI, 0.0)
    axis = scale(0.0, float(times_ms.max()), room=0.0)
    edges = np.linspace(0.0, axis.high, BINS + 1)
    counts, _ = np.histogram(times_ms, bins=edges)
    x = np.repeat(edges, 2)
    y = np.concatenate(([0.0], np.repeat(counts.astype(float), 2), [0.0]))
    chart = stacked(
        [Panel(title="provocations", lines=[Line(label="", x=x, y=y, ink=0, thick_pt=1.2)], height_mm=32)],
        x=axis,
        x_title="first order after the limit's own delay / ms",
        alt="Histogram of the time from the crossing of a limit to the first order.",
    )
    middle, worst = float(np.median(times_ms)), float(times_ms.max())
    said = (
        f"{times_ms.size} provocations of limits that take energy away: median {middle:.3g} ms, worst {worst:.3g} ms "
        "beyond the limit's own delay. They hold up to one poll period, with a delay up to two."
    )
    return [picture(chart, said)]


def _delay_s(one: Mapping[str, Any]) -> float:
    return float(one.get("delay_s") or 0.0)


def _answers(answers: Sequence[Mapping[str, Any]]) -> list[Block]:
    """One row a kind: median and worst of its rounds."""
    if not answers:
        return [paragraphs("Nothing was provoked.")]
    columns = [
        Column(title="provoked", wide=1.0),
        Column(title="reaction"),
        Column(title="seen", unit="ms", right=True),
        Column(title="first order", unit="ms", right=True),
        Column(title="at rest", unit="s", right=True),
        Column(title="permit"),
        Column(title="standstill"),
        Column(title="as wanted"),
    ]
    cells: list[list[str]] = []
    strong: list[int] = []
    for what in dict.fromkeys(one["what"] for one in answers):
        rounds = [one for one in answers if one["what"] == what]
        if not all(one["as_wanted"] for one in rounds):
            strong.append(len(cells))
        cells.append(
            [
                what,
                rounds[0]["reaction"].replace("_", " ") or rounds[0]["state"],
                _times(rounds, "seen_s", MILLI, ".0f"),
                _times(rounds, "order_s", MILLI, ".0f"),
                _times(rounds, "rest_s", 1.0, ".2f"),
                "withdrawn" if any(one["permit_withdrawn"] for one in rounds) else "",
                "measured" if all(one["standstill_measured"] for one in rounds) else "not measured",
                "yes" if all(one["as_wanted"] for one in rounds) else "no",
            ]
        )
    caption = "Median, and the worst in brackets where a kind was provoked several times; bold: not as wanted."
    blocks: list[Block] = [rows(columns, cells, size_pt=SMALL_PT, strong=strong, caption=caption)]
    trouble = sorted({f"{one['what']}: {said}" for one in answers for said in one["trouble"]})
    if trouble:
        blocks.append(paragraphs(*trouble))
    return blocks


def _times(rounds: Sequence[Mapping[str, Any]], key: str, factor: float, form: str) -> str:
    known = [one[key] * factor for one in rounds if one[key] is not None]
    if not known:
        return "–"
    middle = f"{float(np.median(known)):{form}}"
    return middle if len(known) == 1 else f"{middle} ({max(known):{form}})"


def _left_out(left_out: Sequence[Mapping[str, Any]]) -> Block:
    columns = [Column(title="what", wide=1.0), Column(title="why", wide=1.4)]
    return rows(columns, [[one["title"], one["why"]] for one in left_out], size_pt=SMALL_PT)
