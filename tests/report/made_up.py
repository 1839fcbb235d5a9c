"""A made-up brushless run: every number is invented, so that the pages can be looked at and read back.

The pump motor, its maker, the laboratory and all people are invented.
"""

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from benchd.records import ClockAnchor, Ending, EventLog, Journal, RunFolder, finish
from benchd.records.sums import seal
from benchd.report import Window

START = datetime(2026, 5, 4, 6, 58, 12, 250_000, tzinfo=UTC)
CLOCK = ClockAnchor(mono_s=1000.0, utc_ns=int(START.timestamp()) * 10**9 + 250_000_000)
TICK_S = 0.05
CHANNELS: Sequence[tuple[str, str]] = (
    ("shaft_speed", "r/min"),
    ("shaft_torque", "N·m"),
    ("dc_voltage", "V"),
    ("dc_current", "A"),
    ("motor_power", "W"),
    ("motor_current", "A"),
    ("motor_voltage", "V"),
    ("winding_temperature", "°C"),
    ("housing_temperature", "°C"),
    ("magnet_temperature", "°C"),
    ("ambient_temperature", "°C"),
)
CALIBRATED = {
    "shaft_speed": ("angle encoder, 2048 lines", "EN-2204", "QK-26-118", "2026-02-02", "2028-02-29"),
    "shaft_torque": ("torque transducer, wide range, 15 N·m", "TT-3107", "QK-26-120", "2026-02-03", "2028-02-29"),
    "dc_voltage": ("DC voltage divider, 10:1", "VD-0518", "QK-26-122", "2026-02-03", "2028-02-29"),
    "dc_current": ("DC current sensor, 10 A per V", "CS-0190", "QK-24-007", "2024-02-05", "2026-02-28"),
}
TORQUES_NM = (0.5, 1.0, 1.5, 2.0, 2.4)
UNITS = {
    "speed": "r/min",
    "torque": "N·m",
    "dc_voltage": "V",
    "dc_current": "A",
    "motor_voltage": "V",
    "motor_voltage_fundamental": "V",
    "motor_current": "A",
    "motor_frequency": "Hz",
    "power_factor": "1",
    "converter_input_power": "W",
    "input_power": "W",
    "shaft_power": "W",
    "converter_efficiency": "1",
    "efficiency": "1",
    "system_efficiency": "1",
    "losses": "W",
}
KINDS = ("winding_resistance", "torque_zero", "no_load", "back_emf", "load", "rated_point")


def description(**changed: Any) -> dict[str, Any]:
    """The content of `run.json` beside what the folder adds itself."""
    return {
        "operator": "Tove Askeland-Iwu",
        "bench": "vineyard",
        "utc_offset_s": 7200,
        "software": {"benchd": "0.2.0", "numpy": "2.4.6"},
        "configuration": {
            "bench": {
                "devices": {
                    "supply": {"driver": "scpi_supply", "settings": {"identity": "Quillmoor Instruments,QS80-60"}},
                    "motor_drive": {"driver": "modbus_drive", "settings": {"product_code": 1026}},
                    "power_analyser": {
                        "driver": "scpi_power_analyser",
                        "settings": {"identity": "Quillmoor Instruments,QP3"},
                    },
                },
                "roles": {
                    "supply": "supply.output",
                    "motor_drive": "motor_drive.axis",
                    "power_analyser": "power_analyser.result",
                },
            },
            "motor": {
                "kind": "brushless",
                "manufacturer": "Hartmoos Brunnenwerk",
                "type_designation": "BP-750/4",
                "thermal_class": "F",
                "pole_pairs": 4,
                "max_speed_rpm": 4500.0,
                "rated": {"voltage_v": 48.0, "current_a": 17.5, "speed_rpm": 3000.0, "torque_nm": 2.4},
                "data_sheet": {"resistance_ohm": 0.046, "inertia_kgm2": 2.1e-4},
            },
            "setup": {
                "adapter": "face flange 80 mm, keyless hub 14 mm",
                "fuse_current_a": 32.0,
                "coupling": {"max_torque_nm": 20.0, "stiffness_nm_per_rad": 4200.0},
            },
            "programme": {"name": "pump acceptance"},
            "sensors": {},
        },
        "channels": [_channel(name, unit) for name, unit in CHANNELS],
        "tests": [
            {"index": index, "kind": kind, "title": "", "settings": settings, "demand": {}}
            for index, (kind, settings) in enumerate(zip(KINDS, _settings(), strict=True))
        ],
        "clock": {"mono_s": CLOCK.mono_s, "utc_ns": CLOCK.utc_ns},
        **changed,
    }


