"""The simulated bench as one plant with one clock: commands and faults in, true and measured values out.

It composes the physics of its neighbours and advances them together on a fixed grid of time, so what comes out depends
on the commands and when they were given, never on how often somebody asked. It speaks no protocol, imitates no device
and has no wall clock: whoever owns it says how far to advance.
"""

import math
from collections import deque
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from benchd_rig.analyser_physics import RESULTS, Analyser
from benchd_rig.brushless import Brushless
from benchd_rig.commands import LoadCommand, MeterCommand, MotorDriveCommand, PlantFaults, SinkCommand, SupplyCommand
from benchd_rig.dc_link import DcLink
from benchd_rig.energy import EnergyAccount
from benchd_rig.load_machine import LoadMachine
from benchd_rig.long_steps import Flows, LongSteps
from benchd_rig.machine import make_machine
from benchd_rig.phase_waveforms import SAMPLES_PER_S, SampledInputs, StepMemory, brushed_truth, brushless_truth
from benchd_rig.sensors import Averages, InputNoise, read_inputs
from benchd_rig.specimen import BrushlessMotor, Specimen
from benchd_rig.thermal import Thermal
from benchd_rig.truth import Truth, tell_truth
from benchd_rig.winding_meter import WindingMeter

__all__ = ["LoadCommand", "Plant", "PlantFaults", "SinkCommand", "SupplyCommand", "Truth"]

STEP_S = 0.0005
COARSE_STEP_S = 0.0025  # where speed counts more than what happens between two polls
_TICK_S = 0.001  # at least a step: trips of the devices, temperatures, the measuring unit's window
_LONGEST_S = 1.0  # one step at rest, or within a leg of long steps, at most
_WINDOW_S = 0.010
_REPEATED_S, _ANALYSED_S = 0.05, 0.1  # of a leap: what samples show again, and what the analyser remembers
_RPM_PER_RAD_S = 30.0 / math.pi


