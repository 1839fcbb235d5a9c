"""The units: sound by systemd's own judgement, closed, and ordered so that the sentry outlives the daemon."""

import shutil
import subprocess
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[2] / "systemd"
DAEMON, SENTRY = "benchd@", "benchd-sentry@"
THRESHOLD = "20"  # of systemd-analyze security, in tenths: a bare unit has 96

needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")


def settings(unit: str) -> Mapping[str, Sequence[str]]:
    """Every key of a unit with its words, in order."""
    found: dict[str, list[str]] = defaultdict(list)
    for line in (UNITS / f"{unit}.service").read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found[key] += value.split()
    return found


@needs_systemd
def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    places = [tmp_path / f"{unit}x.service" for unit in (DAEMON, SENTRY)]
    for unit, place in zip((DAEMON, SENTRY), places, strict=True):
        # where benchd is installed is the site's business: everything else is looked at
        text = (UNITS / f"{unit}.service").read_text()
        assert "ExecStart=/opt/benchd/bin/benchd " in text
        place.write_text(text.replace("/opt/benchd/bin/benchd", "/bin/true"))
    done = subprocess.run(["systemd-analyze", "verify", *places], capture_output=True, text=True, check=False)
    said = [line for line in done.stderr.splitlines() if line.startswith("benchd")]
    assert (done.returncode, said) == (0, [])


@needs_systemd
@pytest.mark.parametrize("unit", [DAEMON, SENTRY])
def test_the_units_are_closed(unit: str) -> None:
    place = UNITS / f"{unit}.service"
    command = ["systemd-analyze", "security", "--offline=true", f"--threshold={THRESHOLD}", str(place)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-200:]


def test_the_sentry_is_there_before_the_daemon_and_after_it() -> None:
    daemon, sentry = settings(DAEMON), settings(SENTRY)
    # stopping goes the other way round: the daemon is at rest before the sentry goes
    assert "benchd-sentry@%i.service" in daemon["Wants"]
    assert "benchd-sentry@%i.service" in daemon["After"]
    assert "benchd@%i.service" in sentry["Before"]


@pytest.mark.parametrize("unit", [DAEMON, SENTRY])
def test_neither_takes_the_other_along_when_it_is_stopped_or_started_anew(unit: str) -> None:
    binding = {"PartOf", "BindsTo", "Requires", "Requisite", "Conflicts", "PropagatesStopTo", "StopPropagatedFrom"}
    assert not binding & set(settings(unit))


def test_what_they_share_stays_when_one_of_them_stops() -> None:
    for unit in (DAEMON, SENTRY):
        found = settings(unit)
        assert found["RuntimeDirectory"] == ["benchd"]
        assert found["RuntimeDirectoryPreserve"] == ["yes"]
        assert found["User"] == ["benchd"]  # another user's process cannot be ended, nor its signs be read


def test_both_come_again_and_neither_tries_for_ever_with_a_mistake_in_a_file() -> None:
    for unit in (DAEMON, SENTRY):
        found = settings(unit)
        assert found["Restart"] == ["on-failure"]
        assert found["RestartPreventExitStatus"] == ["2", "78"]
