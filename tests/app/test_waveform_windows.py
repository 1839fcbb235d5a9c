"""Captured samples become what they stand for, by what `run.json` says of them."""

import numpy as np

from benchd.app.waveform_scales import scaled
from benchd.app.waveform_windows import windows_of
from benchd.records.waveforms import WaveformWindow
from benchd.rules.channels import Calibration, Coefficients

RAW = np.array([-2.0, -0.1, 0.0, 0.3, 4.0], np.float32)


def test_a_described_signal_is_scaled_as_the_channels_are() -> None:
    plain = {"gain": 10.0, "offset": -0.5, "negative": {"gain": 11.0, "offset": 0.25}}
    certificate = dict.fromkeys(("sensor", "serial", "certificate", "calibrated_on", "due_on"), "x")
    oracle = Calibration(
        **certificate,
        input_unit="V",
        output_unit="A",
        gain=10.0,
        offset=-0.5,
        full_scale=100.0,
        contributions=(),
        negative=Coefficients(gain=11.0, offset=0.25),
    )
    found = scaled(RAW.astype(np.float64), {"sign": -1.0, "calibration": plain})
    assert np.allclose(found, [-oracle.value(float(raw)) for raw in RAW], rtol=0, atol=1e-12)


def test_windows_take_the_waveforms_names_and_units_and_tell_what_is_lost() -> None:
    one = WaveformWindow(
        test=5,
        point=1,
        rate_hz=20_000.0,
        lost=7,
        lossy="7 samples are missing.",
        values={"wave_11": RAW, "wave_99": RAW},
        units={"wave_11": "V", "wave_99": "V"},
    )
    gone = WaveformWindow(test=5, point=2, lossy="it cannot be read.")
    described = {"name": "phase_voltage_1", "signal": "wave_11", "unit": "V", "sign": 1.0, "calibration": None}
    windows, sentences = windows_of([one, gone], {"waveforms": [described]})
    assert [sorted(window.values) for window in windows] == [["phase_voltage_1", "wave_99"]]
    assert windows[0].lost == 7
    assert sentences == [
        "Waveforms of point 1 of test 5: 7 samples are missing.",
        "Waveforms of point 2 of test 5: it cannot be read.",
    ]


def test_an_odd_description_leaves_the_signals_as_they_are() -> None:
    one = WaveformWindow(test=0, point=0, rate_hz=1.0, values={"a": RAW}, units={"a": "V"})
    for odd in (None, 5, "x", [None, 3, {"unit": "A"}]):
        windows, _ = windows_of([one], {"waveforms": odd})
        assert np.array_equal(windows[0].values["a"], RAW)
