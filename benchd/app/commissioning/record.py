"""The record of a campaign: plain values for JSON and for the paper. It reads no clock and no device."""

import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

from benchd.app.commissioning.provoked import Answer, Kind, NotProvoked
from benchd.app.wiring import PlannedRun
from benchd.live.starting import shown
from benchd.settings.bench import Bench

SCHEMA = 1
DIGITS = 6  # of a second: microseconds
BY_HAND = {
    "movable guard opened, emergency stop pressed": (
        "a person has to do it at the bench; their function belongs to the validation of the hardware safety chain "
        "(ISO 13849-2)"
    ),
    "event loop blocked, daemon killed": "the sentry answers these, and this process cannot outlive them",
}


def record(
    bench: Bench,
    run: PlannedRun,
    answers: Sequence[Answer],
    left_out: Iterable[NotProvoked],
    *,
    utc: str,
    operator: str,
    times: int,
    trouble: str = "",
) -> dict[str, Any]:
    """Everything that a risk assessor wants to see; `trouble` says why a campaign ended before its end."""
    return {
        "schema": SCHEMA,
        "bench": bench.name,
        "bench_file": str(bench.document.file),
        "utc": utc,
        "operator": operator,
        "times": times,
        "trouble": trouble,
        "programme": run.job.programme.name,
        "motor": f"{run.job.motor.settings.manufacturer} {run.job.motor.settings.type_designation}",
        "software": {"benchd": version("benchd"), "python": platform.python_version()},
        "tick_hz": bench.tick_rate_hz,
        "poll_hz": {name: device.poll_hz for name, device in bench.devices.items()},
        "limits": [shown(limit) for limit in run.plan.limits],
        "answers": [_answer(one) for one in answers],
        "not_provoked": [asdict(one) for one in left_out]
        + [{"title": title, "origin": "", "why": why} for title, why in BY_HAND.items()],
    }


def _answer(one: Answer) -> Mapping[str, Any]:
    asked = one.provocation
    return {
        "what": asked.title,
        "kind": asked.kind.value,
        "origin": asked.origin,
        "reaction": "" if asked.reaction is None else asked.reaction.name.lower(),
        "delay_s": None if asked.limit is None else asked.limit.delay_s,
        "expected_within_s": _rounded(asked.within_s) if asked.kind is Kind.LIMIT else None,
        "seen_s": _rounded(one.seen_s),
        "order_s": _rounded(one.order_s),
        "order": one.order,
        "obeyed_s": _rounded(one.obeyed_s),
        "rest_s": _rounded(one.rest_s),
        "state": one.state,
        "cause": one.cause,
        "permit_withdrawn": one.permit_withdrawn,
        "standstill_measured": one.standstill_measured,
        "trouble": list(one.trouble),
        "as_wanted": one.as_wanted,
    }


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, DIGITS)
