"""What a drive counts, as speed and torque of the shaft in house signs, and back. Pure; gears without losses.

House signs: clockwise looking at the specimen's drive end is positive; a torque is positive when the specimen drives
the shaft in the positive direction, so a load drive brakes with a positive torque.
"""

from dataclasses import dataclass

from benchd_modbus.registers import MappedObject


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftSide:
    """Signs, gear and rated torque of one axis. `gear_ratio` is revolutions of its machine for one of the shaft."""

    torque_sign: int
    speed_sign: int
    gear_ratio: float
    rated_torque_nm: float  # of the machine, before the gear

    def speed_rpm(self, held_by: MappedObject, raw: float) -> float:
        """The shaft's speed for a raw number of the drive."""
        return self.speed_sign * raw * held_by.scale / self.gear_ratio

    def torque_nm(self, held_by: MappedObject, raw: float) -> float:
        """The torque at the shaft for a raw number of the drive."""
        return self.torque_sign * raw * held_by.scale * self._torque_unit_nm(held_by) * self.gear_ratio

    def raw_speed(self, held_by: MappedObject, speed_rpm: float) -> float:
        """The drive's number closest to this speed of the shaft."""
        return held_by.nearest(self.speed_sign * speed_rpm * self.gear_ratio)

    def raw_torque(self, held_by: MappedObject, torque_nm: float) -> float:
        """The drive's number closest to this torque at the shaft."""
        machine_nm = self.torque_sign * torque_nm / self.gear_ratio
        return held_by.nearest(machine_nm / self._torque_unit_nm(held_by))

    def raw_speed_bound(self, held_by: MappedObject, magnitude_rpm: float) -> float:
        """The drive's greatest number that lets the shaft turn no faster than this."""
        return held_by.at_most(magnitude_rpm * self.gear_ratio)

    def raw_torque_bound(self, held_by: MappedObject, magnitude_nm: float) -> float:
        """The drive's greatest number that makes no more than this torque at the shaft."""
        return held_by.at_most(magnitude_nm / self.gear_ratio / self._torque_unit_nm(held_by))

    def _torque_unit_nm(self, held_by: MappedObject) -> float:
        return self.rated_torque_nm if held_by.unit == "rated_torque" else 1.0
