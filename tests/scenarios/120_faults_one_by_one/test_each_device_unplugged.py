"""Each device of a bench is unplugged in each state: whatever it was, the energy goes and the device is named.

Energy: the supply gives about 16 W at the loaded point. It gives more for a while only where it is the supply that is
unplugged, which nobody can switch off before the chain opens, and the load drive brakes against it.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchd.rules.states import State
from tests.scenarios.one_fault import Row, played
from tests.scenarios.striking import wire

STATES = (State.RESETTING, State.STARTING, State.EXECUTE, State.HELD, State.COMPLETING, State.STOPPING)
ORDINARY_STOP_S = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """What must come of a device that is gone; `missed` where a stop can do without it."""

    within_s: float
    joule: float
    missed: bool = True
    refused_at_start: bool = False


DEVICES = {
    "supply": Lost(within_s=1.2, joule=50.0),  # silence 0.5 s, its promised safe time 0.5 s, then the permit
    "sink": Lost(within_s=1.0, joule=15.0),
    "measuring_unit": Lost(within_s=1.0, joule=15.0),
    "load_drive": Lost(within_s=0.8, joule=15.0),
    "safety_chain": Lost(within_s=0.7, joule=15.0, refused_at_start=True),
    # temperatures move slowly and are polled slowly: 3 s and 5 s by the bench file, then a ramp down
    "thermometers": Lost(within_s=5.0, joule=80.0, missed=False),
    "cabinet_thermometers": Lost(within_s=7.0, joule=120.0, missed=False, refused_at_start=True),
}


def rows() -> Iterator[Row]:
    for device, lost in DEVICES.items():
        for state in STATES:
            ends, words = {State.ABORTED}, device
            if state is State.RESETTING or (state is State.STARTING and lost.refused_at_start):
                ends = {State.STOPPED}
            elif not lost.missed and state in {State.COMPLETING, State.STOPPING}:
                ends, words = {State.COMPLETE, State.STOPPED}, ""
            yield Row(
                breaks=f"{device} unplugged",
                strike=wire(device, "refuse"),
                words=words,
                within_s=ORDINARY_STOP_S if not words else lost.within_s,
                joule=lost.joule if state is not State.RESETTING else 0.0,
                at=state,
                ends=frozenset(ends),
            )


@pytest.mark.parametrize("row", list(rows()), ids=lambda row: row.name)
def test_the_energy_goes_and_the_device_is_named(tmp_path: Path, row: Row) -> None:
    seen = played(tmp_path, row)
    assert seen.wrong == [], seen
