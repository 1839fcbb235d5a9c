"""A drive as a device: entering, leaving, reconnecting. The axis does the rest; nothing is enabled here."""

from collections.abc import Mapping
from types import TracebackType

from benchd.contract import DriverError
from benchd_modbus.axis import Axis
from benchd_modbus.connection import Connection
from benchd_modbus.settings import ModbusDriveSettings


class ModbusDrive:
    """A drive with one axis. Leaving removes its torque."""

    def __init__(self, settings: ModbusDriveSettings) -> None:
        self._connection = Connection(settings, what="drive")
        self._axis = Axis(self._connection, settings)
        self._inside = False

    async def __aenter__(self) -> Mapping[str, Axis]:
        """Open, check the identity and read the rated torque; changes nothing on the drive."""
        try:
            await self._connection.open(self._axis.look_first)
        except BaseException:
            await self._connection.close()
            raise
        self._inside = True
        return {"axis": self._axis}

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Remove torque and close; idempotent. Raises only when nothing else is on its way up."""
        if not self._inside:
            return
        self._inside = False
        try:
            await self._axis.make_safe()
        except DriverError as unsafe:
            if error is None:
                raise
            error.add_note(f"While leaving: {unsafe}")
        finally:
            await self._connection.close()

    async def reconnect(self) -> None:
        """Replace the connection and check the identity again; removes no torque and changes no setting."""
        await self._connection.open(self._axis.look_first)


def drive(settings: ModbusDriveSettings) -> ModbusDrive:
    """The driver that the manifest names."""
    return ModbusDrive(settings)
