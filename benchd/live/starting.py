"""The way from Idle to an enabled bench: permit, devices, ladder, drive limits, zero, limits shown, enable.

Every step is proved by read-back; the first that fails ends the start in one sentence with nothing enabled.
"""

import asyncio
import math
from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from benchd.contract import (
    DriveLimits,
    DriverError,
    SafetyChainReading,
    SinkSettings,
    SupplySettings,
)
from benchd.live.engine import ActFailed
from benchd.live.link_state import LinkState
from benchd.live.plan import PortRef, RunPlan
from benchd.live.proof import drive_objections, ladder_objections
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.live.supervision import chain_objection
from benchd.live.zeroing import Zero, Zeroing
from benchd.rules.limits import Limit, LimitMonitor

FRESH_WITHIN_S = 0.5


class Starter:
    """Readies and enables the bench. Raises `ActFailed` in one sentence; what was enabled until then is the stop's."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._plan = rack.plan

    async def ready(self) -> None:
        """Resetting: every device answers, the chain has no objection, a drive's fault is acknowledged."""
        for name, link in self._rack.links.items():
            if link.state is not LinkState.UP:
                raise ActFailed(f"{name} is not ready: {link.last_error or 'it has not answered yet'}")
        await self._chain_agrees(remote=False)
        await self._do(self._plan.load_drive, lambda drive: drive.clear_fault())

    async def clear_protections(self) -> None:
        """Clearing: acknowledge what the devices have latched; they stay off."""
        await self._do(self._plan.supply, lambda supply: supply.clear_protection())
        await self._do(self._plan.load_drive, lambda drive: drive.clear_fault())

    async def start(self, run: RunPlan) -> tuple[Zero, ...]:
        """Starting: prove, warn, zero, enable. Returns the zeros that are taken off from now on."""
        rack, plan = self._rack, self._plan
        await self._chain_agrees(remote=plan.starting.remote_required)
        await self._warn()
        await self._at_rest()
        await self._prove(run)
        zeros = await self._zero()
        rack.on_event("limits_in_force", limits=[shown(limit) for limit in run.limits])
        loop = asyncio.get_running_loop()
        await self._chain_agrees(remote=plan.starting.remote_required)
        await self._at_rest()
        rack.intake.monitor = LimitMonitor(run.limits, start_mono_s=loop.time())
        rack.energised = True
        rack.in_service.add(plan.sink)
        await self._do(plan.load_drive, lambda drive: drive.enable())
        rack.in_service.add(plan.load_drive)
        await self._do(plan.supply, lambda supply: supply.switch_output(on=True))
        rack.in_service.add(plan.supply)
        rack.setpoints.open(run)
        return zeros

    async def _chain_agrees(self, *, remote: bool) -> None:
        reading = await self._rack.fresh(self._plan.safety_chain, SafetyChainReading, within_s=FRESH_WITHIN_S)
        if reading is None:
            raise ActFailed(f"{self._plan.safety_chain} gives no reading: look at the safety chain's wire.")
        sentence = chain_objection(reading)
        if sentence is not None:
            raise ActFailed(sentence)
        if remote and not reading.remote_selected:
            raise ActFailed("The selector at the bench is on local: turn it to remote to start from here.")

    async def _warn(self) -> None:
        warning_s = self._plan.starting.pre_start_warning_s
        self._rack.on_event("start_warning", seconds=warning_s)
        await asyncio.sleep(warning_s)

    async def _at_rest(self) -> None:
        speed_rpm = self._rack.shaft_speed_rpm()
        if math.isnan(speed_rpm):
            raise ActFailed("No believable shaft speed is read before the start: look at encoder and load drive.")
        if not speed_rpm <= self._plan.stopping.standstill_rpm:
            raise ActFailed(f"The shaft turns at {speed_rpm:.0f} r/min before the start: wait until it rests.")

    async def _prove(self, run: RunPlan) -> None:
        plan, link = self._plan, self._plan.dc_link
        await self._do(plan.supply, lambda supply: supply.set_voltage(0.0, current_limit_a=run.current_limit_a))
        await self._do(plan.supply, lambda supply: supply.set_over_voltage_protection(link.over_voltage_protection_v))
        await self._do(
            plan.sink,
            lambda sink: sink.arm(threshold_v=link.sink_threshold_v, current_limit_a=link.sink_current_limit_a),
        )
        supply: SupplySettings = await self._do(plan.supply, lambda supply: supply.read_settings())
        sink: SinkSettings = await self._do(plan.sink, lambda sink: sink.read_settings())
        drive: DriveLimits = await self._do(plan.load_drive, lambda drive: drive.read_limits())
        self._rack.on_event(
            "ladder",
            supply_highest_v=run.voltage_limit_v,
            sink_threshold_v=sink.threshold_v,
            over_voltage_protection_v=supply.over_voltage_protection_v,
            component_rating_v=link.component_rating_v,
        )
        self._rack.on_event(
            "drive_limits",
            overspeed_rpm=drive.overspeed_rpm,
            torque_limit_nm=drive.torque_limit_nm,
            quick_stop_option=drive.quick_stop_option,
            disable_option=drive.disable_option,
            fault_reaction_option=drive.fault_reaction_option,
        )
        self._refuse(ladder_objections(plan, run, supply=supply, sink=sink))
        self._refuse(drive_objections(plan, run, drive))

    async def _zero(self) -> tuple[Zero, ...]:
        rack, starting = self._rack, self._plan.starting
        rack.intake.set_zeros({})
        zeroing = Zeroing.of(self._plan.channels)
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        while loop.time() < began_s + starting.zero_time_s:
            await asyncio.sleep(LOOK_AGAIN_S)
            zeroing.look(rack.intake.samples, since_mono_s=began_s)
        try:
            zeros = zeroing.zeros()
        except ValueError as error:
            raise ActFailed(str(error)) from None
        for zero in zeros:
            rack.on_event(
                "zero",
                channel=zero.channel,
                value=zero.value,
                standard_uncertainty=zero.standard_uncertainty,
                degrees_of_freedom=zero.degrees_of_freedom,
            )
            if abs(zero.value) > starting.transducer_zero_limit_nm:
                raise ActFailed(
                    f"{zero.channel} shows {zero.value:.4g} at standstill, more than the "
                    f"{starting.transducer_zero_limit_nm:g} N·m allowed: unload the shaft or look at the transducer."
                )
        rack.intake.set_zeros({zero.channel: zero.value for zero in zeros})
        return zeros

    def _refuse(self, sentences: Sequence[str]) -> None:
        if sentences:
            raise ActFailed(" ".join(sentences))

    async def _do(self, ref: PortRef, action: Callable[[Any], Awaitable[Any]]) -> Any:
        try:
            return await self._rack.call(ref, action)
        except DriverError as error:
            raise ActFailed(f"{ref}: {error}") from error


def shown(limit: Limit) -> dict[str, object]:
    """A limit as an event's field."""
    return {
        "channel": limit.channel,
        "bound": limit.bound.value,
        "value": limit.value,
        "delay_s": limit.delay_s,
        "reaction": limit.reaction.name.lower(),
        "origin": limit.origin,
    }
