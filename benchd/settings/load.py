"""Loads settings files into frozen, checked values. It must never touch a device or import a plugin."""

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from benchd.rules.channels import Calibration, Channel
from benchd.settings import bench_checks
from benchd.settings.bench import Bench, Device, Motor, Programme, ProgrammeTest, Setup
from benchd.settings.bench_file import BenchFile, DeviceTable
from benchd.settings.document import Document, read_document
from benchd.settings.errors import Problem, SettingsError, refuse, shown
from benchd.settings.explain import nearest, problems_in
from benchd.settings.registry import Registry
from benchd.settings.sensor import load_sensor
from benchd.settings.specimen_files import MotorFile, ProgrammeFile, SetupFile

__all__ = ["Registry", "SettingsError", "load_bench", "load_motor", "load_programme", "load_sensor", "load_setup"]

_File = TypeVar("_File", bound=BaseModel)
RAD_S_PER_RPM = math.pi / 30.0
NOTHING: Mapping[str, Mapping[str, object]] = MappingProxyType({})


def load_bench(
    path: Path,
    registry: Registry,
    *,
    device_settings: Mapping[str, Mapping[str, object]] = NOTHING,
    today: dt.date | None = None,
) -> Bench:
    """The bench in this file with its sensors.

    `device_settings` replaces single settings by device name, such as host and port of a simulated bench. `today`
    (UTC where left out) decides which sensors are overdue: that is a warning. Raises `SettingsError`; mistakes of form
    are told before those of tables that do not fit each other.
    """
    document = _with_device_settings(read_document(path), device_settings)
    file, problems = _model(document, BenchFile)
    devices = _devices(document, registry, problems)
    if file is None or problems:
        refuse(path, problems)
    sensors = _sensors(document, file, today=today or dt.datetime.now(dt.UTC).date())
    problems = [
        *sensors.problems,
        *bench_checks.name_problems(document, file),
        *bench_checks.role_problems(document, file, devices),
        *bench_checks.channel_problems(document, file, devices, sensors.calibrations),
        *bench_checks.limit_problems(document, file.limits, file.channels),
        *bench_checks.ladder_problems(document, file),
    ]
    if problems:
        refuse(path, problems)
    return Bench(
        name=file.name,
        data_directory=file.data_path(),
        tick_rate_hz=file.tick.rate_hz,
        devices=MappingProxyType(devices),
        roles=MappingProxyType(
            {
                role: tuple(bench_checks.address(text) for text in texts)
                for role, texts in bench_checks.role_addresses(file).items()
            }
        ),
        channel_by_name=MappingProxyType(_channels(file, sensors.calibrations)),
        limits=file.limits,
        dc_link=file.dc_link,
        shaft_train=file.shaft_train,
        start=file.start,
        slopes=file.slopes,
        stopping=file.stopping,
        warnings=tuple(sensors.warnings),
        document=document,
        sensor_documents=MappingProxyType(sensors.documents),
    )


def load_motor(path: Path) -> Motor:
    """The motor type in this file. Raises `SettingsError`."""
    document = read_document(path)
    motor = _checked(document, MotorFile)
    problems = [
        document.problem(
            (key,), f"is {most:g} {unit}, less than the rated {name}, which is {rated:g} {unit}; correct one of them"
        )
        for key, most, name, rated, unit in (
            ("max_speed_rpm", motor.max_speed_rpm, "speed_rpm", motor.rated.speed_rpm, "r/min"),
            ("max_current_a", motor.max_current_a, "current_a", motor.rated.current_a, "A"),
        )
        if most < rated
    ]
    problems += _plate_problems(motor, document)
    if problems:
        refuse(path, problems)
    return Motor(settings=motor, warnings=_plate_warnings(motor, document), document=document)


def load_setup(path: Path) -> Setup:
    """The set-up in this file. Raises `SettingsError`."""
    document = read_document(path)
    return Setup(settings=_checked(document, SetupFile), document=document)


