"""Every bound is gathered with where it was said, and a programme can only tighten."""

from typing import Any

import pytest

from benchd.app.discovery import find_drivers
from benchd.procedures import PROCEDURES
from benchd.settings.limit_sources import LimitSource, limit_sources
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor, load_programme, load_setup
from benchd.settings.places import configs_directory


def sources_of(site: Any, registry: Registry) -> tuple[LimitSource, ...]:
    return limit_sources(
        load_bench(site.bench, registry),
        load_motor(site.motor),
        load_setup(site.setup),
        load_programme(site.programme, registry),
    )


def test_every_bound_of_every_file_is_there_with_its_origin(site: Any, registry: Registry) -> None:
    found = {(one.channel, one.kind, one.value, one.warn, one.origin) for one in sources_of(site, registry)}
    bench, motor, setup = "benches/small.toml", "motors/flap.toml", "setups/flap.toml"
    said = {
        ("shaft_speed", "low", -5000.0, False, f"{bench}:74 limits.low"),
        ("shaft_speed", "high", 5000.0, False, f"{bench}:75 limits.high"),
        ("shaft_speed", "low", -4500.0, True, f"{bench}:76 limits.warn_low"),
        ("shaft_speed", "high", 4500.0, True, f"{bench}:77 limits.warn_high"),
        ("shaft_speed", "stale", 0.1, False, f"{bench}:80 limits.stale"),
        ("dc_current", "high", 12.0, True, f"{bench}:83 limits.warn_high"),
        ("shaft_speed", "high", 4000.0, False, "programmes/acceptance.toml:13 limits.high"),
        ("link_voltage", "high", 50.0, False, f"{bench}:86 dc_link.component_rating_v"),
        ("winding_temperature", "high", 120.0, False, f"{motor}:8 max_winding_degc"),
    }
    both_signs = {
        ("shaft_torque", 2.0, "sensors/torque.toml:11 full_scale"),
        ("shaft_speed", 8000.0, f"{bench}:94 shaft_train.max_speed_rpm"),
        ("shaft_torque", 2.5, f"{bench}:95 shaft_train.max_torque_nm"),
        ("shaft_speed", 6500.0, f"{motor}:6 max_speed_rpm"),
        ("dc_current", 10.0, f"{motor}:7 max_current_a"),
        ("shaft_torque", 1.5, f"{setup}:5 coupling.max_torque_nm"),
        ("shaft_speed", 10000.0, f"{setup}:6 coupling.max_speed_rpm"),
        ("dc_current", 16.0, f"{setup}:3 fuse_current_a"),
    }
    said |= {(channel, "high", value, False, origin) for channel, value, origin in both_signs}
    said |= {(channel, "low", -value, False, origin) for channel, value, origin in both_signs}
    assert found == said


@pytest.mark.parametrize("channel", ["drive_speed", "motor_drive_speed"])
def test_the_cuts_on_the_shafts_speed_hold_for_the_drives_own_speeds_too(
    site: Any, registry: Registry, channel: str
) -> None:
    """Without an encoder a limit on shaft_speed alone bounds nothing."""
    text = site.bench.read_text(encoding="utf-8")
    table = f'[channels.{channel}]\nsource = "brake.axis.speed_rpm"\nunit = "r/min"\nage_limit_s = 0.1\n'
    first = text.index("[channels.")
    site.bench.write_text(text[:first] + table + text[first:], encoding="utf-8")
    sources = sources_of(site, registry)
    found = {(one.kind, one.value, one.delay_s) for one in sources if one.channel == channel}
    cuts = {
        (one.kind, one.value, one.delay_s)
        for one in sources
        if one.channel == "shaft_speed" and one.reaction == "cut" and one.kind != "stale"
    }
    assert found == cuts
    assert ("high", 4000.0, 0.02) in found  # the programme's own
    origins = {one.origin for one in sources if one.channel == channel}
    assert "programmes/acceptance.toml:13 limits.high, for shaft_speed" in origins


def test_delay_and_reaction_come_from_the_limit_and_warnings_only_warn(site: Any, registry: Registry) -> None:
    by_origin = {one.origin: one for one in sources_of(site, registry)}
    high = by_origin["benches/small.toml:75 limits.high"]
    assert (high.delay_s, high.reaction) == (0.02, "cut")
    warning = by_origin["benches/small.toml:83 limits.warn_high"]  # of a limit whose reaction is hold
    assert (warning.warn, warning.reaction) == (True, "warn")
    assert by_origin["benches/small.toml:80 limits.stale"].reaction == "cut"


