"""Plants for the physics tests, on the specimens that ship."""

from collections.abc import Callable

import pytest

from benchd_rig.plant import Plant
from benchd_rig.specimen import Specimen, load_specimen
from tests.plugins.rig_physics.running import on_its_link

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


@pytest.fixture
def pump() -> Specimen:
    return load_specimen("pump_48v")


@pytest.fixture
def pump_plant(pump: Specimen) -> Plant:
    """The pump motor at rest on 48 V, its converter off."""
    return on_its_link(pump)
