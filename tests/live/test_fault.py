"""The fault record: every reading about the first cause, kept beside the tick; nobody waits for its last seconds."""

import asyncio
import math
from pathlib import Path

import pytest

from benchd.live.causes import Cause
from benchd.live.fault_ring import FaultRing, set_point_series
from benchd.live.setpoints import SetPoints
from benchd.records import read_ending, read_events, read_fault, read_samples, verify
from benchd.rules.channels import Quality
from benchd.rules.frames import Sample
from benchd.rules.limits import Reaction
from benchd.rules.moves import Role, Speed, Torque
from benchd.rules.states import Command, State
from benchd_rig.safety_chain import Button

from .parts import SLOPES, run_plan
from .twin_bench import OnTwin, running

pytestmark = pytest.mark.virtual_time


def the_folder(data: Path) -> Path:
    (folder,) = data.glob("order=*/serial=*/*")
    return folder


def trip(bench: OnTwin) -> None:
    bench.rig.set_plant_fault("transducer_offset_nm", 1.9)


class Listening:
    """What every poll brought, by channel, the computed ones too: taken down beside the live room."""

    def __init__(self, bench: OnTwin) -> None:
        self.taken: dict[str, list[tuple[float, float, int]]] = {}
        arrived = bench.live.intake.arrived

        def listen(ref, reading):
            before = dict(bench.live.intake.samples)
            arrived(ref, reading)
            for name, sample in bench.live.intake.samples.items():
                if sample is not before[name]:
                    told = self.taken.setdefault(name, [])
                    told.append((sample.taken_mono_s, sample.value, int(sample.quality)))

        bench.live.intake.arrived = listen


async def tripped(bench: OnTwin) -> float:
    """A loaded shaft, tripped; when, s."""
    await bench.start()
    await bench.until(lambda: bench.truth.shaft_torque_nm > 0.08, "the loaded point")
    trip(bench)
    await bench.until(lambda: bool(bench.told("crossed")), "the trip")
    return asyncio.get_running_loop().time()


