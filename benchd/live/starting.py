"""The way from Idle to an enabled bench: permit, devices, ladder, drive limits, zero, limits shown, enable.

Every step is proved by read-back; the first that fails ends the start in one sentence with nothing enabled. Tests that
are played with nothing energised come between the proof and the enabling.
"""

import asyncio
import math
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from typing import Any

from benchd.contract import (
    DriveLimits,
    DriveParameters,
    DriveReading,
    DriverError,
    DriveState,
    SafetyChainReading,
    SinkSettings,
    SupplyReading,
    SupplySettings,
    TellsParameters,
)
from benchd.live.engine import ActFailed
from benchd.live.link_state import LinkState
from benchd.live.plan import ExpectedSet, PortRef, RunPlan
from benchd.live.proof import drive_objections, ladder_objections, parameter_objection
from benchd.live.rack import LOOK_AGAIN_S, Rack
from benchd.live.release import released_at_the_bench, warned
from benchd.live.supervision import chain_objection
from benchd.live.zeroing import Zero, Zeroing
from benchd.rules.limits import Bound, Limit, LimitMonitor, Reaction
from benchd.rules.moves import Role
from benchd.rules.parameter_set import sha256_of

FRESH_WITHIN_S = 0.5
METER_WITHIN_S = 5.0  # for the resistance meter to take its last set-points before the bench is enabled
TORQUE_UNIT = "N·m"


