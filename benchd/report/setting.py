"""What the run was made with and under: equipment with calibration, specimen, set-up, limits, conditions."""

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Any

import numpy as np

from benchd.report import soft
from benchd.report.blocks import SMALL_PT, Block, Column, heading, pairs, paragraphs, remarks, rows, section
from benchd.report.happenings import limits_in_force
from benchd.report.material import Material, Samples
from benchd.report.numbers import unit_text
from benchd.report.words import capital, pairs_of, title_words, words

_PHASES = (" 1", " 2", " 3")
_AMBIENT_UNITS = ("°C", "%", "hPa", "kPa")
_NOT_PLATE = ("schema", "kind", "requirements", "requirement", "rated", "data_sheet")


def channel_units(material: Material) -> dict[str, str]:
    """Each channel's unit by name."""
    return {
        soft.text(channel.get("name")): soft.text(channel.get("unit"))
        for channel in soft.tables(material.description.get("channels"))
    }


def equipment(material: Material) -> dict[str, Any]:
    """Sensors with their calibration, channels without one, devices."""
    run = material.description
    started = soft.text(run.get("started_utc"))[:10]
    sensors: dict[tuple[str, ...], dict[str, list[str]]] = {}  # by certificate: a device's ranges with their channels
    bare: list[str] = []
    computed: list[str] = []
    for channel in soft.tables(run.get("channels")):
        name, calibration = words(soft.text(channel.get("name"), "?")), channel.get("calibration")
        if not isinstance(calibration, Mapping):
            (bare if channel.get("derivation") is None else computed).append(name)
            continue
        key = tuple(
            soft.text(calibration.get(part), "?") for part in ("serial", "certificate", "calibrated_on", "due_on")
        )
        sensors.setdefault(key, {}).setdefault(soft.text(calibration.get("sensor"), "?"), []).append(name)
    blocks: list[Block] = [heading("Sensors and their calibration"), *_sensors(sensors, started)]
    if bare:
        blocks.append(
            paragraphs(f"Without a calibration of their own, as their devices state them: {', '.join(bare)}.")
        )
    if computed:
        blocks.append(paragraphs(f"Computed from other channels, for limits alone: {', '.join(computed)}."))
    return section("Equipment", *blocks, *_devices(run))


def _sensors(sensors: Mapping[tuple[str, ...], Mapping[str, Sequence[str]]], started: str) -> list[Block]:
    if not sensors:
        return [paragraphs("The folder names no calibrated sensor.")]
    columns = [
        Column(title="sensor", wide=1.4),
        Column(title="serial no."),
        Column(title="certificate"),
        Column(title="calibrated on"),
        Column(title="due on"),
        Column(title="channels", wide=1.3),
    ]
    cells, overdue = [], []
    for number, (key, ranges) in enumerate(sorted(sensors.items(), key=lambda item: (sorted(item[1]), item[0]))):
        serial, certificate, calibrated_on, due_on = key
        late = bool(started) and due_on != "?" and due_on < started
        if late:
            overdue.append(number)
        channels = _counted([name for names in ranges.values() for name in names])
        due = f"{due_on} (overdue)" if late else due_on
        cells.append([_sensor(sorted(ranges)), serial, certificate, calibrated_on, due, channels])
    blocks: list[Block] = [rows(columns, cells, size_pt=SMALL_PT, strong=overdue)]
    if overdue:
        blocks.append(remarks(["A sensor in bold was past its calibration date when the run began."]))
    return blocks


def _sensor(names: Sequence[str]) -> str:
    """The ranges of one device in one line: "analyser, power" and "analyser, voltage" as "analyser: power, voltage"."""
    if len(names) == 1:
        return names[0]
    device = names[0].partition(", ")[0]
    if device and all(name.startswith(f"{device}, ") for name in names):
        return f"{device}: {', '.join(name.removeprefix(f'{device}, ') for name in names)}"
    return "; ".join(names)


