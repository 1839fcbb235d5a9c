"""A drive's parameter set as text and as a hash that are the same on every machine. Pure; it judges nothing.

Values are compared and hashed by nine significant digits: what a register holds times its scale has no more, and the
last binary digit of that product tells nothing about the drive.
"""

import hashlib
from collections.abc import Mapping


def shown(value: float) -> str:
    """A value with nine significant digits, an integer without a point; zero has no sign."""
    return f"{value + 0.0:.9g}"


def canonical(values: Mapping[str, float]) -> str:
    """One line "name=value" for each, by name, each ended by a line feed. Names are ASCII."""
    return "".join(f"{name}={shown(values[name])}\n" for name in sorted(values))


def sha256_of(values: Mapping[str, float]) -> str:
    """SHA-256 (FIPS 180-4) of the canonical text in UTF-8, as 64 hexadecimal digits."""
    return hashlib.sha256(canonical(values).encode("utf-8")).hexdigest()
