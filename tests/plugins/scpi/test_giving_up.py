"""Late, cancelled and stuck calls: the device's truth changes and no old answer is ever taken for a new one."""

import asyncio
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from benchd.contract import LinkLost, ReplyWrong
from benchd_scpi.supply import supply

pytestmark = pytest.mark.wires

CALLS = {
    "read": lambda _, port: port.read(),
    "read_settings": lambda _, port: port.read_settings(),
    "set_voltage": lambda _, port: port.set_voltage(7.0, current_limit_a=1.0),
    "switch_output": lambda _, port: port.switch_output(on=False),
    "make_safe": lambda _, port: port.make_safe(),
    "reconnect": lambda driver, _: driver.reconnect(),
}


async def cancel_after(call, *, loop_passes: int = 0, wait_s: float = 0.0) -> bool:
    """Whether the call was cut off."""
    async with asyncio.TaskGroup() as group:
        task = group.create_task(call)
        for _ in range(loop_passes):
            await asyncio.sleep(0)
        if wait_s:
            await asyncio.sleep(wait_s)
        task.cancel()
    return task.cancelled()


async def truth_is_read_again(driver, port, device, *, truth_v: float, cut_off: bool) -> None:
    device.values["MEAS:VOLT"] = f"{truth_v:.3f}"
    try:
        assert (await port.read()).voltage_v == truth_v
    except LinkLost:
        assert cut_off
        await reconnected(driver)
        assert (await port.read()).voltage_v == truth_v


async def reconnected(driver) -> None:
    """As the link does it: again after a pause, for a device that has not let go of its last connection yet."""
    for _ in range(20):
        try:
            return await driver.reconnect()
        except LinkLost:
            await asyncio.sleep(0.005)
    return await driver.reconnect()


@pytest.mark.parametrize("name", CALLS)
async def test_a_call_cancelled_at_any_point_leaves_no_reply_for_the_next(supply_device, supply_settings, name):
    driver = supply(supply_settings(supply_device))
    cut_off = []
    async with driver as ports:
        port = ports["output"]
        moments = [{"loop_passes": passes} for passes in range(25)]
        supply_device.delay_s = 0.002
        moments += [{"loop_passes": 2, "wait_s": wait_ms / 1000.0} for wait_ms in range(1, 9)]
        for turn, moment in enumerate(moments):
            cut_off.append(await cancel_after(CALLS[name](driver, port), **moment))
            await truth_is_read_again(driver, port, supply_device, truth_v=float(turn), cut_off=cut_off[-1])
    assert any(cut_off)


async def test_a_late_reply_is_never_taken_for_the_next_answer(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device, reply_time_s=0.1))
    async with driver as ports:
        port = ports["output"]
        for turn in range(3):
            supply_device.values["MEAS:VOLT"] = "111"
            supply_device.delay_s = 0.15
            with pytest.raises(LinkLost, match=r"did not answer 'MEAS:VOLT\?.* within 0\.1 s"):
                await port.read()
            heard = len(supply_device.heard)
            with pytest.raises(LinkLost, match="reconnected"):
                await port.read()
            assert len(supply_device.heard) == heard  # the wire was not touched
            supply_device.delay_s = 0.0
            supply_device.values["MEAS:VOLT"] = str(222 + turn)
            await asyncio.sleep(0.1)  # the device is through with the late one
            await reconnected(driver)
            assert (await port.read()).voltage_v == 222 + turn


async def test_a_silent_device_is_lost_within_the_reply_time(supply_device, supply_settings):
    async with supply(supply_settings(supply_device, reply_time_s=0.1)) as ports:
        supply_device.deaf = True
        started_s = time.monotonic()
        with pytest.raises(LinkLost):
            await ports["output"].read()
        assert 0.09 < time.monotonic() - started_s < 0.4
        supply_device.deaf = False


