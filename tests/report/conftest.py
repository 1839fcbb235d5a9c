"""Reports of made-up material, read back as text."""

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchd.app.report import read_material
from benchd.report import Material, render

from .made_up import results, write_folder
from .pdf_text import Pdf

Printed = Callable[..., Pdf]


@pytest.fixture(scope="session")
def pump_run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a complete brushless run; not to be changed."""
    return write_folder(tmp_path_factory.mktemp("pump"), found=results())


@pytest.fixture(scope="session")
def pump(pump_run: Path) -> Material:
    """What is known of the brushless run."""
    return read_material(pump_run)


@pytest.fixture
def printed(pump: Material) -> Printed:
    """The report of the pump's run, without its samples, with these parts of the material or of `run.json` replaced."""

    def make(*, paper: str = "a4", run: dict[str, Any] | None = None, **changed: Any) -> Pdf:
        description = {**pump.description, **(run or {})}
        parts = {"samples": None, "description": description, **changed}
        return Pdf(render(dataclasses.replace(pump, **parts), paper=paper))

    return make
