"""A course of speed and torque in step from plain values: what a settings file says, or a run folder holds. Pure.

Both who plays a course and who evaluates it make it here, so that they mean the same. It reads no file.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from benchd.rules.course_conditions import Condition, Settled, Temperature
from benchd.rules.course_pairs import InStep
from benchd.rules.course_pieces import Between, Linear, Piece, Sine, SShaped, Staircase, Table
from benchd.rules.courses import Course
from benchd.rules.demand import Demanded
from benchd.rules.moves import Ask, Meanwhile, Unanswered

SPEED, TORQUE = "speed_rpm", "torque_nm"  # what a part's two shapes are called
GO_ON, NO = "go on", "end the test"
_OWN_CHANNEL = {"shaft_speed": SPEED, "shaft_torque": TORQUE}
Plain = Mapping[str, Any]


def in_step_of(parts: Sequence[Plain], *, repeated: int) -> InStep:
    """The two courses that these parts make.

    A part has either a shape of `speed_rpm` and one of `torque_nm`, or the rows of a `table`, or a `wait`. A shape
    without a start begins where the one before it ended, at first with nought; one without a time lasts as long as the
    other one. Raises `ValueError` in one sentence that names the part, counted from 1.
    """
    made: dict[str, list[Piece | Condition]] = {SPEED: [], TORQUE: []}
    at = {SPEED: 0.0, TORQUE: 0.0}
    for number, part in enumerate(parts, start=1):
        try:
            if part.get("wait") is not None:
                condition = condition_of(part["wait"], at)
                made[SPEED].append(condition)
                made[TORQUE].append(condition)
                continue
            for name, piece in _pieces(part, at).items():
                made[name].append(piece)
                at[name] = piece.segments()[-1].end
        except ValueError as error:
            raise ValueError(f"part {number}: {_small(str(error))}") from error
    speed = Course(quantity=Demanded.SPEED, parts=tuple(made[SPEED]), repeated=repeated)
    return InStep(speed=speed, torque=Course(quantity=Demanded.TORQUE, parts=tuple(made[TORQUE]), repeated=repeated))


def condition_of(plain: Plain, at: Mapping[str, float]) -> Condition:
    """What a part waits for; `at` is the speed and torque that are held meanwhile, which they settle at by default."""
    if plain["until"] == "answer":
        return Ask(
            text=plain["text"],
            answers=(GO_ON, NO),
            ending=(NO,),
            within_s=plain["within_s"],
            meanwhile=Meanwhile(plain["meanwhile"]),
            unanswered=Unanswered(plain["unanswered"]),
        )
    channel = plain["channel"]
    if plain["until"] == "temperature":
        return Temperature(
            channel=channel,
            below_degc=plain.get("below_degc"),
            above_degc=plain.get("above_degc"),
            within_s=plain["within_s"],
        )
    around = plain.get("around")
    if around is None:
        if channel not in _OWN_CHANNEL:
            raise ValueError(f"{channel} has no value of the course: write around, the value that it shall settle at.")
        around = at[_OWN_CHANNEL[channel]]
    return Settled(
        channel=channel,
        around=around,
        mean_band=plain["mean_band"],
        trend_band_per_s=plain["trend_band_per_s"],
        window_s=plain["window_s"],
        within_s=plain["within_s"],
    )


def _pieces(part: Plain, at: Mapping[str, float]) -> dict[str, Piece]:
    table = part.get("table")
    if table is not None:
        between = Between(part.get("between", "linear"))
        return {
            name: Table(times_s=tuple(table["time_s"]), values=tuple(table[name]), between=between)
            for name in (SPEED, TORQUE)
        }
    shapes = {name: _Shape(part[name], at[name]) for name in (SPEED, TORQUE)}
    lasting = [one.lasts_s for one in shapes.values() if one.lasts_s is not None]
    if not lasting:
        raise ValueError("neither speed nor torque says how long it lasts: give one of them time_s.")
    return {name: shape.piece(lasting[0]) for name, shape in shapes.items()}


@dataclass(frozen=True)
class _Shape:
    """One quantity's shape in one part, and where it begins if it does not say so."""

    plain: Plain
    before: float

    def _start(self, name: str = "start") -> float:
        given = self.plain.get(name)
        return self.before if given is None else float(given)

    @property
    def lasts_s(self) -> float | None:
        """How long it lasts by itself."""
        if self.plain["shape"] in {"linear", "hold"}:
            given = self.plain.get("time_s")
            return None if given is None else float(given)
        return sum(each.lasts_s for each in self.piece(0.0).segments())

    def piece(self, otherwise_s: float) -> Piece:
        """The piece; one that says no time lasts `otherwise_s`."""
        plain = self.plain
        given_s = plain.get("time_s")
        time_s = otherwise_s if given_s is None else float(given_s)
        match plain["shape"]:
            case "linear":
                return Linear(start=self._start(), end=plain["end"], time_s=time_s)
            case "hold":
                return Linear(start=self._start("at"), end=self._start("at"), time_s=time_s)
            case "s_shaped":
                return SShaped(
                    start=self._start(),
                    end=plain["end"],
                    rate_per_s=plain["rate_per_s"],
                    acceleration_per_s2=plain["acceleration_per_s2"],
                    jerk_per_s3=plain["jerk_per_s3"],
                )
            case "staircase":
                return Staircase(
                    start=self._start(),
                    end=plain["end"],
                    levels=plain["levels"],
                    hold_s=plain["hold_s"],
                    ramp_s=plain.get("ramp_s", 0.0),
                )
            case _:
                return Sine(
                    offset=self._start("offset"),
                    amplitude=plain["amplitude"],
                    period_s=plain["period_s"],
                    cycles=plain.get("cycles", 1.0),
                )


def _small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:] if sentence[1:2].islower() or sentence[1:2] == " " else sentence
