"""Plants for the physics tests, on the specimens that ship."""

from collections.abc import Callable

import pytest

from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen, load_specimen

MakePlant = Callable[..., Plant]


@pytest.fixture
def vent_flap() -> Specimen:
    return load_specimen("vent_flap_24v")


@pytest.fixture
def plant(vent_flap: Specimen) -> Plant:
    """The vent-flap motor at rest, everything off."""
    return Plant(vent_flap)


@pytest.fixture
def fed_plant(plant: Plant) -> Plant:
    """The vent-flap motor at rest with 24 V and 40 A just switched on."""
    plant.supply.voltage_v = 24.0
    plant.supply.current_limit_a = 40.0
    plant.supply.output_on = True
    return plant
