"""Plays a run's tests: feeds frames to their generators and passes on what they ask for. It speaks to no device."""

import asyncio
import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Protocol

from benchd.live.asking import Asking, Outcome
from benchd.live.setpoints import SetPoints
from benchd.live.targets import at_zero
from benchd.rules.frames import Frame
from benchd.rules.moves import Ask, CannotGoOn, Meanwhile, Move, Point, Regulated, Role, Target, Unanswered


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

    def __next__(self) -> Move | Ask:
        """The first move."""

    def send(self, frame: Frame, /) -> Move | Ask:
        """The next move; raises StopIteration when the test is done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where in the run a frame belongs: the test's number and the point's, each -1 outside of one."""

    test: int = -1
    point: int = -1


NOWHERE = Place()
NO_CONFIRMATIONS: Mapping[int, Ask] = MappingProxyType({})


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
    `confirmations` are asked before the test of that number begins, those up to `confirmed` have been. While a question
    is open nothing new is energised; without `attended` a question ends the run. `must_end` says why it must not go on,
    "" where it may: it is asked with every frame, also while the run is held.
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
        asking: Asking | None = None,
        attended: bool = False,
        confirmations: Mapping[int, Ask] = NO_CONFIRMATIONS,
        confirmed: int = -1,
        must_end: Callable[[], str] = lambda: "",
    ) -> None:
        if wrong := misordered(tests):
            raise ValueError(wrong)
        self._tests = tests
        self._setpoints = setpoints
        self._on_event = on_event
        self._on_capture = on_capture
        self._energised = energised
        self._asking = Asking(on_event=on_event) if asking is None else asking
        self._attended = attended
        self._confirmations = confirmations
        self._confirmed = confirmed
        self._must_end = must_end
        self._ask: Ask | None = None  # open, or answered and not gone on from yet
        self.wants_energy = asyncio.Event()
        self._number = -1
        self._moves: Moves | None = None
        self._point: Point | None = None
        self._asked: Mapping[Role, Target] = {}
        self._regulated: Mapping[Role, Regulated] = {}
        self.finished = asyncio.Event()
        self.playing = False
        self.doing = ""
        self.done_ratio = 0.0
        self._resumes = False  # the next frame is the first one after a pause
        self.dwell_s = 0.0  # for so long nothing changes, by the last move

    @property
    def number(self) -> int:
        """The present test, counted from 0; -1 before the first one."""
        return self._number

    @property
    def regulated(self) -> Mapping[Role, Regulated]:
        """The channels that the test wants held just now; none while it is not played."""
        return self._regulated if self.playing and self._ask is None and not self._waits else {}

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
        self._resumes = True
        if self._waits or self._rests:
            return
        if 0 <= self._number < len(self._tests):
            self._setpoints.ask(self._tests[self._number].held(self._setpoints.targets))

    def restore(self) -> None:
        """Ask again for what the test had asked for before it was held."""
        if self._asked and not self._waits and not self._rests:
            self._setpoints.ask(self._asked)

    @property
    def _waits(self) -> bool:
        """Between two tests, for supply and drives to be enabled."""
        return self.wants_energy.is_set()

    @property
    def _rests(self) -> bool:
        """Brought to rest, for the operator to answer."""
        return self._ask is not None and self._ask.meanwhile is Meanwhile.REST

    def stop(self) -> None:
        """Play nothing any more; targets stay as they are."""
        self.playing = False
        self._must_end = lambda: ""
        self._leave_point(whole=False)

    def frame(self, frame: Frame) -> Place:
        """Feed one frame; the place that this frame belongs to."""
        if sentence := self._must_end():
            raise CannotGoOn(sentence)
        if self._ask is not None:
            return self._listen(self._ask, frame)
        if not self.playing or self.finished.is_set() or self._waits:
            return NOWHERE
        place = Place(test=self._number, point=-1 if self._point is None else self._point.number)
        self._obey(self._next(frame))
        return place

    def _obey(self, move: Move | Ask | None) -> None:
        if move is None:
            return
        if isinstance(move, Ask):
            self._put(move, number=self._number)
            return
        self._asked = move.targets
        self._regulated = move.regulated
        self._setpoints.ask(move.targets)
        self.doing = move.doing
        self.done_ratio = move.done_ratio
        self.dwell_s = move.dwell_s
        self._note(move)

    # questions

    def _put(self, ask: Ask, *, number: int) -> None:
        """Ask the operator; nothing is asked of the devices but rest, where the question says so."""
        title = self._tests[number].title
        if not self._attended:
            raise CannotGoOn(f'"{title}" asks the operator ("{ask.text}"), and nobody attends this programme.')
        self._leave_point()
        self._ask, self._resumes, self.dwell_s = ask, True, 0.0
        if ask.meanwhile is Meanwhile.REST:
            self._setpoints.ask({role: at_zero(target) for role, target in self._setpoints.targets.items()})
        self.doing = "waiting for the operator's answer"
        self._asking.put(ask, test=number, title=title)

    def _listen(self, ask: Ask, frame: Frame) -> Place:
        """One frame while a question is open. Its time runs on while the bench is Held."""
        place = Place(test=self._number) if self.playing and self._moves is not None else NOWHERE
        self._asking.expire()
        outcome = self._asking.outcome
        if outcome is None:
            return place
        if outcome.sentence and (ask.unanswered is Unanswered.END_RUN or self._moves is None):
            self._ask = None
            raise CannotGoOn(outcome.sentence)
        if self.playing and (ask.meanwhile is Meanwhile.STAY or self._setpoints.arrived):
            self._asking.take()
            self._ask = None
            self._obey(self._go_on(outcome, frame))
        return place

    def _go_on(self, outcome: Outcome, frame: Frame) -> Move | Ask | None:
        if self._moves is None:
            self._confirmed = self._number + 1
            return self._begin()
        if not outcome.sentence:
            return self._next(replace(frame, answer=outcome.answer))
        self._moves = None
        self._on_event("deviation", test=self._number, sentence=f"{outcome.sentence} The test ended there.")
        self._on_event("test_ended", test=self._number, title=self._tests[self._number].title)
        return self._begin()

    # tests

    def _next(self, frame: Frame) -> Move | Ask | None:
        if self._resumes:
            self._resumes, frame = False, replace(frame, resumed=True)
        if self._moves is not None:
            try:
                return self._moves.send(frame)
            except StopIteration:
                self._moves = None
                self._leave_point()
                self._on_event("test_ended", test=self._number, title=self._tests[self._number].title)
        return self._begin()

    def _begin(self) -> Move | Ask | None:
        """The next test's first move; None where there is none or it must wait."""
        number = self._number + 1
        if number == len(self._tests):
            self.finished.set()
            return None
        test = self._tests[number]
        ask = self._confirmations.get(number)
        if ask is not None and number > self._confirmed:
            self._put(ask, number=number)
            return None
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
