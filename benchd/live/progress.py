"""Where a run is now, as a log line's fields. Values only; it changes nothing."""

from benchd.live.intake import Intake
from benchd.live.player import Player
from benchd.rules.states import State


def progress(state: State, player: Player | None, intake: Intake, *, missed: int) -> dict[str, object]:
    """State, what the test is doing, how far it is, every channel's latest value, and ticks missed so far."""
    return {
        "state": state.title,
        "doing": "" if player is None else player.doing,
        "done_ratio": 0.0 if player is None else player.done_ratio,
        "channels": {name: sample.value for name, sample in intake.samples.items()},
        "missed_ticks": missed,
    }
