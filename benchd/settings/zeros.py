"""The transducer's zero as a set-up file states it, for benches that say so. It must never measure one."""

from dataclasses import dataclass

from benchd.settings.bench import Bench, Setup
from benchd.settings.bench_file import TorqueRanges
from benchd.settings.errors import refuse
from benchd.settings.specimen_files import RangeZero
from benchd.settings.toml_lines import KeyPath

WIDE = "shaft_torque"


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedZero:
    """What one torque channel shows without torque, taken uncoupled; it counts instead of a standstill average."""

    channel: str
    value_nm: float
    standard_uncertainty_nm: float
    taken_on: str  # ISO 8601 date
    origin: str


def stated_zeros(bench: Bench, setup: Setup) -> tuple[StatedZero, ...]:
    """One zero for each zeroed channel of a bench whose start takes them from the set-up; else none.

    Raises `SettingsError` where the set-up file states none for a zeroed channel, or one that is larger than the start
    would let pass.
    """
    if bench.start.transducer_zero != "set_up":
        return ()
    wanted = f"({bench.document.origin(('start', 'transducer_zero'))})"
    table = setup.settings.transducer_zero
    if table is None:
        says = (
            f"is missing, but the bench takes the transducer's zero from the set-up {wanted}; take it uncoupled and "
            "add a table [transducer_zero]"
        )
        refuse(setup.document.file, [setup.document.problem(("transducer_zero",), says)])
    narrow = None if bench.torque_ranges is None else bench.torque_ranges.narrow
    zeros: list[StatedZero] = []
    for channel in bench.channels():
        if not channel.zeroed:
            continue
        path: KeyPath = ("transducer_zero",)
        zero: RangeZero | None = table if channel.name == WIDE else None
        if channel.name == narrow:
            path, zero = ("transducer_zero", "narrow"), table.narrow
        if zero is None:
            says = (
                f"has no zero of the channel {channel.name}, which the bench {bench.name} takes from the set-up "
                f"{wanted}; {_advice(bench.torque_ranges, channel.name)}"
            )
            refuse(setup.document.file, [setup.document.problem(path, says)])
        most_nm = bench.start.transducer_zero_limit_nm
        if abs(zero.value_nm) > most_nm:
            says = (
                f"is {zero.value_nm:g} N·m, more than the {most_nm:g} N·m of "
                f"{bench.document.origin(('start', 'transducer_zero_limit_nm'))}; take the zero again, uncoupled"
            )
            refuse(setup.document.file, [setup.document.problem((*path, "value_nm"), says)])
        zeros.append(
            StatedZero(
                channel=channel.name,
                value_nm=zero.value_nm,
                standard_uncertainty_nm=zero.standard_uncertainty_nm,
                taken_on=table.taken_on.isoformat(),
                origin=setup.document.origin((*path, "value_nm")),
            )
        )
    return tuple(zeros)


def _advice(ranges: TorqueRanges | None, channel: str) -> str:
    if ranges is not None and channel == ranges.narrow:
        return "add a table [transducer_zero.narrow]"
    return "leave zeroed out of that channel, or name it in [torque_ranges]"
