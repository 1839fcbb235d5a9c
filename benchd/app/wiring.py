"""Turns settings into what each room wants: the one file that knows every class. It must never run anything itself."""

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from pydantic import BaseModel

from benchd.app.answering import confirmations_of
from benchd.app.capacities import capacities_of, highest_of, magnitude_of, setting_of
from benchd.app.critical_points import refuse_held, unheld_warnings
from benchd.app.critical_speeds import CriticalSpeeds, critical_speeds, twist_of
from benchd.app.expected_parameters import expected_of_role, expected_of_specimen
from benchd.app.limits_in_force import effective_limits, unlimited
from benchd.app.plausible_plans import balance_of, jog_of, no_jog
from benchd.app.sense_line import highest_v, sense_line
from benchd.app.shaft import shaft_of
from benchd.app.tuned_loops import TunedLoops, tuned_loops
from benchd.live.manual import ManualDesk
from benchd.live.plan import BenchPlan, DcLink, DevicePlan, PortRef, RunPlan, Starting, StatedZero, Stopping
from benchd.live.player import Moves
from benchd.procedures import PROCEDURES, Plate, Procedure, Surroundings
from benchd.procedures.hand import clear_of
from benchd.procedures.identify import IDENTIFY
from benchd.procedures.manual import MANUAL
from benchd.rules.demand import Demand, misfits
from benchd.rules.moves import Ask, Role, Target
from benchd.rules.ramps import Slopes
from benchd.settings.attendance import unattended
from benchd.settings.bench import Bench, Motor, Programme, Setup
from benchd.settings.derived_channels import rules_for
from benchd.settings.due import refuse_overdue
from benchd.settings.fit import check_fit
from benchd.settings.fit_warnings import fit_warnings
from benchd.settings.limit_sources import limit_sources
from benchd.settings.specimen_files import BrushlessMotorFile
from benchd.settings.zeros import stated_zeros

OF_NO_PROGRAMME = {one.kind: one for one in (MANUAL, IDENTIFY)}  # what no programme file can name
SUPPLY_KEEPS_BELOW = 0.95  # of the current limit: the supply bounds the current before the monitor takes it away


