"""Finds drivers and twins by entry points, makes a bench's drivers. A broken plugin costs nothing until it is used."""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import Distribution, EntryPoint, distributions
from typing import TypeVar

from benchd.contract import CONTRACT_VERSION, Driver, Manifest, Twin
from benchd.settings.bench import Bench

DRIVERS = "benchd.drivers"
TWINS = "benchd.twins"

T = TypeVar("T", Manifest, Twin)


class Unavailable(Exception):
    """Something that should be installed here is not, or does not work; one sentence says what and why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The drivers that can be used, and for each that cannot, the sentence that says why."""

    drivers: Mapping[str, Manifest]
    broken: Mapping[str, str]
    distributions: Mapping[str, str]  # which distribution brought each driver, with its version


def find_drivers() -> Found:
    """All drivers installed here; never raises for a broken one. Two of one name: both are broken."""
    drivers: dict[str, Manifest] = {}
    broken: dict[str, str] = {}
    origins: dict[str, str] = {}
    for origin, entry in _entries(DRIVERS, broken):
        name = entry.name
        if name in origins:
            drivers.pop(name, None)
            broken[name] = f"Driver '{name}' is brought by {origins[name]} and by {origin}: remove one of them."
            continue
        origins[name] = origin
        loaded = _load(entry, Manifest)
        if isinstance(loaded, str):
            broken[name] = loaded
        elif loaded.contract_version != CONTRACT_VERSION:
            broken[name] = (
                f"Driver '{name}' was written for contract version {loaded.contract_version}, this benchd has "
                f"{CONTRACT_VERSION}: install matching versions."
            )
        else:
            drivers[name] = loaded
    return Found(drivers=drivers, broken=broken, distributions=origins)


def find_twin(name: str) -> Twin:
    """The simulated bench of this name. Raises `Unavailable` in one sentence."""
    for _, entry in _entries(TWINS, {}):
        if entry.name == name:
            twin = _load(entry, Twin)
            if isinstance(twin, str):
                raise Unavailable(twin)
            return twin
    raise Unavailable(f"There is no simulated bench '{name}': install the plugin that brings it.")


def _entries(group: str, broken: dict[str, str]) -> list[tuple[str, EntryPoint]]:
    """The entry points of a group by name, each with the distribution that brings it; the first of a name on the path.

    A distribution whose own description cannot be read is put into `broken` and stops nothing else.
    """
    found: list[tuple[str, EntryPoint]] = []
    seen: set[str] = set()
    for distribution in distributions():
        try:
            name = f"{distribution.name}"
            entries = [entry for entry in distribution.entry_points if entry.group == group]
        except Exception as error:  # noqa: BLE001 - what stands in a foreign folder may be anything
            where = _place(distribution)
            broken[where] = f"The distribution in {where} cannot be read ({error}): install it again or remove it."
            continue
        if name.lower() in seen:
            continue
        seen.add(name.lower())
        found += [(f"{name} {distribution.version}", entry) for entry in entries]
    return sorted(found, key=lambda one: one[1].name)


def _place(distribution: Distribution) -> str:
    return str(getattr(distribution, "_path", "an unknown folder"))


def _load(entry: EntryPoint, kind: type[T]) -> T | str:
    try:
        loaded = entry.load()
    except (Exception, SystemExit) as error:  # noqa: BLE001 - a plugin may fail in any way, and must not stop the rest
        return f"Plugin '{entry.name}' ({entry.value}) cannot be loaded: {type(error).__name__}: {error}."
    if not isinstance(loaded, kind):
        return f"Plugin '{entry.name}' ({entry.value}) is no {kind.__name__}: report it to its author."
    return loaded


class DriverBroken(Exception):
    """A driver that the bench names cannot be made; one sentence says which and why."""


def make_drivers(bench: Bench) -> Mapping[str, Driver]:
    """A driver for each device, none entered. Raises `DriverBroken` in one sentence."""
    drivers: dict[str, Driver] = {}
    for name, device in bench.devices.items():
        try:
            drivers[name] = device.manifest.make(device.settings)
        except Exception as error:  # a plugin may fail in any way
            raise DriverBroken(
                f"{bench.document.origin(('devices', name, 'driver'))} names the driver '{device.manifest.name}', "
                f"which cannot be loaded ({type(error).__name__}: {error}): install it again or ask its author."
            ) from error
    return drivers
