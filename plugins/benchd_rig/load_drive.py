"""The load machine's drive: an axis on its own mains supply, on the far side of the coupling.

Its one job is which parts of the plant the axis reaches. The drive counts torque positive when the load machine drives
the shaft in the positive direction: the opposite of the house sign.
"""

from typing import Protocol

from benchd_rig.axis_drive import COMMUNICATION_FAULT, FORCED_FAULT, OVERSPEED_FAULT, AxisDrive, DriveRating
from benchd_rig.commands import LoadCommand

__all__ = ["COMMUNICATION_FAULT", "FORCED_FAULT", "OVERSPEED_FAULT", "DriveRating", "LoadDrive", "Shaft"]

_LINK_V = 320.0


class Shaft(Protocol):
    """What the load drive reaches of the plant."""

    load: LoadCommand

    @property
    def load_speed_rpm(self) -> float:
        """Speed of the load machine."""

    @property
    def load_torque_nm(self) -> float:
        """Torque of the load machine, house sign."""


class _LoadAxis:
    """The load machine as the axis of a drive."""

    house_sign = -1

    def __init__(self, shaft: Shaft) -> None:
        self._shaft = shaft

    @property
    def stage(self) -> LoadCommand:
        return self._shaft.load

    @property
    def speed_rpm(self) -> float:
        return self._shaft.load_speed_rpm

    @property
    def torque_nm(self) -> float:
        return self._shaft.load_torque_nm

    @property
    def dc_link_v(self) -> float:
        return _LINK_V


class LoadDrive(AxisDrive):
    """The load machine's axis. Its DC link is its own on the mains, not the specimen's."""

    def __init__(self, *, shaft: Shaft, rating: DriveRating) -> None:
        super().__init__(axis=_LoadAxis(shaft), rating=rating)