def _channel(name: str, unit: str) -> dict[str, Any]:
    known = CALIBRATED.get(name)
    keys = ("sensor", "serial", "certificate", "calibrated_on", "due_on")
    return {"name": name, "unit": unit, "calibration": None if known is None else dict(zip(keys, known, strict=True))}


def _settings() -> list[dict[str, Any]]:
    return [
        {"current_a": 1.5, "pairs": [12, 23, 13]},
        {"speed_rpm": 60.0, "settle_time_s": 2.0},
        {"speeds_rpm": [1000.0, 2000.0, 3000.0], "settle_time_s": 1.0},
        {"speeds_rpm": [1000.0, 2000.0, 3000.0], "settle_time_s": 1.0},
        {"speed_rpm": 3000.0, "torques_nm": list(TORQUES_NM), "torque_slope_nm_per_s": 0.5},
        {"speed_rpm": 3000.0, "torque_nm": 2.4, "dwell_s": 60.0},
    ]


def at(torque_nm: float, speed_rpm: float, *, warm: float = 0.0) -> dict[str, float]:
    """What would be found at this point."""
    shaft_w = torque_nm * speed_rpm * math.pi / 30.0
    current_a = torque_nm / 0.145 + 1.1
    losses_w = 3 * 0.025 * (1 + warm) * current_a**2 + 9.0 * speed_rpm / 3000.0
    input_w = shaft_w + losses_w
    dc_w = input_w * 1.03 + 6.0
    volt = 9.1 * speed_rpm / 1000.0 + 0.05 * current_a
    return {
        "speed": speed_rpm + 0.13,
        "torque": torque_nm,
        "dc_voltage": 48.0 - 0.01 * dc_w / 48.0,
        "dc_current": dc_w / 48.0,
        "motor_voltage": volt * 1.31,
        "motor_voltage_fundamental": volt,
        "motor_current": current_a,
        "motor_frequency": speed_rpm / 15.0,
        "power_factor": min(1.0, input_w / (math.sqrt(3) * volt * current_a)),
        "converter_input_power": dc_w,
        "input_power": input_w,
        "shaft_power": shaft_w,
        "converter_efficiency": input_w / dc_w,
        "efficiency": shaft_w / input_w,
        "system_efficiency": shaft_w / dc_w,
        "losses": losses_w,
    }


def point(number: int, direction: str, asked: Mapping[str, float], values: Mapping[str, float]) -> dict[str, Any]:
    """One entry of a test's points."""
    return {
        "number": number,
        "direction": direction,
        "asked": dict(asked),
        "values": {
            name: {"value": value, "standard_uncertainty": 4e-4 * abs(value) + 1e-5} for name, value in values.items()
        },
    }


def quantity(name: str, unit: str, value: float, u: float, how: str = "mean over the point") -> dict[str, Any]:
    """One entry of a test's quantities."""
    return {
        "name": name,
        "unit": unit,
        "value": value,
        "standard_uncertainty": u,
        "degrees_of_freedom": 57.2,
        "expanded_uncertainty": 2.0 * u,
        "coverage_factor": 2.0,
        "how": how,
        "budget": {"shaft_torque, gain": 0.8 * u, "motor_power, gain": 0.59 * u, "shaft_speed, time base": 0.05 * u},
    }


def load_points(torques_nm: Sequence[float] = TORQUES_NM) -> list[dict[str, Any]]:
    """Up and down again at 3000 r/min, a little warmer on the way down."""
    ways = [("up", torque) for torque in torques_nm] + [("down", torque) for torque in reversed(torques_nm)]
    return [
        point(number, way, {"speed_rpm": 3000.0, "torque_nm": torque}, at(torque, 3000.0, warm=0.02 * number))
        for number, (way, torque) in enumerate(ways)
    ]


