"""What a bench for brushless motors has besides, one by one: converter, power analyser, resistance meter.

At the loaded point the supply gives about 500 W. What strikes in Execute beyond these rows is told in 106 and 110.
"""

from pathlib import Path

import pytest

from benchd.rules.states import State
from tests.live.twin_bench import BRUSHLESS
from tests.scenarios.brushless import SHORT, TORQUE_NM, Loaded
from tests.scenarios.one_fault import Row, Stage, played
from tests.scenarios.striking import wire

PUMP = Stage(
    kind=BRUSHLESS,
    programme=SHORT,
    short=SHORT,
    loaded_nm=0.95 * TORQUE_NM,
    tests=lambda: [Loaded(TORQUE_NM)],
)


def row(
    device: str,
    kind: str,
    at: State,
    *,
    within_s: float = 1.2,  # silence 0.5 s, then its promised safe time before the other one is let go
    joule: float = 450.0,
    words: str = "",
    ends: State = State.ABORTED,
) -> Row:
    return Row(
        breaks=f"{device} {kind}",
        strike=wire(device, kind),
        words=words or device,
        within_s=within_s,
        joule=joule,
        at=at,
        ends=frozenset({ends}),
        lines=60,
    )


ROWS = (
    row("motor_drive", "refuse", State.RESETTING, within_s=0.0, joule=0.0, ends=State.STOPPED),
    row("motor_drive", "refuse", State.STARTING),
    row("motor_drive", "refuse", State.HELD),
    row("motor_drive", "refuse", State.STOPPING),
    row("motor_drive", "garbage", State.EXECUTE),
    row("motor_drive", "wrong_transaction", State.EXECUTE),
    row("motor_drive", "duplicate_reply", State.EXECUTE),
    row("power_analyser", "nan", State.EXECUTE, joule=650.0, words="motor_current"),
    row("power_analyser", "refuse", State.EXECUTE, joule=650.0),
    row("resistance_meter", "refuse", State.EXECUTE),
)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_the_energy_goes_and_the_cause_is_named(tmp_path: Path, row: Row) -> None:
    seen = played(tmp_path, row, PUMP)
    assert seen.wrong == [], seen
