"""What a drive was commissioned with: read from the registers that the map names, in the drive's own terms."""

import re
import struct

import pytest

from benchd.contract import LinkLost, ReplyWrong, TellsParameters
from benchd_modbus.drive import drive
from benchd_modbus.manifests import DRIVE
from benchd_modbus.register_map import MapError, parse_map

from .test_register_map import GOOD

pytestmark = pytest.mark.wires

MORE = """
rated_torque = { address = 600, type = "u32", unit = "N·m", scale = 0.01, word_order = "high_first" }
own_torque_limit = { address = 602, type = "u16", unit = "rated_torque", scale = 0.01 }
[parameters]
encoder_lines = { address = 610, type = "u32" }
phase_resistance_ohm = { address = 612, type = "f32" }
brake_v = { address = 7, type = "u16", table = "input", scale = 0.1 }
"""


async def test_the_plugins_map_tells_machine_data_limits_and_stop_options(device, drive_settings):
    device.words(119, 5)  # pole pairs
    device.double(112, 19_500)  # rated current, mA
    device.double(120, 60_000)  # peak current, mA
    device.double(122, 16_000)  # switching frequency, Hz
    settings = drive_settings(device, gear_ratio=2.0)
    async with drive(settings) as ports:
        assert isinstance(ports["axis"], TellsParameters)
        before = len(device.requests)
        told = await ports["axis"].read_parameters()
        asked = [(pdu[0], *struct.unpack(">HH", pdu[1:])) for pdu in device.requests[before:]]
    # The device of these tests: 2.000 N·m rated, trips at 6000.0 r/min, makes 90.0 % of rated; no gear in any of it.
    assert told.values == {
        "pole_pairs": 5,
        "rated_current_a": pytest.approx(19.5),
        "peak_current_a": pytest.approx(60.0),
        "pwm_frequency_hz": 16_000,
        "rated_torque_nm": pytest.approx(2.0),
        "overspeed_rpm": pytest.approx(6000.0),
        "torque_limit_nm": pytest.approx(1.8),
        "quick_stop_option": 2,
        "disable_option": 1,
        "fault_reaction_option": 2,
    }
    # it reads and writes nothing, and asks for no register that the map does not name
    assert sorted(asked) == [(3, 10, 3), (3, 110, 7), (3, 119, 5)]
    (spec,) = DRIVE.ports(settings)
    assert set(spec.parameters) == set(told.values)
    assert spec.parameters[0] == "pole_pairs"


async def test_a_map_names_further_registers_of_any_table_and_word_order(tmp_path, device, drive_settings):
    path = tmp_path / "more.toml"
    path.write_text(GOOD + MORE)
    device.input = {0: 0x0250, 1: 4, 2: 0, 3: 0, 4: 0, 5: 0, 7: 241}
    device.words(600, 0, 239)  # 2.39 N·m
    device.words(602, 150)  # 150 % of it
    device.words(610, 0x0001, 0x0002)  # low word first: 0x00020001
    high, low = struct.unpack(">HH", struct.pack(">f", 0.035))
    device.words(612, low, high)
    settings = drive_settings(device, map=str(path))
    async with drive(settings) as ports:
        told = (await ports["axis"].read_parameters()).values
    assert told == {
        "encoder_lines": 131_073,
        "phase_resistance_ohm": pytest.approx(0.035, rel=1e-6),
        "brake_v": pytest.approx(24.1),
        "rated_torque_nm": pytest.approx(2.39),
        "torque_limit_nm": pytest.approx(3.585),
    }
    (spec,) = DRIVE.ports(settings)
    assert set(spec.parameters) == set(told)


async def test_a_register_that_holds_no_number_is_a_wrong_reply(tmp_path, device, drive_settings):
    path = tmp_path / "more.toml"
    path.write_text(GOOD + MORE)
    device.input = {0: 0x0250, 1: 4, 2: 0, 3: 0, 4: 0, 5: 0, 7: 241}
    device.words(600, 0, 239)
    device.words(612, 0x0000, 0x7FC0)  # a NaN as f32, low word first
    async with drive(drive_settings(device, map=str(path))) as ports:
        with pytest.raises(ReplyWrong, match=r"phase_resistance_ohm \(register 612\) holds no number"):
            await ports["axis"].read_parameters()


async def test_a_lost_reply_is_a_lost_link_and_no_parameter_set(device, drive_settings):
    async with drive(drive_settings(device, reply_time_s=0.05)) as ports:
        device.behave = lambda _number, _pdu: "hang"
        with pytest.raises(LinkLost):
            await ports["axis"].read_parameters()
        device.behave = None


def test_a_map_without_any_of_them_declares_none(tmp_path, drive_settings):
    class Nowhere:
        rtu = False
        port = 502

    path = tmp_path / "good.toml"
    path.write_text(GOOD)
    (spec,) = DRIVE.ports(drive_settings(Nowhere(), map=str(path), rated_torque_nm=2.0))
    assert spec.parameters == ()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("encoder_lines", "own_overspeed"), "key parameters.own_overspeed: is told by an object: write its register"),
        (("encoder_lines", "rated_torque_nm"), "key parameters.rated_torque_nm: is told by an object"),
        (("address = 610", "address = 602"), "key parameters.encoder_lines.address: holding register 602 also holds"),
        (("address = 610", "address = 65535"), "key parameters.encoder_lines.address: 65535 leaves no register"),
        (('address = 610, type = "u32"', 'address = 610, type = "u32", unit = "1"'), "encoder_lines.unit: extra"),
        (("encoder_lines", "Encoder"), "key parameters.Encoder"),
    ],
)
def test_a_bad_parameter_is_refused_with_file_and_key(change, message):
    assert change[0] in MORE
    with pytest.raises(MapError, match=re.escape(message)):
        parse_map(GOOD + MORE.replace(*change, 1), source="bench/odd.toml")
