"""Plates of the benches, motors and set-ups that come along, as a rehearsal makes them. Not a test."""

from benchd.app.discovery import find_drivers
from benchd.app.rehearsing.plate import plate_of
from benchd.contract import Plate
from benchd.procedures import PROCEDURES
from benchd.settings.load import Registry, load_bench, load_motor, load_setup
from benchd.settings.places import configs_directory

PUMP = ("vineyard", "pump_48v", "pump")
VENT_FLAP = ("greenhouse", "vent_flap_24v", "vent_flap")


def plate(bench: str, motor: str, setup: str) -> Plate:
    """What these files state."""
    configs = configs_directory()
    registry = Registry(
        drivers=find_drivers().drivers, tests={kind: each.settings for kind, each in PROCEDURES.items()}
    )
    return plate_of(
        load_bench(configs / "benches" / f"{bench}.toml", registry),
        load_motor(configs / "motors" / f"{motor}.toml"),
        load_setup(configs / "setups" / f"{setup}.toml"),
    )