def load_programme(path: Path, registry: Registry) -> Programme:
    """The programme in this file, each test judged by its kind's model. Raises `SettingsError`.

    Whether its limits tighten those of the bench is seen where they meet: `limit_sources`.
    """
    document = read_document(path)
    file, problems = _model(document, ProgrammeFile)
    tests = _tests(document, registry, problems)
    if file is None or problems:
        refuse(path, problems)
    known_later = {limit.channel: None for limit in file.limits}  # only the bench knows its channels
    problems = list(bench_checks.limit_problems(document, file.limits, known_later))
    if problems:
        refuse(path, problems)
    return Programme(name=file.name, tests=tests, limits=file.limits, document=document)


# --- one file


def _model(document: Document, model: type[_File]) -> tuple[_File | None, list[Problem]]:
    try:
        return model.model_validate(document.data), []
    except ValidationError as error:
        return None, problems_in(error, model, document)


def _checked(document: Document, model: type[_File]) -> _File:
    file, problems = _model(document, model)
    if file is None:
        refuse(document.file, problems)
    return file


def _tables(document: Document, key: str) -> Mapping[str, dict[str, object]]:
    """The tables below `key`, as far as they are tables: what is not has its own problem already."""
    found = document.data.get(key)
    if not isinstance(found, dict):
        return {}
    return {name: table for name, table in found.items() if isinstance(table, dict)}


# --- devices


def _with_device_settings(document: Document, extra: Mapping[str, Mapping[str, object]]) -> Document:
    if not extra:
        return document
    devices = dict(_tables(document, "devices"))
    for name, settings in extra.items():
        if name not in devices:
            says = f"names a device that this bench does not have; {nearest(name, devices)}"
            refuse(document.file, [document.problem(("devices", name), says)])
        given = devices[name].get("settings", {})
        devices[name] = {**devices[name], "settings": {**(given if isinstance(given, dict) else {}), **settings}}
    return replace(document, data={**document.data, "devices": devices})


def _devices(document: Document, registry: Registry, problems: list[Problem]) -> dict[str, Device]:
    devices: dict[str, Device] = {}
    for name, table in _tables(document, "devices").items():
        try:
            device = DeviceTable.model_validate(table)
        except ValidationError:
            continue  # the model of the whole file has said so
        manifest = registry.drivers.get(device.driver)
        if manifest is None:
            known = ", ".join(sorted(registry.drivers)) or "none"
            says = f'names the driver "{device.driver}", which is not installed; installed are {known}'
            problems.append(document.problem(("devices", name, "driver"), says))
            continue
        try:
            settings = manifest.settings.model_validate(device.settings)
        except ValidationError as error:
            found = problems_in(error, manifest.settings, document, within=("devices", name, "settings"))
            problems.extend(found)
            continue
        devices[name] = Device(
            name=name,
            driver=device.driver,
            manifest=manifest,
            settings=settings,
            poll_hz=device.poll_hz,
            ports=tuple(manifest.ports(settings)),
        )
    return devices


# --- sensors and channels


@dataclass(slots=True)
class _Sensors:
    calibrations: dict[str, Calibration] = field(default_factory=dict)
    documents: dict[str, Document] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def _sensors(document: Document, file: BenchFile, *, today: dt.date) -> _Sensors:
    sensors = _Sensors()
    for name, channel in file.channels.items():
        if channel.sensor is None:
            continue
        path = (document.file.parent / channel.sensor).resolve()  # so that origins show no ".."
        if not path.is_file():
            says = (
                f'names "{channel.sensor}", but there is no such file ({shown(path)}); the path counts from this file'
            )
            sensors.problems.append(document.problem(("channels", name, "sensor"), says))
            continue
        calibration, sensors.documents[name] = load_sensor(path)
        sensors.calibrations[name] = calibration
        if dt.date.fromisoformat(calibration.due_on) < today:
            sensors.warnings.append(
                f"{sensors.documents[name].origin(('due_on',))} {calibration.due_on} has passed: the sensor "
                f"{calibration.sensor} {calibration.serial} of channel {name} is overdue; have it calibrated."
            )
    return sensors


