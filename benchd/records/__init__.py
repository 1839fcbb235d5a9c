"""The run folder: journal, events, waveforms, recovery, reading, export. It must never evaluate what it holds."""

from benchd.records.bench_lock import BenchLock
from benchd.records.clock import ClockAnchor
from benchd.records.errors import RecordsError
from benchd.records.events import EventLog, read_events
from benchd.records.export import Exported, export_csv
from benchd.records.fault import FaultReadings, FaultRecord, read_fault, write_fault
from benchd.records.finish import finish, reseal
from benchd.records.formats import NO_TEST, SCHEMA
from benchd.records.journal import Journal
from benchd.records.reading import SampleColumns, read_samples
from benchd.records.recovery import Recovery, recover
from benchd.records.run_folder import (
    Ending,
    RunFolder,
    check_data_directory,
    read_description,
    read_ending,
    unfinished_runs,
)
from benchd.records.verification import verify
from benchd.records.waveforms import WaveformWindow, read_waveforms, write_waveforms

__all__ = [
    "NO_TEST",
    "SCHEMA",
    "BenchLock",
    "ClockAnchor",
    "Ending",
    "EventLog",
    "Exported",
    "FaultReadings",
    "FaultRecord",
    "Journal",
    "RecordsError",
    "Recovery",
    "RunFolder",
    "SampleColumns",
    "WaveformWindow",
    "check_data_directory",
    "export_csv",
    "finish",
    "read_description",
    "read_ending",
    "read_events",
    "read_fault",
    "read_samples",
    "read_waveforms",
    "recover",
    "reseal",
    "unfinished_runs",
    "verify",
    "write_fault",
    "write_waveforms",
]
