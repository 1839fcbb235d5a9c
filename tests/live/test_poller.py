"""The poller over a real link: readings up, set-points down, nothing leaks out once they are closed."""

import asyncio
import contextlib
import math
from types import SimpleNamespace

import pytest

from benchd.contract import DeviceFault, LinkLost, OutOfRange, Refused, ReplyWrong, Supply, SupplyReading, Waveforms
from benchd.live.link import Link
from benchd.live.plan import DevicePlan
from benchd.live.poller import UNTAKEN_IN_A_ROW, Poller, sending
from benchd.live.setpoints import SetPoints
from benchd.rules.moves import Role, Speed, Torque, Voltage, Winding

from .parts import SLOPES, SUPPLY, run_plan

pytestmark = pytest.mark.virtual_time


class Output:
    """A supply whose calls take `takes_s` and fail as told; `written` is what reached the device, with its time."""

    def __init__(self) -> None:
        self.takes_s = 0.002
        self.read_error: Exception | None = None
        self.write_error: Exception | None = None
        self.written: list[tuple[float, float]] = []
        self.safe_at: float | None = None
        self.reads = 0

    async def __aenter__(self):
        return {"output": self}

    async def __aexit__(self, *_) -> None:
        return None

    async def reconnect(self) -> None:
        return None

    async def read(self) -> SupplyReading:
        self.reads += 1
        await asyncio.sleep(self.takes_s)
        if self.read_error is not None:
            raise self.read_error
        return SupplyReading(
            voltage_v=0.0, current_a=0.0, output_on=True, tripped=False, taken_mono_s=asyncio.get_running_loop().time()
        )

    async def set_voltage(self, voltage_v: float, *, current_limit_a: float) -> None:
        await asyncio.sleep(self.takes_s)
        if self.write_error is not None:
            raise self.write_error
        self.written.append((asyncio.get_running_loop().time(), voltage_v))

    async def make_safe(self) -> None:
        await asyncio.sleep(0.001)
        self.safe_at = asyncio.get_running_loop().time()


class Polled:
    def __init__(self, output: Output | None = None) -> None:
        self.output = output or Output()
        self.link = Link("supply", self.output, reply_time_s=0.2, safe_time_s=0.5, on_change=lambda _change: None)
        self.setpoints = SetPoints(SLOPES)
        self.readings: list = []
        self.refusals: list[str] = []
        self.broken: list[str] = []
        self.ports = {"output": Supply} | ({"second": Supply} if isinstance(self.output, TwoAxes) else {})
        self.poller = Poller(
            DevicePlan(name="supply", poll_hz=50.0, reply_time_s=0.2, safe_time_s=0.5, ports=self.ports),
            self.link,
            roles={Role.SUPPLY: SUPPLY},
            setpoints=self.setpoints,
            on_reading=lambda _ref, reading: self.readings.append(reading),
            on_refusal=lambda _ref, sentence: self.refusals.append(sentence),
            on_broken=lambda _ref, sentence: self.broken.append(sentence),
        )

    @contextlib.asynccontextmanager
    async def running(self, *, voltage_v: float | None = 12.0):
        if voltage_v is not None:
            self.setpoints.open(run_plan())
            self.setpoints.ask({Role.SUPPLY: Voltage(voltage_v, 5.0)})

        async def tick() -> None:
            while True:
                await asyncio.sleep(0.01)
                self.setpoints.advance(0.01)

        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(work) for work in (self.link.run(), tick())]
            await asyncio.sleep(0.01)
            tasks.append(group.create_task(self.poller.run()))
            try:
                yield
            finally:
                for task in tasks:
                    task.cancel()


async def test_every_poll_brings_a_reading_and_the_set_point_that_is_due() -> None:
    polled = Polled()
    async with polled.running():
        await asyncio.sleep(1.5)
    assert 70 <= len(polled.readings) <= 76
    volts = [value for _, value in polled.output.written]
    assert volts == sorted(volts)
    assert volts[-1] == 12.0
    assert volts.count(12.0) == 1  # once confirmed it is not sent again


@pytest.mark.parametrize("moment_s", [number * 0.001 for number in range(20)])
async def test_nothing_reaches_the_device_after_make_safe_whenever_it_comes(moment_s: float) -> None:
    polled = Polled()
    polled.output.takes_s = 0.007  # a set-point is in flight for a third of the time
    async with polled.running():
        await asyncio.sleep(0.2 + moment_s)
        polled.setpoints.close()
        await polled.link.make_safe("output")
        await asyncio.sleep(0.5)
    assert all(at < polled.output.safe_at for at, _ in polled.output.written)
    assert polled.refusals == []  # making way is no refusal


async def test_nothing_is_sent_while_set_points_are_closed() -> None:
    polled = Polled()
    async with polled.running(voltage_v=None):
        polled.setpoints.ask({Role.SUPPLY: Voltage(12.0, 5.0)})
        await asyncio.sleep(0.5)
    assert polled.output.written == []
    assert len(polled.readings) > 20


@pytest.mark.parametrize("error", [Refused("supply: no"), OutOfRange("supply: too much")])
async def test_a_refused_set_point_is_told_at_once(error: Exception) -> None:
    polled = Polled()
    polled.output.write_error = error
    async with polled.running():
        await asyncio.sleep(0.04)
    assert polled.refusals[0] == str(error)


@pytest.mark.parametrize("error", [ReplyWrong("reads back something else"), DeviceFault("trips"), ValueError("defect")])
async def test_a_device_that_never_confirms_a_set_point_is_told_though_its_readings_are_fine(error: Exception) -> None:
    polled = Polled()
    polled.output.write_error = error
    async with polled.running():
        await asyncio.sleep(0.5)
    assert polled.refusals
    assert str(error) in polled.refusals[0]
    assert len(polled.readings) > UNTAKEN_IN_A_ROW


