"""Questions to the operator: open once, answered once, never by themselves; and what the player does around them."""

import asyncio

import pytest

from benchd.live.asking import Asking, NoSuchAnswer, NoSuchQuestion
from benchd.live.player import NOWHERE, Place, Player
from benchd.live.setpoints import SetPoints
from benchd.rules.frames import Frame
from benchd.rules.moves import Ask, CannotGoOn, Meanwhile, Move, Point, Role, Torque, Unanswered, Voltage

from .parts import SLOPES, run_plan

pytestmark = pytest.mark.virtual_time

ASK = Ask(text="Is the rotor locked?", answers=("yes", "no"), within_s=60.0)
CONFIRM = Ask(text="Is the guard closed?", answers=("yes", "no"), ending=("no",), within_s=60.0)
LOADED = {Role.SUPPLY: Voltage(12.0, 8.0), Role.LOAD_DRIVE: Torque(0.3, 1000.0)}
RESTING = {Role.SUPPLY: Voltage(0.0, 8.0), Role.LOAD_DRIVE: Torque(0.0, 1000.0)}


def loaded(*, point: int | None = None) -> Move:
    at = None if point is None else Point(number=point, direction="", asked={})
    return Move(targets=LOADED, doing="loaded", point=at)


class Scripted:
    """A test that yields what it is given; keeps what it is sent."""

    energised = True

    def __init__(self, *moves: Move | Ask, title: str = "scripted") -> None:
        self.title = title
        self._moves = moves
        self.began = False
        self.sent: list[str] = []

    def moves(self, at):
        self.began = True
        for each in self._moves:
            frame = yield each
            self.sent.append(frame.answer)

    def held(self, targets):
        return {Role.LOAD_DRIVE: Torque(0.0, 1000.0)}


class Playing:
    """A player on set-points that move, a tick at a time."""

    def __init__(
        self,
        *tests: Scripted,
        attended: bool = True,
        confirmations: dict[int, Ask] | None = None,
        energised: bool = True,
    ) -> None:
        self.events: list[tuple[str, dict]] = []
        self.setpoints = SetPoints(SLOPES)
        self.setpoints.open(run_plan())
        self.asking = Asking(on_event=self.event)
        self.player = Player(
            tests,
            self.setpoints,
            on_event=self.event,
            asking=self.asking,
            energised=energised,
            attended=attended,
            confirmations=confirmations or {},
        )
        self.player.play()

    def event(self, name: str, **fields) -> None:
        self.events.append((name, fields))

    def told(self, event: str) -> list[dict]:
        return [fields for name, fields in self.events if name == event]

    async def ticks(self, seconds: float) -> list[Place]:
        places = []
        for _ in range(round(seconds * 100.0)):
            await asyncio.sleep(0.01)
            places.append(self.player.frame(Frame(asyncio.get_running_loop().time(), {})))
            self.setpoints.advance(0.01)
        return places

    def answer(self, choice: str, *, by: str = "ines") -> None:
        assert self.asking.question is not None
        self.asking.answer(self.asking.question.id, choice, by=by)


async def test_a_test_that_asks_is_sent_nothing_until_the_answer_comes_with_a_frame() -> None:
    script = Scripted(loaded(), ASK, loaded())
    playing = Playing(script)
    await playing.ticks(5.0)
    assert script.sent == [""]
    playing.answer("yes")
    await playing.ticks(0.05)
    assert script.sent[:2] == ["", "yes"]
    (asked,) = playing.told("asked")
    assert (asked["text"], asked["answers"], asked["within_s"]) == (ASK.text, ["yes", "no"], 60.0)
    (answered,) = playing.told("answered")
    assert (answered["question"], answered["answer"], answered["by"]) == (asked["question"], "yes", "ines")
    assert answered["after_s"] == pytest.approx(5.0, abs=0.05)


async def test_while_a_question_is_open_everything_comes_to_rest_or_stays_as_the_test_declares() -> None:
    resting = Playing(Scripted(loaded(), ASK))
    await resting.ticks(3.0)
    assert resting.setpoints.targets == RESTING
    assert resting.setpoints.arrived
    staying = Playing(Scripted(loaded(), Ask(**{**SOUND, "meanwhile": Meanwhile.STAY})))
    await staying.ticks(3.0)
    assert staying.setpoints.targets == LOADED


