"""The set-up sheet as one page: plain values in, a document for the page out.

It must never state a number that the sheet does not hold, nor call an estimate a measurement, nor become two pages.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from benchd.report.letters import Printable
from benchd.report.numbers import NARROW, plain, with_unit
from benchd.report.rendering import compiled, shows
from benchd.report.words import words

TOUCH_V = 60.0  # smooth direct voltage, IEC 60204-1, 6.2.4
TOUCH_RMS_V = 25.0  # alternating voltage in dry places, IEC 60204-1, 6.4.1; value from memory
NOTHING = "–"
NOT_STATED = "not stated"
LONGEST = 90  # letters of what a person may have written at any length
SHORTEST = 38
SCALE_ROOM = 1.03  # of the ladder beyond its highest rung
# From roomy to tight: the first that fits on the page is taken. Rows beyond a number are counted, not shown.
LEVELS = tuple(
    {"size": size, "tests": tests, "limits": limits, "sensors": sensors}
    for size, tests, limits, sensors in (
        (9.0, 99, 12, 99),
        (8.6, 99, 12, 99),
        (8.2, 99, 12, 16),
        (8.0, 99, 12, 12),
        (7.6, 12, 10, 12),
        (7.2, 10, 7, 10),
        (7.0, 8, 6, 8),
        (6.8, 6, 5, 6),
        (6.6, 4, 4, 4),
    )
)
CAUTIONS = (
    (
        "The hardware safety chain decides: emergency stop, guard with locking, safe torque off, over-voltage and "
        "overspeed protection. benchd works below it and no stop by software is a safety function."
    ),
    "Mounting and wiring are for qualified persons, under the site's rules for test stations (EN 50191).",
    (
        "Before touching: isolate, secure against switching on, wait, measure that there is no voltage. Safe torque "
        "off (STO) is no isolation."
    ),
)


def render_setup_sheet(sheet: Mapping[str, Any]) -> bytes:
    """The sheet as one page of PDF/A-2b; the same sheet gives the same bytes. Raises RuntimeError if it cannot be."""
    whole = Printable(shows).all(setup_sheet(sheet))
    midnight = dt.datetime.combine(dt.date.fromisoformat(sheet["on"]), dt.time(), tzinfo=dt.UTC)
    return compiled(whole, timestamp=max(0, int(midnight.timestamp())), pages="sheet.typ")


def setup_sheet(sheet: Mapping[str, Any]) -> dict[str, Any]:
    """The whole page as plain values."""
    return {
        "title": f"Set-up sheet {_cut(sheet['programme'])} {_cut(sheet['serial'])}",
        "author": _cut(sheet["operator"]) or "unknown",
        "masthead": {
            "title": "Set-up sheet",
            "subtitle": f"{_cut(sheet['programme'], SHORTEST)} on the bench {_cut(sheet['bench'], SHORTEST)}, to be "
            "gone through before power",
            "corner": [
                f"Order {_cut(sheet['order'], SHORTEST)}",
                f"Serial number {_cut(sheet['serial'], SHORTEST)}",
                sheet["on"],
            ],
        },
        "levels": list(LEVELS),
        "mounted": _mounted(sheet),
        "wiring": _wiring(sheet),
        "tests": {"head": TESTS_HEAD, "rows": [_test(number, one) for number, one in enumerate(sheet["tests"], 1)]},
        "ladder": _ladder(sheet),
        "voltage_notes": _voltage_notes(sheet),
        "expected": _expected(sheet),
        "limits": {"head": LIMITS_HEAD, "rows": [_limit(one) for one in sheet["limits"]]},
        "sensors": {"head": SENSORS_HEAD, "rows": [_sensor(one) for one in sheet["sensors"]]},
        "overdue": [at for at, one in enumerate(sheet["sensors"]) if one["overdue"]],
        "cautions": list(CAUTIONS),
        "ticks": _ticks(sheet),
        "signatures": [
            ["Mounted and wired by", "name, date, time"],
            ["Checked by another person", "name, date, time"],
            ["Released for power by", "name, date, time"],
        ],
        "foot": f"Made from {', '.join(_cut(name, SHORTEST) for name in sheet['files'])}; configuration (SHA-256) "
        f"{sheet['configuration_sha256'][:16]}… as in run.json; benchd {sheet['software']['benchd']}",
    }


def _cut(text: str, letters: int = LONGEST) -> str:
    """The text on one line, with a sign where some of it is left out."""
    line = " ".join(str(text).split())
    return line if len(line) <= letters else f"{line[: letters - 1]}…"


def _amount(value: float | None, unit: str, digits: int = 3) -> str:
    return NOTHING if value is None else with_unit(plain(value, digits), unit)


def _sided(value: float | None) -> str:
    return NOTHING if value is None else plain(value, 4)


# --- what is mounted


def _mounted(sheet: Mapping[str, Any]) -> list[list[str]]:
    motor, setup = sheet["motor"], sheet["setup"]
    rated, coupling, train = motor["rated"], setup["coupling"], sheet["shaft_train"]
    brushless = motor["kind"] == "brushless"
    plate = [_amount(rated["voltage_v"], "V") + (" DC link" if brushless else "")]
    if brushless:
        plate += [f"{_amount(rated['phase_current_a'], 'A')} a phase", f"{_amount(rated['dc_current_a'], 'A')} DC"]
    else:
        plate.append(_amount(rated["current_a"], "A"))
    plate += [
        _amount(rated["speed_rpm"], "r/min", 5),
        _amount(rated["torque_nm"], "N·m"),
        _amount(rated["power_w"], "W"),
    ]
    kind = f"brushless, {motor['pole_pairs']} pole pairs" if brushless else "brushed DC"
    rows = [
        ["Motor", f"{_cut(motor['manufacturer'], SHORTEST)} {_cut(motor['type_designation'], SHORTEST)}, {kind}"],
        ["Rating plate", f"{', '.join(plate)}, class {motor['thermal_class']}"],
        ["Adapter", _cut(setup["adapter"])],
        [
            "Coupling",
            f"bears {_amount(coupling['max_torque_nm'], 'N·m')} and {_amount(coupling['max_speed_rpm'], 'r/min', 5)}",
        ],
        [
            "Weakest of the shaft",
            f"{_amount(train['max_torque_nm'], 'N·m')}, {_amount(train['max_speed_rpm'], 'r/min', 5)}"
            + (
                ""
                if sheet["torque_overload_nm"] is None
                else f"; the transducer bears {_amount(sheet['torque_overload_nm'], 'N·m')}"
            ),
        ],
        ["Shaft twists at", _natural(sheet["critical"])],
    ]
    if zero := setup["transducer_zero"]:
        rows.append(["Transducer's zero", f"taken uncoupled on {zero['taken_on']}: {_amount(zero['value_nm'], 'N·m')}"])
    return rows


def _natural(critical: Mapping[str, Any]) -> str:
    """The torsional natural frequencies against the speeds that the programme reaches."""
    bands = [f"{low:.0f} to {high:.0f}" for low, high in critical["bands_rpm"]]
    cross = f"{', '.join(bands[:3])}{f' and {len(bands) - 3} more' if len(bands) > 3 else ''} r/min"
    reach = f"up to {_amount(critical['top_rpm'], 'r/min', 4)}"
    if not critical["natural_hz"]:
        return f"{NOT_STATED}{f'; cross, never hold, {cross}' if bands else ''}"
    hertz = " and ".join(f"{hz:.0f}" for hz in critical["natural_hz"])
    return f"{hertz}{NARROW}Hz; " + (f"cross, never hold, {cross}" if bands else f"no critical speed {reach}")


def _wiring(sheet: Mapping[str, Any]) -> list[list[str]]:
    motor, setup, amperes = sheet["motor"], sheet["setup"], sheet["currents"]
    sources = {name: _cut(where, SHORTEST) for name, where in sheet["sources"].items()}
    brushless = motor["kind"] == "brushless"
    ways = {one["ways"] for one in sheet["tests"] if one["energised"]}
    speed = next((one for one in sheet["limits"] if one["channel"] == "shaft_speed"), None)
    between = "" if speed is None else f"; limits {_sided(speed['low'])} to {_sided(speed['high'])} r/min"
    turns = "clockwise only" if ways <= {"clockwise"} else "either way, see the tests below"
    sensed = "the DC input of the converter" if brushless else "the terminals of the motor"
    rows = [
        ["Positive direction", "clockwise, looking at the motor's drive end (IEC 60034-8)"],
        ["The shaft turns", f"{turns}{between}; slowly either way in the jog before the first test"],
        [
            "Power leads",
            "converter 1, 2, 3 to motor terminals 1, 2, 3 in this order"
            if brushless
            else "bench plus to motor terminal 1, minus to 2: positive voltage turns it clockwise",
        ],
        ["Sense leads", f"{sources.get('dc_voltage', NOT_STATED)} at {sensed}, polarity as the power leads"],
    ]
    if "winding_voltage" in sources and any(not one["energised"] for one in sheet["tests"]):
        rows.append(["Resistance meter", "four wires to terminals 1, 2, 3, inside the power leads' contactor"])
    if "winding_temperature" in sources:
        rows.append(["Winding thermometer", sources["winding_temperature"]])
    expected = amperes["expected_a"]
    cable_ohm = setup["cable"]["resistance_ohm"]
    lost = "" if expected is None else f"; loses {_amount(cable_ohm * expected, 'V', 2)} at {_amount(expected, 'A')}"
    rows.append(["Cable", f"{_amount(cable_ohm * 1000.0, 'mΩ')} both conductors{lost}"])
    hoped = "" if expected is None else f"expected {_amount(expected, 'A')}, "
    line = "DC line to the converter" if brushless else "supply line"
    below = f"{hoped}planned for {_amount(amperes['planned_a'], 'A')}, limit {_amount(amperes['limit_a'], 'A')}"
    rows.append(["Fuse", f"{_amount(amperes['fuse_a'], 'A')} in the {line}; {below}"])
    return rows


# --- tests


TESTS_HEAD = [
    ["", "", False],
    ["test", "", False],
    ["direction", "", False],
    ["speed", "r/min", True],
    ["torque", "N·m", True],
    ["voltage", "V", True],
    ["current", "A", True],
    ["time", "s", True],
    ["torque transducer, range", "", False],
]


def _test(number: int, one: Mapping[str, Any]) -> list[str]:
    at_most = [
        plain(value, digits) if value else NOTHING
        for value, digits in (
            (one["speed_rpm"], 4),
            (one["torque_nm"], 3),
            (one["voltage_v"], 3),
            (one["current_a"], 3),
            (one["duration_s"], 3),
        )
    ]
    ranges = " then ".join(_range(each) for each in one["ranges"])
    return [str(number), _cut(one["title"], SHORTEST), one["ways"] or "see programme", *at_most, ranges or NOTHING]


def _range(one: Mapping[str, Any]) -> str:
    serial = f" ({_cut(one['serial'], 18)})" if one["serial"] else ""
    if one["full_scale_nm"] is None:
        return f"{words(one['channel'])}, without calibration"
    return f"{_amount(one['full_scale_nm'], 'N·m')}{serial}"


# --- voltages


def _ladder(sheet: Mapping[str, Any]) -> dict[str, Any]:
    """Bars over one scale, from what is asked for to what breaks; `touch` is where 60 V lies."""
    made = sheet["generated"]
    rungs = [(one["what"], one["value_v"], "rung") for one in sheet["ladder"]]
    own = [
        (f"generated at {plain(made[key]['speed_rpm'], 4)} r/min ({why})", made[key]["peak_v"], "own")
        for key, why in (("top", "top speed"), ("limit", "limit"))
        if made[key]["peak_v"] > 0.0
    ]
    most = SCALE_ROOM * max(TOUCH_V, *(value for _, value, _ in (*rungs, *own)))
    return {
        "rows": [
            {"what": what, "value": _amount(value, "V"), "ratio": value / most, "kind": kind}
            for what, value, kind in (*rungs, *own)
        ],
        "touch": TOUCH_V / most,
        "touch_text": with_unit(f"{TOUCH_V:g}", "V"),
    }


def _voltage_notes(sheet: Mapping[str, Any]) -> list[str]:
    made, rungs = sheet["generated"], {one["what"]: one["value_v"] for one in sheet["ladder"]}
    highest_v = max(made["limit"]["peak_v"], rungs["over-voltage protection (hardware)"])
    notes = ["Each rung must stay below the next; read them back at the devices."]
    if made["alternating"]:
        notes.append(
            f"Generated by the magnets: peak, line to line; {_amount(made['top']['peak_v'] / 2.0**0.5, 'V')} rms at "
            "top speed. It is there while the shaft turns, after safe torque off too. Alternating voltage counts as "
            f"dangerous to touch from {TOUCH_RMS_V:g}{NARROW}V rms."
        )
    else:
        notes.append("Generated is what the motor itself makes at its terminals while it turns.")
    if highest_v > TOUCH_V:
        notes.append(
            f"Up to {_amount(highest_v, 'V')}: above {TOUCH_V:g}{NARROW}V DC (broken line) nothing may be touched. "
            "Wait for standstill, let the link discharge, measure."
        )
    else:
        notes.append(
            f"Direct voltage stays below {TOUCH_V:g}{NARROW}V (broken line, IEC 60204-1) while the protection holds; a "
            "short circuit burns all the same."
        )
    return notes


# --- readings, limits, sensors


def _expected(sheet: Mapping[str, Any]) -> dict[str, Any]:
    phases = sheet["motor"]["kind"] == "brushless"
    head = [
        ["point", "", False],
        ["speed", "r/min", True],
        ["torque", "N·m", True],
        ["voltage", "V", True],
        ["current", "A", True],
        *([["phase", "A rms", True]] if phases else []),
        ["power", "W", True],
    ]
    rows = [
        [
            name,
            plain(one["speed_rpm"], 3),
            plain(one["torque_nm"], 3),
            plain(one["voltage_v"], 3),
            plain(one["current_a"], 2),
            *([plain(one["phase_current_a"], 2)] if phases else []),
            plain(one["power_w"], 2),
        ]
        for name, one in zip(_named(sheet["expected"]), sheet["expected"], strict=True)
    ]
    sure = sheet["tolerance"]
    note = (
        f"Estimates from the rating plate, no measurement: ±{100.0 * sure['ratio']:.0f} %, current and power at least "
        f"±{_amount(sure['least_current_a'], 'A', 2)} and ±{_amount(sure['least_power_w'], 'W', 2)}. Further off: "
        "stop, and find out why."
    )
    return {"head": head, "rows": rows, "note": note if rows else "The specimen never turns by itself here."}


def _named(points: Sequence[Mapping[str, Any]]) -> list[str]:
    """Each point by how much of the programme's greatest torque it has."""
    most_nm = max((one["torque_nm"] for one in points), default=0.0)
    names = []
    for one in points:
        if one["torque_nm"] == 0.0:
            names.append("no load")
        else:
            names.append("most load" if one["torque_nm"] == most_nm else "part load")
    return names


