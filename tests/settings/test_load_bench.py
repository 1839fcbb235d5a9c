"""A bench file that holds together becomes a Bench; every mistake becomes one sentence with file, line and key."""

import datetime as dt
import re
from dataclasses import FrozenInstanceError
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from benchd.settings.load import Registry, SettingsError, load_bench

TODAY = dt.date(2026, 11, 25)


def refused(path: Path, registry: Registry) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        load_bench(path, registry, today=TODAY)
    error = caught.value
    assert str(error) == error.sentence
    assert error.sentence[-1] in ".?"
    assert "\n" not in error.sentence
    return error


def test_a_sound_file_becomes_a_bench(site: Any, registry: Registry) -> None:
    bench = load_bench(site.bench, registry, today=TODAY)
    assert bench.name == "small"
    assert bench.data_directory == site.root / "data"
    assert bench.tick_rate_hz == 100.0
    assert bench.devices["feed"].settings.model_dump() == {"host": "10.0.0.1", "port": 5025, "reply_time_s": 0.2}
    assert [port.name for port in bench.devices["unit"].ports] == ["inputs"]
    assert bench.roles["thermometers"][0].device == "warmth"
    assert bench.roles["motor_drive"] == ()
    assert bench.warnings == ()
    assert [channel.name for channel in bench.channels()][:2] == ["link_voltage", "dc_current"]
    current = bench.channel_by_name["dc_current"]
    assert (current.device, current.port, current.signal, current.sign) == ("unit", "inputs", "ai2_v", -1.0)
    torque = bench.channel_by_name["shaft_torque"]
    assert torque.zeroed
    assert torque.calibration is not None
    assert torque.calibration.value(5.0) == 1.0
    assert torque.calibration.calibrated_on == "2026-03-11"
    assert torque.calibration.contributions[1].degrees_of_freedom == 12.0
    assert torque.calibration.contributions[1].standard_uncertainty(reading=0.0, full_scale=2.0) == pytest.approx(
        0.002 / 3**0.5
    )


def test_nothing_of_a_bench_can_be_changed(site: Any, registry: Registry) -> None:
    bench: Any = load_bench(site.bench, registry, today=TODAY)
    with pytest.raises(FrozenInstanceError):
        bench.name = "other"
    with pytest.raises(TypeError):
        bench.devices["other"] = bench.devices["feed"]
    with pytest.raises(ValidationError):
        bench.dc_link.sink_threshold_v = 500.0


def test_two_channels_may_use_one_sensor(site: Any, registry: Registry) -> None:
    site.change(site.sensor("current"), "CS-1", "VD-1")
    load_bench(site.bench, registry, today=TODAY)


def test_a_role_may_have_several_ports_or_one_in_a_list(site: Any, registry: Registry) -> None:
    site.change(site.bench, '"feed.output"', '["feed.output"]')
    assert len(load_bench(site.bench, registry, today=TODAY).roles["supply"]) == 1


def test_device_settings_can_be_replaced_before_they_are_judged(site: Any, registry: Registry) -> None:
    simulated = {"feed": {"host": "127.0.0.1", "port": 40001}, "warmth": {"port": 40002}}
    bench = load_bench(site.bench, registry, device_settings=simulated, today=TODAY)
    assert bench.devices["feed"].settings.model_dump()["port"] == 40001
    assert bench.devices["warmth"].settings.model_dump()["registers"] == {"winding": 0, "rack": 1}
    with pytest.raises(SettingsError, match=r"devices\.other names a device that this bench does not have"):
        load_bench(site.bench, registry, device_settings={"other": {}}, today=TODAY)
    with pytest.raises(SettingsError, match=r"feed\.settings\.port"):
        load_bench(site.bench, registry, device_settings={"feed": {"port": 0}}, today=TODAY)


def test_an_overdue_sensor_is_a_warning(site: Any, registry: Registry) -> None:
    due = dt.date(2028, 3, 31)
    assert load_bench(site.bench, registry, today=due).warnings == ()
    warnings = load_bench(site.bench, registry, today=due + dt.timedelta(days=1)).warnings
    assert len(warnings) == 3
    assert warnings[2] == (
        "sensors/torque.toml:6 due_on 2028-03-31 has passed: the sensor made sensor TT-1 of channel shaft_torque is "
        "overdue; have it calibrated."
    )