class Unfit(Exception):
    """The programme asks for more than bench, set-up, sensors or specimen have; one sentence a misfit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What is to be done: a programme on a specimen of a motor type in a set-up, for an order."""

    programme: Programme
    motor: Motor
    setup: Setup
    order: str
    serial: str
    operator: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One test of a run, playable by the live room."""

    procedure: Procedure
    settings: BaseModel
    around: Surroundings
    demand: Demand
    desk: ManualDesk | None = None  # what a hand feeds instead of the procedure

    @property
    def title(self) -> str:
        """Its name for people."""
        return self.procedure.title

    @property
    def energised(self) -> bool:
        """Whether it needs supply and drives switched on."""
        return self.procedure.energised

    def moves(self, at: Mapping[Role, Target]) -> Moves:
        """A fresh generator that starts from the targets in force."""
        if self.desk is not None:
            return self.desk.moves(at)
        return self.procedure.play(self.settings, replace(self.around, at=at))

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        """What to hold instead of these targets while the bench is Held."""
        held = self.procedure.held(targets) if self.desk is None else self.desk.held(targets)
        return clear_of(held, self.around)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedRun:
    """A job that fits its bench: effective limits and playable tests."""

    job: Job
    plan: RunPlan
    tests: Sequence[Planned]
    critical: CriticalSpeeds
    tuned: TunedLoops = field(default_factory=TunedLoops)

    warnings: tuple[str, ...] = ()  # about files that fit and may yet make a result impossible
    desk: ManualDesk | None = None  # of a manual session

    @property
    def mode(self) -> Literal["production", "manual"]:
        """The unit mode that it is played in (ISA-TR88.00.02)."""
        return "production" if self.desk is None else "manual"

    @property
    def duration_s(self) -> float:
        """How long the tests take, start and stop not counted."""
        return sum(test.demand.duration_s for test in self.tests)

    @property
    def confirmations(self) -> Mapping[int, Ask]:
        """What the operator is to confirm before the test of that number begins."""
        return confirmations_of(self.job.programme)

    @property
    def asks(self) -> bool:
        """Whether somebody must be there to answer."""
        return bool(self.confirmations) or any(one.procedure.asks(one.settings, one.around) for one in self.tests)


def bench_plan(bench: Bench) -> BenchPlan:
    """The bench as the live room sees it."""

    def only(role: str) -> PortRef:
        address = bench.roles[role][0]
        return PortRef(address.device, address.port)

    def perhaps(role: str) -> PortRef | None:
        return only(role) if bench.roles.get(role) else None

    return BenchPlan(
        name=bench.name,
        tick_hz=bench.tick_rate_hz,
        devices={
            name: DevicePlan(
                name=name,
                poll_hz=device.poll_hz,
                reply_time_s=device.manifest.reply_time_s,
                safe_time_s=device.manifest.safe_time_s,
                ports={spec.name: spec.capability for spec in device.ports},
            )
            for name, device in bench.devices.items()
        },
        channels=tuple(bench.channels()),
        supply=only("supply"),
        sink=only("sink"),
        load_drive=only("load_drive"),
        safety_chain=only("safety_chain"),
        motor_drive=perhaps("motor_drive"),
        resistance_meter=perhaps("resistance_meter"),
        waveforms=perhaps("waveforms"),
        expected_parameters={only(role): expected_of_role(bench, role) for role in bench.drive_parameters},
        slopes=_slopes(bench),
        dc_link=DcLink(
            sink_threshold_v=bench.dc_link.sink_threshold_v,
            sink_current_limit_a=bench.dc_link.sink_current_limit_a,
            over_voltage_protection_v=bench.dc_link.over_voltage_protection_v,
            component_rating_v=bench.dc_link.component_rating_v,
        ),
        stopping=Stopping(
            standstill_rpm=bench.stopping.standstill_rpm,
            braking_torque_nm=min(
                bench.stopping.braking_torque_nm, setting_of(bench, only("load_drive").device, "max_torque_nm")
            ),
            controlled_stop_time_s=bench.stopping.controlled_stop_time_s,
            coasting_time_s=bench.stopping.coasting_time_s,
        ),
        starting=Starting(
            remote_required=bench.start.remote_required,
            pre_start_warning_s=bench.start.pre_start_warning_s,
            transducer_zero_limit_nm=bench.start.transducer_zero_limit_nm,
            zero_time_s=bench.start.zero_time_s,
            release_at_bench=bench.start.release_at_bench,
            release_within_s=bench.start.release_within_s,
        ),
    )


def plan_run(bench: Bench, job: Job, *, on: dt.date | None = None) -> PlannedRun:
    """The run that this job is on this bench, on a day that sensors may be overdue on.

    Raises `SettingsError` where files contradict each other and `Unfit` where a test asks for more than there is;
    nothing is energised to find out.
    """
    day = on or dt.datetime.now(tz=dt.UTC).date()
    refuse_overdue(bench, day)
    check_fit(bench, job.motor, job.setup, job.programme)
    sources = limit_sources(bench, job.motor, job.setup, job.programme)
    limits = effective_limits(sources)
    train = (job.setup.settings.coupling.max_speed_rpm, bench.shaft_train.max_speed_rpm)
    train_nm = (job.setup.settings.coupling.max_torque_nm, bench.shaft_train.max_torque_nm)
    top_rpm = min(magnitude_of(limits, "shaft_speed"), *train)
    critical = critical_speeds(bench, job.motor, job.setup, top_rpm=top_rpm)
    supply, load = (bench.roles[role][0].device for role in ("supply", "load_drive"))
    torque_limit_nm = min(magnitude_of(limits, "shaft_torque"), setting_of(bench, load, "max_torque_nm"), *train_nm)
    motor_torque_nm = motor_speed_rpm = winding_a = 0.0
    if bench.roles["motor_drive"]:
        motor = bench.roles["motor_drive"][0].device
        motor_torque_nm = min(torque_limit_nm, setting_of(bench, motor, "max_torque_nm"))
        motor_speed_rpm = min(magnitude_of(limits, "shaft_speed"), setting_of(bench, motor, "max_speed_rpm"), *train)
    if bench.roles["resistance_meter"]:
        winding_a = setting_of(bench, bench.roles["resistance_meter"][0].device, "max_current_a")
    around = Surroundings(
        plate=_plate(job.motor),
        slopes=_slopes(bench),
        roles=frozenset(role for role in Role if bench.roles[role.value]),
        inertia_kgm2=shaft_of(bench, job.motor, job.setup).inertia_kgm2,
        channels={channel.name: channel.unit for channel in bench.channels()},
        torque_limit_nm=motor_torque_nm or torque_limit_nm,
        speed_limit_rpm=min(magnitude_of(limits, "shaft_speed"), setting_of(bench, load, "max_speed_rpm"), *train),
        current_limit_a=min(
            SUPPLY_KEEPS_BELOW * highest_of(limits, "dc_current"), setting_of(bench, supply, "max_current_a")
        ),
        bands=critical.bands,
        longest_crossing_s=bench.torsion.longest_crossing_s,
    )
    tests = tuple(_planned(job.programme, number, around) for number in range(len(job.programme.tests)))
    capacities = tuple(capacities_of(bench, job.motor, sources))
    found = list(_objections(job.programme, tests))
    for number, test in enumerate(tests):
        found += unlimited(test.procedure, limits, bench.channels(), who=_who(job.programme, number, test))
    found += [
        sentence
        for number, test in enumerate(tests)
        for sentence in misfits(test.demand, capacities, who=_who(job.programme, number, test))
    ]
    weakest_nm = min(magnitude_of(limits, "shaft_torque"), *train_nm)
    if bench.stopping.braking_torque_nm >= weakest_nm:
        found.append(
            f"{bench.document.origin(('stopping', 'braking_torque_nm'))} brakes with "
            f"{bench.stopping.braking_torque_nm:g} N·m, but set-up, shaft train and limits bear less than "
            f"{weakest_nm:g} N·m: lower it or take a stronger coupling."
        )
    if found:
        raise Unfit(" ".join(found))
    voltage_v = max(test.demand.voltage_v for test in tests)
    jog = jog_of(bench, around, voltage_limit_v=voltage_v)
    refuse_held(bench, job.programme, critical, jog=jog)
    tuning = any(test.kind == IDENTIFY.kind for test in job.programme.tests)  # however the last one has become
    tuned = TunedLoops() if tuning else tuned_loops(bench, job.motor, job.setup, on=day)
    supply_v = setting_of(bench, supply, "max_voltage_v")
    sense = sense_line(bench, job.setup, max_voltage_v=supply_v, current_limit_a=around.current_limit_a)
    return PlannedRun(
        job=job,
        tuned=tuned,
        critical=critical,
        plan=RunPlan(
            limits=limits,
            train_speed_rpm=min(train),
            train_torque_nm=min(train_nm),
            voltage_limit_v=highest_v(
                voltage_v, sense, tuned.loops, sink_v=bench.dc_link.sink_threshold_v, supply_v=supply_v
            ),
            current_limit_a=around.current_limit_a,
            torque_limit_nm=torque_limit_nm,
            speed_limit_rpm=around.speed_limit_rpm,
            motor_torque_limit_nm=motor_torque_nm,
            motor_speed_limit_rpm=motor_speed_rpm,
            winding_current_limit_a=winding_a,
            generated_v_per_rpm=_generated_v_per_rpm(job.motor),
            shaft=shaft_of(bench, job.motor, job.setup),
            stated_zeros=tuple(
                StatedZero(
                    channel=zero.channel,
                    value=zero.value_nm,
                    standard_uncertainty=zero.standard_uncertainty_nm,
                    origin=zero.origin,
                )
                for zero in stated_zeros(bench, job.setup)
            ),
            jog=jog,
            no_jog=no_jog(bench),
            balance=balance_of(bench, job.motor, job.setup),
            derivations=rules_for(bench, job.motor),
            loops=tuned.loops,
            sense=sense,
            specimen_parameters=expected_of_specimen(job.motor),
            twist=twist_of(bench, job.motor, critical),
            bands=critical.bands,
        ),
        tests=tests,
        warnings=(
            *job.motor.warnings,
            *fit_warnings(bench, job.motor, job.setup, job.programme),
            *unheld_warnings(job.programme, job.motor, critical),
            *((tuned.warning,) if tuned.warning else ()),
        ),
    )


def _who(programme: Programme, number: int, test: Planned) -> str:
    """A test in a sentence, with the place where it is asked for."""
    return f"{programme.document.origin(('test', number, 'kind'))} ({test.title})"


def _objections(programme: Programme, tests: Sequence[Planned]) -> Iterable[str]:
    """What the tests themselves have against this specimen on this bench, and tests at the wrong place."""
    energised = False
    for number, test in enumerate(tests):
        objection = test.procedure.objection(test.settings, test.around)
        if objection:
            yield f"{_who(programme, number, test)} cannot be done: {objection}."
        for path, says in test.procedure.misplaced(test.settings, test.around):
            yield f"{programme.document.origin(('test', number, *path))} ({test.title}) {says}."
        if energised and not test.energised:
            yield f"{_who(programme, number, test)} needs everything switched off: put it before the other tests."
        if not programme.attended and (asked := test.procedure.asks(test.settings, test.around)):
            yield f'{_who(programme, number, test)} asks the operator ("{asked}"), {unattended(programme.document)}.'
        energised = energised or test.energised


def _planned(programme: Programme, number: int, around: Surroundings) -> Planned:
    test = programme.tests[number]
    procedure = {**PROCEDURES, **OF_NO_PROGRAMME}[test.kind]
    return Planned(
        procedure=procedure,
        settings=test.settings,
        around=around,
        demand=procedure.demand(test.settings, around),
    )


def _generated_v_per_rpm(motor: Motor) -> float:
    """What its magnets make, peak and line to line, by its data sheet; a brushed motor's link is bounded elsewhere."""
    settings = motor.settings
    return settings.data_sheet.peak_voltage_v(1.0) if isinstance(settings, BrushlessMotorFile) else 0.0


