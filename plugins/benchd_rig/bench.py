"""The devices of the simulated bench around one plant, and the hardware wiring between them.

Its one job is to put them together: who advances the plant, what happens at each of its milliseconds, and that a lost
permit takes the supply's output and both drives' torque away without any software of the daemon. It opens no socket;
the same devices serve the wires and the in-process drivers.
"""

import copy
import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

from benchd.contract import Dwelt
from benchd_rig import sink as sink_device
from benchd_rig import supply as supply_device
from benchd_rig.axis_drive import FORCED_FAULT, AxisDrive, DriveRating
from benchd_rig.crossing import Crossing
from benchd_rig.drive_registers import DriveRegisters
from benchd_rig.load_drive import LoadDrive
from benchd_rig.measuring_unit import MODEL as MEASURING_UNIT_MODEL
from benchd_rig.measuring_unit import MeasuringUnit
from benchd_rig.motor_drive import MotorDrive, motor_drive_rating
from benchd_rig.plant import Plant
from benchd_rig.power_analyser import MODEL as ANALYSER_MODEL
from benchd_rig.power_analyser import PowerAnalyser
from benchd_rig.resistance_meter import MODEL as METER_MODEL
from benchd_rig.resistance_meter import PAIRS, TWO_TERMINALS, ResistanceMeter
from benchd_rig.safety_chain import SafetyChain
from benchd_rig.sink import Sink
from benchd_rig.specimen import BrushlessMotor, Specimen, load_specimen
from benchd_rig.supply import Supply
from benchd_rig.thermometers import Thermometers
from benchd_rig.wire_faults import WireFaults

WIRES: Mapping[str, str] = {
    "supply": "scpi",
    "sink": "scpi",
    "motor_drive": "modbus",
    "power_analyser": "scpi",
    "measuring_unit": "scpi",
    "resistance_meter": "scpi",
    "load_drive": "modbus",
    "thermometers": "modbus",
    "cabinet_thermometers": "modbus",
    "safety_chain": "modbus",
}
DEVICES = tuple(WIRES)  # of all benches together
_WITH_A_CONVERTER = frozenset({"motor_drive", "power_analyser"})
_CONVERTER_FAULTS = frozenset({"phases_swapped", "commutation_offset_deg", "analyser_lead_open", "believed_pole_pairs"})

MAKER = "Quillmoor Instruments"
IDENTITIES: Mapping[str, str] = {
    "supply": f"{MAKER},{supply_device.LOW_VOLTAGE.model},QS-0117,1.0",
    "sink": f"{MAKER},{sink_device.LOW_VOLTAGE.model},QL-0042,1.0",
    "measuring_unit": f"{MAKER},{MEASURING_UNIT_MODEL},QM-0008,1.0",
    "power_analyser": f"{MAKER},{ANALYSER_MODEL},QP-0031,1.0",
    "resistance_meter": f"{MAKER},{METER_MODEL},QR-0026,1.0",
}
HIGH_VOLTAGE_IDENTITIES: Mapping[str, str] = {
    **IDENTITIES,
    "supply": f"{MAKER},{supply_device.HIGH_VOLTAGE.model},QS-0204,1.0",
    "sink": f"{MAKER},{sink_device.HIGH_VOLTAGE.model},QL-0067,1.0",
}
OTHER_IDENTITY = f"{MAKER},QX1,QX-9999,1.0"

RELEASE_TIME_S = 0.008  # relays and contactor: from the loss of the permit to no torque and no supply
_RACK_RISE_K = 6.0
_DWELL_CHUNK_S = 0.25  # shorter than every watchdog here
_PATIENCE_S = 2.0
_FIRST_LOOK_S = 0.002
_LOW_VOLTAGE_V = 60.0  # rated link voltage up to which the low-voltage supply and sink are in the rack


