"""What a tuning asks of a bench: the steps as a run of their own, the loops that follow, the energy bound. Pure."""

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from benchd.app.wiring import Job, PlannedRun, Unfit, plan_run
from benchd.procedures import Plate
from benchd.procedures.identify import IDENTIFY, IdentifySettings, Stepped, stepped_with, top_speed_rpm
from benchd.rules.loops import Driven
from benchd.rules.moves import Role
from benchd.settings.bench import Bench, Motor, Programme, ProgrammeTest, Setup
from benchd.settings.document import Document
from benchd.settings.specimen_files import RAD_S_PER_RPM
from benchd.settings.toml_lines import locate

NAME = "tuning"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A loop to be found: `test` is the number of the run's test whose steps show it."""

    test: int
    role: Role
    driven: Driven
    channel: str
    expected_gain: float
    gain_tolerance: float

    @property
    def title(self) -> str:
        """For people."""
        return f"{self.channel} after the {self.role.value.replace('_', ' ')}'s {self.driven.name.lower()}"


def tuning_run(bench: Bench, motor: Motor, setup: Setup, *, operator: str) -> tuple[PlannedRun, tuple[Wanted, ...]]:
    """The steps as a run that fits the bench, and the loops they are to show.

    Raises what `plan_run` raises, and `Unfit` above the bench file's energy bound.
    """
    stepped = stepped_with(motor.settings.kind)
    job = Job(programme=_programme(stepped), motor=motor, setup=setup, order="none", serial="none", operator=operator)
    run = plan_run(bench, job)
    around = run.tests[0].around
    energy_j = held_energy_j(bench, run, top_rpm=top_speed_rpm(around))
    if energy_j > bench.tuning.max_energy_j:
        raise Unfit(
            f"Tuning is refused: shaft and DC link would hold {energy_j:.3g} J together, more than the "
            f"{bench.tuning.max_energy_j:g} J that {bench.document.origin(('tuning', 'max_energy_j'))} allows: raise "
            "it only where a shaft with that energy harms nobody."
        )
    present = {channel.name for channel in bench.channels()}
    wanted = tuple(one for one in _wanted(stepped, around.plate) if one.channel in present)
    return run, wanted


def held_energy_j(bench: Bench, run: PlannedRun, *, top_rpm: float) -> float:
    """The most that the turning train and the DC link hold together, J: J·ω²/2 + C·U²/2."""
    shaft = run.plan.shaft
    inertia_kgm2 = 0.0 if shaft is None else shaft.inertia_kgm2
    link = bench.dc_link.capacitance_f * run.plan.voltage_limit_v**2
    return 0.5 * (inertia_kgm2 * (top_rpm * RAD_S_PER_RPM) ** 2 + link)


def _wanted(stepped: tuple[Stepped, ...], plate: Plate) -> Iterator[Wanted]:
    for number, one in enumerate(stepped):
        match one:
            case "load_torque":
                yield _one(number, Role.LOAD_DRIVE, Driven.TORQUE, "shaft_torque", tolerance=0.15)
            case "motor_speed":
                yield _one(number, Role.MOTOR_DRIVE, Driven.SPEED, "shaft_speed", tolerance=0.05)
            case "load_speed":
                yield _one(number, Role.LOAD_DRIVE, Driven.SPEED, "shaft_speed", tolerance=0.05)
            case "supply_voltage":  # by the data sheet, which knows neither the cable nor the winding's temperature
                nm_per_v = plate.ke_v_s / plate.resistance_ohm
                if plate.kind != "brushless":
                    yield _one(number, Role.SUPPLY, Driven.VOLTAGE, "shaft_torque", expected=nm_per_v, tolerance=0.5)
                yield _one(number, Role.SUPPLY, Driven.VOLTAGE, "dc_voltage", tolerance=0.15)


def _one(test: int, role: Role, driven: Driven, channel: str, *, expected: float = 1.0, tolerance: float) -> Wanted:
    return Wanted(
        test=test, role=role, driven=driven, channel=channel, expected_gain=expected, gain_tolerance=tolerance
    )


def _programme(stepped: tuple[Stepped, ...]) -> Programme:
    text = f'name = "{NAME}"\n' + "".join(f'[[test]]\nkind = "{IDENTIFY.kind}"\nstepped = "{one}"\n' for one in stepped)
    return Programme(
        name=NAME,
        tests=tuple(ProgrammeTest(kind=IDENTIFY.kind, settings=IdentifySettings(stepped=one)) for one in stepped),
        limits=(),
        document=Document(file=Path(NAME), data=tomllib.loads(text), lines=locate(text)),
    )
