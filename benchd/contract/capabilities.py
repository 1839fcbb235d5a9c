"""What a port can do, as small Protocols, and what a driver is.

A driver holds no retry, lock, backoff or background logging: the link above gives each device one lane, one call at a
time and a deadline. Every call may be cancelled at any await point; whatever the driver had on the wire then must not
become the reply to a later call: a driver that was cancelled or timed out in a call marks its connection as spoiled,
and either `reconnect()` or `make_safe()` replaces it before anything else is sent.

Writes are confirmed: a call that sets something reads it back and raises `ReplyWrong` when it differs.
"""

from collections.abc import Mapping
from types import TracebackType
from typing import Protocol, runtime_checkable

from benchd.contract.readings import (
    DriveLimits,
    DriveParameters,
    DriveReading,
    MeasuringReading,
    PowerReading,
    ResistanceReading,
    SafetyChainReading,
    SampleBlock,
    SinkReading,
    SinkSettings,
    SupplyReading,
    SupplySettings,
    ThermometersReading,
)


@runtime_checkable
class Energises(Protocol):
    """A port that can bring energy onto the shaft or into the link."""

    async def make_safe(self) -> None:
        """Bring the port to its de-energised state and confirm it by read-back.

        Legal at any time, twice, and while another call is stuck: it abandons a spoiled or busy connection, opens a
        new one and writes. Returns within the manifest's `safe_time_s`. Raises `LinkLost`, `ReplyWrong` or `Refused`
        when the device does not confirm.
        """


@runtime_checkable
class Supply(Energises, Protocol):
    """One DC supply output. Safe is: output off."""

    async def read(self) -> SupplyReading:
        """Voltage, current, output and protection state in one exchange."""

    async def read_settings(self) -> SupplySettings:
        """Set-points and protection as the device holds them."""

    async def set_voltage(self, voltage_v: float, *, current_limit_a: float) -> None:
        """Set both set-points, read back. Raises `OutOfRange` before sending."""

    async def set_over_voltage_protection(self, voltage_v: float) -> None:
        """Set the hardware over-voltage protection, read back."""

    async def switch_output(self, *, on: bool) -> None:
        """Switch the output, read back."""

    async def clear_protection(self) -> None:
        """Clear a tripped protection; the output stays off."""


@runtime_checkable
class Sink(Protocol):
    """One electronic load that takes energy out of the DC link.

    It cannot energise, so leaving it leaves it absorbing.
    """

    async def read(self) -> SinkReading:
        """Voltage, current, input and protection state in one exchange."""

    async def read_settings(self) -> SinkSettings:
        """Mode, threshold and input state as the device holds them."""

    async def arm(self, *, threshold_v: float, current_limit_a: float) -> None:
        """Constant-voltage mode at `threshold_v`, input on, read back: it conducts only above the threshold."""

    async def disarm(self) -> None:
        """Input off, read back. Only for a discharged link at standstill."""


@runtime_checkable
class Drive(Energises, Protocol):
    """A drive axis that follows speed or torque, always bounded by the other. Safe is: no torque, power stage off."""

    async def read(self) -> DriveReading:
        """State, speed, torque, link voltage, winding temperature in one exchange."""

    async def read_limits(self) -> DriveLimits:
        """Overspeed, torque limit and stop options that the drive holds by itself."""

    async def enable(self) -> None:
        """Walk the CiA 402 state machine to Operation enabled with zero torque as target.

        Raises `Refused` when the drive stays in a state, `DeviceFault` when it is in Fault.
        """

    async def disable(self) -> None:
        """Leave Operation enabled by the drive's own disable option; confirmed by the statusword."""

    async def follow_speed(self, speed_rpm: float, *, torque_limit_nm: float) -> None:
        """Follow a speed, never with more than this torque. Read back."""

    async def follow_torque(self, torque_nm: float, *, speed_limit_rpm: float) -> None:
        """Follow a torque, never beyond this speed. Read back.

        House signs: a load drive brakes a specimen that motors in the positive direction with a positive number.
        """

    async def clear_fault(self) -> None:
        """Acknowledge a fault by the rising edge of the reset bit; the drive stays disabled."""


