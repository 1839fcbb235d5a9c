import importlib
import inspect
from importlib.metadata import entry_points

import pytest

from benchd.contract import (
    Drive,
    MeasuringUnit,
    PowerAnalyser,
    ResistanceMeter,
    SafetyChain,
    Sink,
    Supply,
    Thermometers,
    Twin,
    Waveforms,
)
from benchd.live.virtual_time import run_virtual
from benchd_rig.twin import TWIN

BRUSHLESS = {"pump_48v", "reference_pmsm"}


def test_it_is_found_by_its_entry_point():
    [entry] = [each for each in entry_points(group="benchd.twins") if each.name == "rig"]
    assert entry.load() is TWIN
    assert isinstance(TWIN, Twin)
    assert {"vent_flap_24v", "reference_dc_24v", *BRUSHLESS} <= set(TWIN.specimens)


@pytest.mark.parametrize("specimen", TWIN.specimens)
def test_its_in_process_drivers_yield_the_agreed_ports(specimen):
    module, _, name = TWIN.in_process.partition(":")
    make = getattr(importlib.import_module(module), name)
    assert list(inspect.signature(make).parameters) == ["specimen", "seed"]

    async def ports():
        drivers = make(specimen, seed=0)
        found = {}
        for device, driver in drivers.items():
            async with driver as by_name:
                found[device] = by_name
        return found

    expected = {
        "supply": {"output": Supply},
        "sink": {"input": Sink},
        "load_drive": {"axis": Drive},
        "measuring_unit": {"inputs": MeasuringUnit, "waveforms": Waveforms},
        "resistance_meter": {"winding": ResistanceMeter},
        "thermometers": {"group": Thermometers},
        "cabinet_thermometers": {"group": Thermometers},
        "safety_chain": {"chain": SafetyChain},
    }
    if specimen in BRUSHLESS:
        expected |= {"motor_drive": {"axis": Drive}, "power_analyser": {"result": PowerAnalyser}}
    found = run_virtual(ports())
    assert set(found) == set(expected)
    for device, capabilities in expected.items():
        assert list(found[device]) == list(capabilities)
        for name, capability in capabilities.items():
            assert isinstance(found[device][name], capability)


def test_an_unknown_specimen_is_one_sentence():
    module, _, name = TWIN.in_process.partition(":")
    with pytest.raises(ValueError, match="no simulated specimen 'teapot'"):
        getattr(importlib.import_module(module), name)("teapot", seed=0)
