"""The specimen's drive: an axis whose power stage is the converter between DC link and specimen.

Its one job is which parts of the plant the axis reaches, and how it is commissioned for a specimen. The drive counts
torque positive when the specimen drives the shaft in the positive direction, which is the house sign.
"""

from typing import Protocol

from benchd_rig.axis_drive import AxisDrive, DriveRating
from benchd_rig.commands import MotorDriveCommand
from benchd_rig.specimen import ConverterModel, Rating

_OWN_TORQUE_PERMILLE = 1500
_OVER_VOLTAGE_RATIO = 1.2  # of the specimen's rated link voltage: below what the link's capacitors bear


class Converter(Protocol):
    """What the motor drive reaches of the plant."""

    motor_drive: MotorDriveCommand

    @property
    def motor_speed_rpm(self) -> float:
        """Speed of the specimen's rotor."""

    @property
    def motor_drive_torque_nm(self) -> float:
        """Torque of the specimen as the converter estimates it from its currents, house sign."""

    @property
    def link_v(self) -> float:
        """Voltage of the DC link."""


class _MotorAxis:
    """The specimen as the axis of a drive."""

    house_sign = 1

    def __init__(self, converter: Converter) -> None:
        self._converter = converter

    @property
    def stage(self) -> MotorDriveCommand:
        return self._converter.motor_drive

    @property
    def speed_rpm(self) -> float:
        return self._converter.motor_speed_rpm

    @property
    def torque_nm(self) -> float:
        return self._converter.motor_drive_torque_nm

    @property
    def dc_link_v(self) -> float:
        return self._converter.link_v


class MotorDrive(AxisDrive):
    """The specimen's axis. Its DC link is the bench's, which braking lifts: above its own threshold it lets go.

    A link below the least voltage takes no state away: the statusword shows no voltage and the stage makes no torque.
    """

    def __init__(self, *, converter: Converter, rating: DriveRating) -> None:
        super().__init__(axis=_MotorAxis(converter), rating=rating)


def motor_drive_rating(
    plate: Rating, converter: ConverterModel, *, pole_pairs: int, overspeed_rpm: float
) -> DriveRating:
    """What a person enters when the drive is commissioned for a specimen: rated values from its plate."""
    return DriveRating(
        rated_torque_nm=plate.torque_nm,
        rated_current_a=plate.current_a,
        peak_current_a=converter.current_limit_a,
        pole_pairs=pole_pairs,
        pwm_frequency_hz=round(converter.carrier_hz),
        overspeed_rpm=overspeed_rpm,
        own_torque_permille=_OWN_TORQUE_PERMILLE,
        least_link_v=converter.least_link_v,
        over_voltage_v=_OVER_VOLTAGE_RATIO * plate.voltage_v,
        machine_rise_k=None,
    )
