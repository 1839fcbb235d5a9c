"""Temperatures from resistances against published numbers."""

import math

import numpy as np
import pytest

from benchd.analysis.temperature import (
    coolant_correction,
    platinum_degc,
    platinum_ohm,
    platinum_tolerance_k,
    resistance_at,
    rise_limit_k,
    winding_degc,
)


# IEC 60034-1: θ2 = (R2/R1)·(k + θ1) - k with k = 235 for copper, 225 for aluminium (values from memory).
@pytest.mark.parametrize(("metal", "degc"), [("copper", 105.000), ("aluminium", 101.667)])
def test_the_winding_temperature_from_two_resistances(metal, degc):
    found = winding_degc(2.0, cold_ohm=1.5, cold_degc=20.0, metal=metal)
    assert found == pytest.approx(degc, abs=0.0005)
    assert resistance_at(1.5, from_degc=20.0, to_degc=found, metal=metal) == pytest.approx(2.0, rel=1e-12)


# IEC 60034-2-1, correction to a coolant of 25 °C: (235 + θw + 25 - θc)/(235 + θw) (value from memory).
def test_copper_losses_are_corrected_to_a_coolant_of_25_degrees():
    assert coolant_correction(winding=80.0, coolant_degc=20.0) == pytest.approx(1.015873, abs=5e-7)
    assert coolant_correction(winding=80.0, coolant_degc=25.0) == 1.0


# IEC 60034-1, temperature rise by resistance at 40 °C coolant (values from memory).
def test_the_rise_limits_of_the_thermal_classes():
    assert [rise_limit_k(c) for c in "AEBFH"] == [60.0, 75.0, 80.0, 105.0, 125.0]
    assert [rise_limit_k(c, small=True) for c in "AEBFH"] == [65.0, 75.0, 85.0, 110.0, 130.0]


# IEC 60751, Pt100 (coefficients from memory).
PT100 = [(-40.0, 84.2707), (0.0, 100.0), (20.0, 107.7935), (80.0, 130.8968), (100.0, 138.5055), (155.0, 159.1912)]


@pytest.mark.parametrize(("degc", "ohm"), PT100)
def test_a_platinum_sensor_both_ways(degc, ohm):
    assert platinum_ohm(degc) == pytest.approx(ohm, abs=5e-5)
    assert platinum_degc(ohm) == pytest.approx(degc, abs=2e-4)
    assert platinum_ohm(degc, nominal_ohm=1000.0) == pytest.approx(10.0 * ohm, abs=5e-4)


def test_the_way_back_is_the_way_there_over_the_whole_range():
    degc = np.linspace(-200.0, 850.0, 211)
    assert platinum_degc(platinum_ohm(degc)) == pytest.approx(degc, abs=1e-7)
    assert math.isnan(platinum_ohm(-201.0))
    assert math.isnan(platinum_degc(400.0))
    assert math.isnan(platinum_degc(10.0))


# IEC 60751, tolerance classes (values from memory).
def test_the_tolerance_classes_of_platinum_sensors():
    assert platinum_tolerance_k(100.0, tolerance_class="A") == pytest.approx(0.35)
    assert platinum_tolerance_k(-40.0, tolerance_class="B") == pytest.approx(0.50)
