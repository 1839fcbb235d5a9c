"""The programme that stands for one session of manual work: one test, limits that only tighten. It reads no file."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel

from benchd.settings.bench import Bench, Motor, Programme, ProgrammeTest, Setup
from benchd.settings.bench_file import LimitTable
from benchd.settings.document import Document
from benchd.settings.limit_sources import limit_sources, strictest_bound
from benchd.settings.specimen_files import BrushlessMotorFile
from benchd.settings.toml_lines import locate

NAME = "manual"
# Tightened limits: how long they may be crossed, s. A hand's own speed swings a little around what it set.
DELAYS_S: Mapping[str, float] = {"shaft_speed": 0.02, "shaft_torque": 0.02, "dc_current": 0.05}


@dataclass(frozen=True, slots=True, kw_only=True)
class HandLimits:
    """How far a hand may go in one session, each left out: as far as the rating plate and all that bounds a run."""

    max_speed_rpm: float | None = None
    max_torque_nm: float | None = None
    max_voltage_v: float | None = None
    max_current_a: float | None = None


def manual_programme(
    bench: Bench, motor: Motor, setup: Setup, asked: HandLimits, settings: type[BaseModel]
) -> Programme:
    """The programme of a manual session; `settings` is the model of its one test. Raises `SettingsError`.

    What is asked for tightens the limits on speed, torque and current, each on the sides where something wider holds.
    """
    plate = motor.settings
    rated = plate.rated
    rated_a = plate.rated.dc_current_a if isinstance(plate, BrushlessMotorFile) else plate.rated.current_a
    values = {
        "supply_voltage_v": asked.max_voltage_v or rated.voltage_v,
        "max_speed_rpm": asked.max_speed_rpm or rated.speed_rpm,
        "max_torque_nm": asked.max_torque_nm or rated.torque_nm,
        "max_current_a": asked.max_current_a or rated_a,
    }
    test = {"kind": NAME, **values}
    limits = _limits(bench, motor, setup, asked)
    document = _document({"name": NAME}, {"limits": limits, "test": [test]})
    return Programme(
        name=NAME,
        tests=(ProgrammeTest(kind=NAME, settings=settings.model_validate(values)),),
        limits=tuple(LimitTable.model_validate(table) for table in limits),
        document=document,
    )


def _limits(bench: Bench, motor: Motor, setup: Setup, asked: HandLimits) -> list[dict[str, object]]:
    """The limit tables that tighten; a side that something tighter bounds already is left to that."""
    empty = Programme(name=NAME, tests=(), limits=(), document=_document({"name": NAME}, {}))
    sources = limit_sources(bench, motor, setup, empty)
    tables: list[dict[str, object]] = []
    for channel, most, both_ways in (
        ("shaft_speed", asked.max_speed_rpm, True),
        ("shaft_torque", asked.max_torque_nm, True),
        ("dc_current", asked.max_current_a, False),
    ):
        if most is None:
            continue
        table: dict[str, object] = {"channel": channel, "high": most}
        low = strictest_bound(sources, channel, "low", warn=False)
        if both_ways and (low is None or low.value < -most):
            table["low"] = -most
        tables.append({**table, "delay_s": DELAYS_S[channel], "reaction": "ramp_down"})
    return tables


def _document(top: Mapping[str, object], tables: Mapping[str, list[dict[str, object]]]) -> Document:
    """As if it had been written in a file: problems then name a line, and the run folder keeps what was meant."""
    lines = [f"{key} = {_toml(value)}" for key, value in top.items()]
    for name, many in tables.items():
        for table in many:
            lines += ["", f"[[{name}]]", *(f"{key} = {_toml(value)}" for key, value in table.items())]
    text = "\n".join(lines) + "\n"
    return Document(file=Path(NAME), data=tomllib.loads(text), lines=locate(text))


def _toml(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)
