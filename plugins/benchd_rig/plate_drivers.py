"""In-process drivers of a bench that was made of a rating plate, by the bench file's device, port and signal names.

Its one job is to put a rig's devices behind the ports that a bench file names. It refuses in one sentence what this rig
cannot play, and computes nothing.
"""

import asyncio
import math
from collections.abc import Callable, Mapping

from benchd.contract import BrushlessPlate, DrivePlate, Plate, PlatePort, Port
from benchd_rig.axis_drive import AxisDrive
from benchd_rig.bench import DEVICES, Bench
from benchd_rig.from_plate import specimen_of
from benchd_rig.in_process import InProcessDriver, InProcessSafetyChain, InProcessSink, InProcessSupply
from benchd_rig.in_process_measuring import InProcessThermometers
from benchd_rig.in_process_meter import InProcessResistanceMeter
from benchd_rig.in_process_twin import RigDrivers
from benchd_rig.in_process_wire import InProcessWire
from benchd_rig.plant import COARSE_STEP_S, Plant
from benchd_rig.plate_bench import own_torque_nm, rated_torque_nm
from benchd_rig.plate_signals import (
    ANALYSED,
    INPUTS,
    SAMPLED,
    PlateAnalyser,
    PlateDrive,
    PlateInputs,
    PlateWaveforms,
    thermometer_sources,
    unsimulated,
)
from benchd_rig.power_analyser import LEAST_WINDOW_S, LONGEST_WINDOW_S
from benchd_rig.sink import SinkRating
from benchd_rig.specimen import Specimen
from benchd_rig.supply import SupplyRating
from benchd_rig.thermometers import Thermometers

_NEEDED = ("supply", "sink", "load_drive", "measuring_unit", "safety_chain")
_BEHIND: Mapping[str, str] = {"waveforms": "measuring_unit"}  # the rig's device behind a role; else of the same name
_PROTECTION_RATIO = 1.1  # a supply's over-voltage protection reaches beyond its rating (common practice)
_COARSELY = (
    f"Time: the simulated bench steps by {1000.0 * COARSE_STEP_S:g} ms; the coupling twists and does not ring, "
    "currents, link and drives' own protections may act by as much later, fast inputs show straight lines."
)
_OVER_VOLTAGE_RATIO = 0.99  # of the hardware's over-voltage protection: the converter lets go before it


def drivers_on_plate(plate: Plate, *, seed: int, coarse: bool = False) -> RigDrivers:
    """The drivers of this bench on one plant; the plant's time begins at the first exchange.

    A `coarse` plant steps by 2.5 ms, and says so among what it takes for granted.
    Raises `ValueError` in one sentence for a plate that this rig cannot simulate.
    """
    _refuse_what_does_not_fit(plate)
    specimen, assumed = specimen_of(plate)
    plant = Plant(_damped(specimen), seed=seed, step_s=COARSE_STEP_S) if coarse else Plant(specimen, seed=seed)
    bench = Bench(plant, clock=lambda: asyncio.get_running_loop().time())
    _commission(bench, plate)
    wires: dict[str, InProcessWire] = {}
    ports: dict[str, dict[str, Port]] = {}
    told: list[str] = [_COARSELY] if coarse else []
    for port in plate.ports:
        if port.device not in wires:
            wires[port.device] = InProcessWire(bench, _BEHIND.get(port.role, port.role))
            wires[port.device].device = port.device
        made, sentences = _port(bench, plate, port, wires[port.device])
        ports.setdefault(port.device, {})[port.port] = made
        told += sentences
    drivers = {device: InProcessDriver(wires[device], ports[device]) for device in ports}
    return RigDrivers(bench, drivers, assumed=(*assumed, *told))


def _damped(specimen: Specimen) -> Specimen:
    """The specimen on a coupling that twists as far and does not ring.

    Coarse steps do not resolve the ringing: a rotor that breaks away would be seen back at rest at their ends, and
    would be held there by its dry friction.
    """
    bench = specimen.bench
    coupling, motor_kgm2, load_kgm2 = bench.coupling, specimen.motor.inertia_kgm2, bench.load_machine.inertia_kgm2
    reduced_kgm2 = motor_kgm2 * load_kgm2 / (motor_kgm2 + load_kgm2)
    critical_nm_s_rad = 2.0 * math.sqrt(coupling.stiffness_nm_rad * reduced_kgm2)
    coupling = coupling.model_copy(update={"damping_nm_s_rad": max(coupling.damping_nm_s_rad, critical_nm_s_rad)})
    return specimen.model_copy(update={"bench": bench.model_copy(update={"coupling": coupling})})


