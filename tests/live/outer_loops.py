"""Outer loops of the vineyard bench for tests, set by hand, and a load test at a held speed. Not a test."""

from dataclasses import replace

from benchd.rules.loops import Driven, Loop
from benchd.rules.moves import Role
from benchd.rules.regulator import Regulator
from benchd.rules.regulator_gains import Bounds, Schedule
from benchd.rules.regulator_tuning import Plant, by_magnitude_optimum

TICK_S = 0.01
RANGE_NM = 5.0  # of the simulated transducer's wide range
TRIM_NM, TRIM_V = 0.25, 2.0
HELD = """
schema = 1
name = "held"

[[test]]
kind = "load"
supply_voltage_v = 48.0
speed_rpm = 2000.0
torques_nm = [0.5, 1.5, 2.3]
torque_slope_nm_per_s = 1.5
settle_time_s = 0.8
average_time_s = 0.5
speed_band_rpm = 10.0
"""


def loop(role: Role, driven: Driven, channel: str, plant: Plant, trim: float, *, dead_band: float) -> Loop:
    tuning = by_magnitude_optimum(plant.on_ticks(TICK_S))
    regulator = Regulator(
        schedule=Schedule(((0.0, tuning.gains),)),
        bounds=Bounds(low=-trim, high=trim),
        anti_windup_s=0.2,
        blind_s=0.3,
    )
    return Loop(role=role, driven=driven, channel=channel, plant=plant, regulator=regulator, dead_band=dead_band)


TORQUE = loop(
    Role.LOAD_DRIVE,
    Driven.TORQUE,
    "shaft_torque",
    Plant(gain=1.0, lag_s=0.0, small_s=0.01, dead_s=0.03),
    TRIM_NM,
    dead_band=0.0035,  # the drive resolves 0.1 % of its rated 6 N·m
)
VOLTAGE = loop(
    Role.SUPPLY,
    Driven.VOLTAGE,
    "dc_voltage",
    Plant(gain=1.0, lag_s=0.0, small_s=0.02, dead_s=0.1),
    TRIM_V,
    dead_band=0.005,
)


def with_loops(*loops: Loop, voltage_limit_v: float = 50.0):
    def alter(run):
        return replace(run, plan=replace(run.plan, loops=loops, voltage_limit_v=voltage_limit_v))

    return alter