def _slopes(bench: Bench) -> Slopes:
    return Slopes(
        voltage_v_per_s=bench.slopes.voltage_v_per_s,
        torque_nm_per_s=bench.slopes.torque_nm_per_s,
        speed_rpm_per_s=bench.slopes.speed_rpm_per_s,
        crossing_rpm_per_s=bench.torsion.crossing_slope_rpm_per_s or 0.0,
    )


def _plate(motor: Motor) -> Plate:
    settings = motor.settings
    plate = Plate(
        kind=settings.kind,
        voltage_v=settings.rated.voltage_v,
        current_a=0.0,
        speed_rpm=settings.rated.speed_rpm,
        torque_nm=settings.rated.torque_nm,
        max_speed_rpm=settings.max_speed_rpm,
        max_current_a=settings.max_current_a,
        resistance_ohm=settings.data_sheet.resistance_ohm,
        ke_v_s=settings.data_sheet.ke_v_s,
        inertia_kgm2=settings.data_sheet.inertia_kgm2,
    )
    if isinstance(settings, BrushlessMotorFile):
        rated = settings.rated
        return replace(
            plate,
            current_a=rated.dc_current_a,
            phase_current_a=rated.phase_current_a,
            pole_pairs=settings.pole_pairs,
        )
    return replace(plate, current_a=settings.rated.current_a)
