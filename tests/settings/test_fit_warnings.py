"""What a run would lack although it may start is told in sentences that name the line to be mended."""

from typing import Any

from benchd.settings.fit_warnings import fit_warnings
from benchd.settings.load import Registry, load_bench, load_motor, load_programme, load_setup

DC_VOLTAGE = """\
[channels.dc_voltage]
source = "unit.inputs.ai1_v"
unit = "V"
sensor = "../sensors/divider.toml"
age_limit_s = 0.1
"""


def warnings(site: Any, registry: Registry) -> tuple[str, ...]:
    return fit_warnings(
        load_bench(site.bench, registry),
        load_motor(site.motor),
        load_setup(site.setup),
        load_programme(site.programme, registry),
    )


def test_a_channel_that_a_test_reads_without_a_calibration_is_told_once(site: Any, registry: Registry) -> None:
    site.add(site.bench, DC_VOLTAGE)
    speed, winding = (one for one in warnings(site, registry) if "the evaluation of" in one)
    assert speed == (
        "benches/small.toml:64 channels.shaft_speed has no calibration, but the evaluation of no_load reads it: its "
        "uncertainty is unknown; name its sensor file."
    )
    assert "channels.winding_temperature has no calibration" in winding


def test_a_channel_that_a_test_reads_and_that_is_not_there_is_told(site: Any, registry: Registry) -> None:
    (first, *_) = warnings(site, registry)
    assert "has no channel dc_voltage, which the evaluation of no_load reads" in first
    site.change(site.bench, "[channels.winding_temperature]", "[channels.coil_temperature]")
    site.change(site.motor, "max_winding_degc = 120\n", "")
    assert not any("winding" in one for one in warnings(site, registry))  # the evaluation then says what it assumes


def test_a_stated_zero_that_the_bench_does_not_use_is_told(site: Any, registry: Registry) -> None:
    zero = 'taken = "uncoupled"\ntaken_on = 2026-11-20\nvalue_nm = 0.0\nstandard_uncertainty_nm = 0.001\n'
    site.add(site.setup, f"[transducer_zero]\n{zero}")
    last = warnings(site, registry)[-1]
    assert last.startswith(
        "setups/flap.toml:11 transducer_zero is not used: the bench small takes the zero at standstill"
    )
    site.change(site.bench, "zero_time_s = 1", 'zero_time_s = 1\ntransducer_zero = "set_up"')
    assert not any("transducer_zero" in one for one in warnings(site, registry))


POWER = """[derived.input_power]
kind = "product"
unit = "W"
of = "dc_voltage"
by = "dc_current"

[derived.returned]
kind = "energy"
unit = "W·s"
of = "input_power"

[[limits]]
channel = "returned"
high = 20
reaction = "ramp_down"
"""


def test_a_limit_on_a_channel_whose_silence_nothing_tells_is_named_with_what_is_silent(
    site: Any, registry: Registry
) -> None:
    def silent() -> list[str]:
        return [one for one in warnings(site, registry) if "no good reading" in one]

    # the limit on the speed says stale; nothing in these files does for the others that their ratings bound
    bounded = ("shaft_torque", "link_voltage", "dc_current", "winding_temperature")
    assert [next(name for name in bounded if f"bounds {name}," in one) for one in silent()] == list(bounded)
    winding = silent()[-1]
    assert winding == (
        "motors/flap.toml:8 max_winding_degc bounds winding_temperature, which nothing watches while "
        "winding_temperature gives no good reading: write stale = true to a limit on winding_temperature."
    )
    site.change(site.bench, 'warn_high = 12\nreaction = "hold"', 'high = 12\nreaction = "hold"\nstale = true')
    assert not any("dc_current" in one for one in silent())
    site.add(site.bench, DC_VOLTAGE + POWER)
    (returned,) = (one for one in silent() if "returned" in one)
    assert "bounds returned, which nothing watches while dc_voltage gives no good reading" in returned
    site.change(site.bench, "high = 20\n", "high = 20\nstale = true\n")
    assert not any("returned" in one for one in silent())
