"""Everything that a set-up sheet says, as plain values. It reads no device and no clock, and decides nothing."""

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

from pydantic import BaseModel

from benchd.app.capacities import magnitude_of
from benchd.app.recorder import description
from benchd.app.sheet.expected import BY_ITSELF, LEAST_TOLERANCE, TOLERANCE, Reading, asked_in, passed, reading, three
from benchd.app.wiring import Planned, PlannedRun
from benchd.records import ClockAnchor
from benchd.records.run_folder import configuration_sha256
from benchd.rules.channels import Calibration, Channel
from benchd.rules.course_pairs import InStep
from benchd.rules.derivations import I2t
from benchd.rules.limits import Bound, Limit, Reaction
from benchd.settings.bench import Bench
from benchd.settings.fit_warnings import channels_read
from benchd.settings.specimen_files import RAD_S_PER_RPM, BrushlessMotorFile

SCHEMA = 1
FIRST = (  # whose limits matter most to whoever stands beside the shaft
    "shaft_speed",
    "shaft_torque",
    "dc_current",
    "motor_current",
    "link_voltage",
    "winding_temperature",
    "magnet_temperature",
    "drive_speed",
    "motor_drive_speed",
    "drive_torque",
    "motor_drive_torque",
    "coupling_slip",
    "torque_disagreement",
)
WAYS = dict.fromkeys((*BY_ITSELF, "back_emf"), "clockwise") | {"torque_zero": "both ways"}


def content(bench: Bench, run: PlannedRun, *, on: dt.date) -> dict[str, Any]:
    """The sheet of this job on this day; the same files and day give the same values."""
    job, limits = run.job, run.plan.limits
    motor, setup = job.motor.settings, job.setup.settings
    plate = run.tests[0].around.plate
    readings = [
        reading(asked, plate, cable_ohm=setup.cable.resistance_ohm)
        for test in run.tests
        for asked in asked_in(test.procedure.kind, test.settings)
    ]
    configuration = description(bench, run, clock=ClockAnchor(mono_s=0.0, utc_ns=0))["configuration"]
    documents = (bench.document, job.programme.document, job.motor.document, job.setup.document)
    return {
        "schema": SCHEMA,
        "on": on.isoformat(),
        "bench": bench.name,
        "programme": job.programme.name,
        "order": job.order,
        "serial": job.serial,
        "operator": job.operator,
        "files": [document.file.name for document in documents],
        "configuration_sha256": configuration_sha256(configuration),
        "software": {"benchd": version("benchd")},
        "motor": {
            "kind": motor.kind,
            "type_designation": motor.type_designation,
            "manufacturer": motor.manufacturer,
            "thermal_class": motor.thermal_class,
            "pole_pairs": motor.pole_pairs if isinstance(motor, BrushlessMotorFile) else None,
            "rated": motor.rated.model_dump(),
        },
        "setup": setup.model_dump(mode="json"),
        "shaft_train": {"max_speed_rpm": run.plan.train_speed_rpm, "max_torque_nm": run.plan.train_torque_nm},
        "torque_overload_nm": None if bench.torque_ranges is None else bench.torque_ranges.overload_nm,
        "tests": [_test(bench, test) for test in run.tests],
        "duration_s": run.duration_s,
        "attended": job.programme.attended,
        "release_at_bench": bench.start.release_at_bench,
        "sources": _sources(bench),
        "ladder": _ladder(bench, run),
        "generated": _generated(run),
        "currents": {
            "expected_a": max((one.current_a for one in readings), default=None),
            "planned_a": max(test.demand.current_a for test in run.tests),
            "limit_a": magnitude_of(limits, "dc_current"),
            "fuse_a": setup.fuse_current_a,
        },
        "critical": _critical(run),
        "limits": _limits(bench, limits),
        "expected": [asdict(one) for one in three(readings)],
        "tolerance": _tolerance(three(readings), run),
        "sensors": _sensors(bench, run, on),
    }


