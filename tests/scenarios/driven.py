"""A test in which the load machine drives the specimen as a generator, on the twin in virtual time. Not a test."""

import asyncio
from collections.abc import Mapping

from benchd.rules.moves import Move, Role, Target, Torque, Voltage
from benchd_rig.bench import Bench
from benchd_rig.in_process import TwinDrivers
from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen, load_specimen
from tests.live.twin_bench import OnTwin

SUPPLY_V = 12.0
DRIVING_NM = -0.3  # house sign: the load machine drives the shaft in the positive direction
SPEED_BOUND_RPM = 5800.0


class Driven:
    """Turns the specimen at 12 V, then drives it until it gives current back into the DC link and its sink."""

    title = "driven"
    energised = True

    def moves(self, _at: Mapping[Role, Target]):
        while True:
            yield Move(
                targets={
                    Role.SUPPLY: Voltage(SUPPLY_V, 9.0),
                    Role.LOAD_DRIVE: Torque(DRIVING_NM, SPEED_BOUND_RPM),
                },
                doing="driving the specimen",
            )

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        return targets


def lagging(*, torque_lag_s: float) -> Specimen:
    """The demo's specimen on a bench whose load drive follows its torque this slowly."""
    specimen = load_specimen("vent_flap_24v")
    machine = specimen.bench.load_machine.model_copy(update={"torque_lag_s": torque_lag_s})
    return specimen.model_copy(update={"bench": specimen.bench.model_copy(update={"load_machine": machine})})


def drivers(specimen: Specimen) -> TwinDrivers:
    return TwinDrivers(Bench(Plant(specimen, seed=1), clock=lambda: asyncio.get_running_loop().time()))


async def regenerating(bench: OnTwin) -> float:
    """In Execute, driven, at a steady speed with current into the sink; that speed, r/min."""
    await bench.start()
    await bench.until(lambda: bench.truth.sink_current_a > 3.0, "current into the sink")
    await asyncio.sleep(0.5)
    return bench.truth.motor_speed_rpm


async def fastest_rpm(bench: OnTwin, *, for_s: float) -> float:
    """The greatest speed of either rotor in this time, by the plant's truth."""
    loop = asyncio.get_running_loop()
    until_s = loop.time() + for_s
    fastest = 0.0
    while loop.time() < until_s:
        truth = bench.truth
        fastest = max(fastest, abs(truth.motor_speed_rpm), abs(truth.load_speed_rpm))
        await asyncio.sleep(0.001)
    return fastest
