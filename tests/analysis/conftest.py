"""Synthetic runs of a brushed motor whose truth is known, written down without the code under test."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from benchd.analysis import monte_carlo
from benchd.analysis.record import Record, RecordedPoint, RecordedTest, Zero
from benchd.rules.channels import Calibration, Contribution, Quality

ROW_S = 0.01
UNITS = {
    "dc_voltage": "V",
    "dc_current": "A",
    "shaft_torque": "N·m",
    "shaft_speed": "r/min",
    "winding_temperature": "°C",
}
ZERO_UNCERTAINTY_NM = 0.0004


def part(name, size, effect, *, relative_to="reading", distribution="normal"):
    return Contribution(name=name, size=size, distribution=distribution, relative_to=relative_to, effect=effect)


def calibration(unit, full_scale, *contributions):
    return Calibration(
        sensor="test sensor",
        serial="S-1",
        certificate="C-1",
        calibrated_on="2026-01-01",
        due_on="2027-01-01",
        input_unit=unit,
        output_unit=unit,
        gain=1.0,
        offset=0.0,
        full_scale=full_scale,
        contributions=contributions,
    )


CALIBRATIONS = {
    "dc_voltage": calibration(
        "V", 60.0, part("gain", 0.0003, "gain"), part("offset", 0.002, "offset", relative_to="unit")
    ),
    "dc_current": calibration(
        "A", 60.0, part("gain", 0.0005, "gain"), part("offset", 0.003, "offset", relative_to="unit")
    ),
    "shaft_torque": calibration(
        "N·m",
        2.0,
        part("gain", 0.001, "gain"),
        part("linearity", 0.0003, "independent", relative_to="full_scale", distribution="rectangular"),
    ),
    "shaft_speed": calibration(
        "r/min", 8000.0, part("gain", 0.0001, "gain"), part("offset", 0.2, "offset", relative_to="unit")
    ),
    "winding_temperature": calibration("°C", 200.0, part("offset", 0.5, "offset", relative_to="unit")),
}


@dataclass(frozen=True, kw_only=True)
class Truth:
    """The motor and the bench as they are; U = K·w + R(theta)·I + Ub, K·I = T + Tc + b·w, drag of the load side."""

    k: float = 0.05
    r_20: float = 0.45
    ub: float = 0.35
    coulomb: float = 0.012
    viscous: float = 1.5e-5
    cubic: float = 0.0  # above 0: windage bends friction over speed
    drag_coulomb: float = 0.006
    drag_viscous: float = 4e-6
    rated_v: float = 24.0
    rated_nm: float = 0.35
    cable_ohm: float = 0.02
    no_load_theta: float = 25.0
    load_theta: float = 45.0
    brush_knee_a: float = 0.0  # above 0: the drop rises with the current instead of being constant
    brush_per_k: float = 0.0  # relative change of the drop a kelvin
    hysteresis_nm: float = 0.0  # friction more on the way down than on the way up
    direction: float = 1.0

    def r(self, theta):
        return self.r_20 * (235.0 + theta) / 255.0

    def warm_ub(self, theta):
        """The full brush drop; `ub` is the one in the load test, the reference of what is evaluated."""
        return self.ub * (1.0 + self.brush_per_k * (theta - self.load_theta))

    def drop(self, i, theta):
        ub = self.warm_ub(theta)
        return ub if self.brush_knee_a == 0.0 else ub * (1.0 - math.exp(-i / self.brush_knee_a))

    def state(self, *, source_v, torque_nm=None, theta, more_friction=0.0):
        """(U at the terminals, I, w, T) by fixed-point iteration; torque None: the load side only drags."""
        i = 1.0
        for _ in range(200):
            u = source_v - self.cable_ohm * i
            w = (u - self.drop(i, theta) - self.r(theta) * i) / self.k
            t = self.drag_coulomb + self.drag_viscous * w if torque_nm is None else torque_nm
            i = 0.7 * i + 0.3 * (t + self.coulomb + more_friction + self.viscous * w + self.cubic * w**3) / self.k
        return u, i, w, t

    def free_no_load(self, theta):
        """(I, w) at rated terminal voltage with a free shaft, two linear equations in closed form."""
        a = np.array([[self.r(theta), self.k], [self.k, -self.viscous]])
        i, w = np.linalg.solve(a, [self.rated_v - self.warm_ub(theta), self.coulomb])
        return float(i), float(w)


@dataclass(frozen=True, kw_only=True)
class Errors:
    """What the sensors do to the truth, the same through a run: relative gain errors, offsets in the channel's unit."""

    gain: Mapping[str, float] = field(default_factory=dict)
    offset: Mapping[str, float] = field(default_factory=dict)
    noise: float = 1.0
    linearity: bool = True

    @classmethod
    def drawn(cls, rng):
        """One draw from the stated budgets."""
        return cls(
            gain={
                "dc_voltage": rng.normal(0.0, 0.0003),
                "dc_current": rng.normal(0.0, 0.0005),
                "shaft_torque": rng.normal(0.0, 0.001),
                "shaft_speed": rng.normal(0.0, 0.0001),
            },
            offset={
                "dc_voltage": rng.normal(0.0, 0.002),
                "dc_current": rng.normal(0.0, 0.003),
                "shaft_torque": rng.normal(0.0, ZERO_UNCERTAINTY_NM),
                "shaft_speed": rng.normal(0.0, 0.2),
                "winding_temperature": rng.normal(0.0, 0.5),
            },
        )

    def broken(self, channel, factor):
        """The same draw with one calibration factor wrong."""
        return replace(self, gain={**self.gain, channel: (1.0 + self.gain.get(channel, 0.0)) * factor - 1.0})


