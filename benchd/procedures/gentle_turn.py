"""Turns the specimen slowly and nearly unloaded until it is told to end, for limits to be provoked. No test.

Speed and torque are shares of the rating plate, so that what is provoked meets a shaft
with little energy in it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from benchd.procedures.feeding import Feeding
from benchd.procedures.hand import Hand, unloaded
from benchd.procedures.procedure import Play, Surroundings
from benchd.rules.moves import Role, Target

SPEED_SHARE = 0.2  # of the rated speed; for a brushed specimen of its rated voltage
TORQUE_SHARE = 0.1  # of the rated torque
STEADY = "turning gently"
STEADY_S = 1.0


@dataclass(frozen=True, slots=True)
class GentleTurn:
    """One gentle turn in these surroundings, playable like a test. It ends only by a stop."""

    around: Surroundings

    title = "Gentle turn"
    energised = True

    @property
    def supply_voltage_v(self) -> float:
        """A converter needs its link's voltage; a brushed specimen turns as fast as its voltage lets it."""
        plate = self.around.plate
        return plate.voltage_v if plate.kind == "brushless" else SPEED_SHARE * plate.voltage_v

    @property
    def speed_rpm(self) -> float:
        """About what the shaft turns at."""
        return SPEED_SHARE * self.around.plate.speed_rpm

    @property
    def torque_nm(self) -> float:
        """What the load drive brakes with."""
        return TORQUE_SHARE * self.around.plate.torque_nm

    def moves(self, at: Mapping[Role, Target]) -> Play:
        """Bring up, load, then stay; `doing` is `STEADY` from a second after the load is there."""
        around = replace(self.around, at=at)
        hand = Hand(around, duration_s=math.inf)
        held_rpm = self.speed_rpm if around.plate.kind == "brushless" else None
        feeding = Feeding(around, supply_voltage_v=self.supply_voltage_v, speed_rpm=held_rpm)
        yield from feeding.bring_up(hand)
        yield from feeding.load_to(hand, self.torque_nm, slope_nm_per_s=math.inf)
        yield from hand.wait(STEADY_S, "becoming steady")
        yield from hand.wait(math.inf, STEADY)

    def held(self, targets: Mapping[Role, Target]) -> Mapping[Role, Target]:
        """Without load, still turning."""
        return unloaded(targets)
