"""A drive's objects as Modbus holding registers.

Its one job is the map between register words and the drive; what a value does is the drive's. Registers between the
mapped ones read 0 and take no effect, so that a client reads the actual values in one block.

Map: 0 controlword 6040h, 1 mode 6060h, 2 target torque 6071h, 4-5 target velocity 60FFh, 6 maximum torque 6072h,
8-9 maximum motor speed 6080h, 10 605Ah, 11 605Ch, 12 605Eh, 13 communication watchdog (ms); read only: 100 statusword
6041h, 101 mode display 6061h, 102 torque 6077h, 104-105 velocity 606Ch, 106-107 DC link 6079h, 108 error code 603Fh,
109 motor temperature, 110-111 rated torque 6076h, 112-113 rated current 6075h, 114-115 own overspeed trip, 116 own
torque limit, 117-118 vendor and product, 119 pole pairs, 120-121 peak current (mA), 122-123 switching frequency (Hz).
"""

import math
from collections.abc import Callable, Sequence

from benchd_rig.axis_drive import MODES, AxisDrive
from benchd_rig.modbus_codec import (
    ILLEGAL_DATA_ADDRESS,
    ILLEGAL_DATA_VALUE,
    ModbusRefusal,
    NothingMapped,
    signed16,
    signed32,
    word_of,
    words_of,
)
from benchd_rig.wire_faults import WireFaults

VENDOR = 0x51
PRODUCT = 0x0402
OTHER_PRODUCT = 0x0999
OPEN_SENSOR = -32768

_CONTROL = range(14)
_ACTUAL = range(100, 124)
_QUICK_STOP_OPTIONS = frozenset({0, 1, 2, 5, 6})
_DISABLE_OPTIONS = frozenset({0, 1})
_FAULT_REACTION_OPTIONS = frozenset({0, 1, 2})


class DriveRegisters(NothingMapped):
    """Holding registers of one axis; load drive and motor drive have the same map."""

    def __init__(self, *, drive: AxisDrive, faults: WireFaults) -> None:
        self._drive = drive
        self._faults = faults

    def read_holding_registers(self, address: int, count: int) -> Sequence[int]:
        """Words of one block. Raises `ModbusRefusal` 02 for a block that leaves the map."""
        wanted = range(address, address + count)
        for block, words in ((_CONTROL, self._control_words), (_ACTUAL, self._actual_words)):
            if wanted.start in block and wanted[-1] in block:
                return words()[address - block.start : address - block.start + count]
        raise ModbusRefusal(ILLEGAL_DATA_ADDRESS)

    def write_registers(self, address: int, words: Sequence[int]) -> None:
        """All of the words or none; the controlword takes effect last, after the targets beside it."""
        if address not in _CONTROL or address + len(words) - 1 not in _CONTROL:
            raise ModbusRefusal(ILLEGAL_DATA_ADDRESS)
        image = self._control_words()
        image[address : address + len(words)] = words
        written = range(address, address + len(words))
        _check(image)
        drive, settings = self._drive, self._drive.settings
        effects: tuple[tuple[range, Callable[[], None]], ...] = (
            (range(1, 2), lambda: drive.select_mode(signed16(image[1]))),
            (range(2, 3), lambda: setattr(settings, "target_torque_permille", signed16(image[2]))),
            (range(4, 6), lambda: setattr(settings, "target_speed_rpm", signed32(image[4], image[5]) / 10)),
            (range(6, 7), lambda: setattr(settings, "max_torque_permille", image[6])),
            (range(8, 10), lambda: setattr(settings, "max_speed_rpm", (image[8] << 16 | image[9]) / 10)),
            (range(10, 11), lambda: setattr(settings, "quick_stop_option", signed16(image[10]))),
            (range(11, 12), lambda: setattr(settings, "disable_option", signed16(image[11]))),
            (range(12, 13), lambda: setattr(settings, "fault_reaction_option", signed16(image[12]))),
            (range(13, 14), lambda: setattr(settings, "watchdog_ms", image[13])),
            (range(1), lambda: drive.write_controlword(image[0])),
        )
        for registers, effect in effects:
            if registers.start < written.stop and written.start < registers.stop:
                effect()

    def _control_words(self) -> list[int]:
        settings = self._drive.settings
        return [
            self._drive.controlword,
            word_of(settings.mode),
            word_of(settings.target_torque_permille),
            0,
            *words_of(round(settings.target_speed_rpm * 10)),
            settings.max_torque_permille,
            0,
            *words_of(round(settings.max_speed_rpm * 10)),
            word_of(settings.quick_stop_option),
            word_of(settings.disable_option),
            word_of(settings.fault_reaction_option),
            settings.watchdog_ms,
        ]

    def _actual_words(self) -> list[int]:
        drive, rating = self._drive, self._drive.rating
        no_sensor = self._faults.is_on("nan") or math.isnan(drive.motor_degc)
        tenths = OPEN_SENSOR if no_sensor else round(drive.motor_degc * 10)
        torque = max(-32767, min(32767, round(drive.torque_permille)))
        return [
            drive.statusword(),
            word_of(drive.settings.mode),
            word_of(torque),
            0,
            *words_of(round(drive.speed_rpm * 10)),
            *words_of(round(drive.dc_link_v * 1000)),
            drive.fault_code,
            word_of(tenths),
            *words_of(round(rating.rated_torque_nm * 1000)),
            *words_of(round(rating.rated_current_a * 1000)),
            *words_of(round(rating.overspeed_rpm * 10)),
            rating.own_torque_permille,
            VENDOR,
            OTHER_PRODUCT if self._faults.is_on("wrong_identity") else PRODUCT,
            rating.pole_pairs,
            *words_of(round(rating.peak_current_a * 1000)),
            *words_of(rating.pwm_frequency_hz),
        ]


def _check(image: Sequence[int]) -> None:
    """Raises `ModbusRefusal` 03 for a value that the drive does not know."""
    if (
        signed16(image[1]) not in MODES
        or signed16(image[10]) not in _QUICK_STOP_OPTIONS
        or signed16(image[11]) not in _DISABLE_OPTIONS
        or signed16(image[12]) not in _FAULT_REACTION_OPTIONS
    ):
        raise ModbusRefusal(ILLEGAL_DATA_VALUE)
