"""Opens a run's folder and lets the live room write into it. It must never decide what is worth recording."""

import datetime as dt
import shutil
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from importlib.metadata import version
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from benchd.app.wiring import PlannedRun
from benchd.contract import unit_of_signal
from benchd.live.capture import CapturedWindow
from benchd.live.fault import FaultWindow
from benchd.live.run import RecordingFailed
from benchd.records import (
    ClockAnchor,
    Ending,
    EventLog,
    FaultReadings,
    Journal,
    RecordsError,
    RunFolder,
    finish,
    write_fault,
    write_waveforms,
)
from benchd.records.fault import warm_up
from benchd.rules.channels import Channel
from benchd.rules.derivations import Rule
from benchd.settings.bench import Bench

RECORDED_WITH = ("benchd", "numpy", "pyarrow", "pydantic", "pymodbus", "pyvisa", "pyvisa-py")


KEPT = ("run.json", "samples.arrows", "samples.crc", "events.jsonl")  # what a run must not lose while it is written


class RunRecorder:
    """The recorder of one run, as the live room wants it (`benchd.live.run.Recorder`)."""

    def __init__(self, folder: RunFolder, journal: Journal, events: EventLog) -> None:
        self.path = folder.path
        self._folder = folder
        self._journal = journal
        self._events = events
        self._last_mono_s = folder.clock.mono_s
        self._units = {str(one["name"]): str(one["unit"]) for one in folder.description["channels"]}
        self._ended = False
        warm_up()

    def append(
        self,
        *,
        time_mono_s: float,
        state: int,
        test: int,
        point: int,
        values: Sequence[float],
        ages_s: Sequence[float],
        quality: Sequence[int],
    ) -> None:
        """One frame into the journal."""
        self._last_mono_s = time_mono_s
        self._journal.append(
            time_mono_s=time_mono_s,
            state=state,
            test=test,
            point=point,
            values=values,
            ages_s=ages_s,
            quality=quality,
        )

    def event(self, name: str, *, time_mono_s: float, **fields: object) -> None:
        """One event into the event log."""
        self._events.append(name, time_mono_s=time_mono_s, **fields)

    def keep_window(self, window: CapturedWindow) -> None:
        """A captured window into the folder, a megabyte and more: beside the tick, and before `close`.

        Raises `RecordingFailed` in one sentence; what else is recorded is sound all the same.
        """
        try:
            write_waveforms(
                self.path,
                test=window.test,
                point=window.point,
                signals=[(name, unit_of_signal(name)) for name in window.signals],
                data=window.data,
                rate_hz=window.rate_hz,
                first_mono_s=window.first_mono_s,
                first_index=window.first_index,
                lost=window.lost,
                lossy=window.lossy,
            )
        except RecordsError as error:
            raise RecordingFailed(str(error)) from error

    def keep_fault(self, window: FaultWindow) -> None:
        """The fault record as it stands, a few hundred kilobytes: beside the tick, and before `close`.

        Raises `RecordingFailed` in one sentence; what was kept of it before stands.
        """
        rows = window.rows
        order = (rows.first + np.arange(rows.count)) % max(rows.count, 1)
        try:
            write_fault(
                self.path,
                cause=window.cause,
                trip_mono_s=window.trip_mono_s,
                from_mono_s=window.from_mono_s,
                until_mono_s=window.until_mono_s,
                whole=window.whole,
                channels=[(name, self._units.get(name, "1")) for name in window.channels],
                set_points=window.set_points,
                readings=FaultReadings(
                    time_mono_s=np.frombuffer(rows.time_mono_s, np.float64)[order],
                    series=np.frombuffer(rows.series, np.uint16)[order],
                    value=np.frombuffer(rows.value, np.float64)[order],
                    quality=np.frombuffer(rows.quality, np.uint8)[order],
                ),
                events=window.events,
                states=window.states,
            )
        except RecordsError as error:
            raise RecordingFailed(str(error)) from error

    def flush(self) -> None:
        """Both to disk."""
        self._still_there()
        try:
            self._journal.flush()
            self._events.flush()
        except RecordsError as error:
            raise RecordingFailed(str(error)) from error

    def _still_there(self) -> None:
        missing = [name for name in KEPT if not (self.path / name).exists()]
        if missing:
            raise RecordingFailed(f"{', '.join(missing)} vanished from {self.path} while the run was being recorded.")

    def end(self, ending: str, why: str) -> None:
        """The samples to disk, and how the run ended; events and the fault record may still follow."""
        try:
            self._journal.close()
            self._events.flush()
            self._still_there()
            self._folder.end(Ending(ending), why=why, time_mono_s=self._last_mono_s)
            self._ended = True
        except RecordsError as error:
            raise RecordingFailed(str(error)) from error

    def close(self, ending: str, why: str) -> None:
        """Everything to disk, the ending, the Parquet file and the sums."""
        try:
            self._journal.close()
            self._events.close()
            self._still_there()
            if not self._ended:
                self._folder.end(Ending(ending), why=why, time_mono_s=self._last_mono_s)
            finish(self._folder.path)
        except RecordsError as error:
            raise RecordingFailed(str(error)) from error


