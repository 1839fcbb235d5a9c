"""Runs of a brushed motor whose numbers are poor: each is played or refused as it should be, and says why in words."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.scenarios.on_the_wire import Control, a_bench, at_rest
from tests.scenarios.short_run import Ended, Told, change, quick_configs, serve

pytestmark = pytest.mark.wires

FILES = ("greenhouse", "vent_flap_24v", "vent_flap")
POOR = """
schema = 1
name = "poor"

[[test]]
kind = "no_load"
supply_voltages_v = [6.0, 9.0]
settle_time_s = 0.3
average_time_s = 0.4
speed_band_rpm = 0.001

[[test]]
kind = "load"
supply_voltage_v = 9.0
torques_nm = [0.03, 0.06]
torque_slope_nm_per_s = 0.5
settle_time_s = 0.3
average_time_s = 0.4
speed_band_rpm = 0.001
"""
SETTLED = POOR.replace("0.001", "60.0")
WATCHED_WINDING = r'(channel = "winding_temperature"\nwarn_high = .*\nreaction = .*\nstale = )true'


class Site:
    """One simulated bench and files of its own, for one run after the other."""

    def __init__(self, place: Path, bench: tuple[dict, Control]) -> None:
        self.configs = quick_configs(place, FILES[0])
        self.bench = bench
        self.control = bench[1]

    @property
    def bench_file(self) -> Path:
        return self.configs / "benches/greenhouse.toml"

    def serve(self, programme: str, *, data: str) -> Ended:
        return serve(self.configs, self.bench, programme, files=FILES, data=data)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with a_bench("vent_flap_24v") as bench:
        yield Site(tmp_path_factory.mktemp("poor"), bench)


@pytest.fixture(scope="module")
def overdue(site: Site) -> Site:
    """The site with a torque transducer whose date has long passed."""
    sensor = site.configs / "sensors/torque_2nm.toml"
    change(sensor, r"calibrated_on = .*", "calibrated_on = 2019-03-18")
    change(sensor, r"due_on = .*", "due_on = 2021-03-31")
    return site


@pytest.fixture(scope="module")
def poor(overdue: Site) -> Told:
    """Two torques and two voltages, no speed that settles, no winding thermometer, an overdue transducer."""
    change(overdue.bench_file, WATCHED_WINDING, r"\1false")
    overdue.control.ask("temperature", device="thermometers", name="winding", degc="open")
    ended = overdue.serve(POOR, data="poor")
    overdue.control.ask("temperature", device="thermometers", name="winding", degc=None)
    change(overdue.bench_file, WATCHED_WINDING.replace("true", "false"), r"\1true")
    assert (ended.status, ended.sentences) == (0, [])
    return ended.told()


@pytest.mark.parametrize("test", ["no_load", "load"])
def test_a_speed_that_never_settled_is_said(poor: Told, test: str) -> None:
    sentence = "shaft_speed did not settle within 0.001 r/min for 0.3 s at 9 V"
    assert sentence in poor.notes(test)
    assert poor.printed(sentence)


@pytest.mark.parametrize(
    ("test", "name", "reason"),
    [
        ("load", "efficiency_at_rated_torque", "do not reach rated torque (0.25 N·m) on both sides"),
        ("no_load", "no_load_speed", "do not lie about rated voltage (24 V)"),
        ("no_load", "friction_coefficient_viscous", "three or more speeds"),
    ],
)
def test_what_too_few_points_cannot_tell_has_a_reason_instead_of_a_value(
    poor: Told, test: str, name: str, reason: str
) -> None:
    found = poor.quantity(test, name)
    assert found["value"] is None
    assert reason in found["reason"]
    assert poor.printed(reason)


def test_a_thermometer_that_is_open_costs_what_hangs_on_it_and_no_more(poor: Told) -> None:
    assert poor.quantity("load", "winding_resistance")["value"] == pytest.approx(0.63, abs=0.03)  # warm, by its file
    for name in ("winding_resistance_20", "winding_temperature"):
        found = poor.quantity("load", name)
        assert found["value"] is None
        assert "winding_temperature" in found["reason"]
    words = "the winding thermometer's lead is the likely suspect"
    assert words in poor.notes("load")
    assert poor.printed(words)


def test_an_overdue_calibration_is_said_where_it_is_only_warned_of(poor: Told) -> None:
    words = "was due on 2021-03-31"
    assert "shaft_torque: the calibration of torque transducer" in poor.notes()
    assert words in poor.notes()
    assert poor.printed(words)


def test_an_overdue_calibration_refuses_the_run_where_the_bench_file_asks_for_that(overdue: Site) -> None:
    with overdue.bench_file.open("a") as file:
        file.write('\n[calibration]\noverdue = "refuse"\n')
    heard = {name: len(overdue.control.messages(name)) for name in ("supply", "load_drive", "safety_chain")}
    ended = overdue.serve(SETTLED, data="refused")
    change(overdue.bench_file, r'overdue = "refuse"', 'overdue = "warn"')
    assert ended.status == 78
    (sentence,) = ended.sentences
    assert "benches/greenhouse.toml" in sentence
    assert "torque_2nm.toml, whose calibration was due on 2021-03-31" in sentence
    assert not ended.data.exists()
    assert at_rest(overdue.control.truth())
    assert heard == {name: len(overdue.control.messages(name)) for name in heard}  # nobody was even connected


def test_a_watched_thermometer_that_is_open_refuses_the_start_and_names_its_wire(site: Site) -> None:
    site.control.ask("temperature", device="thermometers", name="winding", degc="open")
    ended = site.serve(SETTLED, data="watched")
    site.control.ask("temperature", device="thermometers", name="winding", degc=None)
    assert ended.status == 1
    assert ended.sentences[0].startswith(
        "winding_temperature gives no good reading from thermometers, and it is watched"
    )
    assert at_rest(site.control.truth())


def test_a_sense_lead_that_is_off_leaves_no_number_and_is_named(site: Site) -> None:
    site.control.ask("plant_fault", name="sense_lead_open", on=True)
    ended = site.serve(SETTLED, data="sense")
    site.control.ask("plant_fault", name="sense_lead_open", on=False)
    told = ended.told()
    words = "dc_voltage: all samples are not a number, stale or missing (its sense lead is the likely suspect)"
    for test, points in (("no_load", "0, 1"), ("load", "0, 1, 2, 3")):
        assert f"Points {points}: {words}; the point is left out." in told.notes(test)
        assert all(one["value"] is None and one["reason"] for one in told.results["tests"][test]["quantities"])
    assert told.printed(words)