class Starter:
    """Readies and enables the bench. Raises `ActFailed` in one sentence; what was enabled until then is the stop's."""

    def __init__(self, rack: Rack) -> None:
        self._rack = rack
        self._plan = rack.plan

    async def ready(self) -> None:
        """Resetting: every device answers, the chain has no objection, what they have latched is acknowledged.

        Clear is not possible in Stopped, and a supply whose protection tripped at rest would trip each start.
        """
        for name, link in self._rack.links.items():
            if link.state is not LinkState.UP:
                raise ActFailed(f"{name} is not ready: {link.last_error or 'it has not answered yet'}")
        await self._chain_agrees(remote=False)
        await self.clear_protections()

    async def clear_protections(self) -> None:
        """Clearing, and before Idle: acknowledge what the devices have latched; they stay off."""
        await self._do(self._plan.supply, lambda supply: supply.clear_protection())
        for ref in self._plan.drives:
            await self._do(ref, lambda drive: drive.clear_fault())

    async def start(self, run: RunPlan, *, energise: bool = True) -> tuple[Zero, ...]:
        """Starting: release at the bench, warn, prove, zero, then enable, or only put the meter into service.

        Returns the zeros that are taken off from now on. Without `energise` supply and drives are proved off, and
        `enable` follows later.
        """
        rack, plan = self._rack, self._plan
        rack.setpoints.expect(run)
        rack.intake.expect(run.derivations)
        await self._chain_agrees(remote=plan.starting.remote_required)
        agreed_s = asyncio.get_running_loop().time()
        await released_at_the_bench(rack)
        await warned(rack)
        await self._at_rest()
        await self._prove(run)
        zeros = await self._zero(run)
        await self._watched(run)
        rack.on_event("limits_in_force", limits=[shown(limit) for limit in run.limits])
        loop = asyncio.get_running_loop()
        await self._chain_agrees(remote=plan.starting.remote_required)
        await self._at_rest()
        if not energise:
            await self._proved_off()
        if rack.chain_objected_s > agreed_s:
            raise ActFailed(
                "The safety chain was open or its selector on local for a moment while the start was prepared, so "
                "nothing was started: look that nobody can be reached, and start again."
            )
        rack.intake.begin(LimitMonitor(run.limits, start_mono_s=loop.time()), time_mono_s=loop.time())
        rack.energised = True
        rack.in_service.add(plan.sink)
        if energise:
            await self._enable(run)
        else:
            self._measure(run)
        return zeros

    async def enable(self, run: RunPlan) -> None:
        """Enable after tests that were played with nothing energised; may be called anew where it was cut short.

        People are warned and ladder and drives are proved once more: minutes have passed. The meter is disconnected
        and the power leads are closed, both read back, before anything is switched on.
        """
        await self._meter_at_rest()
        self._rack.setpoints.close()
        await self._chain_agrees(remote=self._plan.starting.remote_required)
        await warned(self._rack)
        await self._prove(run)
        await self._watched(run)
        await self._at_rest()
        await self._chain_agrees(remote=self._plan.starting.remote_required)
        await self._enable(run)

    def _measure(self, run: RunPlan) -> None:
        rack, meter = self._rack, self._plan.resistance_meter
        rack.measuring = True
        if meter is not None:
            rack.in_service.add(meter)
        rack.setpoints.open(run, roles=() if meter is None else (Role.RESISTANCE_METER,))

    async def _meter_at_rest(self) -> None:
        """The meter has taken what its test asked for last: no current, nothing connected."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + METER_WITHIN_S
        while not self._rack.setpoints.taken:
            if loop.time() > until_s:
                raise ActFailed(
                    f"{self._plan.resistance_meter} did not take its last set-point within {METER_WITHIN_S:g} s: "
                    "look at the meter."
                )
            await asyncio.sleep(LOOK_AGAIN_S)

    async def _enable(self, run: RunPlan) -> None:
        """Load drive, supply at 0 V, motor drive, each without torque or voltage; then set-points are let through.

        What is in service already is not switched again. The load drive comes first: it can brake whatever turns.
        """
        rack, plan = self._rack, self._plan
        if plan.resistance_meter is not None:
            await self._do(plan.resistance_meter, lambda meter: meter.disconnect(), safe_time=True)
            rack.in_service.add(plan.resistance_meter)
        rack.measuring = False
        if plan.load_drive not in rack.in_service:
            await self._do(plan.load_drive, lambda drive: drive.enable())
            rack.in_service.add(plan.load_drive)
        if plan.supply not in rack.in_service:
            await self._do(plan.supply, lambda supply: supply.switch_output(on=True))
            rack.in_service.add(plan.supply)
        if plan.motor_drive is not None and plan.motor_drive not in rack.in_service:
            await self._do(plan.motor_drive, lambda drive: drive.enable())
            rack.in_service.add(plan.motor_drive)
        rack.setpoints.open(run)

    async def _proved_off(self) -> None:
        """Supply and drives show by a fresh reading that they are off."""
        rack, plan = self._rack, self._plan
        supply = await rack.fresh(plan.supply, SupplyReading, within_s=FRESH_WITHIN_S)
        if supply is None or supply.output_on:
            raise ActFailed(f"{plan.supply} does not show that its output is off: switch it off at its panel.")
        for ref in plan.drives:
            drive = await rack.fresh(ref, DriveReading, within_s=FRESH_WITHIN_S)
            if drive is None or drive.state is DriveState.OPERATION_ENABLED:
                raise ActFailed(f"{ref} does not show that its power stage is off: switch it off at its panel.")

    async def _chain_agrees(self, *, remote: bool) -> None:
        reading = await self._rack.fresh(self._plan.safety_chain, SafetyChainReading, within_s=FRESH_WITHIN_S)
        if reading is None:
            raise ActFailed(f"{self._plan.safety_chain} gives no reading: look at the safety chain's wire.")
        sentence = chain_objection(reading)
        if sentence is not None:
            raise ActFailed(sentence)
        if remote and not reading.remote_selected:
            raise ActFailed("The selector at the bench is on local: turn it to remote to start from here.")

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
        self._rack.on_event(
            "ladder",
            supply_highest_v=run.voltage_limit_v,
            sink_threshold_v=sink.threshold_v,
            over_voltage_protection_v=supply.over_voltage_protection_v,
            component_rating_v=link.component_rating_v,
        )
        objections = ladder_objections(plan, run, supply=supply, sink=sink)
        for ref in plan.drives:
            drive: DriveLimits = await self._do(ref, lambda drive: drive.read_limits())
            self._rack.on_event(
                "drive_limits",
                port=str(ref),
                overspeed_rpm=drive.overspeed_rpm,
                torque_limit_nm=drive.torque_limit_nm,
                quick_stop_option=drive.quick_stop_option,
                disable_option=drive.disable_option,
                fault_reaction_option=drive.fault_reaction_option,
            )
            objections += drive_objections(plan, run, drive, drive=ref)
        changed = [sentence for ref in plan.drives if (sentence := await self._parameters(ref, run)) is not None]
        self._refuse(objections or changed)  # what a drive leaves open counts whatever a file says of it

    async def _parameters(self, ref: PortRef, run: RunPlan) -> str | None:
        """Read and tell what a drive was commissioned with; a sentence where it is not what is expected of it."""
        plan = self._plan
        stated = plan.expected_parameters.get(ref)
        told: DriveParameters | None = await self._do(ref, _parameters_of)
        values = {} if told is None else dict(told.values)
        more = {"sha256": sha256_of(values)} if values else {}
        if told is None:
            more["note"] = f"The driver of {ref} tells no parameters: not compared."
        elif stated is None:
            more["note"] = f"The bench file states no parameters of {ref}: not compared."
        self._rack.on_event("drive_parameters", port=str(ref), parameters=values, **more)
        expected = stated or ExpectedSet()
        if ref == plan.motor_drive:
            own = tuple(one for one in run.specimen_parameters if one.name in values)
            expected = replace(expected, values=(*expected.values, *own))
        return parameter_objection(ref, values, expected)

    async def _watched(self, run: RunPlan) -> None:
        """Every channel that may not be silent gives a good reading now: what is blind at the start trips late.

        Waits for it as long as the channel's age may be, for a slow device is polled seldom.
        """
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        stale = (limit for limit in run.limits if limit.bound is Bound.STALE and limit.reaction is not Reaction.WARN)
        origins = {limit.channel: limit.origin for limit in stale}
        channels = [channel for channel in self._plan.channels if channel.name in origins]
        while blind := [channel for channel in channels if math.isnan(self._rack.believed(channel.name))]:
            if loop.time() > began_s + max(channel.age_limit_s for channel in blind):
                self._refuse(
                    [
                        f"{channel.name} gives no good reading from {channel.device}, and it is watched (limit from "
                        f"{origins[channel.name]}): look at {channel.device}, its sensor and its wire."
                        for channel in blind
                    ]
                )
            await asyncio.sleep(LOOK_AGAIN_S)

    async def _zero(self, run: RunPlan) -> tuple[Zero, ...]:
        rack, starting = self._rack, self._plan.starting
        for channel in self._plan.channels:
            if channel.zeroed and channel.unit != TORQUE_UNIT:
                raise ActFailed(
                    f"{channel.name} is zeroed before a start but is no torque ({channel.unit}): only a torque is "
                    "known to be zero at standstill; take zeroed out of its channel in the bench file."
                )
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
        stated = {zero.channel: zero for zero in run.stated_zeros}
        zeros = tuple(
            zero
            if (known := stated.get(zero.channel)) is None
            else Zero(
                channel=zero.channel,
                value=known.value,
                standard_uncertainty=known.standard_uncertainty,
                degrees_of_freedom=math.inf,
            )
            for zero in zeros
        )
        for zero in zeros:
            known = stated.get(zero.channel)
            rack.on_event(
                "zero",
                channel=zero.channel,
                value=zero.value,
                standard_uncertainty=zero.standard_uncertainty,
                **({} if math.isinf(zero.degrees_of_freedom) else {"degrees_of_freedom": zero.degrees_of_freedom}),
                origin="standstill before this run" if known is None else known.origin,
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

    async def _do(self, ref: PortRef, action: Callable[[Any], Awaitable[Any]], *, safe_time: bool = False) -> Any:
        """A call that must succeed; `safe_time` where contacts move, which takes longer than an answer."""
        deadline_s = self._plan.devices[ref.device].safe_time_s if safe_time else None
        try:
            return await self._rack.call(ref, action, deadline_s=deadline_s)
        except DriverError as error:
            raise ActFailed(f"{ref}: {error}") from error


async def _parameters_of(drive: object) -> DriveParameters | None:
    """What a drive was commissioned with, None for one whose driver tells nothing of it."""
    return await drive.read_parameters() if isinstance(drive, TellsParameters) else None


def shown(limit: Limit) -> dict[str, object]:
    """A limit as an event's field."""
    return {
        "channel": limit.channel,
        "bound": limit.bound.value,
        "value": limit.value,
        "delay_s": limit.delay_s,
        "reaction": limit.reaction.name.lower(),
        "hysteresis": limit.hysteresis,
        "origin": limit.origin,
    }
