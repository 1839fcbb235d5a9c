"""What a derived channel is made of: frozen rules over other channels, and their units. Pure values; nothing computes.

`benchd.rules.derived` carries them out. A rule names its inputs by channel; a parameter that is None follows from the
motor file of the run and the channel is unknown until then.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

TORQUE_UNIT, SPEED_UNIT, CURRENT_UNIT, VOLTAGE_UNIT = "N·m", "r/min", "A", "V"
POWER_UNIT, ENERGY_UNIT, TEMPERATURE_UNIT = "W", "W·s", "°C"
DERIVED = "derived"  # stands where a measured channel names its device
COUPLING = "coupling"  # what a cause doubts that sees one end of the shaft turn without the other


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """`of` minus `ratio` times `against`; with a speed also minus the torque that accelerates `inertia_kgm2`.

    Everything is compared at one instant: the latest that all inputs know, so the acceleration of a shaft whose ends
    are read at different times makes no difference. The angular acceleration is the slope of `speed` over `window_s`,
    centred on that instant, which is why a difference with an inertia is half a window older.
    """

    of: str
    against: str
    ratio: float = 1.0
    speed: str | None = None
    inertia_kgm2: float = 0.0
    window_s: float = 0.04
    kind: Literal["difference"] = "difference"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.of, self.against) if self.speed is None else (self.of, self.against, self.speed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """`of` times `by` at the latest instant that both know: torque by speed and voltage by current give watts."""

    of: str
    by: str
    factor: float = 1.0  # turns the product of the units into the channel's unit: π/30 for N·m times r/min
    kind: Literal["product"] = "product"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.of, self.by)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rate:
    """The slope of the least-squares line through the last `window_s` of `of`, per second, stamped with its end.

    It is the rate half a window ago. Unknown until the window is half full.
    """

    of: str
    window_s: float
    kind: Literal["rate"] = "rate"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.of,)


@dataclass(frozen=True, slots=True, kw_only=True)
class I2t:
    """The heat of a conductor as a first-order thermal image, 1 being what the rated value heats it to in the end.

    d(x)/dt = ((value/rated)² − x)/time_constant_s, exact for a square that is a straight line between readings. It
    belongs to the thing and not to the run: it goes on cooling while nothing runs.
    """

    of: str
    rated: float | None = None
    time_constant_s: float | None = None
    kind: Literal["i2t"] = "i2t"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.of,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overload:
    """How long `of` was over its nominal value, weighted: the integral of (value/nominal)² − 1, in s, never below 0.

    Twice the nominal value counts 3 s a second; below it the memory fades by at most 1 s a second.
    """

    of: str
    nominal: float
    kind: Literal["overload"] = "overload"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.of,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Energy:
    """The integral of the negative part of a power since the run's start, W·s: what came back.

    With `direction` "delivered" it is that of the positive part.
    """

    of: str
    direction: Literal["returned", "delivered"] = "returned"
    kind: Literal["energy"] = "energy"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.of,)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunTime:
    """Seconds since the run's start; unknown before the first run."""

    kind: Literal["run_time"] = "run_time"

    @property
    def inputs(self) -> tuple[str, ...]:
        """It is made of no channel: the tick drives it."""
        return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stuck:
    """Seconds for which `of` has kept within `resolution` although `moving` has moved by more than `moving_by`.

    Counts from the moment at which the other has moved so far since `of` changed last.
    """

    of: str
    resolution: float
    moving: str
    moving_by: float
    kind: Literal["stuck"] = "stuck"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.of, self.moving)


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalModel:
    """A winding's temperature as copper loss makes it, minus the measured one, K.

    Copper loss is `loss_factor` · current² · R, R growing with the model's own temperature (IEC 60034-1: k = 235 for
    copper). One node: the winding, against `reference` (the housing's or the air's channel) through
    `resistance_k_per_w`. Two nodes: the housing is computed too, against `reference` through `housing_k_per_w`.
    The model begins each run at the measured temperature.
    """

    current: str
    winding: str
    reference: str
    resistance_k_per_w: float
    capacity_j_per_k: float
    resistance_ohm: float | None = None  # at 20 °C
    loss_factor: float | None = None  # 1 for a brushed motor; 1.5 for a phase's rms and ohms between two terminals
    housing_k_per_w: float | None = None
    housing_j_per_k: float | None = None
    kind: Literal["thermal_model"] = "thermal_model"

    @property
    def inputs(self) -> tuple[str, ...]:
        """The channels it is made of."""
        return (self.current, self.winding, self.reference)


Rule: TypeAlias = Difference | Product | Rate | I2t | Overload | Energy | RunTime | Stuck | ThermalModel


@dataclass(frozen=True, slots=True, kw_only=True)
class Derivation:
    """A derived channel's rule, where its inputs come from, and what a person shall do when a limit on it is crossed.

    `look` continues "look at"; `doubts` are the devices, or `COUPLING`, that such a crossing makes doubtful; `devices`
    are those that the inputs come from in the end.
    """

    rule: Rule
    look: str
    doubts: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()


def order(inputs: Mapping[str, Sequence[str]]) -> tuple[str, ...]:
    """The derived channels, each after those that it is made of. Raises `ValueError` for a circle, naming it."""
    done: dict[str, None] = {}
    under_way: list[str] = []

    def visit(name: str) -> None:
        if name in done or name not in inputs:
            return
        if name in under_way:
            circle = [*under_way[under_way.index(name) :], name]
            raise ValueError(" -> ".join(circle))
        under_way.append(name)
        for one in inputs[name]:
            visit(one)
        under_way.pop()
        done[name] = None

    for name in inputs:
        visit(name)
    return tuple(done)
