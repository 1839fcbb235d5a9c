"""A transducer's ranges are channels of their own, its overload is a limit, and its zero may be stated."""

from typing import Any

import pytest

from benchd.settings.fit import check_fit
from benchd.settings.limit_sources import limit_sources
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor, load_programme, load_setup
from benchd.settings.zeros import stated_zeros

RANGES = """\
[channels.shaft_torque_narrow]
source = "unit.inputs.ai4_v"
unit = "N·m"
sensor = "../sensors/narrow.toml"
age_limit_s = 0.1
zeroed = true
[torque_ranges]
wide = "shaft_torque"
narrow = "shaft_torque_narrow"
overload_nm = 4
"""
ZERO = """\
[transducer_zero]
taken = "uncoupled"
taken_on = 2026-11-20
value_nm = -0.004
standard_uncertainty_nm = 0.0005
[transducer_zero.narrow]
value_nm = 0.001
standard_uncertainty_nm = 0.0002
"""


@pytest.fixture
def ranged(site: Any) -> Any:
    site.change(site.bench, '"ai3_v", channel = 3 },', '"ai3_v", channel = 3 },\n    { name = "ai4_v", channel = 4 },')
    narrow = site.sensor("torque").read_text(encoding="utf-8")
    narrow = narrow.replace("gain = 0.2", "gain = 0.04").replace("full_scale = 2.0", "full_scale = 0.4")
    site.sensor("narrow").write_text(narrow, encoding="utf-8")
    site.add(site.bench, RANGES)
    return site


def four(site: Any, registry: Registry) -> Any:
    return (
        load_bench(site.bench, registry),
        load_motor(site.motor),
        load_setup(site.setup),
        load_programme(site.programme, registry),
    )


def refused(site: Any, registry: Registry) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        check_fit(*four(site, registry))
    return caught.value


def test_the_overload_of_the_transducer_cuts_apart_from_the_wide_ranges_saturation(
    ranged: Any, registry: Registry
) -> None:
    bounds = {
        (one.value, one.origin.partition(" ")[2]): one
        for one in limit_sources(*four(ranged, registry))
        if one.channel == "shaft_torque"
    }
    for sign in (1.0, -1.0):
        overload = bounds[sign * 4.0, "torque_ranges.overload_nm"]
        assert (overload.reaction, overload.warn, overload.delay_s) == ("cut", False, 0.02)
        assert (sign * 2.0, "full_scale") in bounds


def test_the_narrow_ranges_saturation_trips_nothing_and_bounds_no_programme(ranged: Any, registry: Registry) -> None:
    loaded = four(ranged, registry)
    check_fit(*loaded)
    assert loaded[3].tests[1].settings.torques_nm == (0.1, 0.2)
    ranged.change(ranged.programme, "[0.1, 0.2]", "[0.1, 0.8]")  # beyond the narrow range's 0.4 N·m
    check_fit(*four(ranged, registry))
    assert not [one for one in limit_sources(*loaded) if one.channel == "shaft_torque_narrow"]


def test_the_wide_ranges_saturation_bounds_what_a_programme_may_ask(ranged: Any, registry: Registry) -> None:
    for file in (ranged.setup, ranged.bench):
        text = file.read_text(encoding="utf-8").replace("max_torque_nm = 1.5", "max_torque_nm = 3")
        file.write_text(text, encoding="utf-8")
    ranged.change(ranged.programme, "[0.1, 0.2]", "[0.1, 2.1]")
    sentence = refused(ranged, registry).sentence
    assert "is 2.1, which would cross the limit 2 of sensors/torque.toml:11 full_scale" in sentence


MISTAKES = [
    ("overload_nm = 4\n", "", "torque_ranges.overload_nm", "is missing; add it to [torque_ranges]"),
    ("overload_nm = 4", "overload_nm = 1.9", "torque_ranges.overload_nm", "less than the wide range measures (2 N·m)"),
    ('wide = "shaft_torque"', 'wide = "torque"', "torque_ranges.wide", 'must be "shaft_torque", not the text "torque"'),
    ("[channels.shaft_torque_narrow]", "[channels.other]", "torque_ranges.narrow", "which the bench does not have"),
    ("sensors/narrow.toml", "sensors/torque.toml", "torque_ranges.narrow", "a range of 2 N·m, not narrower than the"),
    ('ai4_v"\nunit = "N·m"\nsensor = "../sensors/narrow.toml"\nage_limit_s = 0.1\nzeroed = true',
     'ai4_v"\nunit = "V"\nage_limit_s = 0.1', "torque_ranges.narrow", 'which is in "V" and not in "N·m"'),
    ("zero_time_s = 1", 'zero_time_s = 1\ntransducer_zero = "setup"', "start.transducer_zero", 'or "set_up"'),
]  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES, ids=[f"{key}-{says[:24]}" for _, _, key, says in MISTAKES])
def test_a_mistake_is_one_sentence_with_file_line_and_key(
    ranged: Any, registry: Registry, mistake: tuple[str, str, str, str]
) -> None:
    old, new, key, says = mistake
    ranged.change(ranged.bench, old, new)
    with pytest.raises(SettingsError) as caught:
        load_bench(ranged.bench, registry)
    assert caught.value.key == key
    assert says in caught.value.sentence