def _test(bench: Bench, test: Planned) -> dict[str, Any]:
    asked = test.demand
    return {
        "title": test.title,
        "energised": test.energised,
        "speed_rpm": asked.speed_rpm,
        "torque_nm": asked.torque_nm,
        "voltage_v": asked.voltage_v,
        "current_a": getattr(test.settings, "current_a", 0.0) if not test.energised else asked.current_a,
        "duration_s": asked.duration_s,
        "ways": _ways(test),
        "ranges": [_range(channel) for channel in _torque_channels(bench, test.settings)] if test.energised else [],
    }


def _ways(test: Planned) -> str:
    """Which way the shaft turns in this test; "" where its settings do not tell."""
    if not test.energised:
        return "stands"
    course = getattr(test.settings, "course", None)
    if isinstance(course, InStep):
        speeds = [speed_rpm for speed_rpm, _ in passed(course)]
        if min(speeds) >= 0.0:
            return "clockwise"
        return "both ways" if max(speeds) > 0.0 else "counter-clockwise"
    return WAYS.get(test.procedure.kind, "")


def _torque_channels(bench: Bench, settings: BaseModel) -> Iterator[Channel]:
    """The transducer's ranges that this test may be evaluated by, the narrow one first."""
    wanted = getattr(settings, "torque_range", "auto")
    ranges = bench.torque_ranges
    narrow = None if ranges is None else ranges.narrow
    if narrow is not None and wanted != "wide":
        yield bench.channel_by_name[narrow]
    if (narrow is None or wanted != "narrow") and "shaft_torque" in bench.channel_by_name:
        yield bench.channel_by_name["shaft_torque"]


def _range(channel: Channel) -> dict[str, Any]:
    calibration = channel.calibration
    return {
        "channel": channel.name,
        "sensor": "" if calibration is None else calibration.sensor,
        "serial": "" if calibration is None else calibration.serial,
        "full_scale_nm": None if calibration is None else calibration.full_scale,
    }


def _sources(bench: Bench) -> Mapping[str, str]:
    """Where the leads end that somebody has to connect, as device and input."""
    wanted = ("dc_voltage", "winding_voltage", "winding_temperature")
    return {
        name: f"{channel.device} {channel.signal}"
        for name in wanted
        if (channel := bench.channel_by_name.get(name)) is not None and channel.derivation is None
    }


# --- voltages


def _ladder(bench: Bench, run: PlannedRun) -> list[dict[str, Any]]:
    """The rungs, from what is asked for to what breaks."""
    link = bench.dc_link
    watched = [
        limit.value
        for limit in run.plan.limits
        if (limit.channel, limit.bound) == ("link_voltage", Bound.HIGH) and limit.reaction is not Reaction.WARN
    ]
    rungs = [
        {"what": "supply set-point, highest", "value_v": run.plan.voltage_limit_v},
        {"what": "sink takes over from", "value_v": link.sink_threshold_v},
        {"what": "over-voltage protection (hardware)", "value_v": link.over_voltage_protection_v},
        {"what": "weakest component bears", "value_v": link.component_rating_v},
    ]
    if watched:
        rungs.append({"what": "limit on link_voltage (software)", "value_v": min(watched)})
    return sorted(rungs, key=lambda rung: float(str(rung["value_v"])))


def _generated(run: PlannedRun) -> dict[str, Any]:
    """What the specimen itself puts on its terminals, at the programme's top speed and at the limit on speed."""
    plate, per_rpm = run.tests[0].around.plate, run.plan.generated_v_per_rpm
    if plate.kind == "brushed_dc":
        per_rpm = plate.ke_v_s * RAD_S_PER_RPM
    top_rpm = max(test.demand.speed_rpm for test in run.tests)
    limit_rpm = magnitude_of(run.plan.limits, "shaft_speed")
    return {
        "alternating": plate.kind == "brushless",
        "top": {"speed_rpm": top_rpm, "peak_v": per_rpm * top_rpm},
        "limit": {"speed_rpm": limit_rpm, "peak_v": per_rpm * limit_rpm},
    }


# --- shaft