def test_a_limit_whose_reaction_is_to_warn_never_trips(site: Any, registry: Registry) -> None:
    text = site.bench.read_text(encoding="utf-8")
    first = text.index('reaction = "cut"\nstale')
    site.bench.write_text(text[:first] + text[first:].replace("cut", "warn", 1), encoding="utf-8")
    own = [one for one in sources_of(site, registry) if one.origin.startswith("benches/small.toml:7")]
    own += [one for one in sources_of(site, registry) if one.kind == "stale"]
    assert len(own) >= 5
    assert all(one.warn and one.reaction == "warn" for one in own)


def test_bounds_without_their_optional_channel_or_rating_are_left_out(site: Any, registry: Registry) -> None:
    site.change(site.motor, "max_winding_degc = 120\n", "")
    site.change(site.bench, "[channels.link_voltage]", "[channels.other_voltage]")
    site.change(site.bench, "[channels.winding_temperature]", "[channels.coil_temperature]")
    channels = {one.channel for one in sources_of(site, registry)}
    assert "winding_temperature" not in channels
    assert "link_voltage" not in channels


@pytest.mark.parametrize(
    ("letter", "power_w", "most_degc"),
    [("A", 78.5, 105.0), ("E", 78.5, 115.0), ("B", 78.5, 125.0), ("F", 78.5, 150.0), ("H", 78.5, 170.0),
     ("A", 700.0, 100.0), ("E", 700.0, 115.0), ("B", 700.0, 120.0), ("F", 700.0, 145.0), ("H", 700.0, 165.0)],
)  # fmt: skip
def test_the_thermal_class_bounds_a_winding_whose_file_states_no_temperature(
    site: Any, registry: Registry, letter: str, power_w: float, most_degc: float
) -> None:
    """IEC 60034-1: limits of rise by resistance at a coolant of 40 °C, below and from 600 W; values from memory."""
    site.change(site.motor, "max_winding_degc = 120\n", "")
    site.change(site.motor, 'thermal_class = "B"', f'thermal_class = "{letter}"')
    site.change(site.motor, "power_w = 78.5", f"power_w = {power_w}")
    [bound] = [one for one in sources_of(site, registry) if one.channel == "winding_temperature"]
    assert (bound.value, bound.kind, bound.reaction) == (most_degc, "high", "ramp_down")
    assert bound.origin == "motors/flap.toml:5 thermal_class"


HEAT = '[derived.winding_heat]\nkind = "i2t"\nunit = "1"\nof = "dc_current"\n'


@pytest.mark.parametrize(("of_bench", "bounded"), [("", True), ("rated = 5.0\ntime_constant_s = 20.0\n", False)])
def test_the_motors_rated_current_bounds_the_image_that_it_makes(
    site: Any, registry: Registry, of_bench: str, bounded: bool
) -> None:
    site.change(site.motor, "max_winding_degc = 120", "max_winding_degc = 120\nthermal_time_constant_s = 30")
    site.change(
        site.bench, '[[limits]]\nchannel = "shaft_speed"', HEAT + of_bench + '[[limits]]\nchannel = "shaft_speed"'
    )
    found = [one for one in sources_of(site, registry) if one.channel == "winding_heat"]
    assert [(one.value, one.reaction, one.origin) for one in found] == (
        [(1.1, "ramp_down", "motors/flap.toml:12 rated.current_a")] if bounded else []
    )


def test_what_a_device_may_be_asked_for_bounds_what_it_shows() -> None:
    """The greenhouse's supply gives 60 A at most and its load drive turns 6000 r/min with 1.8 N·m."""
    bench, *rest = shipped("greenhouse", "vent_flap_24v", "vent_flap", "vent_flap_acceptance")
    found = {
        (one.channel, one.kind, one.value, one.delay_s)
        for one in limit_sources(bench, *rest)
        if ".settings." in one.origin
    }
    assert {
        ("supply_current", "high", 60.0, 0.02),
        ("supply_voltage", "high", 80.0, 0.02),
        ("sink_current", "high", 60.0, 0.02),
        ("drive_speed", "low", -6000.0, 0.02),
        ("drive_speed", "high", 6000.0, 0.02),
        ("drive_torque", "low", -1.8, 0.5),
        ("drive_torque", "high", 1.8, 0.5),
    } == found


def shipped(bench: str, motor: str, setup: str, programme: str) -> tuple[Any, ...]:
    places = configs_directory()
    registry = Registry(
        drivers=find_drivers().drivers, tests={kind: each.settings for kind, each in PROCEDURES.items()}
    )
    return (
        load_bench(places / "benches" / f"{bench}.toml", registry),
        load_motor(places / "motors" / f"{motor}.toml"),
        load_setup(places / "setups" / f"{setup}.toml"),
        load_programme(places / "programmes" / f"{programme}.toml", registry),
    )