def test_a_test_may_not_insist_on_a_narrow_range_that_is_not_there_or_too_small(site: Any, registry: Registry) -> None:
    site.change(site.programme, "torques_nm = [0.1, 0.2]", 'torques_nm = [0.1, 0.2]\ntorque_range = "narrow"')
    error = refused(site, registry)
    assert error.key == "test.torque_range"
    assert "the bench small has no narrow range in [torque_ranges]" in error.sentence


def test_a_test_may_not_insist_on_a_narrow_range_that_it_overloads(ranged: Any, registry: Registry) -> None:
    narrow = 'torques_nm = [0.1, 0.39]\ntorque_range = "narrow"'
    ranged.change(ranged.programme, "torques_nm = [0.1, 0.2]", narrow)
    check_fit(*four(ranged, registry))
    ranged.change(ranged.programme, "[0.1, 0.39]", "[0.1, 0.4]")
    assert "measures up to 0.4 N·m where the test asks for 0.4 N·m" in refused(ranged, registry).sentence


# --- the zero


@pytest.fixture
def stated(ranged: Any) -> Any:
    ranged.change(ranged.bench, "zero_time_s = 1", 'zero_time_s = 1\ntransducer_zero = "set_up"')
    ranged.add(ranged.setup, ZERO)
    return ranged


def test_a_bench_that_measures_its_zero_takes_none_from_the_set_up(ranged: Any, registry: Registry) -> None:
    ranged.add(ranged.setup, ZERO)
    bench, _, setup, _ = four(ranged, registry)
    assert bench.start.transducer_zero == "standstill"
    assert stated_zeros(bench, setup) == ()


def test_a_stated_zero_counts_for_each_zeroed_range(stated: Any, registry: Registry) -> None:
    bench, _, setup, _ = four(stated, registry)
    wide, narrow = stated_zeros(bench, setup)
    assert (wide.channel, wide.value_nm, wide.standard_uncertainty_nm) == ("shaft_torque", -0.004, 0.0005)
    assert (narrow.channel, narrow.value_nm, narrow.standard_uncertainty_nm) == ("shaft_torque_narrow", 0.001, 0.0002)
    assert wide.taken_on == narrow.taken_on == "2026-11-20"
    assert wide.origin == "setups/flap.toml:14 transducer_zero.value_nm"
    check_fit(*four(stated, registry))


UNSTATED = [
    (ZERO, "", "transducer_zero", "is missing, but the bench takes the transducer's zero from the set-up (benches/sm"),
    (ZERO[ZERO.index("[transducer_zero.n") :], "", "transducer_zero.narrow", "add a table [transducer_zero.narrow]"),
    ("value_nm = -0.004", "value_nm = -0.021", "transducer_zero.value_nm", "is -0.021 N·m, more than the 0.02 N·m of"),
    ("standard_uncertainty_nm = 0.0005", "standard_uncertainty_nm = 0", "transducer_zero.standard_uncertainty_nm",
     "must be above 0"),
    ('"uncoupled"', '"coupled"', "transducer_zero.taken", 'must be "uncoupled", not the text "coupled"'),
    ("2026-11-20", '"yesterday"', "transducer_zero.taken_on", "must be a date such as"),
]  # fmt: skip


@pytest.mark.parametrize("mistake", UNSTATED, ids=[f"{key}-{says[:20]}" for _, _, key, says in UNSTATED])
def test_a_zero_that_is_missing_or_impossible_is_refused(
    stated: Any, registry: Registry, mistake: tuple[str, str, str, str]
) -> None:
    old, new, key, says = mistake
    stated.change(stated.setup, old, new)
    error = refused(stated, registry)
    assert error.key == key
    assert says in error.sentence


def test_a_stated_zero_that_no_channel_takes_is_told(site: Any, registry: Registry) -> None:
    site.change(site.bench, "zero_time_s = 1", 'zero_time_s = 1\ntransducer_zero = "set_up"')
    site.change(site.bench, "zeroed = true\n", "")
    with pytest.raises(SettingsError, match=r'transducer_zero is "set_up", but no channel takes a zero'):
        load_bench(site.bench, registry)


def test_another_torque_channel_has_no_stated_zero(stated: Any, registry: Registry) -> None:
    stated.change(stated.bench, 'narrow = "shaft_torque_narrow"\n', "")
    error = refused(stated, registry)
    assert "has no zero of the channel shaft_torque_narrow" in error.sentence
    assert "name it in [torque_ranges]" in error.sentence
