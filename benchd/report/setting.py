"""What the run was made with and under: equipment with calibration, specimen, set-up, limits, conditions."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from benchd.report import soft
from benchd.report.blocks import SMALL_PT, Block, Column, heading, pairs, paragraphs, remarks, rows, section
from benchd.report.happenings import limits_in_force
from benchd.report.material import Material, Samples
from benchd.report.numbers import unit_text
from benchd.report.words import capital, pairs_of, title_words, words

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
    channels = soft.tables(run.get("channels"))
    started = soft.text(run.get("started_utc"))[:10]
    sensors: dict[tuple[str, ...], list[str]] = {}
    bare = []
    for channel in channels:
        calibration = channel.get("calibration")
        if not isinstance(calibration, Mapping):
            bare.append(words(soft.text(channel.get("name"), "?")))
            continue
        key = tuple(
            soft.text(calibration.get(name), "?")
            for name in ("sensor", "serial", "certificate", "calibrated_on", "due_on")
        )
        sensors.setdefault(key, []).append(words(soft.text(channel.get("name"), "?")))
    blocks: list[Block] = [heading("Sensors and their calibration"), *_sensors(sensors, started)]
    if bare:
        blocks.append(
            paragraphs(f"Without a calibration of their own, as their devices state them: {', '.join(bare)}.")
        )
    return section("Equipment", *blocks, *_devices(run))


def _sensors(sensors: Mapping[tuple[str, ...], Sequence[str]], started: str) -> list[Block]:
    if not sensors:
        return [paragraphs("The folder names no calibrated sensor.")]
    columns = [
        Column(title="sensor", wide=1.5),
        Column(title="serial no."),
        Column(title="certificate"),
        Column(title="calibrated on"),
        Column(title="due on"),
        Column(title="channels", wide=1.2),
    ]
    cells, overdue = [], []
    for number, (key, names) in enumerate(sorted(sensors.items())):
        late = bool(started) and key[4] != "?" and key[4] < started
        if late:
            overdue.append(number)
        cells.append([*key[:4], f"{key[4]} (overdue)" if late else key[4], ", ".join(names)])
    blocks: list[Block] = [rows(columns, cells, size_pt=SMALL_PT, strong=overdue)]
    if overdue:
        blocks.append(remarks(["A sensor in bold was past its calibration date when the run began."]))
    return blocks


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
            told = list(pairs_of(entries))
            short = all(len(name) < 28 and len(value) < 42 for name, value in told)
            blocks += [heading(title), pairs([(capital(name), value) for name, value in told], double=short)]
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
