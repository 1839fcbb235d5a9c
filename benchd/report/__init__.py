"""The report: a PDF from a run's plain values. It must never read a folder, evaluate, or be loaded by the daemon."""

from benchd.report.material import Fault, FaultSeries, Material, Samples, Window
from benchd.report.rendering import render

__all__ = ["Fault", "FaultSeries", "Material", "Samples", "Window", "render"]
