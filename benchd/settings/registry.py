"""The drivers and tests that settings files may name. It holds what was handed in; it must never import a plugin."""

from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import BaseModel

from benchd.contract import Manifest


@dataclass(frozen=True, slots=True, kw_only=True)
class Registry:
    """What this installation knows: drivers by name, and each test's settings model by its kind."""

    drivers: Mapping[str, Manifest]
    tests: Mapping[str, type[BaseModel]]
