"""A sensor past its date is a warning or refuses the run, as the bench file says; never an error of its own."""

import datetime as dt
from typing import Any

import pytest

from benchd.settings.due import overdue, refuse_overdue
from benchd.settings.load import Registry, SettingsError, load_bench

DUE = dt.date(2028, 3, 31)
DAY_AFTER = DUE + dt.timedelta(days=1)
STREAM = """\
[devices.stream]
driver = "made_stream"
poll_hz = 10
settings = { host = "10.0.0.7", port = 5025, inputs = [{ name = "wf1_v", channel = 1 }] }
[waveforms.phase_current_1]
source = "stream.waveforms.wf1_v"
unit = "A"
sensor = "../sensors/phase.toml"
"""


def test_the_helper_names_channel_sensor_and_date(site: Any, registry: Registry) -> None:
    site.change(site.sensor("torque"), "2028-03-31", "2027-01-31")
    bench = load_bench(site.bench, registry, today=dt.date(2026, 11, 25))
    assert bench.warnings == ()
    assert overdue(bench, dt.date(2027, 1, 31)) == ()
    (one,) = overdue(bench, dt.date(2027, 2, 1))
    assert (one.channel, one.sensor, one.serial, one.due_on) == ("shaft_torque", "made sensor", "TT-1", "2027-01-31")
    assert one.sentence.startswith("sensors/torque.toml:6 due_on 2027-01-31 has passed:")


def test_a_bench_that_refuses_overdue_sensors_names_channel_file_and_date(site: Any, registry: Registry) -> None:
    site.add(site.bench, '[calibration]\noverdue = "refuse"\n')
    site.change(site.sensor("torque"), "2028-03-31", "2027-01-31")
    load_bench(site.bench, registry, today=dt.date(2027, 1, 31))
    with pytest.raises(SettingsError) as caught:
        load_bench(site.bench, registry, today=dt.date(2027, 2, 1))
    assert caught.value.sentence == (
        "benches/small.toml:61 channels.shaft_torque.sensor names sensors/torque.toml, whose calibration was due on "
        '2027-01-31, and calibration.overdue is "refuse"; have the sensor TT-1 calibrated or take another.'
    )
    named = site.bench.read_text(encoding="utf-8").split("\n")[caught.value.line - 1]
    assert named == 'sensor = "../sensors/torque.toml"'


def test_a_bench_that_was_loaded_before_the_date_is_refused_after_it(site: Any, registry: Registry) -> None:
    site.add(site.bench, '[calibration]\noverdue = "refuse"\n')
    bench = load_bench(site.bench, registry, today=DUE)
    refuse_overdue(bench, DUE)
    with pytest.raises(SettingsError, match=r"\(and 2 more problems in this file\)"):
        refuse_overdue(bench, DAY_AFTER)


def test_a_bench_that_only_warns_is_never_refused(site: Any, registry: Registry) -> None:
    site.add(site.bench, '[calibration]\noverdue = "warn"\n')
    bench = load_bench(site.bench, registry, today=DAY_AFTER)
    assert len(bench.warnings) == 3
    refuse_overdue(bench, DAY_AFTER)


def test_a_waveforms_sensor_counts_too_and_one_that_a_channel_has_is_told_once(site: Any, registry: Registry) -> None:
    phase = site.sensor("current").read_text(encoding="utf-8").replace("CS-1", "CS-2").replace("2028-03", "2027-03")
    site.sensor("phase").write_text(phase, encoding="utf-8")
    site.change(site.bench, "[channels.link_voltage]", 'waveforms = "stream.waveforms"\n[channels.link_voltage]')
    site.add(site.bench, STREAM)
    (one,) = load_bench(site.bench, registry, today=DUE).warnings
    assert "CS-2 of waveform phase_current_1 is overdue" in one
    site.change(site.bench, "sensors/phase.toml", "sensors/current.toml")
    assert len(load_bench(site.bench, registry, today=DAY_AFTER).warnings) == 3


@pytest.mark.parametrize("given", ["stop", "Refuse", ""])
def test_any_other_word_is_refused(site: Any, registry: Registry, given: str) -> None:
    site.add(site.bench, f'[calibration]\noverdue = "{given}"\n')
    with pytest.raises(SettingsError, match=r'calibration\.overdue must be "warn" or "refuse"'):
        load_bench(site.bench, registry, today=DUE)
