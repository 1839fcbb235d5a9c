"""Tests that load a brushless specimen in either direction of power, on the twin in virtual time. Not a test."""

import asyncio
from collections.abc import Mapping

from benchd.rules.moves import Move, Point, Role, Speed, Target, Torque, Voltage
from benchd_rig.bench import Bench
from benchd_rig.in_process import TwinDrivers
from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen, load_specimen
from tests.live.twin_bench import OnTwin

LINK_V = 48.0
SPEED_RPM = 2000.0
TORQUE_NM = 2.0
SHORT = """
schema = 1
name = "short pump"

[[test]]
kind = "winding_resistance"
current_a = 1.5
settle_time_s = 0.2
average_time_s = 0.3

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 2000.0
torques_nm = [0.5, 2.0]
torque_slope_nm_per_s = 4.0
torque_range = "auto"
settle_time_s = 0.3
average_time_s = 0.5
speed_band_rpm = 20.0
capture_s = 0.2
"""


class Loaded:
    """The motor drive holds a speed, the load drive a torque: negative drives the specimen as a generator."""

    title = "loaded"
    energised = True

    def __init__(self, torque_nm: float, *, holds: str = "motor drive") -> None:
        self.torque_nm = torque_nm
        self.holds = holds

    def moves(self, _at: Mapping[Role, Target]):
        by_motor = self.holds == "motor drive"
        volts, speed_rpm, torque_nm = LINK_V, 0.0, 0.0
        while True:
            speed, torque = Speed(speed_rpm, 3.0), Torque(torque_nm, 3400.0)
            frame = yield Move(
                targets={
                    Role.SUPPLY: Voltage(volts, 18.0),
                    Role.MOTOR_DRIVE: speed if by_motor else torque,
                    Role.LOAD_DRIVE: torque if by_motor else speed,
                },
                doing="loaded",
                point=Point(number=0, direction="", asked={"torque_nm": self.torque_nm}),
            )
            # link, then speed, then torque: a converter without its link holds nothing
            if frame.value("link_voltage") > 0.95 * LINK_V:
                speed_rpm = SPEED_RPM
            if abs(frame.value("shaft_speed")) > 0.95 * SPEED_RPM:
                torque_nm = self.torque_nm

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        return targets


def lagging(*, load_s: float = 0.005, converter_s: float = 0.0004) -> Specimen:
    """The demo's pump on a bench whose drives follow their torque this slowly."""
    specimen = load_specimen("pump_48v")
    bench = specimen.bench
    machine = bench.load_machine.model_copy(update={"torque_lag_s": load_s})
    converter = bench.converter.model_copy(update={"current_lag_s": converter_s})
    return specimen.model_copy(
        update={"bench": bench.model_copy(update={"load_machine": machine, "converter": converter})}
    )


def inertia_kgm2(specimen: Specimen) -> float:
    return specimen.motor.inertia_kgm2 + specimen.bench.load_machine.inertia_kgm2


def drivers(specimen: Specimen) -> TwinDrivers:
    return TwinDrivers(Bench(Plant(specimen, seed=1), clock=lambda: asyncio.get_running_loop().time()))


async def loaded(bench: OnTwin, torque_nm: float) -> float:
    """In Execute at this torque and a steady speed; that speed, r/min."""
    await bench.start()
    await bench.until(
        lambda: abs(bench.truth.shaft_torque_nm - torque_nm) < 0.1 and bench.truth.motor_speed_rpm > 0.9 * SPEED_RPM,
        "the torque",
    )
    await asyncio.sleep(0.5)
    return bench.truth.motor_speed_rpm