# what is changed; the key and the line that the sentence must name; what it must say
MISTAKES = [
    # form
    ("rate_hz = 100", "rate_hzz = 100", "tick.rate_hzz", "did you mean rate_hz?"),
    ("rate_hz = 100", "rate_hz = 500", "tick.rate_hz", "must be at most 200, not 500"),
    ("rate_hz = 100", 'rate_hz = "100"', "tick.rate_hz", 'must be a number, not the text "100"'),
    ("rate_hz = 100", "rate_hz = true", "tick.rate_hz", "must be a number, not true"),
    ("rate_hz = 100", "rate_hz = nan", "tick.rate_hz", "is nan and must be a finite number"),
    ("rate_hz = 100", "rate_hz = 1e999", "tick.rate_hz", "is inf and must be a finite number"),
    ("rate_hz = 100", f"rate_hz = 1{'0' * 400}", "tick.rate_hz", "a huge number"),
    ("component_rating_v = 50", "component_rating_v = -50", "dc_link.component_rating_v", "must be above 0, not -50"),
    ("blocking_diode = true", "blocking_diode = 1", "dc_link.blocking_diode", "must be true or false, not 1"),
    ("sign = -1", "sign = 2", "channels.dc_current.sign", "must be -1 or 1, not 2"),
    ('reaction = "hold"', 'reaction = "stop"', "limits.reaction", '"ramp_down" or "cut", not the text "stop"'),
    (
        'name = "small"',
        'name = "Small Bench"',
        "name",
        "lower-case letters, digits, - and _, beginning with a letter; write small_bench",
    ),
    ('data_directory = "data"', 'data_directory = ""', "data_directory", "must not be empty"),
    ("thermometers = [", "thermometers = [3, ", "roles.thermometers item 1", "must be a text in quotes, not 3"),
    ('supply = "feed.output"', "supply = []", "roles.supply", "has 0 entries and needs at least 1"),
    (
        "[channels.shaft_speed]\n",
        "[channels.shaft_speed]\nsensors = 1\n",
        "channels.shaft_speed.sensors",
        "did you mean",
    ),
    ("[tick]", "[timing]\nx = 1\n[tick]", "timing", "is not a key that is known here"),
    # drivers
    ('"made_supply"', '"made_suply"', "devices.feed.driver", "installed are made_analyser, made_chain, made_drive"),
    ('"10.0.0.1"\nport = 5025', '"10.0.0.1"\nprt = 5025', "devices.feed.settings.prt", "did you mean port?"),
    ('"10.0.0.1"\nport = 5025', '"10.0.0.1"\nport = 0', "devices.feed.settings.port", "must be at least 1, not 0"),
    ('"10.0.0.1"\nport = 5025', '"10.0.0.1"\nport = 7', "devices.feed.settings", "port 7 only echoes: give the"),
    ("channel = 3 }", "chanel = 3 }", "devices.unit.settings.inputs.chanel", "did you mean channel?"),
    (
        "winding = 0,",
        "winding = true, cold = [],",
        "devices.warmth.settings.registers.cold",
        "a whole number, not a list",
    ),
    # names and roles
    (
        "[devices.feed]\n",
        "[devices.Feed1]\ndriver = 'made_sink'\npoll_hz = 1\nsettings = {host='a',port=1}\n[devices.feed]\n",
        "devices.Feed1",
        "write feed1",
    ),
    ("[channels.winding_temperature]", "[channels.windingDegC]", "channels.windingDegC", "write winding_deg_c"),
    ('"feed.output"', '"fed.output"', "roles.supply", "the bench has no device fed; did you mean feed?"),
    ('"feed.output"', '"feed.outlet"', "roles.supply", "has no port outlet; did you mean output?"),
    ('"feed.output"', '"feed"', "roles.supply", "it must name device and port"),
    ('"feed.output"', '"eater.input"', "roles.supply", "whose kind is sink and not supply; take feed.output"),
    (
        'measuring_unit = "unit.inputs"',
        'measuring_unit = "warmth.group"',
        "roles.measuring_unit",
        "whose kind is thermometers and not measuring unit",
    ),
    (
        'load_drive = "brake.axis"',
        'load_drive = "brake.axis"\nmotor_drive = "brake.axis"',
        "roles.motor_drive",
        "already plays the role load_drive",
    ),
    (
        '["warmth.group"]',
        '["warmth.group", "warmth.group"]',
        "roles.thermometers",
        "already plays the role thermometers",
    ),
    # channels
    ('"unit.inputs.ai1_v"', '"unit.inputs.ai9_v"', "channels.link_voltage.source", "has no signal ai9_v; did you mean"),
    ('"unit.inputs.ai1_v"', '"unit.input.ai1_v"', "channels.link_voltage.source", "did you mean inputs?"),
    ('"unit.inputs.ai1_v"', '"unti.inputs.ai1_v"', "channels.link_voltage.source", "did you mean unit?"),
    ('"unit.inputs.ai1_v"', '"unit.ai1_v"', "channels.link_voltage.source", 'write it as "device.port.signal"'),
    (
        'unit = "r/min"',
        'unit = "rpm"',
        "channels.shaft_speed.unit",
        'the signal encoder_rpm is in "r/min"; write that unit',
    ),
    ('unit = "A"', 'unit = "V"', "channels.dc_current.unit", 'its sensor gives "A"'),
    ('"unit.inputs.ai2_v"', '"unit.inputs.encoder_rpm"', "channels.dc_current.sensor", 'whose input_unit is "V"'),
    ("sensors/divider.toml", "sensors/gone.toml", "channels.link_voltage.sensor", "there is no such file"),
    ("sensors/divider.toml", "sensors", "channels.link_voltage.sensor", "there is no such file"),
    ("age_limit_s = 2\n", "age_limit_s = 0.2\n", "channels.winding_temperature.age_limit_s", "read every 0.2 s only"),
    ("sign = -1\n", "sign = -1\nzeroed = true\n", "channels.dc_current.zeroed", "is for a torque in N·m only"),
    (
        '"r/min"\nage_limit_s = 0.1',
        '"r/min"\nage_limit_s = 0.1\nzeroed = true',
        "channels.shaft_speed.zeroed",
        "is for a",
    ),
    # limits
    ('channel = "dc_current"', 'channel = "dc_curent"', "limits.channel", "did you mean dc_current?"),
    ("warn_high = 12\n", "", "limits item 2", "bounds nothing"),
    ("low = -5000\n", "low = 5000\n", "limits.low", "must not be above warn_low"),
    ("warn_low = -4500\n", "warn_low = 4500\n", "limits.warn_low", "must stay below warn_high, which is 4500"),
    ("high = 5000\n", "high = 4400\n", "limits.warn_high", "is 4500 and must not be above high, which is 4400"),
    ("high = 5000\n", "high = 5000\nhysteresis = 20000\n", "limits.hysteresis", "as much as lies between -5000 and"),
    ("warn_high = 12\n", "high = 12\nhysteresis = 15\n", "limits.hysteresis", "is 15 and must be less than 12"),
    # the voltage ladder
    ("sink_threshold_v = 30", "sink_threshold_v = 36", "dc_link.sink_threshold_v", "below over_voltage_protection_v"),
    (
        "over_voltage_protection_v = 36",
        "over_voltage_protection_v = 50",
        "dc_link.over_voltage_protection_v",
        "must stay below component_rating_v, which is 50 V",
    ),
    ("blocking_diode = true", "blocking_diode = false", "dc_link.blocking_diode", "fit a blocking diode"),
    (
        "braking_torque_nm = 0.3",
        "braking_torque_nm = 3",
        "stopping.braking_torque_nm",
        "more than the shaft train bears",
    ),
]


