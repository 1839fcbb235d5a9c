"""One motor test a file: its settings, its demand, and a generator that takes frames and gives moves. Pure."""

from benchd.procedures.load import LOAD
from benchd.procedures.no_load import NO_LOAD
from benchd.procedures.procedure import Plate, Play, Procedure, Surroundings

PROCEDURES: dict[str, Procedure] = {procedure.kind: procedure for procedure in (NO_LOAD, LOAD)}

__all__ = ["PROCEDURES", "Plate", "Play", "Procedure", "Surroundings"]