def clock_anchor() -> ClockAnchor:
    """The one pair of event-loop time and UTC from which every stamp of this process is made."""
    return ClockAnchor(mono_s=time.monotonic(), utc_ns=time.time_ns())


def open_recorder(
    bench: Bench,
    run: PlannedRun,
    *,
    clock: ClockAnchor,
    mono_s: float,
    data_directory: Path | None = None,
    more: Mapping[str, Any] = MappingProxyType({}),
) -> RunRecorder:
    """A new folder for this run; `more` goes into its description, in place of what it says otherwise.

    Raises `RecordingFailed` in one sentence; nothing is left behind then.
    """
    job = run.job
    started = clock.utc(mono_s)
    try:
        folder = RunFolder.create(
            data_directory or bench.data_directory,
            order=job.order,
            serial=job.serial,
            programme=job.programme.name,
            started=started,
            description={**description(bench, run, clock=clock), **more},
        )
    except RecordsError as error:
        raise RecordingFailed(str(error)) from error
    try:
        return RunRecorder(
            folder,
            Journal(folder, [(channel.name, channel.unit) for channel in bench.channels()]),
            EventLog(folder, clock=clock),
        )
    except RecordsError as error:
        shutil.rmtree(folder.path, ignore_errors=True)  # no sample is in it yet
        raise RecordingFailed(str(error)) from error


def description(bench: Bench, run: PlannedRun, *, clock: ClockAnchor) -> Mapping[str, Any]:
    """Who, what, with what: the content of `run.json` that this process knows."""
    job = run.job
    return {
        "operator": job.operator,
        "mode": run.mode,
        "bench": bench.name,
        "software": {name: version(name) for name in RECORDED_WITH},
        "configuration": {
            "bench": _plain(bench.document.data),
            "motor": _plain(job.motor.document.data),
            "setup": _plain(job.setup.document.data),
            "programme": _plain(job.programme.document.data),
            "sensors": {name: _plain(document.data) for name, document in bench.sensor_documents.items()},
            "waveform_sensors": {
                name: _plain(document.data) for name, document in bench.waveform_sensor_documents.items()
            },
        },
        "channels": [described(_as_used(channel, run.plan.derivations)) for channel in bench.channels()],
        "waveforms": [described(channel) for channel in bench.waveform_channels],
        "tests": [
            {
                "index": number,
                "kind": test.procedure.kind,
                "title": test.title,
                "settings": test.settings.model_dump(mode="json"),
                "demand": asdict(test.demand),
            }
            for number, test in enumerate(run.tests)
        ],
        "clock": {"mono_s": clock.mono_s, "utc_ns": clock.utc_ns},
        "utc_offset_s": utc_offset_s(clock),
        "tuning": run.tuned.described(),
    }


def utc_offset_s(clock: ClockAnchor) -> float:
    """How far this machine's local time is ahead of UTC when the run begins; the report prints local time by it."""
    offset = clock.utc(clock.mono_s).astimezone().utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def _as_used(channel: Channel, rules: Mapping[str, Rule]) -> Channel:
    """The channel with the rule that this run computes it by: what the bench file leaves open, the motor file says."""
    if channel.derivation is None or channel.name not in rules:
        return channel
    return replace(channel, derivation=replace(channel.derivation, rule=rules[channel.name]))


def described(channel: Channel) -> dict[str, Any]:
    """A channel with its calibration as plain values; `benchd.app.evaluation` reads it back."""
    plain = asdict(channel)
    calibration = plain["calibration"]
    if calibration is not None:
        calibration["contributions"] = [
            {key: value for key, value in contribution.items() if value != float("inf")}
            for contribution in calibration["contributions"]
        ]
    return plain


def _plain(value: object) -> Any:
    """The value with dates as text, as JSON wants it."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    return value