@pytest.mark.parametrize("mistake", MISTAKES, ids=[f"{key}-{new[:20]}" for _, new, key, _ in MISTAKES])
def test_a_mistake_is_one_sentence_with_file_line_and_key(
    site: Any, registry: Registry, mistake: tuple[str, str, str, str]
) -> None:
    old, new, key, says = mistake
    site.change(site.bench, old, new)
    error = refused(site.bench, registry)
    assert error.key == key
    assert says in error.sentence
    assert error.file == site.bench
    assert error.sentence.startswith(f"benches/small.toml:{error.line} {key} ")
    assert "more problem" not in error.sentence
    # the named line holds the last part of the key, or is the header of its table
    named = site.bench.read_text(encoding="utf-8").split("\n")[error.line - 1]
    last = re.sub(r" item \d+", "", key).rpartition(".")[2]
    assert last in named, f"line {error.line} is {named!r}"


@pytest.mark.parametrize(
    "absence",
    [
        ("capacitance_f = 2.2e-3\n", "dc_link.capacitance_f", "[dc_link]", "is missing; add it to [dc_link]"),
        ('data_directory = "data"\n', "data_directory", "schema = 1", "is missing; add it above the first table"),
        (
            'host = "10.0.0.1"\n',
            "devices.feed.settings.host",
            "[devices.feed.settings]",
            "add it to [devices.feed.settings]",
        ),
        ('reaction = "hold"\n', "limits.reaction", "[[limits]]", "add it to [[limits]]"),
        ('sink = "eater.input"\n', "roles.sink", "[roles]", "is missing"),
        (
            "[slopes]\nvoltage_v_per_s = 12\ntorque_nm_per_s = 1\nspeed_rpm_per_s = 2000\n",
            "slopes",
            "schema = 1",
            "is missing; add a table [slopes]",
        ),
    ],
)
def test_a_missing_key_is_told_at_its_table(site: Any, registry: Registry, absence: tuple[str, str, str, str]) -> None:
    missing, key, line_holds, says = absence
    site.change(site.bench, missing, "")
    error = refused(site.bench, registry)
    assert error.key == key
    assert says in error.sentence
    assert site.bench.read_text(encoding="utf-8").split("\n")[error.line - 1] == line_holds