async def test_every_reading_of_every_channel_is_there_as_it_arrived(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        heard = Listening(bench)
        trip_s = await tripped(bench)
        assert await bench.settle() is State.ABORTED
        await bench.live.recording.quiet()
        ended_s = asyncio.get_running_loop().time()
    assert ended_s == pytest.approx(trip_s + 5.0, abs=0.05)
    folder = the_folder(tmp_path / "data")
    found = read_fault(folder)
    assert found is not None
    assert found.damage == ""
    assert found.whole
    assert found.trip_mono_s == pytest.approx(trip_s, abs=0.002)
    assert (found.from_mono_s, found.until_mono_s) == (found.trip_mono_s - 2.0, found.trip_mono_s + 5.0)
    assert set(found.channels) == {channel.name for channel in bench.live.plan.channels}
    for name, series in found.channels.items():
        expected = [one for one in heard.taken.get(name, []) if found.from_mono_s <= one[0] <= found.until_mono_s]
        kept = list(zip(series.time_mono_s, series.value, series.quality, strict=True))
        assert len(kept) >= len(expected) - 1  # one may have been on its way when the time was over
        for one, other in zip(kept, expected, strict=False):
            assert one == other or (math.isnan(one[1]) and math.isnan(other[1])), name
    units = {channel.name: channel.unit for channel in bench.live.plan.channels}
    assert {name: series.unit for name, series in found.channels.items()} == units
    rate = {device.name: device.poll_hz for device in bench.live.plan.devices.values()}
    for channel in bench.live.plan.channels:
        if channel.device not in rate:
            continue  # computed from others
        assert found.channels[channel.name].value.size == pytest.approx(7.0 * rate[channel.device], rel=0.06, abs=2.0)
    assert verify(folder) == []


async def test_it_says_the_cause_with_its_limit_the_states_the_events_and_the_set_points(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        await tripped(bench)
        cause = bench.live.cause
        assert await bench.settle() is State.ABORTED
        await bench.live.recording.quiet()
    found = read_fault(the_folder(tmp_path / "data"))
    assert found is not None
    assert found.cause["cause"] == cause.sentence
    assert (found.cause["channel"], found.cause["bound"], found.cause["reaction"]) == ("shaft_torque", "high", "cut")
    assert found.cause["limit"] == pytest.approx(cause.limit.value)
    assert [State(number) for _, number in found.states] == [State.EXECUTE, State.ABORTING, State.ABORTED]
    assert found.states[1][0] >= found.trip_mono_s
    told = [event["event"] for event in found.events]
    for name in ("crossed", "tripped", "made_safe", "standstill"):
        assert name in told, name
    voltage = found.set_points["supply.voltage"]
    assert voltage.unit == "V"
    assert voltage.value[voltage.time_mono_s < found.trip_mono_s][-1] == pytest.approx(12.0)
    assert voltage.time_mono_s[0] == found.from_mono_s  # what was in force then
    assert voltage.quality[-1] == Quality.MISSING  # none is in force once the stop has begun
    torque = found.set_points["load_drive.torque"]
    assert torque.value[torque.time_mono_s < found.trip_mono_s][-1] > 0.04


async def test_aborted_clear_reset_and_the_next_start_do_not_wait_for_it(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        trip_s = await tripped(bench)
        loop = asyncio.get_running_loop()
        assert await bench.settle() is State.ABORTED
        assert loop.time() < trip_s + 3.0
        folder = the_folder(tmp_path / "data")
        ending = read_ending(folder)
        assert ending is not None  # how it ended is on the disk, the record is still being written
        assert ending["ending"] == "aborted"
        assert not (folder / "SHA256SUMS").exists()
        bench.rig.set_plant_fault("transducer_offset_nm", 0.0)
        assert await bench.command(Command.CLEAR) is State.STOPPED
        assert await bench.command(Command.RESET) is State.IDLE
        assert loop.time() < trip_s + 4.5
        assert not (folder / "SHA256SUMS").exists()
        bench.live.command(Command.START, because="the test")
        await bench.until(lambda: bench.state is State.EXECUTE, "Execute")
        assert (folder / "SHA256SUMS").exists()
        found = read_fault(folder)
        assert found is not None
        assert not found.whole
        assert found.until_mono_s < trip_s + 4.6
        assert State.RESETTING in [State(number) for _, number in found.states]
        assert verify(folder) == []
        await bench.settle()
    other = next(one for one in (tmp_path / "data").glob("order=*/serial=*/*") if one != folder)
    assert read_fault(other) is None
    assert verify(other) == []


async def test_a_daemon_that_ends_finishes_the_folder_at_once(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        trip_s = await tripped(bench)
        assert await bench.settle() is State.ABORTED
        loop = asyncio.get_running_loop()
        began_s = loop.time()
    assert loop.time() < began_s + 0.5
    folder = the_folder(tmp_path / "data")
    assert verify(folder) == []
    found = read_fault(folder)
    assert found is not None
    assert not found.whole
    assert found.until_mono_s == pytest.approx(began_s, abs=0.1)
    assert found.trip_mono_s == pytest.approx(trip_s, abs=0.002)


async def test_the_seconds_before_the_cause_are_on_the_disk_at_once(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        trip_s = await tripped(bench)
        await asyncio.sleep(0.02)  # a kill from now on leaves them
        found = read_fault(the_folder(tmp_path / "data"))
        assert found is not None
        speed = found.channels["shaft_speed"]
        assert speed.time_mono_s[0] == pytest.approx(trip_s - 2.0, abs=0.03)
        assert speed.time_mono_s[-1] == pytest.approx(trip_s, abs=0.05)
        await bench.settle()


async def test_a_second_cause_is_an_event_of_the_same_record(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        trip_s = await tripped(bench)
        await asyncio.sleep(0.05)
        bench.rig.safety_chain.press(Button("estop"))
        assert await bench.settle() is State.ABORTED
        await bench.live.recording.quiet()
    found = read_fault(the_folder(tmp_path / "data"))
    assert found is not None
    assert found.trip_mono_s == pytest.approx(trip_s, abs=0.002)
    assert found.cause["channel"] == "shaft_torque"
    assert any("emergency stop" in str(event.get("cause", "")) for event in found.events if event["event"] == "crossed")


async def test_a_run_that_did_not_trip_has_none_and_ends_at_once(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        await bench.start()
        assert await bench.settle() is State.COMPLETE
        folder = the_folder(tmp_path / "data")
        assert (folder / "SHA256SUMS").exists()
        assert read_fault(folder) is None


async def test_a_stop_that_is_asked_for_makes_none_and_a_trip_without_a_run_neither(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        await bench.start()
        await bench.turning()
        assert await bench.command(Command.STOP) is State.STOPPED
        bench.live.command(Command.RESET, because="the test")
        bench.live.command(Command.ABORT, because="the test")
        assert await bench.settle() is State.ABORTED
        assert read_fault(the_folder(tmp_path / "data")) is None


async def test_a_gentle_reaction_makes_one_too(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        await bench.start()
        await bench.turning()
        for mild in (Reaction.WARN, Reaction.HOLD):
            bench.live.trip(Cause(sentence=f"A cause to {mild.name.lower()}.", reaction=mild))
        await asyncio.sleep(1.0)
        assert read_fault(the_folder(tmp_path / "data")) is None
        bench.live.trip(Cause(sentence="A cause to ramp down.", reaction=Reaction.RAMP_DOWN))
        await bench.settle()
        await bench.live.recording.quiet()
    found = read_fault(the_folder(tmp_path / "data"))
    assert found is not None
    assert found.cause["reaction"] == "ramp_down"


async def test_events_after_the_end_are_in_the_log_and_frames_end_with_the_run(tmp_path: Path) -> None:
    async with running(tmp_path, record_in=tmp_path / "data") as bench:
        await tripped(bench)
        await bench.settle()
        aborted_s = asyncio.get_running_loop().time()
        await bench.live.recording.quiet()
    folder = the_folder(tmp_path / "data")
    states = [event["after"] for event in read_events(folder) if event["event"] == "state"]
    assert states[-1] == "Aborted"
    assert read_samples(folder).time_mono_s[-1] <= aborted_s


# the ring by itself


def test_the_ring_never_grows_and_keeps_the_newest() -> None:
    ring = FaultRing(["one", "two"], [], rows=1000)
    for number in range(2345):
        ring.take({"one": Sample(float(number), Quality.GOOD, number * 0.01)})
    rows = ring.copied()
    assert len(rows.value) == rows.count == 1000
    values = [rows.value[(rows.first + at) % 1000] for at in range(1000)]
    assert values == [float(number) for number in range(1345, 2345)]
    assert set(rows.series) == {0}


def test_a_sample_that_stands_is_not_taken_in_twice() -> None:
    ring = FaultRing(["one", "two"], [], rows=1000)
    samples = {"one": Sample(1.0, Quality.GOOD, 0.1), "two": Sample(math.nan, Quality.NOT_A_NUMBER, 0.1)}
    for _ in range(3):
        ring.take(samples)
    assert ring.copied().count == 2
    samples["one"] = Sample(1.0, Quality.GOOD, 0.2)  # the same number, read again
    ring.take(samples)
    assert ring.copied().count == 3


def test_a_drive_that_changes_from_torque_to_speed_has_no_torque_set_point_any_more() -> None:
    roles = [Role.LOAD_DRIVE]
    names = [name for name, _ in set_point_series(roles)]
    assert names == ["load_drive.torque", "load_drive.speed_limit", "load_drive.speed", "load_drive.torque_limit"]
    ring, setpoints = FaultRing([], roles, rows=1000), SetPoints(SLOPES)
    setpoints.open(run_plan())
    for at, target in enumerate((Torque(0.2, 900.0), Speed(300.0, 0.5))):
        setpoints.confirmed(Role.LOAD_DRIVE, target)
        ring.take_set_points(setpoints, float(at) * 0.1)
    setpoints.close()
    ring.take_set_points(setpoints, 0.3)
    rows = ring.copied()
    told = [(names[rows.series[at]], rows.value[at]) for at in range(rows.count)]
    assert told[:2] == [("load_drive.torque", 0.2), ("load_drive.speed_limit", 900.0)]
    assert [name for name, value in told[2:4] if math.isnan(value)] == ["load_drive.torque", "load_drive.speed_limit"]
    assert told[4:6] == [("load_drive.speed", 300.0), ("load_drive.torque_limit", 0.5)]
    assert [name for name, value in told[6:] if math.isnan(value)] == ["load_drive.speed", "load_drive.torque_limit"]
