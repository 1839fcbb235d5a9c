"""Synthetic runs of a brushless motor whose truth is its dq equations, written down without the code under test."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchd.analysis import Record, RecordedPoint, RecordedTest, Zero
from benchd.rules.channels import Calibration, Contribution, Quality

ROW_S = 0.01
GAP_ROWS = 5
RPM = 30.0 / math.pi
UNIT_OF = {
    "shaft_torque": "N·m",
    "shaft_torque_narrow": "N·m",
    "shaft_speed": "r/min",
    "drive_speed": "r/min",
    "dc_voltage": "V",
    "dc_current": "A",
    "supply_voltage": "V",
    "motor_power": "W",
    "motor_voltage": "V",
    "motor_voltage_fundamental": "V",
    "motor_current": "A",
    "motor_frequency": "Hz",
    "motor_apparent_power": "VA",
    "power_factor": "1",
    "winding_voltage": "V",
    "winding_current": "A",
    "winding_temperature": "°C",
    "ambient_temperature": "°C",
    **{
        f"phase_{what}_{n}": unit
        for what, unit in (("voltage", "V"), ("current", "A"), ("power", "W"))
        for n in (1, 2, 3)
    },
}
GAIN_U = {
    "shaft_torque": 0.0009,
    "shaft_torque_narrow": 0.0009,
    "shaft_speed": 0.00005,
    "dc_voltage": 0.0003,
    "dc_current": 0.0005,
    "motor_power": 0.001,
    "motor_voltage": 0.0005,
    "motor_voltage_fundamental": 0.0005,
    "motor_current": 0.0005,
    "winding_voltage": 0.0003,
    "winding_current": 0.0004,
}
OFFSET_U = {"dc_voltage": 0.005, "dc_current": 0.004, "winding_temperature": 0.3, "ambient_temperature": 0.3}
ZERO_U_NM = 0.002
FULL_SCALE = {"shaft_torque": 15.0, "shaft_torque_narrow": 3.0}
LINEARITY = 0.0002  # of full scale, rectangular


def calibration(channel: str) -> Calibration:
    def part(name, size, effect, *, relative_to="reading", distribution="normal"):
        return Contribution(name=name, size=size, distribution=distribution, relative_to=relative_to, effect=effect)

    parts = []
    if channel in GAIN_U:
        parts.append(part("gain", GAIN_U[channel], "gain"))
    if channel in OFFSET_U:
        parts.append(part("offset", OFFSET_U[channel], "offset", relative_to="unit"))
    if channel in FULL_SCALE:
        parts.append(part("linearity", LINEARITY, "independent", relative_to="full_scale", distribution="rectangular"))
    return Calibration(
        sensor="test sensor",
        serial="S-1",
        certificate="C-1",
        calibrated_on="2026-01-01",
        due_on="2028-01-01",
        input_unit=UNIT_OF[channel],
        output_unit=UNIT_OF[channel],
        gain=1.0,
        offset=0.0,
        full_scale=FULL_SCALE.get(channel, 1000.0),
        contributions=parts,
    )


@dataclass(frozen=True, kw_only=True)
class Pmsm:
    """A permanent-magnet machine in steady state: ud = Rs·id - ω·Lq·iq, uq = Rs·iq + ω·(ψ + Ld·id), peak dq."""

    pole_pairs: int = 4
    rs_ohm: float = 0.25
    ld_h: float = 2.0e-3
    lq_h: float = 3.2e-3
    psi_vs: float = 0.085
    coulomb_nm: float = 0.0
    viscous_nms: float = 0.0
    bench_drag_nm: float = 0.05
    link_v: float = 300.0

    def friction_nm(self, omega: float) -> float:
        return math.copysign(self.coulomb_nm, omega) + self.viscous_nms * omega

    def channels(self, *, speed_rpm: float, id_a: float, iq_a: float) -> dict[str, float]:
        """What ideal instruments show; the converter loses 5 W, 0.8 W an ampere and 0.02 W an ampere squared."""
        mechanical = speed_rpm / RPM
        omega = self.pole_pairs * mechanical
        ud = self.rs_ohm * id_a - omega * self.lq_h * iq_a
        uq = self.rs_ohm * iq_a + omega * (self.psi_vs + self.ld_h * id_a)
        air_gap = 1.5 * self.pole_pairs * (self.psi_vs * iq_a + (self.ld_h - self.lq_h) * id_a * iq_a)
        power = 1.5 * (ud * id_a + uq * iq_a)
        current = math.hypot(id_a, iq_a) / math.sqrt(2.0)
        line_v = math.hypot(ud, uq) * math.sqrt(1.5)
        apparent = math.sqrt(3.0) * line_v * current
        dc_w = power + 5.0 + 0.8 * current + 0.02 * current**2
        shown = {
            "shaft_torque": air_gap - self.friction_nm(mechanical),
            "shaft_speed": speed_rpm,
            "drive_speed": speed_rpm,
            "dc_voltage": self.link_v,
            "dc_current": dc_w / self.link_v,
            "supply_voltage": self.link_v,
            "motor_power": power,
            "motor_voltage": 1.05 * line_v,  # the carrier is in the true rms
            "motor_voltage_fundamental": line_v,
            "motor_current": current,
            "motor_frequency": abs(omega) / (2.0 * math.pi),
            "motor_apparent_power": apparent,
            "power_factor": power / apparent if apparent > 0.0 else 0.0,
            "winding_temperature": 60.0,
            "ambient_temperature": 24.0,
        }
        for n in (1, 2, 3):
            shown |= {
                f"phase_voltage_{n}": line_v / math.sqrt(3.0),
                f"phase_current_{n}": current,
                f"phase_power_{n}": power / 3.0,
            }
        return shown

    def iq_for(self, torque_nm: float, *, omega: float, advance: float = 0.3) -> tuple[float, float]:
        """(id, iq) with id = -advance·|iq| that makes this shaft torque."""
        wanted = torque_nm + self.friction_nm(omega)
        a, b = 1.5 * self.pole_pairs * (self.lq_h - self.ld_h) * advance, 1.5 * self.pole_pairs * self.psi_vs
        magnitude = (-b + math.sqrt(b * b + 4.0 * a * abs(wanted))) / (2.0 * a)
        return -advance * magnitude, math.copysign(magnitude, wanted)

    def loaded(self, torque_nm: float, speed_rpm: float) -> dict[str, float]:
        id_a, iq_a = self.iq_for(torque_nm, omega=speed_rpm / RPM)
        return self.channels(speed_rpm=speed_rpm, id_a=id_a, iq_a=iq_a)


Shown = float | Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True, kw_only=True)
class Visit:
    """One settled window: what was asked, and each channel's true value, or a function of the time to its middle."""

    asked: Mapping[str, float]
    shows: Mapping[str, Shown]
    direction: str = ""


