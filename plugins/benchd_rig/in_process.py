"""The simulated bench's devices as in-process drivers that share one plant, in the running event loop's time.

Its one job is the contract's ports on the same device models that the servers use, without bytes; names of devices,
ports and signals are those of the wire. It never uses a thread, a socket or the wall clock.
"""

import asyncio
import math
from collections.abc import Callable, Mapping
from types import TracebackType

from benchd.contract import (
    DeviceFault,
    DriverError,
    Energises,
    OutOfRange,
    Port,
    Refused,
    ReplyWrong,
    SafetyChainReading,
    SinkReading,
    SinkSettings,
    SupplyReading,
    SupplySettings,
)
from benchd_rig.bench import Bench, make_bench
from benchd_rig.in_process_drive import InProcessDrive
from benchd_rig.in_process_measuring import (
    InProcessMeasuringUnit,
    InProcessPowerAnalyser,
    InProcessThermometers,
    InProcessWaveforms,
)
from benchd_rig.in_process_meter import InProcessResistanceMeter
from benchd_rig.in_process_twin import RigDrivers
from benchd_rig.in_process_wire import InProcessWire
from benchd_rig.scpi_parameters import ScpiRefusal


class InProcessDriver:
    """One device with its ports. Entering changes nothing; leaving makes safe what can energise."""

    def __init__(self, wire: InProcessWire, ports: Mapping[str, Port]) -> None:
        self._wire = wire
        self._ports = ports
        self._inside = False

    async def __aenter__(self) -> Mapping[str, Port]:
        """Open and identify."""
        await self._wire.open()
        self._inside = True
        return self._ports

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Remove energy, close; idempotent. Raises only when nothing else is on its way up."""
        if not self._inside:
            return
        self._inside = False
        try:
            for port in self._ports.values():
                if isinstance(port, Energises):
                    await port.make_safe()
        except DriverError as unsafe:
            if error is None:
                raise
            error.add_note(f"While leaving: {unsafe}")
        finally:
            self._wire.close()

    async def reconnect(self) -> None:
        """A new connection, and nothing else."""
        await self._wire.open()


class InProcessSupply:
    """The port "output"."""

    def __init__(self, wire: InProcessWire, bench: Bench) -> None:
        self._wire = wire
        self._supply = bench.supply
        self._faults = bench.faults["supply"]

    async def read(self) -> SupplyReading:
        """Voltage, current, output and protection state."""

        def look() -> SupplyReading:
            supply = self._supply
            if self._faults.is_on("nan"):
                raise ReplyWrong("The supply measures no number: look at the device.")
            return SupplyReading(
                voltage_v=supply.measured_v,
                current_a=supply.measured_a,
                output_on=supply.output_on,
                tripped=supply.tripped,
                taken_mono_s=self._wire.now(),
            )

        return await self._wire.exchange("reading", look)

    async def read_settings(self) -> SupplySettings:
        """Set-points and protection as the device holds them."""
        supply = self._supply
        return await self._wire.exchange(
            "settings",
            lambda: SupplySettings(
                voltage_v=supply.voltage_v,
                current_limit_a=supply.current_limit_a,
                over_voltage_protection_v=supply.over_voltage_v,
                output_on=supply.output_on,
            ),
        )

    async def set_voltage(self, voltage_v: float, *, current_limit_a: float) -> None:
        """Set both set-points, read back."""
        _within("supply", "voltage", voltage_v, self._supply.rating.max_voltage_v, "V")
        _within("supply", "current limit", current_limit_a, self._supply.rating.max_current_a, "A")
        supply = self._supply

        def give() -> None:
            supply.set_voltage(voltage_v)
            supply.set_current_limit(current_limit_a)

        await self._wire.write(
            "set-points",
            give,
            lambda: _near(supply.voltage_v, voltage_v) and _near(supply.current_limit_a, current_limit_a),
        )

    async def set_over_voltage_protection(self, voltage_v: float) -> None:
        """Set the hardware over-voltage protection, read back."""
        _within("supply", "over-voltage protection", voltage_v, self._supply.rating.max_protection_v, "V")
        supply = self._supply
        await self._wire.write(
            "over-voltage protection",
            lambda: supply.set_over_voltage(voltage_v),
            lambda: _near(supply.over_voltage_v, voltage_v),
        )

    async def switch_output(self, *, on: bool) -> None:
        """Switch the output, read back."""
        supply = self._supply

        def give() -> None:
            if on and supply.tripped:
                raise DeviceFault("The supply's protection has tripped: clear it first.")
            _allowed("supply", lambda: supply.switch_output(on=on))

        await self._wire.write("output", give, lambda: supply.output_on is on)

    async def clear_protection(self) -> None:
        """Clear a tripped protection; the output stays off."""
        supply = self._supply

        def give() -> None:
            supply.switch_output(on=False)
            supply.clear_protection()

        await self._wire.write("protection", give, lambda: not supply.tripped)

    async def make_safe(self) -> None:
        """Output off, read back, whatever the connection is doing."""
        await self._wire.open()
        await self.switch_output(on=False)


class InProcessSink:
    """The port "input"."""

    def __init__(self, wire: InProcessWire, bench: Bench) -> None:
        self._wire = wire
        self._sink = bench.sink
        self._faults = bench.faults["sink"]

    async def read(self) -> SinkReading:
        """Voltage, current, input and protection state."""

        def look() -> SinkReading:
            sink = self._sink
            if self._faults.is_on("nan"):
                raise ReplyWrong("The sink measures no number: look at the device.")
            return SinkReading(
                voltage_v=sink.measured_v,
                current_a=sink.measured_a,
                input_on=sink.input_on,
                tripped=sink.tripped,
                taken_mono_s=self._wire.now(),
            )

        return await self._wire.exchange("reading", look)

    async def read_settings(self) -> SinkSettings:
        """Armed means input on in constant-voltage mode."""
        sink = self._sink
        return await self._wire.exchange(
            "settings",
            lambda: SinkSettings(
                armed=sink.input_on and sink.mode == "voltage",
                threshold_v=sink.levels["voltage"],
                current_limit_a=sink.current_limit_a,
            ),
        )

    async def arm(self, *, threshold_v: float, current_limit_a: float) -> None:
        """Constant-voltage mode at the threshold, input on, read back."""
        _within("sink", "threshold", threshold_v, self._sink.rating.max_voltage_v, "V")
        _within("sink", "current limit", current_limit_a, self._sink.rating.max_current_a, "A")
        sink = self._sink

        def give() -> None:
            if sink.tripped:
                raise DeviceFault("The sink's protection has tripped: clear it at the device first.")
            sink.set_mode("voltage")
            sink.set_level("voltage", threshold_v)
            sink.set_current_limit(current_limit_a)
            _allowed("sink", lambda: sink.switch_input(on=True))

        def holds() -> bool:
            settled = sink.input_on and sink.mode == "voltage" and _near(sink.levels["voltage"], threshold_v)
            return settled and _near(sink.current_limit_a, current_limit_a)

        await self._wire.write("threshold", give, holds)

    async def disarm(self) -> None:
        """Input off, read back."""
        sink = self._sink
        await self._wire.write("input", lambda: sink.switch_input(on=False), lambda: not sink.input_on)


class InProcessSafetyChain:
    """The port "chain"."""

    def __init__(self, wire: InProcessWire, bench: Bench) -> None:
        self._wire = wire
        self._chain = bench.safety_chain

    async def read(self) -> SafetyChainReading:
        """All inputs."""

        def look() -> SafetyChainReading:
            chain = self._chain
            return SafetyChainReading(
                guard_closed=chain.guard_closed,
                estop_released=chain.estop_released,
                remote_selected=chain.remote_selected,
                torque_enabled=chain.torque_enabled,
                permit=chain.permit,
                release_pressed=chain.release_pressed,
                taken_mono_s=self._wire.now(),
            )

        return await self._wire.exchange("reading", look)

    async def beat(self, *, high: bool) -> None:
        """Write the heartbeat coil."""
        await self._wire.exchange("heartbeat", lambda: self._chain.beat(high=high), writes=True)

    @property
    def announces_start(self) -> bool:
        """The simulated chain has a horn."""
        return True

    async def announce_start(self, *, on: bool) -> None:
        """The horn, read back."""
        chain = self._chain

        def sound() -> None:
            chain.start_warning = on

        await self._wire.write("start warning", sound, lambda: chain.start_warning is on)

    async def withdraw_permit(self) -> None:
        """Ask the chain to open; confirmed by the permit. Raises `Refused` where it stays."""
        await self._wire.exchange("withdrawal", self._chain.withdraw, writes=True)
        if await self._wire.exchange("permit", lambda: self._chain.permit):
            raise Refused("The safety_chain keeps its permit after it was asked to open: open it by hand.")


class TwinDrivers(RigDrivers):
    """The drivers of a shipped specimen's bench, by the names of the wire."""

    def __init__(self, bench: Bench) -> None:
        wires = {name: InProcessWire(bench, name) for name in bench.devices}
        unit_wire, unit = wires["measuring_unit"], bench.measuring_unit
        cabinet = InProcessThermometers(wires["cabinet_thermometers"], bench.cabinet_thermometers)
        ports: dict[str, Mapping[str, Port]] = {
            "supply": {"output": InProcessSupply(wires["supply"], bench)},
            "sink": {"input": InProcessSink(wires["sink"], bench)},
            "measuring_unit": {
                "inputs": InProcessMeasuringUnit(unit_wire, unit),
                "waveforms": InProcessWaveforms(unit_wire, unit.waveforms, bench.faults["measuring_unit"]),
            },
            "resistance_meter": {
                "winding": InProcessResistanceMeter(wires["resistance_meter"], bench.resistance_meter)
            },
            "thermometers": {"group": InProcessThermometers(wires["thermometers"], bench.thermometers)},
            "cabinet_thermometers": {"group": cabinet},
            "safety_chain": {"chain": InProcessSafetyChain(wires["safety_chain"], bench)},
        }
        for name, drive in bench.drives.items():
            ports[name] = {"axis": InProcessDrive(wires[name], drive, bench.faults[name])}
        if bench.power_analyser is not None:
            result = InProcessPowerAnalyser(wires["power_analyser"], bench.power_analyser)
            ports["power_analyser"] = {"result": result}
        super().__init__(bench, {name: InProcessDriver(wires[name], ports[name]) for name in bench.devices})


def twin_drivers(specimen: str, *, seed: int) -> TwinDrivers:
    """The drivers of this specimen's bench on one plant; the plant's time begins at the first exchange.

    Raises `ValueError` for an unknown specimen.
    """
    return TwinDrivers(make_bench(specimen, seed=seed, clock=lambda: asyncio.get_running_loop().time()))


def _allowed(device: str, act: Callable[[], None]) -> None:
    try:
        act()
    except ScpiRefusal as refusal:
        raise Refused(f"The {device} refuses: {refusal}; look at the device.") from refusal


def _near(held: float, asked: float) -> bool:
    return math.isclose(held, asked, abs_tol=0.0011)


def _within(device: str, what: str, value: float, bound: float, unit: str) -> None:
    if not (math.isfinite(value) and 0.0 <= value <= bound):
        raise OutOfRange(
            f"The {device} was to be given a {what} of {value:g} {unit}, outside 0 to {bound:g} {unit}: "
            "nothing was sent."
        )