def results(**changed: Any) -> dict[str, Any]:
    """The content of a `results.json` of schema 2 with an undecided run."""
    turning = [point(n, "", {"speed_rpm": s}, at(0.02, s)) for n, s in enumerate((1000.0, 2000.0, 3000.0))]
    emf = [
        point(n, "", {"speed_rpm": s}, {"speed": s, "motor_voltage_fundamental": 9.1e-3 * s, "motor_frequency": s / 15})
        for n, s in enumerate((1000.0, 2000.0, 3000.0))
    ]
    pairs = [
        point(n, "", {"pair": pair, "current_a": amps}, {"resistance": 0.0461 + 1e-4 * n})
        for n, (pair, amps) in enumerate((pair, amps) for pair in (12.0, 23.0, 13.0) for amps in (1.5, -1.5))
    ]
    zero = [point(n, "", {"speed_rpm": s}, {"torque": 0.0008 * (1 if s > 0 else -1)}) for n, s in enumerate((60, -60))]
    dwell = [point(n, "", {"torque_nm": 2.4, "speed_rpm": 3000.0}, at(2.4, 3000.0, warm=0.1 * n)) for n in (0, 1)]
    reason = "the magnet thermometer gave no reading"
    tests = {
        "winding_resistance": (
            [
                quantity("resistance_12", "Ω", 0.04613, 2.1e-5),
                quantity("resistance_between_terminals_20", "Ω", 0.0452, 1.1e-4),
            ],
            pairs,
            {"resistance": "Ω"},
        ),
        "torque_zero": ([quantity("torque_zero", "N·m", 0.0008, 0.0011)], zero, {"torque": "N·m"}),
        "no_load": ([quantity("no_load_losses", "W", 14.21, 0.32)], turning, UNITS),
        "back_emf": (
            [
                quantity("back_emf_constant", "V·s/rad", 0.086892, 0.000031, "line through the points, line to line"),
                {"name": "back_emf_constant_20", "unit": "V·s/rad", "value": None, "reason": reason},
            ],
            emf,
            {"speed": "r/min", "motor_voltage_fundamental": "V", "motor_frequency": "Hz"},
        ),
        "load": (
            [
                quantity("efficiency_at_rated_torque", "1", 0.9012, 0.0011),
                quantity("torque_constant", "N·m/A", 0.145, 9e-5),
            ],
            load_points(),
            UNITS,
        ),
        "rated_point": (
            [
                quantity("efficiency", "1", 0.8987, 0.0012) | {"interval_low": 0.8961, "interval_high": 0.9011},
                quantity("winding_temperature", "°C", 71.4, 0.6),
            ],
            dwell,
            UNITS,
        ),
    }
    found = {
        kind: {
            "kind": kind,
            "index": KINDS.index(kind),
            "notes": ["The magnets cooled by 2 K between the dwell's end and the test."] if kind == "back_emf" else [],
            "quantities": quantities,
            "units": units,
            "points": points,
        }
        for kind, (quantities, points, units) in tests.items()
    }
    return {
        "schema": 2,
        "notes": ["dc_current: the calibration of its sensor was due on 2026-02-28, before the run on 2026-05-04."],
        "decision": decision(),
        "tests": {kind: found[kind] for kind in sorted(found)},
        **changed,
    }


def decision(verdict: str = "undecided") -> dict[str, Any]:
    """A decision with one requirement of each verdict, and one on a quantity without a number."""
    rows = (
        ("back_emf.back_emf_constant", 0.0855, 0.0885, "V·s/rad", 0.086892, 0.000062, "accepted"),
        ("load.efficiency_at_rated_torque", 0.900, None, "1", 0.9012, 0.0022, "undecided"),
        ("no_load.no_load_losses", None, 12.0, "W", 14.21, 0.64, "rejected"),
        ("back_emf.back_emf_constant_20", 0.0855, 0.0885, "V·s/rad", None, None, "undecided"),
    )
    shown = rows if verdict == "rejected" else tuple(row for row in rows if row[-1] != "rejected")
    if verdict == "accepted":
        shown = tuple(row for row in rows if row[-1] == "accepted")
    names = ("quantity", "low", "high", "unit", "value", "expanded_uncertainty", "verdict")
    return {
        "verdict": verdict,
        "sentence": f"{verdict.capitalize()}, in a sentence of the evaluation.",
        "rule": {"kind": "guard_band", "r": 1.0, "sentence": "Guard band w = 1·U: undecided where nearer than w."},
        "requirements": [
            dict(zip(names, row, strict=True)) | {"sentence": f"{row[0]}: found in its own sentence, {row[-1]}."}
            for row in shown
        ],
    }


