"""Polls one device at its own rate and brings it its set-points. It never judges an error or a value."""

import asyncio
import math
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from benchd.contract import DriverError, OutOfRange, Reading, Refused, Waveforms
from benchd.live.link import Link
from benchd.live.link_state import Overtaken, sentence_of
from benchd.live.plan import DevicePlan, PortRef
from benchd.live.setpoints import SetPoints
from benchd.rules.moves import Role, Speed, Target, Torque, Voltage, Winding

UNTAKEN_IN_A_ROW = 3  # set-points without confirmation after which the device counts as not following


class Poller:
    """Reads every port of one device, hands readings up, sends due set-points, and beats where it is asked to.

    A port of waveforms has no reading and is not polled.

    `on_refusal` is told in one sentence when the device will not take a set-point: at once when it says so, else when
    it has confirmed none for `UNTAKEN_IN_A_ROW` polls. Lost links and wrong replies of readings are the link's to mend;
    the monitor sees their silence. `on_broken` is told once when a driver fails outside its contract; that is silence
    too, and ends nothing else.
    """

    def __init__(
        self,
        device: DevicePlan,
        link: Link,
        *,
        roles: Mapping[Role, PortRef],
        setpoints: SetPoints,
        on_reading: Callable[[PortRef, Reading], None],
        on_refusal: Callable[[PortRef, str], None],
        on_broken: Callable[[PortRef, str], None],
        beat: Callable[[], Awaitable[None]] | None = None,
        phase: float = 0.0,
    ) -> None:
        self.device = device
        self._link = link
        self._ports = tuple(
            PortRef(device.name, port) for port, capability in device.ports.items() if capability is not Waveforms
        )
        self._roles = {role: ref for role, ref in roles.items() if ref.device == device.name}
        self._setpoints = setpoints
        self._on_reading = on_reading
        self._on_refusal = on_refusal
        self._on_broken = on_broken
        self._beat = beat
        self.beat_refused = ""  # why the last heartbeat was not taken
        self._phase = phase
        self.untaken = 0  # set-points in a row that the device has not confirmed
        self._untaken_says = ""
        self._sending = False
        self._broken_told = False
        self.says = ""  # why the last reading did not come, in the driver's words; empty after one that did
        self.heard_mono_s = -float("inf")
        self.busy = False  # with a poll and what follows from it

    @property
    def trouble(self) -> str:
        """What goes wrong with this device just now, in the driver's words: set-points before readings, or ""."""
        if self._untaken_says:
            return f"it did not take a set-point: {self._untaken_says}"
        return "it has not confirmed its last set-point" if self._sending else self.says

    async def run(self) -> None:
        """Poll until cancelled, on absolute deadlines; a poll that took too long is followed by the next one due.

        `phase`, a share of the period, keeps devices of one rate from all being polled in one burst.
        """
        loop = asyncio.get_running_loop()
        period_s = 1.0 / self.device.poll_hz
        due_s = loop.time() + self._phase * period_s
        await asyncio.sleep(self._phase * period_s)
        while True:
            self.busy = True
            await self.poll_once()
            self.busy = False
            due_s = max(due_s + period_s, loop.time() - period_s)
            await asyncio.sleep(max(0.0, due_s - loop.time()))

    async def poll_once(self) -> None:
        """One look at every port, then what is due. Of a device it was heard only when each of its ports was."""
        heard_mono_s = math.inf
        for ref in self._ports:
            reading = await self._look(ref)
            if reading is None:
                return
            heard_mono_s = min(heard_mono_s, reading.taken_mono_s)
            self._on_reading(ref, reading)
        if math.isfinite(heard_mono_s):
            self.heard_mono_s, self.says = heard_mono_s, ""
        if self._beat is not None:
            try:
                await self._beat()
            except DriverError as error:
                self.beat_refused = str(error)
                return
            self.beat_refused = ""
        for role, ref in self._roles.items():
            target = self._setpoints.due(role)
            if target is not None:
                await self._send(role, ref, target)

    async def _look(self, ref: PortRef) -> Reading | None:
        try:
            reading: Reading = await self._link.call(ref.port, _read)
        except DriverError as error:
            self.says = str(error)
            return None
        except Exception as error:  # noqa: BLE001 - a defect in one driver must not end the polling of the others
            self._tell_broken(ref, error)
            return None
        return reading

    async def _send(self, role: Role, ref: PortRef, target: Target) -> None:
        before = self._setpoints.last_confirmed(role)
        # Contacts take longer than an answer: as long as bringing them to their safe state may take.
        deadline_s = self.device.safe_time_s if isinstance(target, Winding) else None
        self._sending = True
        try:
            await self._link.call(ref.port, sending(target, before=before), deadline_s=deadline_s)
        except Overtaken:
            return
        except (OutOfRange, Refused) as error:
            self._not_taken(ref, str(error), at_once=True)
        except DriverError as error:
            self._not_taken(ref, str(error))
        except Exception as error:  # noqa: BLE001 - as in _look
            self._tell_broken(ref, error)
            self._not_taken(ref, sentence_of(self.device.name, error))
        else:
            self.untaken = 0
            self._untaken_says = ""
            self._setpoints.confirmed(role, target)
        finally:
            self._sending = False

    def _not_taken(self, ref: PortRef, sentence: str, *, at_once: bool = False) -> None:
        self.untaken += 1
        self._untaken_says = sentence
        if at_once or self.untaken % UNTAKEN_IN_A_ROW == 0:
            self._on_refusal(ref, sentence)

    def _tell_broken(self, ref: PortRef, error: Exception) -> None:
        if not self._broken_told:
            self._broken_told = True
            self._on_broken(ref, sentence_of(self.device.name, error))


async def _read(port: Any) -> Reading:
    reading: Reading = await port.read()
    return reading


def sending(target: Target, *, before: Target | None = None) -> Callable[[Any], Awaitable[None]]:
    """The driver call that carries a target; `before` is what the device has taken last.

    A winding's contacts are moved by one call and its current is set by another: a target that asks for another pair
    must ask for no current.
    """
    match target:
        case Voltage(voltage_v=voltage_v, current_limit_a=current_a):
            return lambda port: port.set_voltage(voltage_v, current_limit_a=current_a)
        case Torque(torque_nm=torque_nm, speed_limit_rpm=speed_rpm):
            return lambda port: port.follow_torque(torque_nm, speed_limit_rpm=speed_rpm)
        case Speed(speed_rpm=speed_rpm, torque_limit_nm=torque_nm):
            return lambda port: port.follow_speed(speed_rpm, torque_limit_nm=torque_nm)
        case Winding(pair=0):
            return lambda port: port.disconnect()
        case Winding(pair=pair, current_a=current_a):
            if isinstance(before, Winding) and before.pair == pair:
                return lambda port: port.set_current(current_a)
            if current_a != 0.0:
                raise ValueError(f"The pair {pair} would be connected with {current_a:g} A flowing; nothing was sent.")
            return lambda port: port.connect(pair)