@pytest.mark.parametrize(
    ("own", "key", "says"),
    [
        (
            "high = 5000\ndelay_s = 0.1",
            "limits.delay_s",
            "is 0.1 s, later than the 0.02 s of the same bound in benches",
        ),
        ('high = 5000\ndelay_s = 0.02\nreaction = "hold"', "limits.reaction", 'is "hold", milder than the "cut"'),
        ("high = 5000\ndelay_s = 0.02\nhysteresis = 10", "limits.hysteresis", "is 10, less than the 20 of the same"),
        ("high = 5000\ndelay_s = 0.02\nhysteresis = 30", None, ""),
        ("high = 5000\ndelay_s = 0.0", None, ""),
        ("high = 4900\ndelay_s = 0.5", None, ""),  # one more bound: the bench's stays beside it
        ("high = 5000\ndelay_s = 0.02\nhysteresis = 20", None, ""),
    ],
)
def test_a_programme_may_not_loosen_delay_reaction_or_hysteresis_of_a_bound(
    site: Any, registry: Registry, own: str, key: str | None, says: str
) -> None:
    site.change(site.bench, "delay_s = 0.02", "delay_s = 0.02\nhysteresis = 20")
    reaction = "" if "reaction" in own else '\nreaction = "cut"'
    site.change(site.programme, 'high = 4000\ndelay_s = 0.02\nreaction = "cut"', f"{own}{reaction}")
    if key is None:
        sources_of(site, registry)
        return
    error = refused(site, registry)
    assert error.key == key
    assert error.sentence.startswith(f"programmes/acceptance.toml:{error.line} {key} ")
    assert says in error.sentence


def test_a_contradiction_between_bench_and_motor_is_told_at_its_place(site: Any, registry: Registry) -> None:
    site.add(site.bench, '[[limits]]\nchannel = "winding_temperature"\nlow = 130\nreaction = "cut"\n')
    error = refused(site, registry)
    assert error.key == "limits.low"
    assert error.file == site.bench
    assert "must stay above 130" in error.sentence
    assert "motors/flap.toml:8 max_winding_degc" in error.sentence


def refused(site: Any, registry: Registry) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        sources_of(site, registry)
    return caught.value


def test_a_rating_that_nothing_would_watch_is_refused(site: Any, registry: Registry) -> None:
    site.change(site.bench, "[channels.winding_temperature]", "[channels.coil_temperature]")
    assert refused(site, registry).sentence == (
        "motors/flap.toml:8 max_winding_degc cannot be watched, because the bench small has no channel "
        "winding_temperature; add it to the bench file."
    )


@pytest.mark.parametrize(
    ("limit", "key", "says"),
    [
        ("high = 5001", "limits.high", "is 5001 and wider than 5000, which benches/small.toml:75 limits.high allows"),
        ("low = -5001", "limits.low", "is -5001 and wider than -5000, which benches/small.toml:74 limits.low allows"),
        (
            "warn_high = 4501",
            "limits.warn_high",
            "wider than 4500, which benches/small.toml:77 limits.warn_high allows",
        ),
        ("warn_low = -4501", "limits.warn_low", "wider than -4500"),
    ],
)
def test_a_programme_that_widens_a_limit_is_refused(
    site: Any, registry: Registry, limit: str, key: str, says: str
) -> None:
    site.change(site.programme, "high = 4000", limit)
    error = refused(site, registry)
    assert error.sentence.startswith(f"programmes/acceptance.toml:13 {key} ")
    assert says in error.sentence
    assert error.key == key


def test_a_programme_may_not_widen_what_follows_from_a_rating_either(site: Any, registry: Registry) -> None:
    site.change(site.programme, 'channel = "shaft_speed"\nhigh = 4000', 'channel = "dc_current"\nhigh = 11')
    assert "wider than 10, which motors/flap.toml:7 max_current_a allows" in refused(site, registry).sentence


def test_a_programme_may_repeat_a_limit_and_bound_what_had_none(site: Any, registry: Registry) -> None:
    site.change(site.programme, "high = 4000", "high = 5000\nlow = -5000")
    sources_of(site, registry)
    site.change(site.programme, 'channel = "shaft_speed"\nhigh = 5000', 'channel = "winding_temperature"')
    assert any(one.channel == "winding_temperature" and one.kind == "low" for one in sources_of(site, registry))


def test_a_programme_limit_on_a_channel_that_the_bench_does_not_have_is_refused(site: Any, registry: Registry) -> None:
    site.change(site.programme, '"shaft_speed"', '"shaft_sped"')
    error = refused(site, registry)
    assert error.key == "limits.channel"
    assert "which the bench small does not have; did you mean shaft_speed?" in error.sentence


def test_bounds_of_two_files_that_leave_nothing_between_are_refused(site: Any, registry: Registry) -> None:
    site.change(site.programme, "high = 4000", "high = -5000")
    error = refused(site, registry)
    assert "shaft_speed must stay above -5000 (benches/small.toml:74 limits.low) and below -5000" in error.sentence
