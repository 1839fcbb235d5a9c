"""Names of a duty cycle's quantities and how each comes about, in words. It computes nothing."""

from collections.abc import Sequence

from benchd.analysis.results import Wanted

ENERGIES = ("electrical_energy_in", "electrical_energy_back", "mechanical_energy_out", "mechanical_energy_in")
MOST_TOLD = 10  # repetitions that are told one by one; of more the first and the last
LACKING = "a channel that it needs is not usable"
_ENERGY_HOWS = {
    "electrical_energy_in": "Where positive, ∫u·i dt of dc_voltage and dc_current",
    "electrical_energy_back": "Where negative, ∫u·i dt of dc_voltage and dc_current, as a magnitude",
    "mechanical_energy_out": "Where positive, ∫T·ω dt of {torque} and shaft_speed",
    "mechanical_energy_in": "Where negative, ∫T·ω dt of {torque} and shaft_speed, as a magnitude",
}
IN_ALL: Sequence[tuple[str, str, str]] = (
    ("cycle_efficiency", "1", "(energy out - energy in at the shaft) / (energy in - energy back at the terminals)"),
    ("mean_input_power", "W", "∫u·i dt over the time of the course"),
    ("mean_shaft_power", "W", "∫T·ω dt over the time of the course"),
    ("rms_torque", "N·m", "√(∫T² dt over the time of the course)"),
    ("peak_torque", "N·m", "Greatest magnitude of {torque} in a single sample"),
    ("greatest_speed_error", "r/min", "Greatest |shaft_speed - asked| at any instant of the course"),
    ("greatest_torque_error", "N·m", "Greatest |{torque} - asked| at any instant of the course"),
)


def of_repetition(name: str, number: int) -> str:
    """The name of one repetition's quantity."""
    return f"{name}_repetition_{number}"


def repetitions_told(count: int) -> Sequence[int]:
    """The places of the repetitions that have quantities of their own."""
    return range(count) if count <= MOST_TOLD else (0, count - 1)


def wanted_of(repetitions: Sequence[int], *, torque: str) -> list[Wanted]:
    """What a duty cycle should give, in order: in all, then the mean of the repetitions, then each."""
    count = len(repetitions)
    over = "the repetition" if count == 1 else f"{count} repetitions"
    (efficiency, *rest) = [
        Wanted(name=name, unit=unit, how=f"{how.format(torque=torque)}; {over}.") for name, unit, how in IN_ALL
    ]
    hows = {name: f"{_ENERGY_HOWS[name].format(torque=torque)}; {over}." for name in ENERGIES}
    wanted = [efficiency, *(Wanted(name=name, unit="J", how=how) for name, how in hows.items()), *rest]
    if count == 1:
        return wanted
    mean = f"Mean of {count} repetitions."
    wanted += [Wanted(name=f"{name}_per_repetition", unit="J", how=mean) for name in ENERGIES]
    for place in repetitions_told(count):
        number = repetitions[place]
        for name, unit in (("cycle_efficiency", "1"), (ENERGIES[0], "J"), (ENERGIES[2], "J")):
            how = f"As that of all, of repetition {number} alone."
            wanted.append(Wanted(name=of_repetition(name, number), unit=unit, how=how))
    return wanted
