"""The player: one move a frame, points opened and closed once each, holding and restoring, errors passed up."""

import math

import pytest

from benchd.live.player import NOWHERE, Place, Player
from benchd.live.setpoints import SetPoints
from benchd.rules.frames import Frame
from benchd.rules.moves import Move, Point, Role, Torque, Voltage

from .parts import SLOPES, run_plan

FRAME = Frame(0.0, {})
HELD = {Role.LOAD_DRIVE: Torque(0.0, 100.0)}


def move(voltage_v: float, *, point: int | None = None, notes: tuple[str, ...] = (), capture_s: float = 0.0) -> Move:
    return Move(
        targets={Role.SUPPLY: Voltage(voltage_v, 1.0)},
        doing=f"at {voltage_v:g} V",
        point=None if point is None else Point(number=point, direction="", asked={"voltage_v": voltage_v}),
        notes=notes,
        capture_s=capture_s,
    )


class Scripted:
    """A test that yields the given moves; an exception among them is raised."""

    def __init__(self, *moves, title: str = "scripted", energised: bool = True) -> None:
        self.title = title
        self.energised = energised
        self._moves = moves
        self.began_at = None
        self.frames: list[Frame] = []

    def moves(self, at):
        self.began_at = dict(at)
        for each in self._moves:
            if isinstance(each, Exception):
                raise each
            self.frames.append((yield each))

    def held(self, targets):
        return HELD


class Playing:
    def __init__(self, *tests: Scripted, energised: bool = True) -> None:
        self.events: list[tuple[str, dict]] = []
        self.setpoints = SetPoints(SLOPES)
        self.setpoints.open(run_plan())
        self.captures: list[tuple[int, int, float]] = []
        self.player = Player(
            tests,
            self.setpoints,
            on_event=lambda name, **fields: self.events.append((name, fields)),
            on_capture=lambda test, point, seconds: self.captures.append((test, point, seconds)),
            energised=energised,
        )
        self.player.play()

    def frames(self, count: int) -> list[Place]:
        return [self.player.frame(FRAME) for _ in range(count)]

    def names(self) -> list[str]:
        return [name for name, _ in self.events]


def test_tests_follow_each_other_and_the_last_one_ends_the_player() -> None:
    first, second = Scripted(move(1.0), move(2.0)), Scripted(move(3.0))
    playing = Playing(first, second)
    playing.frames(2)
    assert playing.setpoints.targets[Role.SUPPLY] == Voltage(2.0, 1.0)
    playing.frames(1)
    assert playing.setpoints.targets[Role.SUPPLY] == Voltage(3.0, 1.0)
    assert second.began_at[Role.SUPPLY] == Voltage(2.0, 1.0)  # from the targets in force, not from zero
    assert not playing.player.finished.is_set()
    playing.frames(1)
    assert playing.player.finished.is_set()
    assert playing.names() == ["test_started", "test_ended", "test_started", "test_ended"]
    assert playing.frames(1) == [NOWHERE]


def test_a_frame_belongs_to_the_point_that_was_in_force_when_it_was_taken() -> None:
    playing = Playing(Scripted(move(1.0), move(1.0, point=0), move(1.0, point=0), move(2.0), move(2.0, point=1)))
    places = playing.frames(6)
    assert [place.point for place in places] == [-1, -1, 0, 0, -1, 1]
    assert playing.names().count("point_started") == 2
    assert playing.names().count("point_ended") == 2


def test_notes_become_deviations_in_the_record() -> None:
    playing = Playing(Scripted(move(1.0, notes=("never settled",)), move(1.0)))
    playing.frames(2)
    assert [fields["sentence"] for name, fields in playing.events if name == "deviation"] == ["never settled"]


def test_held_asks_what_the_test_says_and_restore_asks_again_for_what_was_played() -> None:
    script = Scripted(
        Move(targets={Role.LOAD_DRIVE: Torque(0.5, 100.0)}, doing="loaded"),
        Move(targets={Role.LOAD_DRIVE: Torque(0.6, 100.0)}, doing="loaded more"),
    )
    playing = Playing(script)
    playing.frames(1)
    playing.player.hold()
    assert playing.setpoints.targets[Role.LOAD_DRIVE] == Torque(0.0, 100.0)
    assert playing.frames(3) == [NOWHERE] * 3
    assert script.frames == []  # the test saw nothing of it
    playing.player.restore()
    assert playing.setpoints.targets[Role.LOAD_DRIVE] == Torque(0.5, 100.0)
    playing.player.play()
    playing.frames(1)
    assert playing.setpoints.targets[Role.LOAD_DRIVE] == Torque(0.6, 100.0)


def test_stop_ends_the_point_and_leaves_the_targets() -> None:
    playing = Playing(Scripted(move(1.0, point=0), move(2.0, point=0)))
    playing.frames(1)
    playing.player.stop()
    assert playing.frames(1) == [NOWHERE]
    assert playing.names()[-1] == "point_ended"
    assert playing.setpoints.targets[Role.SUPPLY] == Voltage(1.0, 1.0)


@pytest.mark.parametrize("script", [Scripted(ZeroDivisionError()), Scripted(), Scripted(move(math.nan))])
def test_a_test_with_a_defect_raises_and_asks_for_nothing(script: Scripted) -> None:
    playing = Playing(script)
    before = playing.setpoints.targets
    with pytest.raises((ZeroDivisionError, StopIteration, ValueError)):
        playing.frames(1)
    assert playing.setpoints.targets == before


def test_no_tests_end_at_once() -> None:
    playing = Playing()
    playing.frames(1)
    assert playing.player.finished.is_set()


def test_before_the_first_test_that_needs_energy_it_waits_until_there_is_some() -> None:
    measured, turning = Scripted(move(0.0), title="measured", energised=False), Scripted(move(1.0), title="turning")
    playing = Playing(measured, turning, energised=False)
    playing.frames(3)
    assert playing.player.wants_energy.is_set()
    assert playing.names() == ["test_started", "test_ended"]
    assert playing.frames(5) == [NOWHERE] * 5
    assert turning.began_at is None
    playing.player.energise()
    playing.frames(2)
    assert playing.names() == ["test_started", "test_ended", "test_started", "test_ended"]
    assert playing.player.finished.is_set()


def test_held_while_it_waits_it_asks_for_nothing() -> None:
    playing = Playing(Scripted(move(0.0), energised=False), Scripted(move(1.0)), energised=False)
    playing.frames(2)
    before = playing.setpoints.targets
    playing.player.hold()
    playing.player.restore()
    assert playing.setpoints.targets == before


def test_waveforms_are_asked_for_once_when_a_point_that_wants_them_begins() -> None:
    wanted, plain = move(1.0, point=0, capture_s=0.5), move(1.0, point=1)
    playing = Playing(Scripted(move(1.0), wanted, wanted, plain, move(1.0, point=2, capture_s=0.2)))
    playing.frames(6)
    assert playing.captures == [(0, 0, 0.5), (0, 2, 0.2)]
