"""What a motor test is to the bench: a kind, its settings, its demand and its play. It must never touch a device."""

import math
from collections.abc import Callable, Generator, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pydantic import BaseModel

from benchd.rules.demand import Demand
from benchd.rules.frames import Frame
from benchd.rules.moves import Ask, Move, Role, Target
from benchd.rules.ramps import Slopes
from benchd.rules.resonance import Band

WINDING_HEAT = "winding heat"  # stands for any thermal image of a winding's current
Misplaced = Iterable[tuple[tuple[str | int, ...], str]]
Play = Generator[Move | Ask, Frame, None]
"""Yields what each role shall do now and is sent the frame of the next tick; it ends when the test is done.

Where it yields a question instead, the next frame comes when the operator has answered, with the answer in it.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """The rating plate and data sheet of the specimen, as far as a test needs them.

    A brushed DC motor is fed by the supply itself: `voltage_v`, `current_a`, `resistance_ohm` and `ke_v_s` are those of
    its terminals. A brushless motor is fed by a converter: `voltage_v` is the DC link's, `current_a` and
    `max_current_a` are DC link currents, `phase_current_a` is the rated current of a phase (rms), `resistance_ohm` lies
    between two terminals, and `ke_v_s` is the line-to-line rms voltage per rad/s of the shaft.
    """

    kind: Literal["brushed_dc", "brushless"] = "brushed_dc"
    voltage_v: float
    current_a: float
    speed_rpm: float
    torque_nm: float
    max_speed_rpm: float
    max_current_a: float
    resistance_ohm: float
    ke_v_s: float
    phase_current_a: float = 0.0
    pole_pairs: int = 0
    inertia_kgm2: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a test may know of where it is played: the specimen's plate and how fast and far this bench may go."""

    plate: Plate
    slopes: Slopes
    speed_limit_rpm: float  # the effective limit on the shaft, handed to drives that follow torque
    current_limit_a: float  # the effective limit on the DC current, handed to the supply
    at: Mapping[Role, Target] = field(default_factory=dict)  # the targets in force when the test begins
    roles: frozenset[Role] = frozenset({Role.SUPPLY, Role.LOAD_DRIVE})  # that this bench has
    torque_limit_nm: float = 0.0  # the effective limit on the shaft torque, handed to drives that hold a speed
    inertia_kgm2: float = 0.0  # of all that turns, both machines with the coupling; 0: not known
    channels: Mapping[str, str] = field(default_factory=dict)  # unit by name, of this bench; none: not known
    bands: tuple[Band, ...] = ()  # of speeds that are crossed and never held
    longest_crossing_s: float = math.inf  # that a course may be within one of them at a time


@dataclass(frozen=True, slots=True, kw_only=True)
class Procedure:
    """One kind of test. `held` says what the shaft does while the bench is Held, as targets and in words.

    A test that is not `energised` is played before supply and drives are switched on. `objection` says in one sentence
    why this specimen on this bench cannot be tested so, or ""; `misplaced` says so of single places in its settings:
    the path of each below the test's table, and the rest of a sentence that begins with it. `asks` is what it will ask
    the operator, or "": such a test is played in an attended programme only.
    """

    kind: str
    title: str
    settings: type[BaseModel]
    demand: Callable[[Any, Surroundings], Demand]
    play: Callable[[Any, Surroundings], Play]
    held: Callable[[Mapping[Role, Target]], Mapping[Role, Target]]
    held_energy: str
    energised: bool = True
    limited: Sequence[Sequence[str]] = ()  # channels that must have an upper limit that takes energy away; of each one
    objection: Callable[[Any, Surroundings], str] = lambda _settings, _around: ""
    misplaced: Callable[[Any, Surroundings], Misplaced] = lambda _settings, _around: ()
    asks: Callable[[Any, Surroundings], str] = lambda _settings, _around: ""
