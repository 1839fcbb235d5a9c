"""A broken plugin stops nothing but a bench that uses it, and then the reason is told."""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.app import discovery
from benchd.app.discovery import Unavailable, find_drivers, find_twin
from benchd.contract import CONTRACT_VERSION

OURS = {
    "scpi_supply",
    "scpi_sink",
    "scpi_measuring_unit",
    "scpi_power_analyser",
    "scpi_resistance_meter",
    "modbus_drive",
    "modbus_thermometers",
    "modbus_safety_chain",
}
MANIFEST = """
from pydantic import BaseModel, ConfigDict
from benchd.contract import Manifest, PortSpec, Supply

class Settings(BaseModel):
    model_config = ConfigDict(extra="allow", frozen=True)
    max_voltage_v: float = 80.0
    max_current_a: float = 60.0

MANIFEST = Manifest(
    name="{name}",
    contract_version={version},
    summary="an invented supply",
    settings=Settings,
    ports=lambda settings: (
        PortSpec(name="output", capability=Supply, signals=("voltage_v", "current_a", "output_on")),
    ),
    driver="{name}_driver:Driver",
    reply_time_s=0.2,
    safe_time_s=0.5,
)
"""

Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Install:
    """Put a distribution with one module and one entry point on the path."""
    place = tmp_path / "installed"
    place.mkdir()
    monkeypatch.syspath_prepend(str(place))

    def put(name: str, code: str, *, driver: str = "", group: str = "benchd.drivers", entry: str | None = None) -> None:
        (place / f"{name}.py").write_text(code)
        if driver:
            (place / f"{name}_driver.py").write_text(driver)
        info = place / f"{name}-7.0.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 7.0\n")
        line = f"{name} = {name}:MANIFEST" if entry is None else entry
        (info / "entry_points.txt").write_text(f"[{group}]\n{line}\n")
        monkeypatch.delitem(sys.modules, name, raising=False)

    return put


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("import no_such_vendor_library", "No module named 'no_such_vendor_library'"),
        ("raise RuntimeError('the licence has ended')", "the licence has ended"),
        ("import sys\nsys.exit('not on this machine')", "not on this machine"),
        ("MANIFEST = (", "SyntaxError"),
        ("MANIFEST = 42", "is no Manifest"),
        ("", "MANIFEST"),
        (MANIFEST.format(name="odd", version=CONTRACT_VERSION + 1), "contract version"),
    ],
)
def test_a_broken_plugin_that_is_not_used_stops_nothing_and_is_listed_with_the_reason(
    install: Install, typed, code: str, why: str
) -> None:
    install("odd", code)
    said = typed("check", "greenhouse", "vent_flap_acceptance", "vent_flap_24v", "vent_flap")
    assert (said.status, said.err) == (0, "")
    said = typed("drivers", "list")
    assert said.status == 0
    listed = said.out.splitlines()
    place = next(number for number, line in enumerate(listed) if line.startswith("odd "))
    assert "cannot be used" in listed[place]
    assert "odd 7.0" in listed[place]
    assert why in listed[place + 1]
    assert all(any(line.startswith(f"{name} ") for line in listed) for name in OURS)


@pytest.mark.parametrize(
    ("file", "content"),
    [
        ("entry_points.txt", b"[benchd.drivers]\nthis line names nothing\n"),
        ("entry_points.txt", b"\xff\xfe[benchd.drivers]\n"),
        ("METADATA", b"\xff\xfe\x00"),
    ],
)
def test_a_distribution_with_a_spoilt_description_stops_nothing(
    install: Install, typed, tmp_path: Path, file: str, content: bytes
) -> None:
    install("odd", "MANIFEST = 42")
    (tmp_path / "installed/odd-7.0.dist-info" / file).write_bytes(content)
    assert set(find_drivers().drivers) == OURS
    assert typed("check", "greenhouse").status == 0
    assert typed("drivers", "list").status == 0


def test_two_drivers_of_one_name_are_both_left_out_and_both_named(install: Install) -> None:
    install("odd", "MANIFEST = 42", entry="scpi_supply = odd:MANIFEST")
    found = find_drivers()
    assert "scpi_supply" not in found.drivers
    assert "benchd 0." in found.broken["scpi_supply"]
    assert "odd 7.0" in found.broken["scpi_supply"]


def test_a_sound_plugin_from_elsewhere_is_found_and_usable(install: Install, typed, site) -> None:
    install("odd", MANIFEST.format(name="odd", version=CONTRACT_VERSION))
    assert find_drivers().distributions["odd"] == "odd 7.0"
    site.change("benches/greenhouse.toml", '"scpi_supply"', '"odd"')
    assert typed("check", *site.files).status == 0


@pytest.mark.usefixtures("nothing_runs")
@pytest.mark.parametrize("command", ["check", "serve"])
def test_a_broken_plugin_that_the_bench_uses_is_one_sentence_with_the_reason(
    install: Install, typed, site, command: str
) -> None:
    install("odd", "import no_such_vendor_library")
    line = site.change("benches/greenhouse.toml", '"scpi_supply"', '"odd"')
    said = typed(command, *site.files)
    assert said.status == 78
    assert said.sentence.startswith(f"benches/greenhouse.toml:{line} devices.supply.driver ")
    assert "No module named 'no_such_vendor_library'" in said.sentence


@pytest.mark.usefixtures("nothing_runs")
@pytest.mark.parametrize(
    ("driver", "why"),
    [
        ("import no_such_vendor_library", "no_such_vendor_library"),
        ("", "Driver"),
        ("class Driver:\n    def __init__(self, settings):\n        raise OSError('no such board')", "no such board"),
    ],
)
def test_a_driver_that_breaks_when_it_is_made_is_one_sentence_before_any_device_is_touched(
    install: Install, typed, site, driver: str, why: str
) -> None:
    install("odd", MANIFEST.format(name="odd", version=CONTRACT_VERSION), driver=driver or "# empty")
    sys.modules.pop("odd_driver", None)
    line = site.change("benches/greenhouse.toml", '"scpi_supply"', '"odd"')
    said = typed("serve", *site.files)
    assert said.status == 78
    assert said.sentence.startswith(f"benches/greenhouse.toml:{line} devices.supply.driver ")
    assert why in said.sentence


def test_a_twin_that_is_not_installed_is_one_sentence(typed, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(discovery, "TWINS", "benchd.no_twins_here")
    said = typed("demo", "--data", str(tmp_path / "runs"))
    assert said.status == 78
    assert said.sentence == "There is no simulated bench 'rig': install the plugin that brings it."
    assert not (tmp_path / "runs").exists()


def test_a_broken_twin_tells_why(install: Install) -> None:
    install("odd", "import no_such_simulation", group="benchd.twins")
    with pytest.raises(Unavailable, match="no_such_simulation"):
        find_twin("odd")
    assert find_twin("rig").module == "benchd_rig"