SOUND = {"text": "Change the torque range.", "answers": ("changed",), "within_s": 60.0}


async def test_an_answer_that_comes_at_once_is_gone_on_from_only_at_rest() -> None:
    script = Scripted(loaded(), *[loaded()] * 200, ASK, loaded())
    playing = Playing(script)
    await playing.ticks(2.2)
    playing.answer("yes")
    await playing.ticks(0.1)
    assert "yes" not in script.sent
    assert not playing.setpoints.arrived
    await playing.ticks(2.0)  # 12 V at 12 V/s
    assert script.sent[-1] in {"yes", ""}
    assert "yes" in script.sent


async def test_a_frame_of_an_open_question_belongs_to_no_point() -> None:
    playing = Playing(Scripted(loaded(point=0), loaded(point=0), ASK))
    places = await playing.ticks(0.2)
    assert [place.point for place in places[:3]] == [-1, 0, 0]
    assert set(places[3:]) == {Place(test=0)}
    assert playing.told("point_ended")


async def test_nobody_answers_and_the_run_ends_with_the_question_as_its_cause_and_never_with_a_yes() -> None:
    script = Scripted(loaded(), ASK, loaded())
    playing = Playing(script)
    with pytest.raises(CannotGoOn, match=r'Nobody answered "Is the rotor locked\?" \(scripted\) within 60 s'):
        await playing.ticks(61.0)
    assert script.sent == [""]
    assert playing.told("unanswered")
    assert playing.asking.question is None


async def test_a_question_runs_out_while_the_run_is_held_too() -> None:
    playing = Playing(Scripted(loaded(), ASK))
    await playing.ticks(1.0)
    playing.player.hold()
    with pytest.raises(CannotGoOn, match="Nobody answered"):
        await playing.ticks(61.0)


async def test_held_with_a_question_open_nothing_moves_and_an_answer_waits_for_unhold() -> None:
    script = Scripted(loaded(), ASK, loaded())
    playing = Playing(script)
    await playing.ticks(3.0)
    playing.player.hold()
    playing.answer("yes")
    await playing.ticks(1.0)
    assert "yes" not in script.sent
    playing.player.restore()
    assert playing.setpoints.targets == RESTING
    playing.player.play()
    await playing.ticks(0.1)
    assert "yes" in script.sent


async def test_a_test_may_end_instead_of_the_run_and_says_so() -> None:
    ask = Ask(**{**SOUND, "unanswered": Unanswered.END_TEST})
    second = Scripted(loaded(), title="second")
    first = Scripted(loaded(), ask, loaded())
    playing = Playing(first, second)
    await playing.ticks(65.0)
    assert first.sent == [""]
    assert second.began
    assert playing.player.finished.is_set()
    assert "Nobody answered" in playing.told("deviation")[0]["sentence"]
    assert len(playing.told("test_ended")) == 2


async def test_an_answer_that_ends_it_is_a_cause_with_who_said_it() -> None:
    script = Scripted(loaded(), Ask(**{**SOUND, "answers": ("done", "not possible"), "ending": ("not possible",)}))
    playing = Playing(script)
    await playing.ticks(3.0)
    playing.answer("not possible")
    with pytest.raises(CannotGoOn, match=r'ines answered "not possible" to "Change the torque range\."'):
        await playing.ticks(0.1)


async def test_what_a_test_wants_confirmed_is_asked_before_it_begins() -> None:
    first, second = Scripted(loaded(), title="first"), Scripted(loaded(), title="second")
    playing = Playing(first, second, confirmations={1: CONFIRM})
    places = await playing.ticks(5.0)
    assert playing.told("asked")[0]["title"] == "second"
    assert not second.began
    assert playing.setpoints.targets == RESTING
    assert set(places[2:]) == {NOWHERE}
    playing.answer("yes")
    await playing.ticks(0.1)
    assert second.began
    assert [name for name, _ in playing.events] == [
        *("test_started", "test_ended", "asked", "answered", "test_started", "test_ended")
    ]


