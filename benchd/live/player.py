"""Plays a run's tests: feeds frames to their generators and passes on what they ask for. It speaks to no device."""

import asyncio
import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from benchd.live.setpoints import SetPoints
from benchd.rules.frames import Frame
from benchd.rules.moves import Move, Point, Role, Target


class PlayedTest(Protocol):
    """One test of a run, ready to be played from given targets."""

    @property
    def title(self) -> str:
        """Its name for people."""

    @property
    def energised(self) -> bool:
        """Whether supply and drives must be enabled for it."""

    def moves(self, at: Mapping[Role, Target]) -> "Moves":
        """A fresh generator that starts from the targets in force."""

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        """What to hold instead of these targets while the bench is Held."""


class Moves(Protocol):
    """What a test's generator must offer."""

    def __next__(self) -> Move:
        """The first move."""

    def send(self, frame: Frame, /) -> Move:
        """The next move; raises StopIteration when the test is done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where in the run a frame belongs: the test's number and the point's, each -1 outside of one."""

    test: int = -1
    point: int = -1


NOWHERE = Place()


def misordered(tests: Sequence[PlayedTest]) -> str:
    """Why these tests cannot be played in this order, or ""."""
    energised = ""
    for test in tests:
        if test.energised:
            energised = test.title
        elif energised:
            return (
                f'The test "{test.title}" needs everything switched off, but it comes after "{energised}": '
                "put it before the tests that turn the shaft."
            )
    return ""


class Player:
    """Steps through the tests, one frame at a time. `finished` is set when the last one has ended.

    Before the first test that needs supply and drives it waits, with `wants_energy` set, until `energise` is called,
    unless they are `energised` from the start. `on_capture` is told of each operating point whose waveforms are wanted.
    Raises `ValueError` in one sentence for tests that cannot be played in this order.
    """

    def __init__(
        self,
        tests: Sequence[PlayedTest],
        setpoints: SetPoints,
        *,
        on_event: Callable[..., None],
        on_capture: Callable[[int, int, float], None] = lambda _test, _point, _seconds: None,
        energised: bool = True,
    ) -> None:
        if wrong := misordered(tests):
            raise ValueError(wrong)
        self._tests = tests
        self._setpoints = setpoints
        self._on_event = on_event
        self._on_capture = on_capture
        self._energised = energised
        self.wants_energy = asyncio.Event()
        self._number = -1
        self._moves: Moves | None = None
        self._point: Point | None = None
        self._asked: Mapping[Role, Target] = {}
        self.finished = asyncio.Event()
        self.playing = False
        self.doing = ""
        self.done_ratio = 0.0

    @property
    def number(self) -> int:
        """The present test, counted from 0; -1 before the first one."""
        return self._number

    def play(self) -> None:
        """Go on playing, from where it was held or from the start."""
        self.playing = True

    def energise(self) -> None:
        """Supply and drives are enabled: go on with the test that needs them."""
        self._energised = True
        self._asked = {}
        self.wants_energy.clear()

    def hold(self) -> None:
        """Hold: the test decides what its machines do meanwhile."""
        self.playing = False
        if self._waits:
            return
        if 0 <= self._number < len(self._tests):
            self._setpoints.ask(self._tests[self._number].held(self._setpoints.targets))

    def restore(self) -> None:
        """Ask again for what the test had asked for before it was held."""
        if self._asked and not self._waits:
            self._setpoints.ask(self._asked)

    @property
    def _waits(self) -> bool:
        """Between two tests, for supply and drives to be enabled."""
        return self.wants_energy.is_set()

    def stop(self) -> None:
        """Play nothing any more; targets stay as they are."""
        self.playing = False
        self._leave_point(whole=False)

    def frame(self, frame: Frame) -> Place:
        """Feed one frame; the place that this frame belongs to."""
        if not self.playing or self.finished.is_set() or self._waits:
            return NOWHERE
        place = Place(test=self._number, point=-1 if self._point is None else self._point.number)
        move = self._next(frame)
        if move is None:
            return place
        self._asked = move.targets
        self._setpoints.ask(move.targets)
        self.doing = move.doing
        self.done_ratio = move.done_ratio
        self._note(move)
        return place

    def _next(self, frame: Frame) -> Move | None:
        if self._moves is not None:
            try:
                return self._moves.send(frame)
            except StopIteration:
                self._moves = None
                self._leave_point()
                self._on_event("test_ended", test=self._number, title=self._tests[self._number].title)
        return self._begin()

    def _begin(self) -> Move | None:
        """The next test's first move; None where there is none or it must wait."""
        number = self._number + 1
        if number == len(self._tests):
            self.finished.set()
            return None
        test = self._tests[number]
        if test.energised and not self._energised:
            self.doing = "waiting for supply and drives to be enabled"
            self.wants_energy.set()
            return None
        if self._energised and not test.energised:
            raise ValueError(misordered(self._tests) or f'"{test.title}" needs everything switched off.')
        self._number = number
        self._on_event("test_started", test=number, title=test.title)
        self._moves = test.moves(self._setpoints.targets)
        return next(self._moves)

    def _note(self, move: Move) -> None:
        for sentence in move.notes:
            self._on_event("deviation", test=self._number, sentence=sentence)
        before = self._point
        if (before and before.number) != (move.point and move.point.number):
            self._leave_point()
            if move.point is not None:
                self._on_event("point_started", test=self._number, **dataclasses.asdict(move.point))
                if move.capture_s > 0.0:
                    self._on_capture(self._number, move.point.number, move.capture_s)
        self._point = move.point

    def _leave_point(self, *, whole: bool = True) -> None:
        if self._point is not None:
            self._on_event("point_ended", test=self._number, number=self._point.number, whole=whole)
            self._point = None
