"""Which machine a specimen is to the plant: a brushed motor on its shaft, or a brushless one with its converter."""

from benchd_rig.brushless import Brushless
from benchd_rig.energy import EnergyAccount
from benchd_rig.shaft import Shaft
from benchd_rig.specimen import BrushlessMotor, Specimen


def make_machine(specimen: Specimen, energy: EnergyAccount, *, step_s: float) -> Shaft | Brushless:
    """The machine at rest. Raises `ValueError` in one sentence for a brushless specimen without a converter."""
    motor, converter = specimen.motor, specimen.bench.converter
    if isinstance(motor, BrushlessMotor):
        if converter is None:
            raise ValueError(f"The brushless specimen {specimen.name!r} has no [bench.converter]: add one.")
        return Brushless(motor, converter, specimen, energy, step_s=step_s)
    return Shaft(motor, specimen, energy, step_s=step_s)
