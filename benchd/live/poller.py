"""Polls one device at its own rate and brings it its set-points. It never judges an error or a value."""

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

from benchd.contract import DriverError, OutOfRange, Reading, Refused
from benchd.live.link import Link
from benchd.live.link_state import Overtaken
from benchd.live.plan import DevicePlan, PortRef
from benchd.live.setpoints import SetPoints
from benchd.rules.moves import Role, Speed, Target, Torque, Voltage


class Poller:
    """Reads every port of one device, hands readings up, sends due set-points, and beats where it is asked to.

    `on_refusal` is told in one sentence when the device will not take a set-point. Lost links and wrong replies are the
    link's to mend; the monitor sees their silence.
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
        beat: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        self.device = device
        self._link = link
        self._ports = tuple(PortRef(device.name, port) for port in device.ports)
        self._roles = {role: ref for role, ref in roles.items() if ref.device == device.name}
        self._setpoints = setpoints
        self._on_reading = on_reading
        self._on_refusal = on_refusal
        self._beat = beat
        self.heard_mono_s = -float("inf")

    async def run(self) -> None:
        """Poll until cancelled, on absolute deadlines; a poll that took too long is followed by the next one due."""
        loop = asyncio.get_running_loop()
        period_s = 1.0 / self.device.poll_hz
        due_s = loop.time()
        while True:
            await self.poll_once()
            due_s = max(due_s + period_s, loop.time() - period_s)
            await asyncio.sleep(max(0.0, due_s - loop.time()))

    async def poll_once(self) -> None:
        """One look at every port, then what is due."""
        try:
            for ref in self._ports:
                reading = await self._link.call(ref.port, _read)
                self.heard_mono_s = reading.taken_mono_s
                self._on_reading(ref, reading)
            if self._beat is not None:
                await self._beat()
        except DriverError:
            return
        for role, ref in self._roles.items():
            target = self._setpoints.due(role)
            if target is not None:
                await self._send(role, ref, target)

    async def _send(self, role: Role, ref: PortRef, target: Target) -> None:
        try:
            await self._link.call(ref.port, sending(target))
        except Overtaken:
            return
        except (OutOfRange, Refused) as error:
            self._on_refusal(ref, str(error))
        except DriverError:
            return
        else:
            self._setpoints.confirmed(role, target)


async def _read(port: Any) -> Reading:
    reading: Reading = await port.read()
    return reading


def sending(target: Target) -> Callable[[Any], Awaitable[None]]:
    """The driver call that carries a target."""
    match target:
        case Voltage(voltage_v=voltage_v, current_limit_a=current_a):
            return lambda port: port.set_voltage(voltage_v, current_limit_a=current_a)
        case Torque(torque_nm=torque_nm, speed_limit_rpm=speed_rpm):
            return lambda port: port.follow_torque(torque_nm, speed_limit_rpm=speed_rpm)
        case Speed(speed_rpm=speed_rpm, torque_limit_nm=torque_nm):
            return lambda port: port.follow_speed(speed_rpm, torque_limit_nm=torque_nm)