class Plant:
    """A specimen on its bench. Set `supply`, `sink`, `load`, `motor_drive`, `meter` and `faults`, then advance.

    Time starts at 0. Commands act from the next step of the grid (0.5 ms) on. `on_step` is called every millisecond of
    plant time, and at least once a second while everything rests or the plant leaps, see `leaps`. Coarse steps are a
    grid of their own, with a call after each, for a coupling that does not ring; the drives' loops sample slower.
    """

    def __init__(self, specimen: Specimen, *, seed: int = 0, step_s: float = STEP_S) -> None:
        self.specimen = specimen
        self.step_s = step_s
        self.supply = SupplyCommand()
        self.sink = SinkCommand()
        self.load = LoadCommand()
        self.motor_drive = MotorDriveCommand()
        self.meter = MeterCommand()
        self.faults = PlantFaults()
        self.on_step: list[Callable[[Plant], None]] = []
        self.leaps = False  # leap over time in which nothing but temperatures changes; see `long_steps`
        self.leapt_s = 0.0  # time that was leapt over or rested through
        self.is_sampled: Callable[[], bool] = lambda: False  # whether somebody takes samples
        self.ambient_degc = specimen.bench.ambient_degc
        self.energy = EnergyAccount()
        tick_s = max(_TICK_S, step_s)
        self._steps_per_tick, self._samples_per_step = round(tick_s / step_s), round(step_s * SAMPLES_PER_S)
        self._noise = InputNoise(seed, together=step_s > STEP_S)
        self._step = 0
        self._advancing = False
        self._thermal = Thermal(specimen.motor, ambient_degc=self.ambient_degc)
        self._machine = make_machine(specimen, self.energy, step_s=step_s)
        model = specimen.bench.analyser
        self._analyser = None if model is None else Analyser(model, seed=seed, tick_s=tick_s)
        self._link = DcLink(specimen.bench, self.energy, step_s=step_s)
        self._load_machine = LoadMachine(specimen.bench.load_machine, step_s=step_s)
        self._winding_meter = WindingMeter(specimen, self.energy, seed=seed)
        self._memory = StepMemory()
        self._sampled = SampledInputs(specimen.bench.sensors, seed=seed, brushed=not self.has_converter)
        self._flows = Flows()
        self._long = LongSteps(specimen, self._machine, self.energy, self._flows, tick_s=tick_s)
        self._told: dict[int, float] = {}  # what the measuring unit's inputs told last
        self._acted_j = (0.0, 0.0, 0.0)  # heat that has already acted on the temperatures
        self._heated_to = 0
        motor = specimen.motor
        self._iron_to_magnet = motor.iron_to_magnet if isinstance(motor, BrushlessMotor) else 0.0
        self._window: deque[tuple[float, ...]] = deque(maxlen=round(_WINDOW_S / tick_s) + 1)
        self._warm()

    @property
    def time_s(self) -> float:
        """Plant time, s."""
        return self._step * self.step_s

    @property
    def commands(self) -> tuple[object, ...]:
        """All that it is told, and what is broken."""
        return self.supply, self.sink, self.load, self.motor_drive, self.meter, self.faults

    @property
    def unsteady(self) -> str:
        """Why it does not leap, in words."""
        return self._long.why

    @property
    def has_converter(self) -> bool:
        """Whether the specimen is brushless: fed by a converter, with a power analyser behind it."""
        return isinstance(self._machine, Brushless)

    @property
    def link_v(self) -> float:
        """Voltage of the DC link."""
        return self._link.link_v

    supply_voltage_v = link_v  # the supply's terminals are the link's

    @property
    def supply_current_a(self) -> float:
        """Current out of the supply."""
        return self._link.supply_current_a

    @property
    def sink_current_a(self) -> float:
        """Current into the sink."""
        return self._link.sink_current_a

    @property
    def motor_current_a(self) -> float:
        """Current from the link into the specimen, or into its converter."""
        return self._machine.current_a

    @property
    def motor_speed_rpm(self) -> float:
        """Speed of the specimen's rotor, as its drive counts it."""
        counted_ratio = self._machine.counted_ratio if isinstance(self._machine, Brushless) else 1.0
        return counted_ratio * self._machine.rotors.motor_speed_rad_s * _RPM_PER_RAD_S

    @property
    def motor_drive_torque_nm(self) -> float:
        """The converter's own estimate of its torque, positive when it drives forward; 0 without a converter."""
        return self._machine.believed_torque_nm if isinstance(self._machine, Brushless) else 0.0

    @property
    def load_speed_rpm(self) -> float:
        """Speed of the load machine's rotor, as its drive counts it."""
        return self._load_way * self._machine.rotors.load_speed_rad_s * _RPM_PER_RAD_S

    @property
    def load_torque_nm(self) -> float:
        """Torque that the load machine makes, house sign, as its drive counts it."""
        return self._load_machine.torque_nm

    @property
    def _load_way(self) -> float:
        return -1.0 if self.faults.load_drive_backwards else 1.0

    @property
    def winding_degc(self) -> float:
        """Temperature of the specimen's winding."""
        return self._thermal.winding_degc

    @property
    def housing_degc(self) -> float:
        """Temperature of the specimen's housing."""
        return self._thermal.housing_degc

    @property
    def magnet_degc(self) -> float:
        """Temperature of the specimen's magnets."""
        return self._thermal.magnet_degc

    @property
    def meter_voltage_v(self) -> float:
        """Voltage between the sense contacts of the resistance meter, with its errors and the contacts' thermal EMF."""
        return self._winding_meter.measured_v(self._machine, tick=self._step)

    @property
    def meter_current_a(self) -> float:
        """Current of the resistance meter through the winding, with its error."""
        return self._winding_meter.measured_a()

    @property
    def leads_open(self) -> bool:
        """Whether the power leads between the specimen and what feeds it are open, whatever they were told."""
        return not (self.meter.contactor_closed or self.faults.contactor_welded)

    @property
    def stored_j(self) -> float:
        """Energy in link, winding, rotors and coupling."""
        return self._link.stored_j + self._machine.stored_j

    @property
    def sampled(self) -> int:
        """How many samples of the grid exist by now."""
        return self._memory.steps * self._samples_per_step

    def advance_to(self, time_s: float) -> None:
        """Advance to the last point of the grid that is not after `time_s`; a time that has passed changes nothing."""
        target = math.floor(time_s / self.step_s + 1e-6)
        if target <= self._step or self._advancing:
            return
        self._advancing = True
        try:
            while self._step < target:
                if self._rests():
                    self._rest(min(target - self._step, round(_LONGEST_S / self.step_s)))
                elif self.leaps and (room := self._room(target - self._step)) > 0:
                    self._leap(room)
                else:
                    self._run(min(target - self._step, self._steps_per_tick - self._step % self._steps_per_tick))
        finally:
            self._advancing = False

    def truth(self) -> Truth:
        """All true values now."""
        return tell_truth(
            self._machine,
            self._link,
            self._thermal,
            time_s=self.time_s,
            load_torque_nm=self._load_way * self._load_machine.torque_nm,
            ambient_degc=self.ambient_degc,
        )

    def measure(self) -> Mapping[int, float]:
        """The measuring unit's inputs 1 to 6, averaged over the last 10 ms; see `sensors` for scales and faults."""
        values = dict(
            read_inputs(self.specimen.bench.sensors, self.faults, self._averages(), noise=self._noise.at(self._step))
        )
        frozen = round(self.faults.frozen_input)
        if frozen in self._told:
            values[frozen] = self._told[frozen]
        self._told = values
        return values

    def sample(self, first: int, count: int) -> NDArray[np.float32]:
        """Volts at inputs 11 to 18, shape (count, 8), from sample `first` on of a 20 kHz grid; see `phase_waveforms`.

        Raises `ValueError` for samples beyond `sampled` or older than 2 s. A lead that is off now is off in all.
        """
        if count <= 0:
            return np.empty((0, 8), dtype=np.float32)
        of_a_step = self._samples_per_step
        step = first // of_a_step
        rows = self._memory.rows(step, (first + count - 1) // of_a_step + 1)
        brushed, swapped = not self.has_converter, self.faults.phases_swapped
        true = brushed_truth(rows, of_a_step) if brushed else brushless_truth(rows, of_a_step, swapped=swapped)
        start = first - step * of_a_step
        return self._sampled.read(true[start : start + count], self.faults, first=first)

    def analyse(self, window_s: float) -> Mapping[int, float]:
        """The power analyser's results 1 to 16 over the last window, at most 2 s; all NaN on a brushed bench."""
        if self._analyser is None:
            return dict.fromkeys(RESULTS, math.nan)
        return self._analyser.results(window_s, self.faults, tick=self._step)

    def _run(self, steps: int) -> None:
        """Some steps with everything moving, and the tick at their end if they reach it."""
        machine, link, load_machine, memory = self._machine, self._link, self._load_machine, self._memory
        flows, step_s = self._flows, self.step_s
        faults, leads_open = self.faults, self.leads_open
        machine.set_condition(faults, leads_open=leads_open)
        if isinstance(machine, Brushless):
            machine.command = self.motor_drive
        rotors = machine.rotors
        way = self._load_way
        for _ in range(steps):
            link.follow(self.supply, self.sink, sink_dead=faults.sink_dead)
            speed_rad_s = way * rotors.load_speed_rad_s
            load_nm = load_machine.step(self.load, speed_rad_s=speed_rad_s, runs_away=faults.load_runs_away)
            machine.step(way * load_nm, link)
            flows.charge_a_s += machine.mean_current_a * step_s
            flows.link_v_s += link.link_v * step_s
            flows.terminal_v_s += machine.mean_terminal_v(link.link_v) * step_s
            memory.put(machine.record)
        self._step += steps
        self._winding_meter.step(self.meter, machine, leads_open=leads_open, step_s=steps * step_s)
        if self._step % self._steps_per_tick == 0:
            self._tick()
            if self.leaps:
                self._long.look(self.time_s, self.commands)

    def _tick(self) -> None:
        """Let the heat since the last tick act, and tell those who want to know."""
        span_s = (self._step - self._heated_to) * self.step_s
        energy, acted_j = self.energy, self._acted_j
        iron_j = energy.iron_j * self._iron_to_magnet
        heat_j = (
            energy.copper_j + energy.brush_j,
            energy.motor_friction_j + energy.iron_j - iron_j,
            iron_j,
        )
        self._thermal.step(
            winding_w=(heat_j[0] - acted_j[0]) / span_s,
            housing_w=(heat_j[1] - acted_j[1]) / span_s,
            magnet_w=(heat_j[2] - acted_j[2]) / span_s,
            ambient_degc=self.ambient_degc,
            step_s=span_s,
        )
        self._acted_j, self._heated_to = heat_j, self._step
        self._warm()
        self._window.append(self._integrals())
        if self._analyser is not None and isinstance(self._machine, Brushless):
            self._analyser.note(self._machine.integrals(self.time_s))
        for tell in self.on_step:
            tell(self)

    def _rests(self) -> bool:
        """Whether only temperatures can change until somebody commands something."""
        return (
            self._step % self._steps_per_tick == 0
            and not self.supply.output_on
            and not self.load.power_stage_on
            and not self.motor_drive.power_stage_on
            and abs(self._link.link_v) < 1e-6
            and abs(self._load_machine.torque_nm) < 1e-6
            and self._winding_meter.rests(self.meter)
            and self._machine.is_still()
        )

    def _rest(self, steps: int) -> None:
        """One large step in which only the temperatures move."""
        machine = self._machine
        machine.set_condition(self.faults, leads_open=self.leads_open)
        machine.halt()
        self._winding_meter.step(self.meter, machine, leads_open=self.leads_open, step_s=steps * self.step_s)
        self._link.empty()
        self._load_machine.rest()
        machine.rotors.impulse_nm_s += machine.rotors.torque_nm * steps * self.step_s
        self._memory.fill(machine.record, steps=steps)
        self._step += steps
        self.leapt_s += steps * self.step_s
        self._window.clear()
        if self._analyser is not None:
            self._analyser.forget()
        self._tick()

    def _room(self, most: int) -> int:
        """How many steps may be leapt now: whole ticks."""
        if not self._winding_meter.rests(self.meter):
            self._long.forget()
            return 0
        if self._step % self._steps_per_tick:
            return 0
        room = min(round(min(self._long.room_s(self.time_s, self.commands), _LONGEST_S) / self.step_s), most)
        return room - room % self._steps_per_tick

    def _leap(self, steps: int) -> None:
        """One large step in which temperatures move, and all that adds up goes on at its rates."""
        seconds = steps * self.step_s
        self._long.carry(seconds)
        if self.is_sampled():
            self._memory.repeat(steps=steps, over=round(_REPEATED_S / self.step_s), turns=self.has_converter)
        else:
            self._memory.fill(self._machine.record, steps=steps)
        self._step += steps
        self.leapt_s += seconds
        self._window.clear()
        self._window.append(self._long.before(self._integrals(), _WINDOW_S))
        if self._analyser is not None and isinstance(self._machine, Brushless):
            self._analyser.forget()
            self._analyser.note(self._long.inside_before(self._machine.integrals(self.time_s), _ANALYSED_S))
        self._tick()

    def _warm(self) -> None:
        self._machine.warm(winding_degc=self._thermal.winding_degc, magnet_degc=self._thermal.magnet_degc)

    def _integrals(self) -> tuple[float, ...]:
        rotors = self._machine.rotors
        return (
            self.time_s,
            self._flows.terminal_v_s,
            self._flows.link_v_s,
            self._flows.charge_a_s,
            rotors.impulse_nm_s,
            rotors.motor_angle_rad,
        )

    def _averages(self) -> Averages:
        now = self._integrals()
        then = self._window[0] if self._window else now
        span_s = now[0] - then[0]
        if span_s <= 0.0:
            truth = self.truth()
            return Averages(
                terminal_voltage_v=truth.terminal_voltage_v,
                link_voltage_v=truth.link_v,
                current_a=truth.motor_current_a,
                torque_nm=truth.shaft_torque_nm,
                speed_rpm=truth.motor_speed_rpm,
            )
        terminal_v, link_v, current_a, torque_nm, speed_rad_s = (
            (end - start) / span_s for start, end in zip(then[1:], now[1:], strict=True)
        )
        return Averages(
            terminal_voltage_v=terminal_v,
            link_voltage_v=link_v,
            current_a=current_a,
            torque_nm=torque_nm,
            speed_rpm=speed_rad_s * _RPM_PER_RAD_S,
        )