def _critical(run: PlannedRun) -> dict[str, Any]:
    """The natural frequencies of the shaft train, and the bands of speed that the programme reaches into."""
    found = run.critical
    top_rpm = max(test.demand.speed_rpm for test in run.tests)
    return {
        "natural_hz": list(found.frequencies_hz),
        "bands_rpm": [[band.low_rpm, band.high_rpm] for band in found.bands if band.low_rpm <= top_rpm],
        "top_rpm": top_rpm,
    }


# --- limits


def _limits(bench: Bench, limits: Sequence[Limit]) -> list[dict[str, Any]]:
    """The strictest bounds that take energy away, one row a channel, the most important first."""
    channels = {channel.name: channel for channel in bench.channels()}

    def place(name: str) -> int:
        derivation = channels[name].derivation
        heat = derivation is not None and isinstance(derivation.rule, I2t)
        alike = "winding_temperature" if heat else name
        return FIRST.index(alike) if alike in FIRST else len(FIRST)

    acting = [one for one in limits if one.reaction is not Reaction.WARN and one.bound is not Bound.STALE]
    names = sorted(dict.fromkeys(one.channel for one in acting), key=place)
    return [_row(name, channels[name].unit, [one for one in acting if one.channel == name]) for name in names]


def _row(name: str, unit: str, limits: Iterable[Limit]) -> dict[str, Any]:
    """The tightest value of either side, with the reaction to the upper one, or to the lower where it is alone."""
    listed = list(limits)
    low = max((one for one in listed if one.bound is Bound.LOW), key=lambda one: one.value, default=None)
    high = min((one for one in listed if one.bound is Bound.HIGH), key=lambda one: one.value, default=None)
    shown = high or low
    return {
        "channel": name,
        "unit": unit,
        "low": None if low is None else low.value,
        "high": None if high is None else high.value,
        "reaction": "" if shown is None else shown.reaction.name.lower(),
        "delay_s": None if shown is None else shown.delay_s,
    }


# --- readings and sensors


def _tolerance(shown: Sequence[Reading], run: PlannedRun) -> dict[str, float]:
    plate = run.tests[0].around.plate
    return {
        "ratio": TOLERANCE,
        "least_ratio": LEAST_TOLERANCE,
        "least_current_a": LEAST_TOLERANCE * plate.current_a if shown else 0.0,
        "least_power_w": LEAST_TOLERANCE * plate.current_a * plate.voltage_v if shown else 0.0,
    }


def _sensors(bench: Bench, run: PlannedRun, on: dt.date) -> list[dict[str, Any]]:
    """The sensors that this programme's evaluation reads, the one that is due first at the top."""
    names = channels_read(run.job.motor.settings.kind, run.job.programme)
    used = [channel for name in names if (channel := bench.channel_by_name.get(name)) is not None]
    if any(getattr(test.settings, "capture_s", 0.0) > 0.0 for test in run.tests):
        used += bench.waveform_channels
    found: dict[tuple[str, str], tuple[Calibration, list[str]]] = {}
    for channel in used:
        if (one := channel.calibration) is not None:
            found.setdefault((one.serial, one.due_on), (one, []))[1].append(one.sensor)
    rows = [
        {
            "sensor": _together(sensors),
            "serial": one.serial,
            "due_on": one.due_on,
            "overdue": dt.date.fromisoformat(one.due_on) < on,
        }
        for one, sensors in found.values()
    ]
    rows.sort(key=lambda row: str(row["due_on"]))
    bare = list(dict.fromkeys(channel.name for channel in used if channel.calibration is None))
    if bare:
        rows.insert(0, {"sensor": "", "serial": "", "due_on": "", "overdue": True, "channels": bare})
    return rows


def _together(sensors: Sequence[str]) -> str:
    """One name for what bears one serial number: "power analyser: voltage, power" of its ranges and quantities."""
    parted = [name.partition(", ") for name in dict.fromkeys(sensors)]
    if len(parted) == 1 or len({first for first, _, _ in parted}) > 1:
        return " / ".join(dict.fromkeys(sensors))
    return f"{parted[0][0]}: {', '.join(rest for _, _, rest in parted if rest)}"