class Bench:
    """The devices that a specimen's bench has, on one plant. `clock` tells its owner's time in s.

    The plant starts with the first look. `longest_catch_up_s` bounds how much plant time one look may make up for: a
    process that was stalled then lets its world stand still instead of tripping everything in it. None makes up for
    all of it. `motor_drive` and `power_analyser` are None where the specimen has no converter.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        clock: Callable[[], float],
        longest_catch_up_s: float | None = None,
    ) -> None:
        specimen = plant.specimen
        self.plant = plant
        self.devices = devices_of(specimen)
        self.faults = {name: WireFaults(device=name, wire=WIRES[name]) for name in self.devices}
        low = specimen.rating.voltage_v <= _LOW_VOLTAGE_V
        self.identities = IDENTITIES if low else HIGH_VOLTAGE_IDENTITIES
        self.supply = Supply(stage=plant, rating=supply_device.LOW_VOLTAGE if low else supply_device.HIGH_VOLTAGE)
        self.sink = Sink(stage=plant, rating=sink_device.LOW_VOLTAGE if low else sink_device.HIGH_VOLTAGE)
        self.load_drive = LoadDrive(
            shaft=plant,
            rating=DriveRating(
                rated_torque_nm=specimen.bench.load_machine.rated_torque_nm,
                overspeed_rpm=specimen.bench.overspeed_rpm,
                ambient_degc=plant.ambient_degc,
            ),
        )
        self.motor_drive = _motor_drive(plant)
        self.drives: Mapping[str, AxisDrive] = {"load_drive": self.load_drive}
        if self.motor_drive is not None:
            self.drives = {"motor_drive": self.motor_drive, **self.drives}
        self.registers = {
            name: DriveRegisters(drive=drive, faults=self.faults[name]) for name, drive in self.drives.items()
        }
        self.power_analyser = (
            PowerAnalyser(phases=plant, faults=self.faults["power_analyser"])
            if "power_analyser" in self.devices
            else None
        )
        self.measuring_unit = MeasuringUnit(sensors=plant, faults=self.faults["measuring_unit"])
        self.resistance_meter = ResistanceMeter(
            winding=plant,
            faults=self.faults["resistance_meter"],
            pairs=PAIRS if plant.has_converter else TWO_TERMINALS,
        )
        self.temperature_sources: Mapping[str, Callable[[], float]] = {
            "winding": self._winding_degc,
            "housing": lambda: plant.housing_degc,
            "ambient": lambda: plant.ambient_degc,
            "magnet": self._magnet_degc,
        }
        self.thermometers = Thermometers(sources=self.temperature_sources, faults=self.faults["thermometers"])
        self.cabinet_thermometers = Thermometers(
            sources={"supply_air": lambda: plant.ambient_degc, "rack": lambda: plant.ambient_degc + _RACK_RISE_K},
            faults=self.faults["cabinet_thermometers"],
        )
        self.safety_chain = SafetyChain()
        self.slipped_s = 0.0
        self._clock = clock
        self._longest_s = longest_catch_up_s
        self._last_s: float | None = None
        self._wanted_s = plant.time_s
        plant.on_step.append(self._each_step)
        plant.is_sampled = lambda: self.measuring_unit.waveforms.running
        self.crossing = Crossing(plant, lambda time_s: (self._last_s or 0.0) + time_s - self._wanted_s)

    @property
    def drive_registers(self) -> DriveRegisters:
        """The load drive's registers."""
        return self.registers["load_drive"]

    def advance(self) -> None:
        """Bring the plant up to the clock; devices trip on the way, each at its own millisecond."""
        now = self._clock()
        if self._last_s is None:
            self._last_s = now
        passed_s = max(0.0, now - self._last_s)  # another event loop may have begun its time anew
        self._last_s = now
        if self._longest_s is not None and passed_s > self._longest_s:
            self.slipped_s += passed_s - self._longest_s
            passed_s = self._longest_s
        self._wanted_s += passed_s
        self.plant.advance_to(self._wanted_s)

    def dwell(self, seconds: float) -> Dwelt:
        """Let the plant go on as commanded for so long in long steps, ahead of the clock; watchdogs count as fed.

        The plant then stands still until the clock has caught up. It stops where the shaft is not steady for 2 s, and
        where a device acts by itself.
        """
        self.advance()
        plant, leaps = self.plant, self.plant.leaps
        end_s, why = plant.time_s + seconds, ""
        plant.advance_to(min(end_s, plant.time_s + _FIRST_LOOK_S))  # what was just asked of a device reaches the plant
        commands = tuple(copy.copy(each) for each in plant.commands)
        moved_s, leapt_s = plant.time_s, plant.leapt_s  # when it leapt last
        plant.leaps = True
        try:
            while not why and plant.time_s < end_s - 1e-9:
                self._feed()
                plant.advance_to(min(end_s, plant.time_s + _DWELL_CHUNK_S))
                if plant.leapt_s > leapt_s:
                    moved_s, leapt_s = plant.time_s, plant.leapt_s
                if plant.commands != commands:
                    why = f"A device acted by itself: {self._what_acted()}."
                elif plant.time_s - moved_s > _PATIENCE_S:
                    why = f"It is not steady: {plant.unsteady}."
        finally:
            plant.leaps = leaps
        return Dwelt(seconds=plant.time_s - self._wanted_s, why=why)

    def _feed(self) -> None:
        """As if everybody went on asking."""
        self.safety_chain.hear_on()
        for drive in self.drives.values():
            drive.request_arrived()
        self.supply.watchdog.message_arrived()
        self.sink.watchdog.message_arrived()

    def _what_acted(self) -> str:
        for name, drive in self.drives.items():
            if drive.fault_code:
                return f"the {name} tripped with fault code 0x{drive.fault_code:04X}"
        if self.supply.tripped or self.sink.tripped:
            return "the supply tripped" if self.supply.tripped else "the sink tripped"
        return "the safety chain opened" if not self.safety_chain.torque_enabled else "a drive's own ramp"

    def commission(self, device: str, values: Mapping[str, float]) -> None:
        """Set a drive's own limits and machine data by their names in `DriveRating`.

        A motor drive that is told other pole pairs than the specimen's counts revolutions wrongly from then on.
        """
        rating = self.drives[device].rating
        for name, value in values.items():
            setattr(rating, name, value)
        if device == "motor_drive" and "pole_pairs" in values:
            self.plant.faults.believed_pole_pairs = float(values["pole_pairs"])

    def trip(self, device: str) -> None:
        """Let a device's own protection act, as a defect inside it would. Raises `KeyError` for one that has none."""
        if device in self.drives:
            self.drives[device].trip(FORCED_FAULT)
        else:
            {"supply": self.supply.trip, "sink": self.sink.trip}[device]()

    def set_plant_fault(self, name: str, value: float | bool) -> None:  # noqa: FBT001  (a switch or an amount)
        """Break or mend something. Raises `ValueError` with a sentence for an unknown fault or a wrong value."""
        faults: Any = self.plant.faults
        fields = {field.name: getattr(faults, field.name) for field in dataclasses.fields(faults)}
        if not self.plant.has_converter:
            if name in _CONVERTER_FAULTS:
                raise ValueError(f"Plant fault {name!r} needs a converter, and this specimen has none.")
            fields = {each: now for each, now in fields.items() if each not in _CONVERTER_FAULTS}
        if name not in fields:
            raise ValueError(f"The plant has no fault {name!r}; it has: {', '.join(fields)}.")
        is_switch = isinstance(fields[name], bool)
        if is_switch is not isinstance(value, bool) or not math.isfinite(value):
            raise ValueError(f"Plant fault {name!r} takes {'true or false' if is_switch else 'a finite number'}.")
        setattr(faults, name, value)

    def _winding_degc(self) -> float:
        return math.nan if self.plant.faults.winding_thermometer_open else self.plant.winding_degc

    def _magnet_degc(self) -> float:
        plant = self.plant
        return plant.magnet_degc if plant.has_converter and not plant.faults.magnet_thermometer_open else math.nan

    def _each_step(self, plant: Plant) -> None:
        now = plant.time_s
        chain = self.safety_chain
        chain.step(now)
        since_s = chain.no_torque_since_s
        if since_s is None:
            if not self.supply.interlock_closed:
                self._release(closed=True)
        elif self.supply.interlock_closed and now - since_s >= RELEASE_TIME_S - 1e-9:
            self._release(closed=False)
        self.supply.step(now)
        self.sink.step(now)
        for drive in self.drives.values():
            drive.step(now)
        self.resistance_meter.step(now)

    def _release(self, *, closed: bool) -> None:
        """The chain's relays: the supply's interlock and the STO inputs of all drives hang on the same contacts."""
        self.supply.interlock(closed=closed)
        for drive in self.drives.values():
            drive.safe_torque_off(active=not closed)


def _motor_drive(plant: Plant) -> MotorDrive | None:
    specimen = plant.specimen
    converter, motor = specimen.bench.converter, specimen.motor
    if converter is None or not isinstance(motor, BrushlessMotor):
        return None
    rating = motor_drive_rating(
        specimen.rating, converter, pole_pairs=motor.pole_pairs, overspeed_rpm=specimen.bench.overspeed_rpm
    )
    return MotorDrive(converter=plant, rating=rating)


def devices_of(specimen: Specimen) -> tuple[str, ...]:
    """The devices of a specimen's bench: motor drive and power analyser only where a converter feeds it."""
    if specimen.bench.converter is not None:
        return DEVICES
    return tuple(name for name in DEVICES if name not in _WITH_A_CONVERTER)


def make_bench(
    specimen: str, *, seed: int, clock: Callable[[], float], longest_catch_up_s: float | None = None
) -> Bench:
    """A bench around a specimen by name. Raises `ValueError` for an unknown one."""
    return Bench(Plant(load_specimen(specimen), seed=seed), clock=clock, longest_catch_up_s=longest_catch_up_s)
