"""The power analyser over real TCP: its numbers by name, and no power of a bandwidth that is too low."""

import math

import pytest

from benchd.contract import PowerAnalyser, Refused, ReplyWrong
from benchd_scpi.manifests import POWER_ANALYSER
from benchd_scpi.power_analyser import power_analyser

from .scripted_devices import Analyser, listening

pytestmark = pytest.mark.wires

READ = "FETC? (@1,2,3,4,5,6,7,8,9,10,11,12,13,14,15,16);:SENS:BAND?;:SENS:SWE:TIME?"


@pytest.fixture
async def analyser():
    async with listening(Analyser()) as fake:
        yield fake


def driver_of(analyser, **changes):
    given = {
        "host": "127.0.0.1",
        "port": analyser.port,
        "identity": "Quillmoor Instruments,QP3",
        "reply_time_s": 0.4,
        "minimum_bandwidth_hz": 100_000.0,
    }
    return power_analyser(POWER_ANALYSER.settings.model_validate(given | changes))


async def test_all_sixteen_results_come_by_name_in_one_exchange(analyser):
    async with driver_of(analyser) as ports:
        assert isinstance(ports["result"], PowerAnalyser)
        assert analyser.texts == ["*IDN?", "SENS:BAND?"]  # entering looks and changes nothing
        reading = await ports["result"].read()
        assert analyser.texts[2:] == [READ]
        assert dict(reading.values) == {
            "u1_v": 1.25,
            "u2_v": 2.25,
            "u3_v": 3.25,
            "i1_a": 4.25,
            "i2_a": 5.25,
            "i3_a": 6.25,
            "p1_w": 7.25,
            "p2_w": 8.25,
            "p3_w": 9.25,
            "u_v": 10.25,
            "u_fundamental_v": 11.25,
            "i_a": 12.25,
            "p_w": 13.25,
            "s_va": 14.25,
            "power_factor": 15.25,
            "frequency_hz": 16.25,
        }
        assert reading.window_s == 0.1
        assert reading.overloaded == frozenset()


async def test_chosen_results_come_under_the_names_of_the_settings(analyser):
    results = [{"name": "power_w", "number": 13}, {"name": "phase_two_a", "number": 5}]
    async with driver_of(analyser, results=results) as ports:
        assert dict((await ports["result"].read()).values) == {"power_w": 13.25, "phase_two_a": 5.25}


async def test_an_overload_and_a_missing_frequency_are_marked_and_take_nothing_else_with_them(analyser):
    analyser.values |= {"FETC4": "9.9E37", "FETC13": "-9.9E+37", "FETC16": "9.91E37"}
    async with driver_of(analyser) as ports:
        reading = await ports["result"].read()
        assert reading.overloaded == {"i1_a", "p_w"}
        assert math.isnan(reading.signals()["p_w"])
        assert math.isnan(reading.signals()["frequency_hz"])
        assert reading.signals()["i2_a"] == 5.25


async def test_too_low_a_bandwidth_is_refused_on_entering_and_nothing_stays_open(analyser):
    analyser.values["SENS:BAND"] = "5000"
    driver = driver_of(analyser)
    with pytest.raises(Refused, match="measures up to 5000 Hz and the bench needs 100000 Hz"):
        await driver.__aenter__()
    await analyser.let_go()
    analyser.values["SENS:BAND"] = "100000"
    async with driver as ports:
        await ports["result"].read()


async def test_a_filter_that_is_switched_on_later_is_refused_by_the_next_reading_and_on_reconnecting(analyser):
    driver = driver_of(analyser)
    async with driver as ports:
        await ports["result"].read()
        analyser.values["SENS:BAND"] = "500"
        with pytest.raises(Refused, match="switch its filter off"):
            await ports["result"].read()
        await analyser_free(driver, analyser)
        with pytest.raises(Refused, match="switch its filter off"):
            await driver.reconnect()


async def analyser_free(driver, analyser) -> None:
    driver._session.close()
    await analyser.let_go()


async def test_another_window_is_set_and_the_result_after_it_is_told(analyser):
    async with driver_of(analyser, window_s=0.5) as ports:
        reading = await ports["result"].read()
        assert analyser.texts[2:] == [READ, "SENS:SWE:TIME 0.5;:SENS:SWE:TIME?", READ]
        assert reading.window_s == 0.5
        await ports["result"].read()
        assert analyser.texts[5:] == [READ]


async def test_a_window_that_is_not_taken_is_told(analyser):
    analyser.deaf_headers = {"SENS:SWE:TIME"}
    async with driver_of(analyser, window_s=0.5) as ports:
        with pytest.raises(ReplyWrong, match=r"SENS:SWE:TIME\? tells 0.1 instead of 0.5 s"):
            await ports["result"].read()


@pytest.mark.parametrize(
    "reply",
    [b"1,2,3;500000;0.1\n", b"1;2\n", b",".join([b"1"] * 16) + b";9.91E37;0.1\n", b",".join([b"1"] * 16) + b"\n"],
)
async def test_a_reply_that_is_not_a_result_is_wrong(analyser, reply):
    async with driver_of(analyser) as ports:
        analyser.rewrite = lambda _: reply
        with pytest.raises(ReplyWrong):
            await ports["result"].read()
