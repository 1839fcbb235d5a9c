"""What must be proved by read-back before anything is enabled. Pure: values in, sentences out; nothing is energised.

Software is too slow for a link that charges in a millisecond or a coupling that breaks in one, so it proves that the
hardware holds those limits by itself. None of this is a safety function.
"""

import itertools
import math
from collections.abc import Mapping

from benchd.contract import DriveLimits, SinkSettings, SupplySettings
from benchd.live.plan import BenchPlan, Expected, ExpectedSet, PortRef, RunPlan
from benchd.rules.parameter_set import sha256_of, shown

READ_BACK = 0.005  # devices round set-points to their resolution; this share of the value is taken as equal


def ladder_objections(bench: BenchPlan, run: RunPlan, *, supply: SupplySettings, sink: SinkSettings) -> list[str]:
    """Every rung of the voltage ladder that does not hold, in one sentence each.

    Supply set-point < sink threshold < hardware over-voltage protection < component rating, as read back.
    """
    link = bench.dc_link
    found = []
    if not sink.armed:
        found.append(f"{bench.sink} is not armed: it did not confirm constant voltage with its input on.")
    rungs = (
        (f"the highest supply set-point of this run ({run.voltage_limit_v:g} V)", run.voltage_limit_v),
        (f"the sink threshold read back from {bench.sink} ({sink.threshold_v:g} V)", sink.threshold_v),
        (
            f"the over-voltage protection read back from {bench.supply} ({supply.over_voltage_protection_v:g} V)",
            supply.over_voltage_protection_v,
        ),
        (f"the rating of the weakest link component ({link.component_rating_v:g} V)", link.component_rating_v),
    )
    for (lower, lower_v), (upper, upper_v) in itertools.pairwise(rungs):
        if not lower_v < upper_v:
            found.append(f"The voltage ladder does not hold: {lower} must be below {upper}; see [dc_link].")
    for what, asked_v, shown_v in (
        (f"threshold of {bench.sink}", link.sink_threshold_v, sink.threshold_v),
        (
            f"over-voltage protection of {bench.supply}",
            link.over_voltage_protection_v,
            supply.over_voltage_protection_v,
        ),
    ):
        if abs(asked_v - shown_v) > READ_BACK * abs(asked_v):
            found.append(f"The {what} reads back {shown_v:g} V instead of the {asked_v:g} V of the bench file.")
    return found


def drive_objections(bench: BenchPlan, run: RunPlan, limits: DriveLimits, *, drive: PortRef | None = None) -> list[str]:
    """What a drive's own limits leave open, in one sentence each; the load drive's where none is named.

    Its overspeed trip and its torque limit must be at or below what the weakest part of the shaft train carries, and a
    specimen with magnets must not make more there than the link bears: it is that fast before the drive lets go, and
    goes on generating. Its stop options must be ones that take the torque away.
    """
    found = []
    name = drive or bench.load_drive
    if not 0.0 < limits.overspeed_rpm <= run.train_speed_rpm:
        found.append(
            f"{name} trips itself only above {limits.overspeed_rpm:g} r/min, but the shaft train carries "
            f"{run.train_speed_rpm:g} r/min: lower the overspeed limit in the drive."
        )
    made_v, rating_v = run.generated_v_per_rpm * limits.overspeed_rpm, bench.dc_link.component_rating_v
    if made_v > rating_v:
        found.append(
            f"{name} trips itself only above {limits.overspeed_rpm:g} r/min, where the specimen makes {made_v:.4g} V "
            f"(peak, line to line), but the weakest link component bears {rating_v:g} V: lower the overspeed limit in "
            f"the drive to {math.floor(rating_v / run.generated_v_per_rpm):d} r/min."
        )
    if not 0.0 < limits.torque_limit_nm <= run.train_torque_nm:
        found.append(
            f"{name} can make {limits.torque_limit_nm:g} N·m by itself, but the shaft train carries "
            f"{run.train_torque_nm:g} N·m: lower the torque limit in the drive."
        )
    # Object 605Ah: 0 disable the power stage, 1 to 4 slow down and disable, 5 to 8 slow down and stay enabled.
    if limits.quick_stop_option not in {0, 1, 2, 3, 4}:
        found.append(
            f"{name} has quick stop option {limits.quick_stop_option} (605Ah), which leaves its power stage on: "
            "set 0 to 4 in the drive."
        )
    # Object 605Ch: 0 disable the power stage, 1 slow down first; 605Eh: 0 disable, 1 and 2 slow down (IEC 61800-7-201).
    if limits.disable_option not in {0, 1}:
        found.append(f"{name} has disable option {limits.disable_option} (605Ch): set 0 or 1 in the drive.")
    if limits.fault_reaction_option not in {0, 1, 2}:
        found.append(f"{name} has fault reaction {limits.fault_reaction_option} (605Eh): set 0, 1 or 2 in the drive.")
    return found


def parameter_objection(drive: PortRef, told: Mapping[str, float], expected: ExpectedSet) -> str | None:
    """The first parameter of a drive that is not what its file expects, with the names of the others; else None.

    Where every stated value fits and only the hash of the whole set differs, the sentence gives all that was read:
    what was changed is among those that the file does not state.
    """
    misfits = [one for one in expected.values if one.name not in told or shown(told[one.name]) != shown(one.value)]
    if misfits:
        first, *others = misfits
        more = f" (nor do these fit: {', '.join(one.name for one in others)})" if others else ""
        return f"{drive} {_holds(first, told)}: set it in the drive, or correct the file if the drive is right{more}."
    read = sha256_of(told)
    if expected.sha256 is None or read == expected.sha256:
        return None
    stated = "every value that is stated for it fits" if expected.values else "no value is stated for it"
    return (
        f"{drive} holds another parameter set than {expected.sha256_origin} expects: {stated}, but the SHA-256 of all "
        f"that it tells is {read} instead of {expected.sha256}, read as {told_as_text(told)}: find what was changed in "
        "the drive, or state the new hash."
    )


def told_as_text(told: Mapping[str, float]) -> str:
    """A parameter set for people, by name."""
    return ", ".join(f"{name} = {shown(value)}" for name, value in sorted(told.items()))


def _holds(one: Expected, told: Mapping[str, float]) -> str:
    if one.name not in told:
        return f"does not tell {one.name}, for which {one.origin} expects {shown(one.value)}"
    return f"holds {one.name} = {shown(told[one.name])}, but {one.origin} expects {shown(one.value)}"
