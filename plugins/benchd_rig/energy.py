"""Where the bench's energy went since time zero, so that the books of the simulation can be balanced.

It adds up what the physics reports and must never feed back into it.
"""

from dataclasses import dataclass


@dataclass(slots=True, kw_only=True)
class EnergyAccount:
    """Energies in J. In from supply and meter, else out or lost; a negative load machine share was driven in."""

    supply_j: float = 0.0
    meter_j: float = 0.0  # into the winding, where it is copper_j and brush_j
    sink_j: float = 0.0
    bleed_j: float = 0.0
    cable_j: float = 0.0
    copper_j: float = 0.0
    brush_j: float = 0.0
    iron_j: float = 0.0
    converter_j: float = 0.0
    motor_friction_j: float = 0.0
    coupling_j: float = 0.0
    load_friction_j: float = 0.0
    load_machine_j: float = 0.0

    @property
    def gone_j(self) -> float:
        """Everything that left the link, the windings and the rotors by other ways than the supply's."""
        return (
            self.sink_j
            + self.bleed_j
            + self.cable_j
            + self.copper_j
            + self.brush_j
            + self.iron_j
            + self.converter_j
            + self.motor_friction_j
            + self.coupling_j
            + self.load_friction_j
            + self.load_machine_j
        )
