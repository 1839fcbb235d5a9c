"""The specimens that ship, and what a wrong one is told."""

import pytest
from pydantic import ValidationError

from benchd_rig.specimen import SPECIMENS, Specimen, load_specimen


def test_all_specimens_ship() -> None:
    assert SPECIMENS == ("pump_48v", "reference_dc_24v", "reference_pmsm", "vent_flap_24v")


@pytest.mark.parametrize("name", SPECIMENS)
def test_each_file_bears_its_specimens_name(name: str) -> None:
    assert load_specimen(name).name == name


def test_an_unknown_specimen_is_refused_with_the_names_that_exist() -> None:
    with pytest.raises(ValueError, match="vent_flap_24v"):
        load_specimen("vent_flap")


def test_a_key_that_nobody_knows_and_a_number_that_is_none_are_refused(vent_flap: Specimen) -> None:
    data = vent_flap.model_dump()
    with pytest.raises(ValidationError):
        Specimen.model_validate(data | {"colour": "green"})
    with pytest.raises(ValidationError):
        Specimen.model_validate(data | {"motor": data["motor"] | {"inertia_kgm2": float("nan")}})


def test_a_brushless_specimen_needs_its_converter_and_a_brushed_one_must_not_have_it(
    vent_flap: Specimen, pump: Specimen
) -> None:
    data = pump.model_dump()
    with pytest.raises(ValidationError, match="converter"):
        Specimen.model_validate(data | {"bench": data["bench"] | {"converter": None}})
    with pytest.raises(ValidationError, match="converter"):
        Specimen.model_validate(data | {"motor": vent_flap.model_dump()["motor"]})


@pytest.mark.parametrize("name", SPECIMENS)
def test_every_instrument_error_is_within_its_certificate(name: str) -> None:
    # analyser: voltage and current 0.03 %, power 0.05 % and 0.1 W; resistance meter: 0.02 % each
    bench = load_specimen(name).bench
    meter = bench.resistance_meter
    assert 0.0 < abs(meter.voltage_gain_error) <= 2e-4
    assert 0.0 < abs(meter.current_gain_error) <= 2e-4
    assert 0.0 < abs(meter.thermal_emf_v) <= 1e-4
    analyser = bench.analyser
    if analyser is None:
        return
    assert 0.0 < abs(analyser.voltage_gain_error) <= 3e-4
    assert 0.0 < abs(analyser.current_gain_error) <= 3e-4
    assert 0.0 < abs(analyser.power_gain_error) <= 5e-4
    assert abs(analyser.power_offset_w) <= 0.1


@pytest.mark.parametrize("name", SPECIMENS)
def test_every_voltage_of_the_bench_fits_its_input(name: str) -> None:
    specimen = load_specimen(name)
    assert 1.2 * specimen.rating.voltage_v * specimen.bench.sensors.volt_per_volt <= 10.0


@pytest.mark.parametrize("name", SPECIMENS)
def test_every_sensor_error_is_within_its_certificate(name: str) -> None:
    # voltage 0.02 % of the reading, current 0.03 %, torque 0.05 % and 0.02 % of the range; zeroes below 1 mV and 1 mA
    sensors = load_specimen(name).bench.sensors
    for voltage in (sensors.terminal_voltage, sensors.link_voltage):
        assert abs(voltage.gain_error) <= 2e-4
        assert abs(voltage.offset) <= 1e-3
    assert abs(sensors.current.gain_error) <= 3e-4
    assert abs(sensors.current.offset) <= 1e-3
    transducer = sensors.transducer
    assert transducer.narrow_nm == pytest.approx(transducer.nominal_nm / 5.0)
    for torque, range_nm in ((transducer.wide, transducer.nominal_nm), (transducer.narrow, transducer.narrow_nm)):
        assert abs(torque.gain_error) <= 5e-4
        assert abs(torque.offset) <= 2e-4 * range_nm
