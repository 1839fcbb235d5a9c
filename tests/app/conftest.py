"""A copy of the files that come along, to be spoilt, and the command line in this very process."""

import asyncio
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchd.app.command_line import main
from benchd.settings.places import configs_directory

from ..sensor_dates import never_overdue

PROGRAMME = """\
schema = 1
name = "acceptance"

[[test]]
kind = "no_load"
supply_voltages_v = [8.0, 16.0, 24.0]
settle_time_s = 0.8
average_time_s = 1.5

[[test]]
kind = "load"
supply_voltage_v = 24.0
torques_nm = [0.05, 0.10, 0.15, 0.20, 0.25]
torque_slope_nm_per_s = 0.1

[[limits]]
channel = "shaft_speed"
high = 4500.0
delay_s = 0.02
reaction = "cut"
"""


@dataclass(frozen=True)
class Said:
    """How a command ended and what it said."""

    status: int
    out: str
    err: str

    @property
    def sentence(self) -> str:
        """What it said on standard error; fails when that is more than one line or a traceback."""
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        assert "Traceback" not in self.err
        assert not set("│╭╰━┃") & set(self.err + self.out), "a framed box"
        return lines[0]


Typed = Callable[..., Said]


@pytest.fixture
def typed(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Typed:
    """What `benchd` does with these arguments; locks go to a folder of the test's own."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "runtime"))

    def run(*arguments: str) -> Said:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main(list(arguments))
        said = capsys.readouterr()
        return Said(int(ended.value.code or 0), said.out, said.err)

    return run


@pytest.fixture
def nothing_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    """No event loop may start: without one no device is connected and nothing is written."""

    def never(*_: object, **__: object) -> None:
        raise AssertionError("the daemon was started")

    monkeypatch.setattr(asyncio, "run", never)


@dataclass(frozen=True)
class Site:
    """The files of the greenhouse bench and its motor in a folder of their own, with a programme of the tests' own."""

    root: Path

    @property
    def files(self) -> tuple[str, str, str, str]:
        """Bench, programme, motor and set-up as the command line wants them."""
        return tuple(
            str(self.root / name)  # type: ignore[return-value]
            for name in (
                "benches/greenhouse.toml",
                "programmes/vent_flap_acceptance.toml",
                "motors/vent_flap_24v.toml",
                "setups/vent_flap.toml",
            )
        )

    def change(self, file: str, old: str, new: str) -> int:
        """Replace the first `old` in a file; returns the number of the line where it stood."""
        path = self.root / file
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} does not stand in {file}"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        return text[: text.index(old)].count("\n") + 1


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Site:
    never_overdue(shutil.copytree(configs_directory(), tmp_path / "site"))
    (tmp_path / "site/programmes/vent_flap_acceptance.toml").write_text(PROGRAMME, encoding="utf-8")
    monkeypatch.chdir(tmp_path / "site")
    return Site(tmp_path / "site")