async def test_one_lost_set_point_is_sent_again_and_told_to_nobody() -> None:
    polled = Polled()
    async with polled.running(voltage_v=0.1):
        polled.output.write_error = ReplyWrong("once")
        await asyncio.sleep(0.03)
        polled.output.write_error = None
        await asyncio.sleep(0.3)
    assert polled.refusals == []
    assert polled.output.written[-1][1] == 0.1


async def test_a_driver_with_a_defect_is_told_once_and_ends_nothing() -> None:
    polled = Polled()
    polled.output.read_error = ZeroDivisionError("a defect")
    async with polled.running():
        await asyncio.sleep(1.0)
        assert len(polled.broken) == 1
        assert "driver failed with ZeroDivisionError" in polled.broken[0]
        assert polled.poller.heard_mono_s == -math.inf
        polled.output.read_error = None
        await asyncio.sleep(0.2)
    assert polled.readings


async def test_a_lost_link_is_silence_and_nothing_is_sent_blindly() -> None:
    polled = Polled()
    async with polled.running():
        await asyncio.sleep(0.1)
        polled.output.read_error = LinkLost("gone")
        await asyncio.sleep(0.03)
        sent, heard_s = len(polled.output.written), polled.poller.heard_mono_s
        await asyncio.sleep(0.3)
        assert len(polled.output.written) == sent
        assert polled.poller.heard_mono_s == heard_s


class TwoAxes(Output):
    """A device with a second port, of which `second_error` is heard instead of readings."""

    def __init__(self) -> None:
        super().__init__()
        self.second_error: Exception | None = None

    async def __aenter__(self):
        return {"output": self, "second": SimpleNamespace(read=self.read_second)}

    async def read_second(self) -> SupplyReading:
        if self.second_error is not None:
            raise self.second_error
        return await self.read()


async def test_a_device_of_which_one_port_gives_no_reading_is_not_heard() -> None:
    polled = Polled(TwoAxes())
    async with polled.running():
        await asyncio.sleep(0.1)
        assert asyncio.get_running_loop().time() - polled.poller.heard_mono_s < 0.05
        polled.output.second_error = Refused("supply: the second output has no value")
        await asyncio.sleep(0.5)
        assert asyncio.get_running_loop().time() - polled.poller.heard_mono_s > 0.45
        assert "second output" in polled.poller.trouble


class Recorder:
    def __init__(self) -> None:
        self.calls: list = []

    def __getattr__(self, name):
        async def call(*args, **named):
            self.calls.append((name, args, named))

        return call


@pytest.mark.parametrize(
    ("target", "call"),
    [
        (Voltage(1.0, 2.0), ("set_voltage", (1.0,), {"current_limit_a": 2.0})),
        (Torque(1.0, 2.0), ("follow_torque", (1.0,), {"speed_limit_rpm": 2.0})),
        (Speed(1.0, 2.0), ("follow_speed", (1.0,), {"torque_limit_nm": 2.0})),
    ],
)
async def test_each_target_is_carried_by_its_own_call_with_its_bound(target, call) -> None:
    port = Recorder()
    await sending(target)(port)
    assert port.calls == [call]


@pytest.mark.parametrize(
    ("target", "before", "call"),
    [
        (Winding(0, 0.0), Winding(12, 0.0), ("disconnect", (), {})),
        (Winding(0, 0.0), None, ("disconnect", (), {})),
        (Winding(12, 0.0), Winding(0, 0.0), ("connect", (12,), {})),
        (Winding(23, 0.0), Winding(12, 0.0), ("connect", (23,), {})),
        (Winding(12, 1.5), Winding(12, 0.0), ("set_current", (1.5,), {})),
        (Winding(12, 0.0), Winding(12, 1.5), ("set_current", (0.0,), {})),
    ],
)
async def test_a_winding_is_connected_and_fed_by_calls_of_their_own(target, before, call) -> None:
    port = Recorder()
    await sending(target, before=before)(port)
    assert port.calls == [call]


@pytest.mark.parametrize("before", [None, Winding(0, 0.0), Winding(23, 0.0)])
async def test_no_pair_is_ever_connected_for_a_target_with_current(before) -> None:
    with pytest.raises(ValueError, match="nothing was sent"):
        sending(Winding(12, 1.0), before=before)


async def test_a_port_of_waveforms_is_not_read() -> None:
    polled = Polled()
    plan = DevicePlan(
        name="supply", poll_hz=50.0, reply_time_s=0.2, safe_time_s=0.5, ports={"waveforms": Waveforms, "output": Supply}
    )
    polled.poller = Poller(
        plan,
        polled.link,
        roles={},
        setpoints=polled.setpoints,
        on_reading=lambda ref, _reading: polled.readings.append(ref.port),
        on_refusal=lambda _ref, _sentence: None,
        on_broken=lambda _ref, sentence: polled.broken.append(sentence),
    )
    async with polled.running():
        await asyncio.sleep(0.5)
    assert set(polled.readings) == {"output"}
    assert polled.broken == []


async def test_a_refused_set_point_is_the_devices_trouble_until_it_takes_one() -> None:
    polled = Polled()
    polled.output.write_error = Refused("supply: panel locked")
    async with polled.running(voltage_v=1.0):
        await asyncio.sleep(0.1)
        assert "did not take a set-point: supply: panel locked" in polled.poller.trouble
        polled.output.write_error = None
        await asyncio.sleep(0.2)
        assert polled.poller.trouble == ""