def _refuse_what_does_not_fit(plate: Plate) -> None:
    of_role: dict[str, list[str]] = {}
    for port in plate.ports:
        of_role.setdefault(port.role, []).append(f"{port.device}.{port.port}")
    for role in _NEEDED:
        if role not in of_role:
            raise ValueError(
                f"No simulated bench can be made of {plate.bench!r}: it has no {role}; name one in [roles]."
            )
    for role, names in of_role.items():
        if role != "thermometers" and len(names) > 1:
            raise ValueError(
                f"No simulated bench can be made of {plate.bench!r}: {' and '.join(names)} both play {role}, and this "
                "rig has one; rehearse with a bench file that names one."
            )
        if role not in (*DEVICES, *_BEHIND):
            raise ValueError(
                f"No simulated bench can be made of {plate.bench!r}: this rig cannot play {role} ({names[0]}); "
                "rehearse with a bench file without it."
            )
    brushless = isinstance(plate.motor, BrushlessPlate)
    for role in ("motor_drive", "power_analyser"):
        if role in of_role and not brushless:
            raise ValueError(
                f"No simulated bench can be made of {plate.bench!r}: {of_role[role][0]} plays {role}, and a brushed "
                "motor is fed by the supply itself; rehearse with a bench file without it."
            )


def _commission(bench: Bench, plate: Plate) -> None:
    """Give the rig's devices the ratings that the bench file states."""
    bench.supply.rating = SupplyRating(
        model="as stated",
        max_voltage_v=plate.supply_max_v,
        max_current_a=plate.supply_max_a,
        max_protection_v=max(_PROTECTION_RATIO * plate.supply_max_v, plate.over_voltage_protection_v),
    )
    bench.supply.reset()
    bench.sink.rating = SinkRating(
        model="as stated",
        max_voltage_v=plate.sink_max_v,
        max_current_a=plate.sink_max_a,
        max_power_w=plate.sink_max_v * plate.sink_max_a,
    )
    bench.sink.reset()
    _commission_drive(bench.load_drive, plate.load_drive, rated_nm=rated_torque_nm(plate.load_drive))
    if bench.motor_drive is not None and plate.motor_drive is not None:
        rated_nm = rated_torque_nm(plate.motor_drive, otherwise_nm=plate.motor.torque_nm)
        _commission_drive(bench.motor_drive, plate.motor_drive, rated_nm=rated_nm)
        bench.motor_drive.rating.over_voltage_v = _OVER_VOLTAGE_RATIO * plate.over_voltage_protection_v
    if bench.power_analyser is not None and plate.analyser_window_s is not None:
        bench.power_analyser.set_window(min(max(plate.analyser_window_s, LEAST_WINDOW_S), LONGEST_WINDOW_S))


def _commission_drive(drive: AxisDrive, stated: DrivePlate, *, rated_nm: float) -> None:
    rating = drive.rating
    rating.rated_torque_nm = rated_nm
    rating.own_torque_permille = round(1000.0 * own_torque_nm(stated) / rated_nm)
    rating.overspeed_rpm = stated.max_speed_rpm if stated.overspeed_rpm is None else stated.overspeed_rpm
    drive.settings.max_speed_rpm = rating.overspeed_rpm
    rating.rated_current_a = rating.rated_current_a if stated.rated_current_a is None else stated.rated_current_a
    rating.peak_current_a = rating.peak_current_a if stated.peak_current_a is None else stated.peak_current_a
    rating.pole_pairs = rating.pole_pairs if stated.pole_pairs is None else stated.pole_pairs
    if stated.pwm_frequency_hz is not None:
        rating.pwm_frequency_hz = round(stated.pwm_frequency_hz)


def _port(bench: Bench, plate: Plate, port: PlatePort, wire: InProcessWire) -> tuple[Port, list[str]]:
    """The port of this role, and sentences on what it does not simulate."""
    unit, model = bench.measuring_unit, bench.plant.specimen.bench.sensors
    faults = bench.faults[_BEHIND.get(port.role, port.role)]
    simple: Mapping[str, Callable[[], Port]] = {
        "supply": lambda: InProcessSupply(wire, bench),
        "sink": lambda: InProcessSink(wire, bench),
        "safety_chain": lambda: InProcessSafetyChain(wire, bench),
        "resistance_meter": lambda: InProcessResistanceMeter(wire, bench.resistance_meter),
    }
    if port.role in simple:
        return simple[port.role](), []
    if port.role in bench.drives:
        stated = plate.load_drive if port.role == "load_drive" or plate.motor_drive is None else plate.motor_drive
        drive = bench.drives[port.role]
        return PlateDrive(wire, drive, faults, names=port.parameters, stated=stated.parameters), []
    if port.role == "measuring_unit":
        return PlateInputs(wire, unit, port, model), unsimulated(port, INPUTS)
    if port.role == "waveforms":
        sampled = PlateWaveforms(wire, unit.waveforms, faults, port=port, model=model, rate_hz=plate.waveform_rate_hz)
        return sampled, unsimulated(port, SAMPLED)
    if port.role == "power_analyser" and bench.power_analyser is not None:
        return PlateAnalyser(wire, bench.power_analyser, port), unsimulated(port, ANALYSED)
    sources, told = thermometer_sources(port, bench.temperature_sources)
    return InProcessThermometers(wire, Thermometers(sources=sources, faults=faults)), told