def write_folder(
    data: Path,
    *,
    found: Mapping[str, Any] | None,
    order: str = "2026-117",
    serial: str = "BP-00031",
    ending: Ending = Ending.COMPLETE,
    why: str = "all tests were played",
    events: Sequence[tuple[str, dict[str, Any]]] = (),
    **changed: Any,
) -> Path:
    """A whole run folder; `found` None leaves `results.json` away, `events` are added before the end."""
    folder = RunFolder.create(
        data, order=order, serial=serial, programme="pump acceptance", started=START, description=description(**changed)
    )
    journal, log = Journal(folder, CHANNELS), EventLog(folder)
    time_s = _play(journal, log)
    for name, fields in events:
        time_s += 0.01
        log.append(name, time_mono_s=time_s, **fields)
    log.append("state", time_mono_s=time_s, before="Execute", after="Completing", number=16, because="done")
    journal.close()
    log.close()
    folder.end(ending, why=why, time_mono_s=time_s + 2.0)
    if found is not None:
        (folder.path / "results.json").write_text(json.dumps(found, ensure_ascii=False, indent=2))
    finish(folder.path)
    seal(folder.path)
    return folder.path


def _play(journal: Journal, log: EventLog) -> float:
    time_s = CLOCK.mono_s + 3.0
    limits = [
        {
            "channel": "shaft_speed",
            "bound": "high",
            "value": 4500.0,
            "delay_s": 0.02,
            "reaction": "cut",
            "origin": "a:1 b",
        }
    ]
    log.append("limits_in_force", time_mono_s=time_s, limits=limits)
    log.append("zero", time_mono_s=time_s, channel="shaft_torque", value=0.0021, standard_uncertainty=1.2e-5)
    log.append("state", time_mono_s=time_s, before="Starting", after="Execute", number=6, because="done")
    winding_degc = 22.0
    for index, kind in enumerate(KINDS):
        log.append("test_started", time_mono_s=time_s, test=index, title=kind)
        for number, one in enumerate(results()["tests"][kind]["points"]):
            asked, direction = one["asked"], one["direction"]
            found = at(asked.get("torque_nm", 0.02), asked.get("speed_rpm", 0.0))
            for row in range(60):
                settled = row >= 30
                if row == 30:
                    place = {"test": index, "number": number}
                    log.append("point_started", time_mono_s=time_s, direction=direction, asked=asked, **place)
                winding_degc += 0.002 * abs(found["losses"]) ** 0.5
                values = [_value(name, found, winding_degc, ripple=math.sin(0.9 * row)) for name, _ in CHANNELS]
                journal.append(
                    time_mono_s=time_s,
                    state=6,
                    test=index,
                    point=number if settled else -1,
                    values=values,
                    ages_s=[0.001] * len(CHANNELS),
                    quality=[0] * len(CHANNELS),
                )
                time_s += TICK_S
            log.append("point_ended", time_mono_s=time_s, test=index, number=number, whole=True)
        log.append("test_ended", time_mono_s=time_s, test=index, title=kind)
    return time_s


def _value(name: str, found: Mapping[str, float], winding_degc: float, *, ripple: float) -> float:
    degc = {
        "winding": winding_degc,
        "housing": 20 + winding_degc / 11,
        "magnet": 19 + winding_degc / 7,
        "ambient": 22.0,
    }
    part, _, rest = name.partition("_")
    if rest == "temperature":
        return degc[part]
    known = {"shaft_speed": "speed", "shaft_torque": "torque", "motor_power": "input_power"}.get(name, name)
    return found[known] * (1.0 + 2e-3 * ripple)


def window(*, seconds: float = 0.1, rate_hz: float = 20_000.0, frequency_hz: float = 200.0) -> Window:
    """Phase voltages and currents of three phases at the rated point."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    turn = 2.0 * math.pi * frequency_hz * time_s
    values: dict[str, Any] = {}
    for phase in range(3):
        lag = phase * 2.0 * math.pi / 3.0
        values[f"phase_voltage_{phase + 1}"] = 23.1 * np.sin(turn - lag) + 0.4 * np.sin(5 * (turn - lag))
        values[f"phase_current_{phase + 1}"] = 25.0 * np.sin(turn - lag - 0.4) + 0.9 * np.sin(7 * (turn - lag))
    units = {name: "V" if "voltage" in name else "A" for name in values}
    return Window(test=5, point=1, rate_hz=rate_hz, values=values, units=units)