def _channels(file: BenchFile, calibrations: Mapping[str, Calibration]) -> dict[str, Channel]:
    channels: dict[str, Channel] = {}
    for name, table in file.channels.items():
        device, port, signal = table.source.split(".")
        channels[name] = Channel(
            name=name,
            unit=table.unit,
            device=device,
            port=port,
            signal=signal,
            age_limit_s=table.age_limit_s,
            sign=float(table.sign),
            zeroed=table.zeroed,
            calibration=calibrations.get(name),
        )
    return channels


# --- motors and programmes


def _plate_problems(motor: MotorFile, document: Document) -> list[Problem]:
    """Numbers of a plate that no motor has, which is what a wrong unit looks like; the bounds are common practice."""
    rated, sheet = motor.rated, motor.data_sheet
    idle_rpm = rated.voltage_v / sheet.ke_v_s / RAD_S_PER_RPM
    stall_a = rated.voltage_v / sheet.resistance_ohm
    problems = []
    if not 0.3 * idle_rpm <= rated.speed_rpm <= 1.05 * idle_rpm:
        says = (
            f"is {sheet.ke_v_s:g}, with which {rated.voltage_v:g} V give {idle_rpm:.4g} r/min without load where the "
            f"rated speed is {rated.speed_rpm:g} r/min; write V·s/rad (V per 1000 r/min times 0.00955) and r/min"
        )
        problems.append(document.problem(("data_sheet", "ke_v_s"), says))
    if not problems and not 0.3 <= rated.torque_nm / (sheet.ke_v_s * rated.current_a) <= 1.1:
        says = (
            f"is {rated.torque_nm:g} N·m, but {rated.current_a:g} A times ke_v_s make "
            f"{sheet.ke_v_s * rated.current_a:.4g} N·m before friction; correct the one that is wrong"
        )
        problems.append(document.problem(("rated", "torque_nm"), says))
    if stall_a <= rated.current_a:
        says = (
            f"is {sheet.resistance_ohm:g} Ω, which lets only {stall_a:.4g} A through at {rated.voltage_v:g} V where "
            f"the rated current is {rated.current_a:g} A; write ohms between the terminals"
        )
        problems.append(document.problem(("data_sheet", "resistance_ohm"), says))
    return problems


def _plate_warnings(motor: MotorFile, document: Document) -> tuple[str, ...]:
    shaft_power_w = motor.rated.torque_nm * motor.rated.speed_rpm * RAD_S_PER_RPM
    if abs(motor.rated.power_w - shaft_power_w) <= 0.05 * shaft_power_w:
        return ()
    sentence = (
        f"{document.origin(('rated', 'power_w'))} {motor.rated.power_w:g} W differs from torque times speed "
        f"({shaft_power_w:.4g} W) by more than 5 %; compare with the rating plate."
    )
    return (sentence,)


def _tests(document: Document, registry: Registry, problems: list[Problem]) -> tuple[ProgrammeTest, ...]:
    tests: list[ProgrammeTest] = []
    found = document.data.get("test")
    for place, table in enumerate(found if isinstance(found, list) else ()):
        path = ("test", place)
        if not isinstance(table, dict):
            continue
        kind = table.get("kind")
        model = registry.tests.get(kind) if isinstance(kind, str) else None
        if kind is None:
            says = f"is missing; add it to [[test]], {nearest('', registry.tests)}"
            problems.append(document.problem((*path, "kind"), says))
        elif model is None:
            told = f'"{kind}"' if isinstance(kind, str) else "no text"
            says = f"is {told}, which is not a kind of test here; {nearest(str(kind), registry.tests)}"
            problems.append(document.problem((*path, "kind"), says))
        else:
            try:
                settings = model.model_validate({key: value for key, value in table.items() if key != "kind"})
            except ValidationError as error:
                problems.extend(problems_in(error, model, document, within=path))
                continue
            tests.append(ProgrammeTest(kind=str(kind), settings=settings))
    return tuple(tests)
