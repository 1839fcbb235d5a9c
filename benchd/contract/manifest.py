"""How a plugin declares a driver: a manifest that imports without hardware and without a vendor library."""

import importlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, cast

from pydantic import BaseModel

from benchd.contract.capabilities import Capability, Driver
from benchd.contract.plate import Plate, SimulatedBench

CONTRACT_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PortSpec:
    """One port that a driver will yield: its name, what it can do and the names of its signals.

    `parameters` names what a drive's `read_parameters` tells; without any the port need not be `TellsParameters`.
    """

    name: str
    capability: Capability
    signals: tuple[str, ...]
    parameters: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A driver's promise, found through the entry-point group `benchd.drivers`.

    `settings` is a frozen pydantic model with `extra="forbid"`; `ports` tells the ports for given settings without
    touching the device; `driver` is "module:callable", imported only when a bench uses it and called
    with the settings.
    """

    name: str
    contract_version: int
    summary: str  # one line for people: device class, protocol
    settings: type[BaseModel]
    ports: Callable[[Any], Sequence[PortSpec]]
    driver: str
    reply_time_s: float  # promised longest time of one call
    safe_time_s: float  # promised longest time of make_safe and of leaving

    def make(self, settings: BaseModel) -> Driver:
        """A driver for these settings, not yet entered. Raises `ImportError` where the plugin is broken."""
        return cast("Driver", _named(self.driver, by=f"driver {self.name}")(settings))


@dataclass(frozen=True, slots=True, kw_only=True)
class Twin:
    """A simulated bench, found through the entry-point group `benchd.twins`.

    As a process, `python -m <module> --specimen NAME` listens on free loopback ports and then prints one line of JSON
    to standard output: {"devices": {"supply": {"host": "127.0.0.1", "port": 40001}, ...}, "control": {...}}.
    In process, `in_process` is "module:callable"; called as (specimen, seed=int) it returns a `SimulatedBench`: one
    `Driver` a device, by the same device and port names, sharing one plant whose time is the running event loop's.
    `from_plate`, "module:callable" too, makes a bench of plain values, called as (plate, seed=int, coarse=bool); None:
    it cannot.
    """

    name: str
    summary: str
    module: str
    in_process: str
    specimens: tuple[str, ...]
    from_plate: str | None = None

    def on_plate(self, plate: Plate, *, seed: int, coarse: bool = False) -> SimulatedBench:
        """A simulated bench of what these values state, in process; `coarse` trades detail between polls for speed.

        Raises `ValueError` in one sentence for values that it cannot simulate, `ImportError` where the plugin is
        broken.
        """
        if self.from_plate is None:
            raise ValueError(f"The simulated bench {self.name} cannot be made from a rating plate: choose another one.")
        return cast("SimulatedBench", _named(self.from_plate, by=f"twin {self.name}")(plate, seed=seed, coarse=coarse))


def _named(dotted: str, *, by: str) -> Callable[..., Any]:
    """What "module:callable" names. Raises `ImportError` where it is not there."""
    module_name, _, attribute = dotted.partition(":")
    module = importlib.import_module(module_name)
    found = getattr(module, attribute, None)
    if found is None:
        raise ImportError(f"The {by} names {dotted}, but {module_name} has no {attribute!r}.")
    return cast("Callable[..., Any]", found)
