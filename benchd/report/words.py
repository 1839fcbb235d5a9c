"""Names in files turned into words for people: quantities, channels, settings with their units. It computes nothing."""

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from benchd.report import soft
from benchd.report.numbers import plain, with_unit

TITLES = {
    "winding_resistance": "Winding resistance",
    "torque_zero": "Torque zero",
    "no_load": "No-load test",
    "back_emf": "Back-EMF test",
    "load": "Load test",
    "rated_point": "Rated point",
    "duty_cycle": "Duty cycle",
}
SUFFIXES = {  # how a name says its unit, longest first
    "_ohm_per_k": "Ω/K",
    "_nm_per_rad": "N·m/rad",
    "_nm_per_s": "N·m/s",
    "_nm_s": "N·m·s",
    "_rpm_per_s": "r/min/s",
    "_v_per_krpm": "V/(1000 r/min)",
    "_v_per_s": "V/s",
    "_volt_per_volt": "V/V",
    "_volt_per_ampere": "V/A",
    "_v_s": "V·s",
    "_kgm2": "kg·m²",
    "_degc": "°C",
    "_ohm": "Ω",
    "_rpm": "r/min",
    "_ratio": "1",
    "_nm": "N·m",
    "_mh": "mH",
    "_va": "VA",
    "_hz": "Hz",
    "_kw": "kW",
    "_kg": "kg",
    "_mm": "mm",
    "_v": "V",
    "_a": "A",
    "_w": "W",
    "_s": "s",
    "_h": "H",
}
SAID = {  # names whose words in their own order are hard to read
    "friction_torque_coulomb": "Coulomb friction torque",
    "friction_coefficient_viscous": "viscous friction coefficient",
    "drag_torque_coulomb": "Coulomb drag torque",
    "drag_coefficient_viscous": "viscous drag coefficient",
    "hysteresis_at_torque": "torque of the hysteresis",
}
ENDS = {  # what a name's last part says about the rest
    "_20": " at 20 °C",
    "_25": " at 25 °C",
    "_si": " (SI)",
    "_narrow": " (narrow range)",
}
_PAIR = re.compile(r"resistance_([123])([123])")
_IDENTIFIER = re.compile(  # lower-case parts joined by underscores, in no path and no dotted name
    r"(?:(?<![\w./\\])|(?<=\b[A-Z]/))[A-Za-z][a-z0-9]*(?:_[a-z0-9]+)+(?![\w/]|\.\w)"
)
_SPELLED = {"dc": "DC", "emf": "EMF", "ke": "back-EMF constant", "id": "ID", "rpm": "r/min", "ac": "AC"}


def words(name: str) -> str:
    """`dc_voltage` as "DC voltage"."""
    if name in SAID:
        return SAID[name]
    if pair := _PAIR.fullmatch(name):
        return f"resistance between terminals {pair[1]} and {pair[2]}"
    for end, told in ENDS.items():
        if name.endswith(end) and len(name) > len(end):
            return words(name[: -len(end)]) + told
    joined = name.replace("at_no_load", "at no load").replace("no_load", "no-load").replace("back_emf", "back-EMF")
    return " ".join(_SPELLED.get(part, part) for part in joined.replace("_", " ").split())


def sentence_words(sentence: str) -> str:
    """The sentence with the names of channels and quantities in it as words; file names and code stay."""
    return _IDENTIFIER.sub(_in_words, sentence)


def _in_words(found: re.Match[str]) -> str:
    name = found[0]
    return title_words(name[:1].lower() + name[1:]) if name[:1].isupper() else words(name)


def title_words(name: str) -> str:
    """The same with a capital at its beginning."""
    return capital(words(name))


def capital(text: str) -> str:
    """The text with a capital at its beginning; a symbol of one letter, or of another alphabet, stays as it is."""
    return text[:1].upper() + text[1:] if text[:2].isascii() and text[1:2].isalpha() else text


def small(text: str) -> str:
    """A title within a sentence: "No-load test" as "no-load test", but "DC current" as it is."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def split_unit(name: str) -> tuple[str, str]:
    """`max_torque_nm` as ("max torque", "N·m"); a name without a unit has ""."""
    for suffix, unit in SUFFIXES.items():
        if name.endswith(suffix) and len(name) > len(suffix):
            return words(name[: -len(suffix)]), unit
    return words(name), ""


def said(value: object, unit: str = "") -> str:
    """A setting's value in words: numbers with their unit, lists in one line, nothing as "not stated"."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return _listed(value, unit)
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {text}" for name, text in pairs_of(value)) or "not stated"
    number = soft.number(value)
    if number is not None:
        return with_unit(plain(number), unit)
    return "not stated" if value is None or value == "" else str(value)


def _listed(values: Sequence[Any], unit: str) -> str:
    """Numbers with one unit behind the last, anything else one after the other."""
    numbers = [soft.number(one) for one in values]
    if values and None not in numbers:
        return with_unit(", ".join(plain(one) for one in numbers if one is not None), unit)
    return "; ".join(said(one, unit) for one in values) or "none"


def pairs_of(table: Mapping[str, Any], *, before: str = "") -> Iterator[tuple[str, str]]:
    """Every entry of a settings table as (name in words, value in words); tables within it with their name before.

    Settings that are null were not made and are left out.
    """
    for key, value in table.items():
        if value is None:
            continue
        if isinstance(value, Mapping):
            yield from pairs_of(value, before=f"{before}{words(str(key))}, ")
            continue
        name, unit = split_unit(str(key))
        yield f"{before}{name}", said(value, unit)


def name_of_test(kind: str, title: object) -> str:
    """The test's own title, else the one that the trade gives its kind."""
    if isinstance(title, str) and title.strip():
        return title
    return TITLES.get(kind) or title_words(kind) or "Test"