async def test_a_device_that_closes_is_lost_at_once_without_burning_a_core(supply_device, supply_settings):
    async with supply(supply_settings(supply_device, reply_time_s=0.4)) as ports:
        supply_device.rewrite = lambda _: (_ for _ in ()).throw(ConnectionError)
        started_s = time.monotonic()
        with pytest.raises(LinkLost):
            await ports["output"].read()
        assert time.monotonic() - started_s < 0.35
        supply_device.rewrite = None


async def test_making_safe_passes_a_stuck_call_at_once(supply_device, supply_settings):
    """The bound is generous for a shared machine; without it the write would wait for the reply time, 0.4 s."""
    async with supply(supply_settings(supply_device, reply_time_s=0.4)) as ports:
        port = ports["output"]
        await port.switch_output(on=True)
        supply_device.deaf = True
        async with asyncio.TaskGroup() as group:
            stuck = group.create_task(_lost(port.read()))
            await asyncio.sleep(0.02)
            supply_device.deaf = False
            supply_device.heard.clear()
            started_s = time.monotonic()
            await port.make_safe()
            assert time.monotonic() - started_s < 0.3
        assert stuck.result() == "The supply at 127.0.0.1:{} is not waited for any more: {}.".format(
            supply_device.port, "another call replaced its connection"
        )
        off = [one for one in supply_device.heard if one.text.startswith("OUTP OFF")]
        assert [one.text for one in off] == ["OUTP OFF", "OUTP OFF;:OUTP?;*IDN?"]  # on the old and on the new one
        assert off[0].at_s - started_s < 0.3
        assert supply_device.values["OUTP"] == "0"
        assert not (await port.read()).output_on


async def _lost(call) -> str:
    try:
        await call
    except LinkLost as error:
        return str(error)
    return "answered"


async def test_making_safe_reaches_a_device_that_does_not_let_go_of_its_one_connection(supply_device, supply_settings):
    """The old connection is still read by the device while it refuses a new one."""
    async with supply(supply_settings(supply_device, reply_time_s=0.4)) as ports:
        port = ports["output"]
        await port.switch_output(on=True)
        supply_device.refuses_for_s = 0.15
        supply_device.delay_s = 0.05
        async with asyncio.TaskGroup() as group:
            group.create_task(_lost(port.read()))
            await asyncio.sleep(0.02)
            supply_device.delay_s = 0.0
            started_s = time.monotonic()
            await port.make_safe()
            took_s = time.monotonic() - started_s
        assert supply_device.refused > 0
        assert 0.1 < took_s < 0.9
        off = next(one for one in supply_device.heard if one.text.startswith("OUTP OFF"))
        assert off.connection == 1
        assert off.at_s - started_s < took_s


async def test_making_safe_on_a_good_connection_uses_it(supply_device, supply_settings):
    async with supply(supply_settings(supply_device)) as ports:
        await ports["output"].switch_output(on=True)
        await ports["output"].make_safe()
        await ports["output"].make_safe()
        assert supply_device.accepted == 1
        assert supply_device.texts[-2:] == ["OUTP OFF;:OUTP?"] * 2


async def test_making_safe_replaces_a_spoiled_connection(supply_device, supply_settings):
    async with supply(supply_settings(supply_device, reply_time_s=0.1)) as ports:
        port = ports["output"]
        await port.switch_output(on=True)
        supply_device.deaf = True
        with pytest.raises(LinkLost):
            await port.read()
        supply_device.deaf = False
        await port.make_safe()
        assert supply_device.values["OUTP"] == "0"
        await port.read()


async def test_making_safe_many_times_at_once_confirms_each(supply_device, supply_settings):
    async with supply(supply_settings(supply_device)) as ports:
        port = ports["output"]
        await port.switch_output(on=True)
        supply_device.delay_s = 0.02
        async with asyncio.TaskGroup() as group:
            group.create_task(_lost(port.read()))
            await asyncio.sleep(0.005)
            for _ in range(4):
                group.create_task(port.make_safe())
        assert supply_device.accepted == 2
        assert supply_device.values["OUTP"] == "0"


