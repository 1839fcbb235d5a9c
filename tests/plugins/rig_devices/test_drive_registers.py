import pytest

from benchd.contract import DriveState
from benchd_rig.bench import Bench
from benchd_rig.modbus_codec import ModbusRefusal, signed16


def test_the_read_only_block_tells_the_commissioned_values(bench: Bench):
    words = bench.drive_registers.read_holding_registers(100, 24)
    assert words[0] == 0x0250
    assert words[6:8] == [320_000 >> 16, 320_000 & 0xFFFF]
    assert words[10:12] == [0, 2000]  # mN·m
    assert words[14:16] == [0, 60_000]  # 0.1 r/min
    assert words[12:14] == [0, 8000]  # rated current, mA
    assert words[16:20] == [900, 0x51, 0x0402, 4]  # the last: pole pairs
    assert words[20:] == [0, 24_000, 0, 8000]  # peak current, mA; switching frequency, Hz


def test_one_write_of_targets_and_controlword_takes_the_targets_first(bench: Bench):
    registers, drive = bench.drive_registers, bench.load_drive
    registers.write_registers(0, [0x06])
    registers.write_registers(0, [0x07])
    registers.write_registers(0, [0x0F, 10, 0x10000 - 250, 0, 0, 0, 500, 0, 0, 30_000])
    assert drive.state is DriveState.OPERATION_ENABLED
    assert bench.plant.load.torque_nm == pytest.approx(0.5)
    assert drive.settings.max_torque_permille == 500
    assert drive.settings.max_speed_rpm == 3000.0
    assert registers.read_holding_registers(0, 10) == [0x0F, 10, 0x10000 - 250, 0, 0, 0, 500, 0, 0, 30_000]


def test_a_negative_target_velocity_takes_two_words(bench: Bench):
    bench.drive_registers.write_registers(4, [0xFFFF, 0xD8F0])
    assert bench.load_drive.settings.target_speed_rpm == -1000.0


@pytest.mark.parametrize(("address", "count"), [(14, 1), (13, 2), (99, 1), (123, 2), (50, 1)])
def test_a_block_that_leaves_the_map_is_an_illegal_address(bench: Bench, address, count):
    with pytest.raises(ModbusRefusal) as refused:
        bench.drive_registers.read_holding_registers(address, count)
    assert refused.value.code == 2


def test_actual_values_cannot_be_written(bench: Bench):
    with pytest.raises(ModbusRefusal) as refused:
        bench.drive_registers.write_registers(116, [2000])
    assert refused.value.code == 2


@pytest.mark.parametrize(("address", "value"), [(1, 7), (10, 3), (11, 2), (12, 5)])
def test_a_value_the_drive_does_not_know_is_refused_whole(bench: Bench, address, value):
    before = bench.drive_registers.read_holding_registers(0, 14)
    with pytest.raises(ModbusRefusal) as refused:
        bench.drive_registers.write_registers(address, [value])
    assert refused.value.code == 3
    assert bench.drive_registers.read_holding_registers(0, 14) == before


def test_reserved_registers_take_anything_and_read_zero(bench: Bench):
    bench.drive_registers.write_registers(3, [77])
    assert bench.drive_registers.read_holding_registers(3, 1) == [0]


def test_a_wrong_identity_and_an_open_sensor_show_in_the_registers(bench: Bench):
    bench.faults["load_drive"].switch("wrong_identity", on=True)
    bench.faults["load_drive"].switch("nan", on=True)
    assert bench.drive_registers.read_holding_registers(118, 1) != [0x0402]
    assert signed16(bench.drive_registers.read_holding_registers(109, 1)[0]) == -32768
