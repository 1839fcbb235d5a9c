"""Loads settings files into frozen, checked values. It must never touch a device or import a plugin."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from benchd.settings import bench_checks, channel_checks
from benchd.settings.attendance import CONFIRM_KEYS, ConfirmTable, attendance_problems
from benchd.settings.bench import Bench, Device, Programme, ProgrammeTest, Setup
from benchd.settings.bench_file import BenchFile, DeviceTable
from benchd.settings.channels import channels_of, sensors_of, waveforms_of
from benchd.settings.derived_channels import derived_of
from benchd.settings.derived_checks import derived_problems
from benchd.settings.derived_file import derived_tables
from benchd.settings.document import Document, read_document
from benchd.settings.drive_parameters import drive_parameter_problems
from benchd.settings.due import overdue, refuse_overdue
from benchd.settings.errors import Problem, SettingsError, refuse
from benchd.settings.explain import nearest, problems_in
from benchd.settings.motor import load_motor
from benchd.settings.outside_file import outside_problems
from benchd.settings.plausible_file import plausible_problems
from benchd.settings.registry import Registry
from benchd.settings.requirements import decision_of, decision_problems, requirements_of
from benchd.settings.sensor import load_sensor
from benchd.settings.specimen_files import ProgrammeFile, SetupFile
from benchd.settings.tables_beside import tables_beside
from benchd.settings.torsion_file import band_problems, torsion_problems

__all__ = ["Registry", "SettingsError", "load_bench", "load_motor", "load_programme", "load_sensor", "load_setup"]

_File = TypeVar("_File", bound=BaseModel)
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
    (UTC where left out) decides which sensors are overdue: that is a warning, or refused where the file says so. Raises
    `SettingsError`; mistakes of form are told before those of tables that do not fit each other.
    """
    document = _with_device_settings(read_document(path), device_settings)
    file, problems = _model(document, BenchFile)
    devices = _devices(document, registry, problems)
    derived = derived_tables(document, problems)
    if file is None or problems:
        refuse(path, problems)
    sensors = sensors_of(document, "channels", file.channels)
    sampled = sensors_of(document, "waveforms", file.waveforms)
    named = {**file.channels, **derived}
    problems = [
        *sensors.problems,
        *sampled.problems,
        *bench_checks.name_problems(document, file),
        *bench_checks.role_problems(document, file, devices),
        *bench_checks.start_problems(document, file, devices),
        *channel_checks.channel_problems(document, file, devices, sensors.calibrations),
        *channel_checks.waveform_problems(document, file, devices, sampled.calibrations),
        *channel_checks.torque_range_problems(document, file, sensors.calibrations),
        *derived_problems(document, file, derived, devices),
        *bench_checks.limit_problems(document, file.limits, named),
        *channel_checks.hysteresis_problems(document, file.limits),
        *bench_checks.ladder_problems(document, file),
        *plausible_problems(document, file),
        *torsion_problems(document, file),
        *drive_parameter_problems(document, file.drive_parameters, bench_checks.told_by_drives(file, devices)),
        *outside_problems(document, file.mqtt, named, tick_hz=file.tick.rate_hz),
    ]
    if problems:
        refuse(path, problems)
    measured = channels_of(file, sensors.calibrations)
    bench = Bench(
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
        channel_by_name=MappingProxyType(measured | derived_of(derived, measured)),
        limits=file.limits,
        dc_link=file.dc_link,
        shaft_train=file.shaft_train,
        start=file.start,
        slopes=file.slopes,
        stopping=file.stopping,
        warnings=(),
        document=document,
        sensor_documents=MappingProxyType(sensors.documents),
        calibration=file.calibration,
        jog=file.jog,
        power_balance=file.power_balance,
        drive_parameters=MappingProxyType(file.drive_parameters.by_role()),
        torque_ranges=file.torque_ranges,
        waveform_channels=waveforms_of(file, sampled.calibrations),
        waveform_sensor_documents=MappingProxyType(sampled.documents),
        mqtt=file.mqtt,
        metrics=file.metrics,
        sentry=file.sentry,
        commissioning=file.commissioning,
        tuning=file.tuning,
        manual=file.manual,
        torsion=file.torsion,
        critical_speeds=file.critical_speeds,
    )
    on = today or dt.datetime.now(dt.UTC).date()
    refuse_overdue(bench, on)
    return replace(bench, warnings=tuple(one.sentence for one in overdue(bench, on)))


def load_setup(path: Path) -> Setup:
    """The set-up in this file. Raises `SettingsError`."""
    document = read_document(path)
    setup = _checked(document, SetupFile)
    if problems := list(band_problems(document, setup.critical_speeds)):
        refuse(path, problems)
    part = setup.coupling.specimen_side_inertia_kgm2
    if part is not None and part > setup.coupling.inertia_kgm2:
        says = (
            f"is {part:g} kg·m², more than inertia_kgm2 ({setup.coupling.inertia_kgm2:g} kg·m²), of which it is a "
            "part; correct one of them"
        )
        refuse(path, [document.problem(("coupling", "specimen_side_inertia_kgm2"), says)])
    return Setup(settings=setup, document=document)


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
    problems = [
        *bench_checks.limit_problems(document, file.limits, known_later),
        *channel_checks.hysteresis_problems(document, file.limits),
        *decision_problems(document, file, [test.kind for test in tests]),
        *attendance_problems(document, file, tests),
    ]
    if problems:
        refuse(path, problems)
    return Programme(
        name=file.name,
        tests=tests,
        limits=file.limits,
        document=document,
        attended=file.attended,
        answer_within_s=file.answer_within_s,
        decision=decision_of(file),
        requirements=requirements_of(file),
    )


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


# --- programmes


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
            told = f'"{" ".join(kind.split())[:60]}"' if isinstance(kind, str) else "no text"  # one line, however odd
            says = f"is {told}, which is not a kind of test here; {nearest(str(kind), registry.tests)}"
            problems.append(document.problem((*path, "kind"), says))
        else:
            try:
                confirm = ConfirmTable.model_validate({key: table[key] for key in CONFIRM_KEYS & table.keys()})
            except ValidationError as error:
                problems.extend(problems_in(error, ConfirmTable, document, within=path))
                continue
            try:
                own = {key: value for key, value in table.items() if key not in {"kind"} | CONFIRM_KEYS}
                settings = model.model_validate(own, context={"tables_beside": tables_beside(document.file)})
            except ValidationError as error:
                problems.extend(problems_in(error, model, document, within=path))
                continue
            tests.append(ProgrammeTest(kind=str(kind), settings=settings, confirm=confirm.confirm))
    return tuple(tests)
