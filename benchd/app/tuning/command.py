"""`benchd tune`: the steps, the loops that follow once the bench is let go, their file, and what a person reads."""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchd.app.tables import columns
from benchd.app.tuning.job import Wanted, held_energy_j, tuning_run
from benchd.app.tuning.session import Seen, stepped
from benchd.procedures.identify import top_speed_rpm
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.tuning_file import LoopTable, Tuning

BAR = 48  # columns of a picture of a step response
PICTURED = 16  # rows of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuned:
    """What came of a tuning: its file where at least one loop was found, and a sentence for each that was not."""

    tuning: Tuning | None
    refused: tuple[str, ...]
    text: str  # table and pictures, for people


def tuned(
    bench: Bench,
    motor: Motor,
    setup: Setup,
    *,
    runtime_directory: Path,
    operator: str,
    rule: str | None,
    say: Callable[[str], object],
) -> Tuned:
    """Tune every loop of this motor on this bench and store what was found.

    Raises `SettingsError`, `Unfit`, `RecordsError`, `DriverBroken` or `TuningFailed`.
    """
    run, wanted = tuning_run(bench, motor, setup, operator=operator)
    energy_j = held_energy_j(bench, run, top_rpm=top_speed_rpm(run.tests[0].around))
    say(f"Shaft and DC link will hold {energy_j:.2g} J at most; the steps take about {run.duration_s:.0f} s.")
    seen = stepped(bench, run, wanted, runtime_directory=runtime_directory, say=say)
    return stored(bench, motor, setup, seen, operator=operator, rule=rule)


def stored(
    bench: Bench, motor: Motor, setup: Setup, seen: Mapping[Wanted, Seen], *, operator: str, rule: str | None
) -> Tuned:
    """The loops that follow from what was seen, in a file of their own; nothing is live any more."""
    from benchd.analysis.identification import NotIdentified  # noqa: PLC0415 - scipy, once the bench is let go
    from benchd.app.tuning.found import Found, loop_of  # noqa: PLC0415
    from benchd.app.tuning.record import write_tuning  # noqa: PLC0415

    found: list[Found] = []
    refused: list[str] = []
    for wanted, what in seen.items():
        try:
            found.append(loop_of(wanted, what, bench, motor, rule=rule))
        except NotIdentified as error:
            refused.append(str(error))
    if not found:
        return Tuned(tuning=None, refused=tuple(refused), text="")
    tables = [one.table for one in found]
    tuning = write_tuning(bench, motor, setup, tables, utc=dt.datetime.now(tz=dt.UTC), operator=operator)
    pictures = [picture(one.wanted.title, one.response.time_s, one.response.value) for one in found]
    return Tuned(tuning=tuning, refused=tuple(refused), text="\n\n".join((table(tables), *pictures)))


def table(loops: Sequence[LoopTable]) -> str:
    """Each loop with what was identified, its rule and gains, and what is expected of it."""
    rows = [
        ("loop", "gain", "lag", "small", "dead", "rule", "Kp", "Ki", "margin", "overshoot", "settles"),
        ("", "", "ms", "ms", "ms", "", "", "per s", "°", "%", "s"),
    ]
    for one in loops:
        settles = one.predicted.settling_s
        rows.append(
            (
                f"{one.channel} by {one.role.replace('_', ' ')}",
                f"{one.plant.gain:.4g} ± {2.0 * one.doubt.gain:.1g}",
                f"{1e3 * one.plant.lag_s:.0f}",
                f"{1e3 * one.plant.small_s:.0f}",
                f"{1e3 * one.plant.dead_s:.0f}",
                one.rule,
                f"{one.regulator.proportional:.3g}",
                f"{one.regulator.integral_per_s:.3g}",
                f"{one.predicted.phase_margin_deg:.0f}",
                f"{100.0 * one.predicted.overshoot_ratio:.0f}",
                "never" if settles is None else f"{settles:.2f}",
            )
        )
    return "\n".join(columns(rows, right={1, 2, 3, 4, 6, 7, 8, 9, 10}))


def picture(title: str, time_s: Sequence[float], value: Sequence[float]) -> str:
    """The expected step response as rows of a bar each, the whole step marked."""
    until = next((n for n in range(len(value)) if all(abs(one - 1.0) < 0.005 for one in value[n:])), len(value) - 1)
    every = max(1, -(-until // (PICTURED - 1)))
    rows = [f"{title}: expected after a step of 1"]
    scale = BAR / max(1.2, *value[: until + 1])
    whole = round(scale)
    for number in range(0, min(len(value), until + every), every):
        bar = ("█" * max(0, round(scale * value[number]))).ljust(BAR)
        marked = bar if bar[whole] != " " else bar[:whole] + "│" + bar[whole + 1 :]
        rows.append(f"{1e3 * time_s[number]:6.0f} ms {marked.rstrip()} {value[number]:.2f}")
    return "\n".join(rows)