def test_a_device_without_settings_is_told_which_ones_its_driver_misses(site: Any, registry: Registry) -> None:
    site.change(site.bench, '[devices.feed.settings]\nhost = "10.0.0.1"\nport = 5025\n', "")
    error = refused(site.bench, registry)
    assert error.key == "devices.feed.settings.host"
    assert error.line == 6
    assert "(and 1 more problem in this file)." in error.sentence


def test_one_limits_table_instead_of_a_list_is_told_so(site: Any, registry: Registry) -> None:
    text = site.bench.read_text(encoding="utf-8")
    before, _, rest = text.partition("[[limits]]\n")
    between, _, _ = rest.partition("[[limits]]\n")
    site.bench.write_text(f"{before}[limits]\n{between}{rest[rest.index('[dc_link]') :]}", encoding="utf-8")
    assert "write [[limits]] instead of [limits]" in refused(site.bench, registry).sentence


def test_of_several_mistakes_the_first_by_line_is_told_and_how_many_more_there_are(
    site: Any, registry: Registry
) -> None:
    site.change(site.bench, "coasting_time_s = 15", "coasting_time_s = -15")
    site.change(site.bench, "rate_hz = 100", "rate_hz = 1")
    site.change(site.bench, "remote_required = true", "remote_required = 0")
    error = refused(site.bench, registry)
    assert error.line == 5
    assert error.sentence.endswith("(and 2 more problems in this file).")
    site.change(site.bench, "rate_hz = 1\n", "rate_hz = 100\n")
    error = refused(site.bench, registry)
    assert error.key == "start.remote_required"
    assert error.sentence.endswith("(and 1 more problem in this file).")


def test_mistakes_between_tables_are_counted_too(site: Any, registry: Registry) -> None:
    site.change(site.bench, '"feed.output"', '"fed.output"')
    site.change(site.bench, 'unit = "r/min"', 'unit = "rpm"')
    error = refused(site.bench, registry)
    assert error.key == "roles.supply"
    assert error.sentence.endswith("(and 1 more problem in this file).")


def test_a_mistake_in_a_sensor_file_names_that_file(site: Any, registry: Registry) -> None:
    site.change(site.sensor("torque"), 'output_unit = "N·m"', 'output_unit = "Nm"')
    error = refused(site.bench, registry)
    assert error.file == site.sensor("torque")
    assert error.sentence.startswith('sensors/torque.toml:8 output_unit "Nm" is not a unit that is known here')
    assert "did you mean N·m?" in error.sentence
