"""Brushless plants brought to where a physics test wants them. Not a test."""

from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen


def on_its_link(specimen: Specimen, *, seed: int = 0) -> Plant:
    """A brushless specimen at rest, its link just switched on and the sink armed above it."""
    plant = Plant(specimen, seed=seed)
    link_v = specimen.rating.voltage_v
    plant.supply.voltage_v, plant.supply.current_limit_a, plant.supply.output_on = link_v, 60.0, True
    plant.sink.input_on, plant.sink.level, plant.sink.current_limit_a = True, 1.1 * link_v, 60.0
    plant.advance_to(0.2)
    return plant


def turned(plant: Plant, *, speed_rpm: float, seconds: float = 1.5) -> Plant:
    """The load machine holds this speed."""
    plant.load.mode, plant.load.speed_rpm, plant.load.power_stage_on = "speed", speed_rpm, True
    plant.advance_to(plant.time_s + seconds)
    return plant


def driven(plant: Plant, *, torque_nm: float, seconds: float = 0.5) -> Plant:
    """The converter follows this torque."""
    drive = plant.motor_drive
    drive.mode, drive.torque_nm, drive.power_stage_on = "torque", torque_nm, True
    plant.advance_to(plant.time_s + seconds)
    return plant


def held(plant: Plant, *, speed_rpm: float, torque_nm: float = 0.0, seconds: float = 2.0) -> Plant:
    """The converter holds this speed against this torque of the load machine."""
    drive = plant.motor_drive
    drive.mode, drive.speed_rpm, drive.power_stage_on = "speed", speed_rpm, True
    plant.load.mode, plant.load.torque_nm, plant.load.power_stage_on = "torque", torque_nm, True
    plant.advance_to(plant.time_s + seconds)
    return plant