@dataclass(frozen=True, kw_only=True)
class Played:
    kind: str
    visits: Sequence[Visit]
    settings: Mapping[str, object] = field(default_factory=dict)


MOTOR = {
    "kind": "brushless",
    "pole_pairs": 4,
    "rated": {"voltage_v": 300.0, "phase_current_a": 14.0, "speed_rpm": 3000.0, "torque_nm": 10.0, "power_w": 3141.6},
    "data_sheet": {"resistance_ohm": 0.5, "voltage_constant_v_per_krpm": 43.6, "inertia_kgm2": 8e-4},
}
SETUP = {"coupling": {"inertia_kgm2": 1e-4}, "cable": {"resistance_ohm": 0.02}}


@dataclass(frozen=True, kw_only=True)
class Sensors:
    """Their errors through a run, relative and in the channel's unit, how noisy they are and when they are polled."""

    gain: Mapping[str, float] = field(default_factory=dict)
    offset: Mapping[str, float] = field(default_factory=dict)
    noise: float = 1e-4  # relative to the value
    linearity: bool = False
    late_s: Mapping[str, float] = field(default_factory=dict)  # the age that a channel's samples have at their rows

    @classmethod
    def drawn(cls, rng) -> "Sensors":
        return cls(
            gain={c: rng.normal(0.0, u) for c, u in GAIN_U.items()},
            offset={c: rng.normal(0.0, u) for c, u in OFFSET_U.items()}
            | {"shaft_torque": rng.normal(0.0, ZERO_U_NM), "shaft_torque_narrow": rng.normal(0.0, ZERO_U_NM)},
            linearity=True,
        )