async def test_nothing_else_is_sent_while_it_is_made_safe(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    async with driver as ports:
        port = ports["output"]
        supply_device.delay_s = 0.03
        async with asyncio.TaskGroup() as group:
            group.create_task(port.make_safe())
            await asyncio.sleep(0.01)
            for call in (port.switch_output(on=True), driver.reconnect(), port.read()):
                with pytest.raises(LinkLost, match="being made safe"):
                    await call
        supply_device.delay_s = 0.0
        assert not (await port.read()).output_on


async def test_an_output_that_ignores_off_is_told_soon(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    ports = await driver.__aenter__()
    await ports["output"].switch_output(on=True)
    supply_device.deaf_headers = {"OUTP"}
    started_s = time.monotonic()
    with pytest.raises(ReplyWrong, match=r"OUTP\? tells 1 instead of 0"):
        await ports["output"].make_safe()
    assert time.monotonic() - started_s < 0.3
    with pytest.raises(ReplyWrong):  # leaving tells it too, and closes all the same
        await driver.__aexit__(None, None, None)


async def test_making_safe_a_device_that_is_gone_ends_within_the_safe_time(supply_device, supply_settings):
    driver = supply(supply_settings(supply_device))
    ports = await driver.__aenter__()
    supply_device.refuses_for_s = 5.0
    supply_device.rewrite = lambda _: (_ for _ in ()).throw(ConnectionError)
    with pytest.raises(LinkLost):
        await ports["output"].read()
    started_s = time.monotonic()
    with pytest.raises(LinkLost):
        await driver.__aexit__(None, None, None)
    assert time.monotonic() - started_s < 1.5


async def test_making_safe_after_leaving_leaves_nothing_open(supply_device, supply_settings):
    async with supply(supply_settings(supply_device)) as ports:
        port = ports["output"]
    supply_device.values["OUTP"] = "1"
    await port.make_safe()
    assert supply_device.values["OUTP"] == "0"


def count_open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def test_threads_of_abandoned_calls_end_and_sockets_close(supply_device, supply_settings, driver_threads):
    async with supply(supply_settings(supply_device, reply_time_s=0.4)) as ports:
        port = ports["output"]
        open_files = count_open_files()
        for _ in range(30):
            supply_device.deaf = True
            async with asyncio.TaskGroup() as group:
                group.create_task(_lost(port.read()))
                await asyncio.sleep(0.002)
                supply_device.deaf = False
                group.create_task(port.make_safe())
        await asyncio.sleep(0.05)
        assert len(driver_threads()) == 1
        assert count_open_files() <= open_files + 2


def test_a_stuck_call_does_not_keep_the_process_from_ending(tmp_path):
    """A process whose loop dies in the middle of a call: it ends at once and says nothing."""
    script = tmp_path / "dies.py"
    script.write_text(
        textwrap.dedent(
            """
            import asyncio, socket, sys, threading
            from benchd_scpi.settings import ScpiSupplySettings
            from benchd_scpi.supply import supply

            listening = socket.create_server(("127.0.0.1", 0))
            kept = []

            def answer_once():
                peer, _ = listening.accept()
                kept.append(peer)
                peer.recv(100)
                peer.sendall(b"Quillmoor Instruments,QS80-60,1,1.0\\n")

            threading.Thread(target=answer_once, daemon=True).start()
            settings = ScpiSupplySettings(
                host="127.0.0.1", port=listening.getsockname()[1], identity="Quillmoor Instruments,QS80-60",
                max_voltage_v=1, max_current_a=1, reply_time_s=0.4,
            )
            driver = supply(settings)
            loop = asyncio.new_event_loop()
            ports = loop.run_until_complete(driver.__aenter__())
            call = loop.create_task(ports["output"].read())
            loop.call_later(0.05, loop.stop)
            loop.run_forever()
            assert not call.done()
            (thread,) = [thread for thread in threading.enumerate() if thread.name.startswith("scpi")]
            assert thread.daemon
            print("over")
            """
        )
    )
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, timeout=20, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout == "over\n"
    assert "thread" not in done.stderr
