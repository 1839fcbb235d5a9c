"""One motor test a file: its settings, its demand, and a generator that takes frames and gives moves. Pure."""

from benchd.procedures.back_emf import BACK_EMF
from benchd.procedures.duty_cycle import DUTY_CYCLE
from benchd.procedures.load import LOAD
from benchd.procedures.no_load import NO_LOAD
from benchd.procedures.procedure import Plate, Play, Procedure, Surroundings
from benchd.procedures.rated_point import RATED_POINT
from benchd.procedures.torque_zero import TORQUE_ZERO
from benchd.procedures.winding_resistance import WINDING_RESISTANCE

PROCEDURES: dict[str, Procedure] = {
    procedure.kind: procedure
    for procedure in (WINDING_RESISTANCE, TORQUE_ZERO, BACK_EMF, NO_LOAD, LOAD, RATED_POINT, DUTY_CYCLE)
}

__all__ = ["PROCEDURES", "Plate", "Play", "Procedure", "Surroundings"]
