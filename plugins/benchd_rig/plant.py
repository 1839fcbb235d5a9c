"""The simulated bench as one plant with one clock: commands and faults in, true and measured values out.

It composes the physics of its neighbours and advances them together on a fixed grid of time, so what comes out depends
on the commands and when they were given, never on how often somebody asked. It speaks no protocol, imitates no device
and has no wall clock: whoever owns it says how far to advance.
"""

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from benchd_rig.commands import LoadCommand, PlantFaults, SinkCommand, SupplyCommand
from benchd_rig.dc_link import DcLink
from benchd_rig.energy import EnergyAccount
from benchd_rig.load_machine import LoadMachine
from benchd_rig.motor_dc import brush_drop
from benchd_rig.sensors import Averages, read_inputs
from benchd_rig.shaft import Shaft
from benchd_rig.specimen import Specimen
from benchd_rig.thermal import Thermal

__all__ = ["LoadCommand", "Plant", "PlantFaults", "SinkCommand", "SupplyCommand", "Truth"]

STEP_S = 0.0005
_STEPS_PER_TICK = 2  # a tick of 1 ms: trips of the devices, temperatures, the measuring unit's window
_STEPS_PER_REST = 2000  # at rest one step of 1 s at most
_WINDOW_TICKS = 10
_RPM_PER_RAD_S = 30.0 / math.pi


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """All true values at one instant of plant time, house signs."""

    time_s: float
    supply_voltage_v: float
    supply_current_a: float
    sink_current_a: float
    link_v: float
    terminal_voltage_v: float
    motor_current_a: float
    motor_emf_v: float
    brush_drop_v: float
    winding_ohm: float
    airgap_torque_nm: float
    shaft_torque_nm: float
    load_torque_nm: float
    motor_speed_rpm: float
    load_speed_rpm: float
    twist_rad: float
    motor_angle_rad: float
    winding_degc: float
    housing_degc: float
    ambient_degc: float


