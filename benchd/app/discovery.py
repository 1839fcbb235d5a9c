"""Finds drivers and twins by their entry points. A plugin that is broken costs nothing until a bench asks for it."""

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import TypeVar

from benchd.contract import CONTRACT_VERSION, Manifest, Twin

DRIVERS = "benchd.drivers"
TWINS = "benchd.twins"

T = TypeVar("T", Manifest, Twin)


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
    for entry in sorted(entry_points(group=DRIVERS), key=lambda entry: entry.name):
        origin = "an unknown distribution" if entry.dist is None else f"{entry.dist.name} {entry.dist.version}"
        name = entry.name
        if name in origins:
            drivers.pop(name, None)
            broken[name] = f"Driver '{name}' is brought by {origins[name]} and by {origin}: remove one of them."
            continue
        origins[name] = origin
        sentence = _load(entry, Manifest)
        if isinstance(sentence, str):
            broken[name] = sentence
        elif sentence.contract_version != CONTRACT_VERSION:
            broken[name] = (
                f"Driver '{name}' was written for contract version {sentence.contract_version}, this benchd has "
                f"{CONTRACT_VERSION}: install matching versions."
            )
        else:
            drivers[name] = sentence
    return Found(drivers=drivers, broken=broken, distributions=origins)


def find_twin(name: str) -> Twin:
    """The simulated bench of this name. Raises `LookupError` in one sentence."""
    for entry in entry_points(group=TWINS):
        if entry.name == name:
            twin = _load(entry, Twin)
            if isinstance(twin, str):
                raise LookupError(twin)
            return twin
    raise LookupError(f"There is no simulated bench '{name}': install the plugin that brings it.")


def _load(entry: EntryPoint, kind: type[T]) -> T | str:
    try:
        loaded = entry.load()
    except Exception as error:  # noqa: BLE001 - a plugin may fail in any way at import, and must not stop the rest
        return f"Plugin '{entry.name}' ({entry.value}) cannot be loaded: {type(error).__name__}: {error}."
    if not isinstance(loaded, kind):
        return f"Plugin '{entry.name}' ({entry.value}) is no {kind.__name__}: report it to its author."
    return loaded
