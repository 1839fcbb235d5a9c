"""The simulated bench's entry in the group `benchd.twins`: as a process with wires, or in process without.

Its one job is to say what there is; the process is in `process`, the in-process drivers are in `in_process`.
"""

from benchd.contract import Twin
from benchd_rig.in_process import TwinDrivers, twin_drivers
from benchd_rig.specimen import SPECIMENS

__all__ = ["TWIN", "TwinDrivers", "twin_drivers"]

TWIN = Twin(
    name="rig",
    summary=(
        "simulated bench: DC supply, sink, motor drive, load drive, power analyser, measuring unit, resistance meter, "
        "thermometers, safety chain"
    ),
    module="benchd_rig",
    in_process="benchd_rig.twin:twin_drivers",
    specimens=SPECIMENS,
    from_plate="benchd_rig.plate_drivers:drivers_on_plate",
)
