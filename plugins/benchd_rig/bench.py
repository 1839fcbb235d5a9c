"""The devices of the simulated bench around one plant, and the hardware wiring between them.

Its one job is to put them together: who advances the plant, what happens at each of its milliseconds, and that a lost
permit takes the supply's output and the load drive's torque away without any software of the daemon. It opens no
socket; the same devices serve the wires and the in-process drivers.
"""

import dataclasses
import math
from collections.abc import Callable, Mapping
from typing import Any

from benchd_rig.drive_registers import DriveRegisters
from benchd_rig.load_drive import FORCED_FAULT, DriveRating, LoadDrive
from benchd_rig.measuring_unit import MODEL as MEASURING_UNIT_MODEL
from benchd_rig.measuring_unit import MeasuringUnit
from benchd_rig.plant import Plant
from benchd_rig.safety_chain import SafetyChain
from benchd_rig.sink import MODEL as SINK_MODEL
from benchd_rig.sink import Sink
from benchd_rig.specimen import load_specimen
from benchd_rig.supply import MODEL as SUPPLY_MODEL
from benchd_rig.supply import Supply
from benchd_rig.thermometers import Thermometers
from benchd_rig.wire_faults import WireFaults

WIRES: Mapping[str, str] = {
    "supply": "scpi",
    "sink": "scpi",
    "measuring_unit": "scpi",
    "load_drive": "modbus",
    "thermometers": "modbus",
    "cabinet_thermometers": "modbus",
    "safety_chain": "modbus",
}
DEVICES = tuple(WIRES)

MAKER = "Quillmoor Instruments"
IDENTITIES: Mapping[str, str] = {
    "supply": f"{MAKER},{SUPPLY_MODEL},QS-0117,1.0",
    "sink": f"{MAKER},{SINK_MODEL},QL-0042,1.0",
    "measuring_unit": f"{MAKER},{MEASURING_UNIT_MODEL},QM-0008,1.0",
}
OTHER_IDENTITY = f"{MAKER},QX1,QX-9999,1.0"

RELEASE_TIME_S = 0.008  # relays and contactor: from the loss of the permit to no torque and no supply
_RACK_RISE_K = 6.0


class Bench:
    """Seven devices on one plant. `clock` tells its owner's time in s; the plant starts with the first look.

    `longest_catch_up_s` bounds how much plant time one look may make up for: a process that was stalled then lets its
    world stand still instead of tripping everything in it. None makes up for all of it.
    """

    def __init__(
        self,
        plant: Plant,
        *,
        clock: Callable[[], float],
        longest_catch_up_s: float | None = None,
    ) -> None:
        self.plant = plant
        self.faults = {name: WireFaults(device=name, wire=wire) for name, wire in WIRES.items()}
        self.supply = Supply(stage=plant)
        self.sink = Sink(stage=plant)
        rated = plant.specimen.bench.load_machine.rated_torque_nm
        self.load_drive = LoadDrive(
            shaft=plant, rating=DriveRating(rated_torque_nm=rated, ambient_degc=plant.ambient_degc)
        )
        self.drive_registers = DriveRegisters(drive=self.load_drive, faults=self.faults["load_drive"])
        self.measuring_unit = MeasuringUnit(sensors=plant, faults=self.faults["measuring_unit"])
        self.thermometers = Thermometers(
            sources={
                "winding": self._winding_degc,
                "housing": lambda: plant.housing_degc,
                "ambient": lambda: plant.ambient_degc,
            },
            faults=self.faults["thermometers"],
        )
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

    def trip(self, device: str) -> None:
        """Let a device's own protection act, as a defect inside it would. Raises `KeyError` for one that has none."""
        act: Callable[[], None] = {
            "supply": self.supply.trip,
            "sink": self.sink.trip,
            "load_drive": lambda: self.load_drive.trip(FORCED_FAULT),
        }[device]
        act()

    def set_plant_fault(self, name: str, value: float | bool) -> None:  # noqa: FBT001  (a switch or an amount)
        """Break or mend something. Raises `ValueError` with a sentence for an unknown fault or a wrong value."""
        faults: Any = self.plant.faults
        fields = {field.name: getattr(faults, field.name) for field in dataclasses.fields(faults)}
        if name not in fields:
            raise ValueError(f"The plant has no fault {name!r}; it has: {', '.join(fields)}.")
        is_switch = isinstance(fields[name], bool)
        if is_switch is not isinstance(value, bool) or not math.isfinite(value):
            raise ValueError(f"Plant fault {name!r} takes {'true or false' if is_switch else 'a finite number'}.")
        setattr(faults, name, value)

    def _winding_degc(self) -> float:
        return math.nan if self.plant.faults.winding_thermometer_open else self.plant.winding_degc

    def _each_step(self, plant: Plant) -> None:
        now = plant.time_s
        chain = self.safety_chain
        chain.step(now)
        since_s = chain.no_torque_since_s
        if since_s is None:
            if not self.supply.interlock_closed:
                self.supply.interlock(closed=True)
                self.load_drive.safe_torque_off(active=False)
        elif self.supply.interlock_closed and now - since_s >= RELEASE_TIME_S - 1e-9:
            self.supply.interlock(closed=False)
            self.load_drive.safe_torque_off(active=True)
        self.supply.step()
        self.load_drive.step(now)


def make_bench(
    specimen: str, *, seed: int, clock: Callable[[], float], longest_catch_up_s: float | None = None
) -> Bench:
    """A bench around a specimen by name. Raises `ValueError` for an unknown one."""
    return Bench(Plant(load_specimen(specimen), seed=seed), clock=clock, longest_catch_up_s=longest_catch_up_s)