NOISE = {"dc_voltage": 0.01, "dc_current": 0.03, "shaft_torque": 0.003, "shaft_speed": 2.0, "winding_temperature": 0.05}
HOLD_ROWS = {"dc_voltage": 2, "dc_current": 2, "shaft_torque": 1, "shaft_speed": 2, "winding_temperature": 20}


def run(truth, errors, rng, *, no_load=True, load=True, window_rows=50, load_nm=(0.05, 0.15, 0.25, 0.35, 0.45)):
    """A record: no-load voltage steps, then torque up and down, held samples, unsettled rows between."""
    states, tests = [], []
    if no_load:
        points = []
        for n, source_v in enumerate((6.0, 10.0, 14.0, 18.0, 22.0, 26.0)):
            u, i, w, t = truth.state(source_v=source_v, theta=truth.no_load_theta)
            states.append((len(tests), n, (u, i, w, t, truth.no_load_theta)))
            points.append(RecordedPoint(point=n, direction="up", asked={"voltage_v": source_v}))
        tests.append(RecordedTest(index=len(tests), kind="no_load", points=points))
    if load:
        points = []
        visits = [("up", t) for t in load_nm] + [("down", t) for t in reversed(load_nm)]
        for n, (direction, torque) in enumerate(visits):
            more = truth.hysteresis_nm if direction == "down" else 0.0
            u, i, w, t = truth.state(
                source_v=truth.rated_v + 0.2, torque_nm=torque, theta=truth.load_theta, more_friction=more
            )
            states.append((len(tests), n, (u, i, w, t, truth.load_theta)))
            points.append(RecordedPoint(point=n, direction=direction, asked={"torque_nm": torque}))
        tests.append(RecordedTest(index=len(tests), kind="load", points=points))
    gap = 5
    rows = (window_rows + gap) * len(states)
    time = 100.0 + ROW_S * np.arange(rows)
    test, point = np.full(rows, -1), np.full(rows, -1)
    clean = {c: np.zeros(rows) for c in UNITS}
    for s, (t_index, p_index, values) in enumerate(states):
        begin = s * (window_rows + gap)
        settled = slice(begin + gap, begin + gap + window_rows)
        test[begin : begin + gap + window_rows] = t_index
        point[settled] = p_index
        u, i, w, t, theta = values
        shown = {
            "dc_voltage": u * truth.direction,
            "dc_current": i * truth.direction,
            "shaft_torque": t * truth.direction,
            "shaft_speed": w * 30.0 / math.pi * truth.direction,
            "winding_temperature": theta,
        }
        for channel, value in shown.items():
            wrong = value * (1.0 + errors.gain.get(channel, 0.0)) + errors.offset.get(channel, 0.0)
            if channel == "shaft_torque" and errors.linearity:
                wrong += rng.uniform(-0.0006, 0.0006)
            clean[channel][begin : begin + gap + window_rows] = wrong
            clean[channel][begin : begin + gap] *= 0.9  # not settled yet: must not be averaged
    values, ages = {}, {}
    for channel, series in clean.items():
        hold = HOLD_ROWS[channel]
        noisy = series + errors.noise * NOISE[channel] * rng.standard_normal(rows)
        since = np.arange(rows) % hold
        # a sample taken in a window's first rows is of that window: the hold starts anew with each window
        since = np.arange(rows) % (window_rows + gap) - gap
        since = np.where(since < 0, since + gap, since) % hold
        values[channel] = noisy[np.arange(rows) - since]
        ages[channel] = 0.002 + since * ROW_S
    return Record(
        time_mono_s=time,
        test=test,
        point=point,
        values=values,
        ages_s=ages,
        quality={c: np.full(rows, Quality.GOOD, dtype=np.uint8) for c in UNITS},
        units=UNITS,
        calibrations=CALIBRATIONS,
        zeros={"shaft_torque": Zero(value=0.01, standard_uncertainty=ZERO_UNCERTAINTY_NM, degrees_of_freedom=50.0)},
        tests=tests,
        motor={"rated": {"voltage_v": truth.rated_v, "torque_nm": truth.rated_nm, "current_a": 8.0}},
        setup={},
    )


@pytest.fixture(autouse=True)
def few_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    """A thousand draws for an interval, so that evaluations by the hundred stay quick."""
    monkeypatch.setattr(monte_carlo, "DRAWS", 1000)


@pytest.fixture
def truth() -> Truth:
    return Truth()


@pytest.fixture
def errors() -> type[Errors]:
    return Errors


@pytest.fixture
def make_run() -> Callable[..., Record]:
    return run
