"""A DC supply's output over SCPI. It must never switch on by itself or remember what the device can be asked for."""

import math

from benchd.contract import OutOfRange, SupplyReading, SupplySettings
from benchd_scpi import message
from benchd_scpi.instrument import Instrument
from benchd_scpi.session import Session
from benchd_scpi.settings import ScpiSupplySettings

WATCHDOG_RESOLUTION = 0.01  # of its period: devices count it in steps of their own


class SupplyOutput:
    """One supply output; safe is: output off."""

    def __init__(self, session: Session, settings: ScpiSupplySettings) -> None:
        self._session = session
        self._settings = settings
        headers = self._headers = settings.headers
        self._output_query = f"{headers.output}?"
        self._tripped_query = f"{headers.tripped}?"
        self._off = [f"{headers.output} OFF"]
        self._read_message = message.compose(
            f"{headers.measured_voltage}?",
            f"{headers.measured_current}?",
            self._output_query,
            self._tripped_query,
        )
        self._settings_message = message.compose(
            f"{headers.voltage}?", f"{headers.current}?", f"{headers.over_voltage_protection}?", self._output_query
        )

    async def read(self) -> SupplyReading:
        """Voltage, current, output and protection state in one exchange."""
        (voltage_v, current_a, output_on, tripped), taken_mono_s = await self._session.ask(
            self._read_message, message.two_numbers_two_flags
        )
        return SupplyReading(
            voltage_v=voltage_v,
            current_a=current_a,
            output_on=output_on,
            tripped=tripped,
            taken_mono_s=taken_mono_s,
        )

    async def read_settings(self) -> SupplySettings:
        """Set-points and protection as the device holds them."""
        (voltage_v, current_a, protection_v, output_on), _ = await self._session.ask(
            self._settings_message, message.three_numbers_one_flag
        )
        return SupplySettings(
            voltage_v=voltage_v,
            current_limit_a=current_a,
            over_voltage_protection_v=protection_v,
            output_on=output_on,
        )

    async def set_voltage(self, voltage_v: float, *, current_limit_a: float) -> None:
        """Set both set-points, read back within the resolution. Raises `OutOfRange` before sending."""
        settings, headers = self._settings, self._headers
        self._within("voltage", voltage_v, settings.max_voltage_v, "V")
        self._within("current limit", current_limit_a, settings.max_current_a, "A")
        await self._session.put(
            [
                f"{headers.voltage} {message.decimal(voltage_v)}",
                f"{headers.current} {message.decimal(current_limit_a)}",
            ],
            [
                message.is_number(f"{headers.voltage}?", voltage_v, within=settings.voltage_resolution_v, unit="V"),
                message.is_number(
                    f"{headers.current}?", current_limit_a, within=settings.current_resolution_a, unit="A"
                ),
            ],
        )

    async def set_over_voltage_protection(self, voltage_v: float) -> None:
        """Set the hardware over-voltage protection, read back within the resolution."""
        settings, header = self._settings, self._headers.over_voltage_protection
        self._within("over-voltage protection", voltage_v, settings.protection_bound_v, "V")
        await self._session.put(
            [f"{header} {message.decimal(voltage_v)}"],
            [message.is_number(f"{header}?", voltage_v, within=settings.voltage_resolution_v, unit="V")],
        )

    async def switch_output(self, *, on: bool) -> None:
        """Switch the output, read back. Raises `DeviceFault` where a protection keeps it off.

        Where the device has a communication watchdog, it is armed and read back before anything is switched on. It
        stays armed when the output is off, and has nothing to take away then.
        """
        if not on:
            await self._session.put(self._off, [message.is_flag(self._output_query, False)])
            return
        if (watchdog := self._headers.communication_watchdog) is not None:
            period_s = self._settings.watchdog_s
            await self._session.put(
                [f"{watchdog} {message.decimal(period_s)}"],
                [message.is_number(f"{watchdog}?", period_s, within=WATCHDOG_RESOLUTION * period_s, unit="s")],
            )
        await self._session.put(
            [f"{self._headers.output} ON"],
            [
                message.is_flag(self._output_query, True),
                message.is_flag(self._tripped_query, False, fault=True),
            ],
        )

    async def clear_protection(self) -> None:
        """Clear a tripped protection; the output is off afterwards, also where the device would switch it on again.

        Raises `DeviceFault` where the protection trips again at once.
        """
        await self._session.put(
            [*self._off, self._headers.clear_protection, *self._off],
            [
                message.is_flag(self._output_query, False),
                message.is_flag(self._tripped_query, False, fault=True),
            ],
        )

    async def make_safe(self) -> None:
        """Output off, read back, whatever the connection is doing."""
        await self._session.insist(self._off, [message.is_flag(self._output_query, False)])

    def _within(self, what: str, value: float, bound: float, unit: str) -> None:
        if not (math.isfinite(value) and 0.0 <= value <= bound):
            raise OutOfRange(
                f"The {self._session.device} was to be given a {what} of {value:g} {unit}, which is outside 0 to "
                f"{bound:g} {unit}: nothing was sent; see its limits in the bench file."
            )


def supply(settings: ScpiSupplySettings) -> Instrument:
    """A driver with the port "output"; leaving it switches the output off."""
    session = Session(settings, kind="supply", error_query=f"{settings.headers.error}?")
    output = SupplyOutput(session, settings)
    return Instrument(session, {"output": output}, before_leaving=output.make_safe)
