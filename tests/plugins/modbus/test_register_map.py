"""Register maps: another make is a map and no code, and a bad map says its file and key."""

import re

import pytest

from benchd_modbus.drive import drive
from benchd_modbus.register_map import MapError, load_map, parse_map

GOOD = """
title = "another make"
word_order = "low_first"
read_through_gaps = false
write_through_gaps = false
[modes]
torque = 4
speed = 3
[objects]
controlword     = { address = 500, type = "u16" }
mode            = { address = 501, type = "u16" }
target_torque   = { address = 510, type = "f32", unit = "N·m" }
target_velocity = { address = 520, type = "i32", unit = "r/min" }
max_torque      = { address = 530, type = "f32", unit = "N·m" }
max_speed       = { address = 540, type = "u16", unit = "r/min" }
statusword      = { address = 0, type = "u16", table = "input" }
mode_display    = { address = 1, type = "u16", table = "input" }
torque_actual   = { address = 2, type = "f32", unit = "N·m", table = "input" }
velocity_actual = { address = 4, type = "i32", unit = "r/min", table = "input", word_order = "high_first" }
"""


def test_the_map_that_comes_with_the_plugin_is_found_by_name():
    found = load_map("cia402_holding_high_word_first")
    assert (found["statusword"].address, found["velocity_actual"].number_type) == (100, "i32")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("title", "titel"), "key title: field required"),
        (("[modes]", "[modes]\nposition = 1"), "key modes.position: extra inputs are not permitted"),
        (('"low_first"\n', '"middle_first"\n'), "key word_order: "),
        (("speed = 3", "speed = 4"), "key modes: torque and speed are the same mode"),
        (("statusword ", "status_word "), "key objects.statusword: is missing"),
        (('address = 0, type = "u16"', 'address = 0, type = "u8"'), "key objects.statusword.type: "),
        (('address = 0, type = "u16"', 'address = 0, type = "i16"'), "objects.statusword.type: i16 holds no such"),
        (("address = 520", "address = 65536"), "key objects.target_velocity.address: "),
        (("address = 520", "address = 65535"), "key objects.target_velocity.address: 65535 leaves no register"),
        (("address = 520", "address = 511"), "key objects.target_velocity.address: holding register 511 also"),
        (('unit = "N·m" }', 'unit = "Nm" }'), 'key objects.target_torque.unit: "Nm" does not fit'),
        (("[objects]", "[objects]\nodd = { address = 9, type = 'u16' }"), "key objects.odd: is no object"),
        (('540, type = "u16"', '540, type = "u16", table = "input"'), "key objects.max_speed.table: is written"),
        (("address = 540, ", "address = 540, scale = 0, "), "key objects.max_speed.scale: "),
        (("[modes]", "[modes"), "is not TOML"),
    ],
)
def test_a_bad_map_is_refused_in_one_sentence_with_file_and_key(change, message):
    assert change[0] in GOOD
    with pytest.raises(MapError, match=re.escape(message)) as caught:
        parse_map(GOOD.replace(*change, 1), source="bench/odd.toml")
    assert "bench/odd.toml" in str(caught.value)
    assert "\n" not in str(caught.value) or "TOML" in str(caught.value)


def test_an_unknown_name_and_an_unreadable_path_are_told(tmp_path):
    with pytest.raises(MapError, match="write one of cia402_holding_high_word_first"):
        load_map("nowhere")
    with pytest.raises(MapError, match="cannot be read"):
        load_map(str(tmp_path / "absent.toml"))


def test_a_bad_map_is_told_when_the_settings_are_read(tmp_path, device_less, drive_settings):
    path = tmp_path / "bad.toml"
    path.write_text(GOOD.replace('"u16"', '"u8"', 1))
    with pytest.raises(ValueError, match=r"bad\.toml, key objects\.controlword\.type"):
        drive_settings(device_less, map=str(path))


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({}, "has no rated_torque: give rated_torque_nm"),
        ({"rated_torque_nm": 2.0, "vendor_code": 1}, "has no vendor_code"),
        ({"rated_torque_nm": 2.0, "communication_watchdog_ms": 100}, "has no communication_watchdog"),
    ],
)
def test_settings_that_the_map_cannot_serve_are_refused(tmp_path, device_less, drive_settings, more, message):
    path = tmp_path / "good.toml"
    path.write_text(GOOD)
    with pytest.raises(ValueError, match=message):
        drive_settings(device_less, map=str(path), **more)


@pytest.fixture
def device_less():
    class Nowhere:
        rtu = False
        port = 502

    return Nowhere()


@pytest.mark.wires
async def test_another_make_is_a_map_and_no_code(tmp_path, device, drive_settings):
    path = tmp_path / "good.toml"
    path.write_text(GOOD)
    device.input = {0: 0x0237, 1: 4, 2: 0, 3: 0xBF00, 4: 0xFFFF, 5: 0xFC18}  # -0.5 as f32, low word first; -1000
    async with drive(drive_settings(device, map=str(path), rated_torque_nm=2.0)) as ports:
        reading = await ports["axis"].read()
        assert (reading.torque_nm, reading.speed_rpm) == (0.5, -1000.0)
        assert reading.dc_link_v is None
        assert reading.winding_degc is None
        await ports["axis"].follow_torque(0.25, speed_limit_rpm=1000.0)
        assert [device.holding[at] for at in (501, 510, 511, 540)] == [4, 0, 0xBE80, 1000]  # -0.25 as f32
        written = [int.from_bytes(pdu[1:3], "big") for pdu in device.requests if pdu[0] in {6, 16}]
        assert written == [530, 540, 510, 520, 501]  # bounds, then targets, the mode last
        device.input[0] = 0x0250