@runtime_checkable
class TellsParameters(Protocol):
    """An optional part of a `Drive`: what it was commissioned with. Its `PortSpec` names what it tells."""

    async def read_parameters(self) -> DriveParameters:
        """All parameters that the port spec names, as the drive holds them now; changes nothing."""


@runtime_checkable
class MeasuringUnit(Protocol):
    """A measuring unit's inputs: averaged values now."""

    async def read(self) -> MeasuringReading:
        """The latest averaged value of every input in one exchange."""


@runtime_checkable
class Waveforms(Protocol):
    """The sample stream of a measuring unit: it buffers samples while it runs, and a block takes out what is there."""

    async def start(self) -> None:
        """Start the stream anew at the rate in the settings, counting samples from 0; confirmed by read-back."""

    async def read_block(self) -> SampleBlock:
        """All samples since the last block, possibly none. Raises `Refused` while the stream does not run."""

    async def stop(self) -> None:
        """End the stream; legal at any time and twice."""


@runtime_checkable
class PowerAnalyser(Protocol):
    """A power analyser: integrated values of a stated bandwidth. The power of a modulated voltage is read from it."""

    async def read(self) -> PowerReading:
        """The latest result in one exchange."""


@runtime_checkable
class ResistanceMeter(Energises, Protocol):
    """A four-wire resistance meter with a bounded current of either sign and contacts of its own.

    It opens the specimen's power leads before it connects itself. Safe is: no current and nothing connected; the power
    leads stay as they are then.
    """

    async def read(self) -> ResistanceReading:
        """Voltage, current and contacts in one exchange."""

    async def connect(self, pair: int) -> None:
        """Open the power leads, see them open, then connect this pair (12, 23 or 13) without current.

        Raises `Refused`, with nothing connected, when the power leads stay closed.
        """

    async def set_current(self, current_a: float) -> None:
        """Send this current through the connected pair, read back. Raises `OutOfRange` before sending."""

    async def disconnect(self) -> None:
        """No current, nothing connected, power leads closed again; each step read back."""


@runtime_checkable
class Thermometers(Protocol):
    """A group of thermometers."""

    async def read(self) -> ThermometersReading:
        """All temperatures in one exchange."""


@runtime_checkable
class SafetyChain(Protocol):
    """The hardware safety chain: read only, plus a heartbeat and the request to open; it is never asked to close."""

    async def read(self) -> SafetyChainReading:
        """All inputs in one exchange."""

    async def beat(self, *, high: bool) -> None:
        """Write the heartbeat coil; the chain opens by itself when it stops changing."""

    async def withdraw_permit(self) -> None:
        """Ask the chain to open; confirmed by the permit read back as gone. Only a person can close it again."""


@runtime_checkable
class AnnouncesStart(Protocol):
    """What a safety chain may have besides: an output for a horn or lamp that warns people before a start."""

    @property
    def announces_start(self) -> bool:
        """Whether this chain has the output; without it `announce_start` is not called."""

    async def announce_start(self, *, on: bool) -> None:
        """Switch the output, read back. It warns and does nothing else: no chain is opened or closed by it."""


Port = Supply | Sink | Drive | MeasuringUnit | Waveforms | PowerAnalyser | ResistanceMeter | Thermometers | SafetyChain
Capability = (
    type[Supply]
    | type[Sink]
    | type[Drive]
    | type[MeasuringUnit]
    | type[Waveforms]
    | type[PowerAnalyser]
    | type[ResistanceMeter]
    | type[Thermometers]
    | type[SafetyChain]
)


class Driver(Protocol):
    """A device: an async context manager that yields its ports by name.

    Entering opens the connection, checks the device's identity and changes nothing on the device; if it fails it leaves
    nothing open. Leaving removes energy and closes; it is idempotent and bounded by the manifest's `safe_time_s`.
    """

    async def __aenter__(self) -> Mapping[str, Port]:
        """Open and identify. Raises `LinkLost` for an absent device, `Refused` for a wrong identity."""

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Remove energy where the port can energise, close the connection."""

    async def reconnect(self) -> None:
        """Replace the connection, and nothing else: no energy is removed, no setting is changed.

        Called by the link alone, after a late or wrong reply or a cancelled call. Identity is checked again.
        """
