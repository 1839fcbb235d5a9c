"""Every bound is gathered with where it was said, and a programme can only tighten."""

from typing import Any

import pytest

from benchd.settings.limit_sources import LimitSource, limit_sources
from benchd.settings.load import Registry, SettingsError, load_bench, load_motor, load_programme, load_setup


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
    channels = {one.channel for one in sources_of(site, registry)}
    assert "winding_temperature" not in channels
    assert "link_voltage" not in channels


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
