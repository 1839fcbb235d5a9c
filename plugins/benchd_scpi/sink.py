"""An electronic load's input over SCPI. It must never stop absorbing except by `disarm`."""

import math

from benchd.contract import OutOfRange, SinkReading, SinkSettings
from benchd_scpi import message
from benchd_scpi.instrument import Instrument
from benchd_scpi.session import Session
from benchd_scpi.settings import ScpiSinkSettings

CONSTANT_VOLTAGE = "VOLTage"


class SinkInput:
    """One load input that keeps the DC link below a threshold."""

    def __init__(self, session: Session, settings: ScpiSinkSettings) -> None:
        self._session = session
        self._settings = settings
        headers = self._headers = settings.headers
        self._input_query = f"{headers.input}?"
        self._tripped_query = f"{headers.tripped}?"
        self._read_message = message.compose(
            f"{headers.measured_voltage}?", f"{headers.measured_current}?", self._input_query, self._tripped_query
        )
        self._settings_message = message.compose(
            f"{headers.voltage}?", f"{headers.current_limit}?", self._input_query, f"{headers.function}?"
        )

    async def read(self) -> SinkReading:
        """Voltage, current, input and protection state in one exchange."""
        (voltage_v, current_a, input_on, tripped), taken_mono_s = await self._session.ask(
            self._read_message, message.two_numbers_two_flags
        )
        return SinkReading(
            voltage_v=voltage_v,
            current_a=current_a,
            input_on=input_on,
            tripped=tripped,
            taken_mono_s=taken_mono_s,
        )

    async def read_settings(self) -> SinkSettings:
        """Threshold, current limit and whether it is armed: input on in constant-voltage mode."""
        (threshold_v, current_a, input_on, function), _ = await self._session.ask(
            self._settings_message, message.two_numbers_flag_keyword
        )
        return SinkSettings(
            armed=input_on and message.same_keyword(function, CONSTANT_VOLTAGE),
            threshold_v=threshold_v,
            current_limit_a=current_a,
        )

    async def arm(self, *, threshold_v: float, current_limit_a: float) -> None:
        """Constant-voltage mode at the threshold, then input on, read back: it conducts only above the threshold.

        Where the device has a communication watchdog, it is switched off first and read back: an input that goes off
        with the wire would leave the energy of a braking machine nowhere to go. Raises `OutOfRange` before sending,
        `DeviceFault` where one of its own protections keeps the input off.
        """
        settings, headers = self._settings, self._headers
        self._within("threshold", threshold_v, settings.max_voltage_v, "V")
        self._within("current limit", current_limit_a, settings.max_current_a, "A")
        if (watchdog := headers.communication_watchdog) is not None:
            await self._session.put([f"{watchdog} 0"], [message.is_number(f"{watchdog}?", 0.0, within=0.0, unit="s")])
        await self._session.put(
            [
                f"{headers.function} {CONSTANT_VOLTAGE[:4]}",
                f"{headers.voltage} {message.decimal(threshold_v)}",
                f"{headers.current_limit} {message.decimal(current_limit_a)}",
                f"{headers.input} ON",
            ],
            [
                message.is_keyword(f"{headers.function}?", CONSTANT_VOLTAGE),
                message.is_number(f"{headers.voltage}?", threshold_v, within=settings.voltage_resolution_v, unit="V"),
                message.is_number(
                    f"{headers.current_limit}?", current_limit_a, within=settings.current_resolution_a, unit="A"
                ),
                message.is_flag(self._input_query, True),
                message.is_flag(self._tripped_query, False, fault=True),
            ],
        )

    async def disarm(self) -> None:
        """Input off, read back. Only for a discharged link at standstill."""
        await self._session.put([f"{self._headers.input} OFF"], [message.is_flag(self._input_query, False)])

    def _within(self, what: str, value: float, bound: float, unit: str) -> None:
        if not (math.isfinite(value) and 0.0 < value <= bound):
            raise OutOfRange(
                f"The {self._session.device} was to be given a {what} of {value:g} {unit}, which is not above 0 and up "
                f"to {bound:g} {unit}: nothing was sent; see its limits in the bench file."
            )


def sink(settings: ScpiSinkSettings) -> Instrument:
    """A driver with the port "input"; leaving it changes nothing, so an armed sink keeps absorbing."""
    session = Session(settings, kind="sink", error_query=f"{settings.headers.error}?")
    return Instrument(session, {"input": SinkInput(session, settings)})