LIMITS_HEAD = [
    ["limit on", "", False],
    ["unit", "", False],
    ["below", "", True],
    ["above", "", True],
    ["after", "s", True],
    ["reaction", "", False],
]


def _limit(one: Mapping[str, Any]) -> list[str]:
    return [
        words(one["channel"]),
        one["unit"] if one["unit"] != "1" else NOTHING,
        _sided(one["low"]),
        _sided(one["high"]),
        _sided(one["delay_s"]),
        one["reaction"].replace("_", " "),
    ]


SENSORS_HEAD = [["sensor", "", False], ["serial number", "", False], ["calibration due", "", False]]


def _sensor(one: Mapping[str, Any]) -> list[str]:
    if not one["due_on"]:
        return [f"without calibration: {_cut(', '.join(map(words, one['channels'])), 60)}", NOTHING, "no date"]
    return [_cut(one["sensor"]), _cut(one["serial"], 18), f"{one['due_on']}{', overdue' if one['overdue'] else ''}"]


# --- to tick


def _ticks(sheet: Mapping[str, Any]) -> Sequence[str]:
    fuse = _amount(sheet["currents"]["fuse_a"], "A")
    protection_v = next(one["value_v"] for one in sheet["ladder"] if "protection" in one["what"])
    train = sheet["shaft_train"]
    brushless = sheet["motor"]["kind"] == "brushless"
    trips = f"{_amount(train['max_speed_rpm'], 'r/min', 5)} and {_amount(train['max_torque_nm'], 'N·m')}"
    chain = ["Emergency stop and guard tried, safety chain reset"]
    if sheet["release_at_bench"]:
        chain.append("Release key at the bench known to who starts")
    if sheet["attended"]:
        chain.append("Somebody stays and answers what the tests ask")
    return [
        "Isolated, secured, no voltage measured",
        "Type and serial number on the plate are those above",
        "Adapter and coupling as above, aligned, screws at their torque, key secured",
        "Shaft turns freely by hand through a whole turn",
        f"Protective conductor on the motor's frame{' and the converter' if brushless else ''}",
        f"Power leads in their order, {fuse} fuse fitted",
        "Sense leads on, away from the shaft, strain relieved",
        "Transducer range and sensors are those above, none overdue",
        f"Over-voltage protection reads back {_amount(protection_v, 'V')}",
        f"Drives trip by themselves at {trips} or less",
        *chain,
        "Guard closed and locked, nobody within reach of the shaft",
    ]