def record(
    tests: Sequence[Played],
    *,
    sensors: Sensors | None = None,
    seed: int = 1,
    window_rows: int = 60,
    motor: Mapping[str, object] = MOTOR,
    setup: Mapping[str, object] = SETUP,
) -> Record:
    """The run as it would have been recorded."""
    sensors = sensors or Sensors()
    rng = np.random.default_rng(seed)
    names = list(dict.fromkeys(c for t in tests for v in t.visits for c in v.shows))
    columns = {c: [] for c in names}
    test, point = [], []
    for index, played in enumerate(tests):
        for number, visit in enumerate(played.visits):
            rows = GAP_ROWS + window_rows
            relative_s = ROW_S * (np.arange(rows) - GAP_ROWS - 0.5 * (window_rows - 1))
            test += [index] * rows
            point += [-1] * GAP_ROWS + [number] * window_rows
            for channel in names:
                shown = visit.shows.get(channel, math.nan)
                taken_s = relative_s - sensors.late_s.get(channel, 0.0)
                series = shown(taken_s) if callable(shown) else np.full(rows, float(shown))
                wrong = series * (1.0 + sensors.gain.get(channel, 0.0)) + sensors.offset.get(channel, 0.0)
                if sensors.linearity and channel in FULL_SCALE:
                    wrong = wrong + rng.uniform(-1.0, 1.0) * LINEARITY * FULL_SCALE[channel]
                scale = np.maximum(np.abs(series), 1.0)
                columns[channel].append(wrong + sensors.noise * scale * rng.standard_normal(rows))
    values = {c: np.concatenate(v) for c, v in columns.items()}
    return Record(
        time_mono_s=50.0 + ROW_S * np.arange(len(test)),
        test=np.array(test),
        point=np.array(point),
        values=values,
        ages_s={c: np.full(len(test), sensors.late_s.get(c, 0.0)) for c in names},
        quality={
            c: np.where(np.isnan(v), np.uint8(Quality.NOT_A_NUMBER), np.uint8(Quality.GOOD)) for c, v in values.items()
        },
        units={c: UNIT_OF[c] for c in names},
        calibrations={c: calibration(c) for c in names},
        zeros={
            c: Zero(value=0.0, standard_uncertainty=ZERO_U_NM, degrees_of_freedom=100.0)
            for c in names
            if c in FULL_SCALE
        },
        tests=[
            RecordedTest(
                index=index,
                kind=played.kind,
                settings=played.settings,
                points=[
                    RecordedPoint(point=n, direction=v.direction, asked=v.asked) for n, v in enumerate(played.visits)
                ],
            )
            for index, played in enumerate(tests)
        ],
        motor=motor,
        setup=setup,
    )


def load_test(machine: Pmsm, *, speed_rpm=3000.0, torques_nm=(1.0, 4.0, 7.0, 9.0, 11.0, 12.5), **settings) -> Played:
    visits = [
        Visit(asked={"torque_nm": t, "speed_rpm": speed_rpm}, shows=machine.loaded(t, speed_rpm), direction=direction)
        for direction, ways in (("up", torques_nm), ("down", tuple(reversed(torques_nm))))
        for t in ways
    ]
    return Played(kind="load", visits=visits, settings=settings)


def back_emf_test(machine: Pmsm, speeds_rpm=(500.0, 1000.0, 2000.0, 3000.0)) -> Played:
    return Played(
        kind="back_emf",
        visits=[
            Visit(asked={"speed_rpm": n}, shows=machine.channels(speed_rpm=n, id_a=0.0, iq_a=0.0)) for n in speeds_rpm
        ],
    )


def no_load_test(machine: Pmsm, speeds_rpm=(750.0, 1500.0, 2250.0, 3000.0, 3300.0)) -> Played:
    return Played(
        kind="no_load",
        visits=[Visit(asked={"speed_rpm": n}, shows=machine.loaded(machine.bench_drag_nm, n)) for n in speeds_rpm],
    )


def changed(played: Played, **shows: Callable[[Mapping[str, float]], Shown]) -> Played:
    """The same test with some channels' values made from the others at each point."""
    visits = [replace(v, shows={**v.shows, **{c: make(v.shows) for c, make in shows.items()}}) for v in played.visits]
    return replace(played, visits=visits)
