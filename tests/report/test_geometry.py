"""Axes, label places and thinned records."""

import math
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import benchd.report
from benchd.report.panels import Line, Panel, stacked
from benchd.report.scales import scale, spread
from benchd.report.time_record import thinned
from benchd.report.waves import fundamental_hz, waves

from .made_up import window

FINITE = st.floats(-1e9, 1e9)


@given(FINITE, FINITE)
def test_an_axis_holds_its_ends_and_has_ticks_at_round_places(one: float, other: float) -> None:
    low, high = sorted((one, other))
    axis = scale(low, high)
    assert axis.low <= low <= high <= axis.high
    assert 0.0 <= axis.at(low) <= axis.at(high) <= 1.0
    assert 1 <= len(axis.ticks) <= 12


def test_ticks_of_an_ordinary_axis_are_the_expected_ones() -> None:
    assert [tick["text"] for tick in scale(-20.0, 27.0).plain()] == ["−20", "−10", "0", "10", "20"]


@pytest.mark.parametrize("wrong", [math.nan, math.inf])
def test_an_axis_without_finite_ends_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        scale(0.0, wrong)


@given(st.lists(st.floats(0.0, 1.0), max_size=8), st.floats(0.01, 0.3))
def test_labels_never_cover_each_other_and_keep_their_order(places: list[float], gap: float) -> None:
    found = spread(places, gap=gap)
    room = min(gap, 1.0 / max(len(places) - 1, 1))
    ordered = sorted(found)
    assert all(later - earlier >= room - 1e-5 for earlier, later in pairwise(ordered))
    assert all(-1e-6 <= place <= 1.0 + 1e-6 for place in found)
    order = sorted(range(len(places)), key=lambda n: (places[n], n))
    assert [found[n] for n in order] == ordered


def test_a_label_that_has_room_stays_where_its_line_ends() -> None:
    assert spread([0.2, 0.8], gap=0.1) == [0.2, 0.8]


@given(st.integers(0, 9_999), st.integers(0, 9_999))
def test_no_peak_is_lost_in_the_time_record(high: int, low: int) -> None:
    x = np.linspace(0.0, 60.0, 10_000)
    y = np.sin(x)
    y[high], y[low] = 50.0, -50.0
    thin_x, thin_y = thinned(x, y)
    assert thin_x.size < 1_000
    assert np.all(np.diff(thin_x) > 0)
    assert thin_y.min() == -50.0
    assert high == low or thin_y.max() == 50.0


def test_a_gap_in_a_channel_breaks_its_line() -> None:
    y = np.array([1.0, 2.0, np.nan, np.nan, 3.0, 4.0])
    panel = Panel(title="t", lines=[Line(label="", x=np.arange(6.0), y=y, ink=0)], height_mm=20.0)
    chart = stacked([panel], x=scale(0.0, 5.0, room=0.0), x_title="x", alt="a")
    assert [len(run) for run in chart["panels"][0]["series"][0]["runs"]] == [2, 2]


@pytest.mark.parametrize("true_hz", [47.3, 200.0, 266.7])
def test_the_fundamental_of_a_wave_is_found(true_hz: float) -> None:
    time_s = np.arange(2000) / 20_000.0
    wave = 23.0 * np.sin(2 * np.pi * true_hz * time_s) + 3.0 * np.sin(10 * np.pi * true_hz * time_s)
    found = fundamental_hz(wave, 20_000.0)
    assert found is not None
    assert abs(found - true_hz) < 0.02 * true_hz


def test_a_window_is_shown_over_two_to_three_periods() -> None:
    drawn = waves(window(frequency_hz=200.0))
    assert drawn is not None
    chart, _ = drawn
    assert 10.0 <= max(float(tick["text"]) for tick in chart["x"]["ticks"]) <= 15.0  # ms
    assert [len(panel["series"]) for panel in chart["panels"]] == [3, 3]


def test_a_window_without_anything_turning_is_shown_all_the_same() -> None:
    standing = window()
    still = {name: np.zeros_like(values) for name, values in standing.values.items()}
    drawn = waves(benchd.report.Window(test=0, point=0, rate_hz=20_000.0, values=still, units=standing.units))
    assert drawn is not None
    assert "fundamental" not in drawn[1]


def test_every_ink_stands_out_on_white_paper() -> None:
    """WCAG 2.1, 1.4.11: graphics need a contrast of 3:1; its relative luminance is what grey print keeps."""
    text = (Path(benchd.report.__file__).parent / "pages/chart.typ").read_text()
    inks = re.findall(r'rgb\("#(\w{6})"\)', text[text.index("#let inks") : text.index("#let dashes")])
    assert len(inks) >= 4
    for ink in inks:
        parts = [int(ink[at : at + 2], 16) / 255 for at in (0, 2, 4)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
        assert 1.05 / (luminance + 0.05) >= 3.0, ink


def test_lines_of_a_panel_differ_without_colour() -> None:
    text = (Path(benchd.report.__file__).parent / "pages/chart.typ").read_text()
    dashes = re.findall(r'"([\w-]+)"', text[text.index("#let dashes") :].partition("\n")[0])
    assert len(set(dashes)) == len(dashes) >= 4