class Plant:
    """A specimen on its bench. Set `supply`, `sink`, `load` and `faults`, then advance; time starts at 0.

    Commands act from the next step of the grid (0.5 ms) on. `on_step` is called every millisecond of plant time, and
    at least once a second while everything rests.
    """

    def __init__(self, specimen: Specimen, *, seed: int = 0) -> None:
        self.specimen = specimen
        self.supply = SupplyCommand()
        self.sink = SinkCommand()
        self.load = LoadCommand()
        self.faults = PlantFaults()
        self.on_step: list[Callable[[Plant], None]] = []
        self.ambient_degc = specimen.bench.ambient_degc
        self.energy = EnergyAccount()
        self._seed = seed
        self._step = 0
        self._advancing = False
        self._thermal = Thermal(specimen.motor, ambient_degc=self.ambient_degc)
        self._shaft = Shaft(specimen, self.energy, step_s=STEP_S, winding_degc=self.ambient_degc)
        self._link = DcLink(specimen.bench, self.energy, step_s=STEP_S)
        self._load_machine = LoadMachine(specimen.bench.load_machine, step_s=STEP_S)
        self._terminal_v_s = 0.0  # integrals since time zero, for the window
        self._link_v_s = 0.0
        self._charge_a_s = 0.0
        self._winding_j = 0.0  # heat that has already acted on the temperatures
        self._housing_j = 0.0
        self._heated_to = 0
        self._window: deque[tuple[float, ...]] = deque(maxlen=_WINDOW_TICKS + 1)
        self._warm()

    @property
    def time_s(self) -> float:
        """Plant time, s."""
        return self._step * STEP_S

    @property
    def link_v(self) -> float:
        """Voltage of the DC link."""
        return self._link.link_v

    @property
    def supply_voltage_v(self) -> float:
        """Voltage at the supply's terminals, which is the link's."""
        return self._link.link_v

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
        """Current into the specimen."""
        return self._shaft.current_a

    @property
    def motor_speed_rpm(self) -> float:
        """Speed of the specimen's rotor."""
        return self._shaft.motor_speed_rad_s * _RPM_PER_RAD_S

    @property
    def load_speed_rpm(self) -> float:
        """Speed of the load machine's rotor."""
        return self._shaft.load_speed_rad_s * _RPM_PER_RAD_S

    @property
    def load_torque_nm(self) -> float:
        """Torque that the load machine makes, house sign."""
        return self._load_machine.torque_nm

    @property
    def winding_degc(self) -> float:
        """Temperature of the specimen's winding."""
        return self._thermal.winding_degc

    @property
    def housing_degc(self) -> float:
        """Temperature of the specimen's housing."""
        return self._thermal.housing_degc

    @property
    def stored_j(self) -> float:
        """Energy in link, winding, rotors and coupling."""
        return self._link.stored_j + self._shaft.stored_j

    def advance_to(self, time_s: float) -> None:
        """Advance to the last point of the grid that is not after `time_s`; a time that has passed changes nothing."""
        target = math.floor(time_s / STEP_S + 1e-6)
        if target <= self._step or self._advancing:
            return
        self._advancing = True
        try:
            while self._step < target:
                if self._rests():
                    self._rest(min(target - self._step, _STEPS_PER_REST))
                else:
                    self._run(min(target - self._step, _STEPS_PER_TICK - self._step % _STEPS_PER_TICK))
        finally:
            self._advancing = False

    def truth(self) -> Truth:
        """All true values now."""
        shaft, link, motor = self._shaft, self._link, self.specimen.motor
        brush = brush_drop(motor, winding_degc=self._thermal.winding_degc)
        return Truth(
            time_s=self.time_s,
            supply_voltage_v=link.link_v,
            supply_current_a=link.supply_current_a,
            sink_current_a=link.sink_current_a,
            link_v=link.link_v,
            terminal_voltage_v=link.link_v - self.specimen.bench.link.cable_ohm * shaft.current_a,
            motor_current_a=shaft.current_a,
            motor_emf_v=motor.constant_v_s * shaft.motor_speed_rad_s,
            brush_drop_v=brush.voltage_v(shaft.current_a),
            winding_ohm=shaft.winding_ohm,
            airgap_torque_nm=motor.constant_v_s * shaft.current_a,
            shaft_torque_nm=shaft.torque_nm,
            load_torque_nm=self._load_machine.torque_nm,
            motor_speed_rpm=self.motor_speed_rpm,
            load_speed_rpm=self.load_speed_rpm,
            twist_rad=shaft.twist_rad,
            motor_angle_rad=shaft.motor_angle_rad,
            winding_degc=self._thermal.winding_degc,
            housing_degc=self._thermal.housing_degc,
            ambient_degc=self.ambient_degc,
        )

    def measure(self) -> Mapping[int, float]:
        """The measuring unit's inputs 1 to 6, averaged over the last 10 ms; see `sensors` for scales and faults."""
        return read_inputs(self.specimen.bench.sensors, self.faults, self._averages(), seed=self._seed, tick=self._step)

    def _run(self, steps: int) -> None:
        """Some steps with everything moving, and the tick at their end if they reach it."""
        shaft, link, load_machine = self._shaft, self._link, self._load_machine
        faults = self.faults
        shaft.set_condition(faults)
        cable_ohm = self.specimen.bench.link.cable_ohm
        for _ in range(steps):
            link.follow(self.supply, self.sink, sink_dead=faults.sink_dead)
            load_nm = load_machine.step(self.load, speed_rad_s=shaft.load_speed_rad_s, runs_away=faults.load_runs_away)
            shaft.step(load_nm, link.settle)
            charge_a_s = shaft.mean_current_a * STEP_S
            self._charge_a_s += charge_a_s
            self._link_v_s += link.link_v * STEP_S
            self._terminal_v_s += link.link_v * STEP_S - cable_ohm * charge_a_s
        self._step += steps
        if self._step % _STEPS_PER_TICK == 0:
            self._tick()

    def _tick(self) -> None:
        """Let the heat since the last tick act, and tell those who want to know."""
        span_s = (self._step - self._heated_to) * STEP_S
        winding_j, housing_j = self.energy.copper_j + self.energy.brush_j, self.energy.motor_friction_j
        self._thermal.step(
            winding_w=(winding_j - self._winding_j) / span_s,
            housing_w=(housing_j - self._housing_j) / span_s,
            ambient_degc=self.ambient_degc,
            step_s=span_s,
        )
        self._winding_j, self._housing_j, self._heated_to = winding_j, housing_j, self._step
        self._warm()
        self._window.append(self._integrals())
        for tell in self.on_step:
            tell(self)

    def _rests(self) -> bool:
        """Whether only temperatures can change until somebody commands something."""
        return (
            self._step % _STEPS_PER_TICK == 0
            and not self.supply.output_on
            and not self.load.power_stage_on
            and abs(self._link.link_v) < 1e-6
            and abs(self._shaft.current_a) < 1e-6
            and abs(self._load_machine.torque_nm) < 1e-6
            and self._shaft.is_still()
        )

    def _rest(self, steps: int) -> None:
        """One large step in which only the temperatures move."""
        self._shaft.set_condition(self.faults)
        self._shaft.halt()
        self._link.empty()
        self._load_machine.rest()
        self._shaft.impulse_nm_s += self._shaft.torque_nm * steps * STEP_S
        self._step += steps
        self._window.clear()
        self._tick()

    def _warm(self) -> None:
        winding_degc = self._thermal.winding_degc
        self._shaft.warm(winding_degc=winding_degc)
        self._link.warm(brush_drop(self.specimen.motor, winding_degc=winding_degc), extra_ohm=self._shaft.extra_ohm)

    def _integrals(self) -> tuple[float, ...]:
        shaft = self._shaft
        return (
            self.time_s,
            self._terminal_v_s,
            self._link_v_s,
            self._charge_a_s,
            shaft.impulse_nm_s,
            shaft.motor_angle_rad,
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