def _counted(names: Sequence[str]) -> str:
    """The names in one line, "phase current 1", 2 and 3 as "phase current 1 to 3"."""
    told: list[str] = []
    for stem, alike in groupby(names, key=lambda name: name[:-2] if name[-2:] in _PHASES else name):
        several = list(alike)
        told.append(several[0] if len(several) == 1 else f"{stem} {several[0][-1]} to {several[-1][-1]}")
    return ", ".join(told)


def _devices(run: Mapping[str, Any]) -> list[Block]:
    bench = soft.table(soft.table(run.get("configuration")).get("bench"))
    devices = soft.table(bench.get("devices"))
    if not devices:
        return []
    roles = _roles(soft.table(bench.get("roles")))
    cells = [
        [
            words(str(name)),
            ", ".join(roles.get(str(name), [])) or "–",
            soft.text(soft.table(device.get("settings")).get("identity"), "not stated"),
            soft.text(device.get("driver"), "?").replace("_", " "),
        ]
        for name, device in devices.items()
        if isinstance(device, Mapping)
    ]
    columns = [
        Column(title="device", wide=1.0),
        Column(title="role", wide=1.0),
        Column(title="identity", wide=1.3),
        Column(title="driver", wide=1.1),
    ]
    return [heading("Devices"), rows(columns, cells, size_pt=SMALL_PT)]


def _roles(roles: Mapping[str, Any]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for role, ports in roles.items():
        for port in [ports] if isinstance(ports, str) else soft.sentences(ports):
            found.setdefault(port.partition(".")[0], []).append(words(str(role)))
    return found


def set_up(material: Material) -> dict[str, Any]:
    """Specimen's plate and data sheet, what couples it, limits in force."""
    configuration = soft.table(material.description.get("configuration"))
    motor, coupled = soft.table(configuration.get("motor")), soft.table(configuration.get("setup"))
    plate = {key: value for key, value in motor.items() if key not in _NOT_PLATE}
    parts = [
        ("Specimen", plate),
        ("Rated values", soft.table(motor.get("rated"))),
        ("Data sheet, used for planning only", soft.table(motor.get("data_sheet"))),
        ("What couples it", {key: value for key, value in coupled.items() if key != "schema"}),
    ]
    blocks: list[Block] = []
    for title, entries in parts:
        if entries:
            told = [(capital(name), value) for name, value in pairs_of(entries)]
            short = [(name, value) for name, value in told if len(name) < 34 and len(value) < 36]
            long = [one for one in told if one not in short]
            blocks.append(heading(title))
            blocks += [pairs(long)] if long else []
            blocks += [pairs(short, double=True)] if short else []
    if not blocks:
        blocks = [paragraphs("The folder describes neither specimen nor set-up.")]
    limits = limits_in_force(material.events, channel_units(material))
    if limits is None:
        return section("Specimen, set-up and limits", *blocks, paragraphs("The limits in force were not recorded."))
    return section("Specimen, set-up and limits", *blocks, heading("Limits in force"), limits)


def conditions(material: Material) -> dict[str, Any]:
    """Temperatures and what else surrounds the specimen: first, lowest, highest, last value."""
    samples = material.samples
    cells = [] if samples is None else [row for name in samples.values if (row := _condition(samples, name))]
    if not cells:
        return section("Conditions", paragraphs("No temperature or other condition of the surroundings was recorded."))
    columns = [
        Column(title="channel", wide=1.0),
        Column(title="unit"),
        *(Column(title=title, right=True) for title in ("at the start", "lowest", "highest", "at the end")),
    ]
    return section("Conditions", rows(columns, cells))


def _condition(samples: Samples, name: str) -> list[str] | None:
    unit = samples.units.get(name, "")
    if unit not in _AMBIENT_UNITS:
        return None
    values = samples.values[name]
    seen = values[samples.good[name] & (np.abs(values) < soft.ABSURD)]
    if seen.size == 0:
        return [title_words(name), unit_text(unit), "no reading", "", "", ""]
    shown = (seen[0], seen.min(), seen.max(), seen[-1])
    return [title_words(name), unit_text(unit), *(_one_place(float(value)) for value in shown)]


def _one_place(value: float) -> str:
    return f"{value:.1f}".replace("-", "−")
