"""Evaluation: arrays in, quantities out, each with its uncertainty.

Pure numpy and scipy; it must never touch a file, a clock or a device.
"""

from benchd.analysis.document import results_document
from benchd.analysis.evaluation import evaluate
from benchd.analysis.headline import HEADLINES
from benchd.analysis.propagation import expanded
from benchd.analysis.record import CapturedWaveform, Record, RecordedPoint, RecordedTest, Zero
from benchd.analysis.results import RecordResults, TestResults

__all__ = [
    "HEADLINES",
    "CapturedWaveform",
    "Record",
    "RecordResults",
    "RecordedPoint",
    "RecordedTest",
    "TestResults",
    "Zero",
    "evaluate",
    "expanded",
    "results_document",
]