async def test_what_is_confirmed_after_tests_with_nothing_energised_is_asked_before_anything_is() -> None:
    measured, turning = Scripted(loaded(), title="measured"), Scripted(loaded(), title="turning")
    measured.energised = False
    playing = Playing(measured, turning, confirmations={1: CONFIRM}, energised=False)
    await playing.ticks(3.0)
    assert playing.told("asked")
    assert not playing.player.wants_energy.is_set()
    playing.answer("yes")
    await playing.ticks(0.1)
    assert playing.player.wants_energy.is_set()
    playing.player.energise()
    await playing.ticks(0.1)
    assert turning.began


@pytest.mark.parametrize("answer", ["no", None])
async def test_what_is_not_confirmed_does_not_begin(answer: str | None) -> None:
    test = Scripted(loaded())
    playing = Playing(test, confirmations={0: CONFIRM})
    await playing.ticks(1.0)
    if answer is not None:
        playing.answer(answer)
    with pytest.raises(CannotGoOn):
        await playing.ticks(61.0)
    assert not test.began


@pytest.mark.parametrize("confirmations", [{0: CONFIRM}, {}])
async def test_a_question_in_a_run_that_nobody_attends_ends_it_at_once(confirmations: dict[int, Ask]) -> None:
    playing = Playing(Scripted(ASK), attended=False, confirmations=confirmations)
    with pytest.raises(CannotGoOn, match="nobody attends this programme"):
        await playing.ticks(0.1)
    assert not playing.told("asked")


# one question, one answer


async def opened() -> tuple[Asking, str]:
    asking = Asking(on_event=lambda _name, **_fields: None)
    return asking, asking.put(ASK, test=0, title="locked rotor").id


async def test_a_second_answer_is_told_who_answered_first() -> None:
    asking, id_ = await opened()
    asking.answer(id_, "yes", by="ines")
    with pytest.raises(NoSuchQuestion, match=f'^The question {id_} was answered "yes" by ines already\\.$'):
        asking.answer(id_, "no", by="otto")
    assert asking.take() is not None
    assert asking.take() is None


async def test_a_late_answer_is_told_so_and_changes_nothing() -> None:
    asking, id_ = await opened()
    await asyncio.sleep(60.0)
    with pytest.raises(NoSuchQuestion, match=f"^The question {id_} was not answered within 60 s and is closed\\.$"):
        asking.answer(id_, "yes", by="ines")
    outcome = asking.take()
    assert outcome is not None
    assert outcome.answer == ""
    assert "Nobody answered" in outcome.sentence


async def test_an_answer_after_the_run_has_ended_is_told_so() -> None:
    asking, id_ = await opened()
    asking.close("the run ends")
    with pytest.raises(NoSuchQuestion, match=f"^The question {id_} is closed: the run ends\\.$"):
        asking.answer(id_, "yes", by="ines")
    assert asking.take() is None


async def test_an_answer_to_another_question_or_to_none_is_told_which_is_open() -> None:
    asking, id_ = await opened()
    with pytest.raises(NoSuchQuestion, match=f"^There is no question abc-1: open is {id_}\\.$"):
        asking.answer("abc-1", "yes", by="ines")
    asking.close("the run ends")
    with pytest.raises(NoSuchQuestion, match=r"^There is no question abc-1: nothing is asked just now\.$"):
        asking.answer("abc-1", "yes", by="ines")


async def test_a_word_that_is_no_answer_leaves_the_question_open() -> None:
    asking, id_ = await opened()
    with pytest.raises(NoSuchAnswer, match=r'^"maybe" is no answer to "Is the rotor locked\?": choose yes or no\.$'):
        asking.answer(id_, "maybe", by="ines")
    assert asking.question is not None
    asking.answer(id_, "yes", by="ines")


async def test_questions_of_two_daemons_never_share_an_identifier() -> None:
    assert len({(await opened())[1] for _ in range(50)}) == 50
