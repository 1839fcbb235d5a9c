"""Rehearsals in coarse steps against the same in fine steps, the physics that everything else is proved on."""

from pathlib import Path

import numpy as np
import pytest

from benchd.app.loading import load_all
from benchd.app.rehearsing.session import Played, play
from benchd.app.rehearsing.twins import twin_for
from benchd.records import SampleColumns, read_samples
from benchd.rules.states import State

JOBS = {
    "brushed": ("greenhouse", "vent_flap_acceptance", "vent_flap_24v", "vent_flap"),
    "brushless": ("vineyard", "pump_acceptance", "pump_48v", "pump"),
    "duty cycle": ("vineyard", "pump_duty_cycle", "pump_48v", "pump"),
}
SAME = {"shaft_speed": 0.001, "shaft_torque": 0.01, "dc_current": 0.01}  # relative, means of points
PEAK = 0.03  # relative, of speed and torque
WARM_K = 0.1
NOTHING = 0.001  # of the run's largest value: what a mean of a quantity that is near none may be off
LIMIT = """[[limits]]
channel = "{channel}"
high = {high}
delay_s = 0.0
reaction = "ramp_down"
"""


def played(files: tuple[str, str, str, str], into: Path, *, coarse: bool) -> tuple[Played, SampleColumns]:
    bench, run = load_all(*files)
    assert run is not None
    twin = twin_for(bench, run, coarse=coarse)
    assert any(one.startswith("Time: ") for one in twin.assumed) is coarse
    done = play(bench, run, twin, into=into, marks={"rehearsal": {}})
    assert done.folder is not None
    return done, read_samples(done.folder)


def points(samples: SampleColumns, channel: str) -> dict[tuple[int, int], float]:
    """The mean at every point by test and number; a point that is played in two directions counts as one."""
    inside = (samples.test >= 0) & (samples.point >= 0)
    keys = sorted(set(zip(samples.test[inside].tolist(), samples.point[inside].tolist(), strict=True)))
    values = samples.values[channel]
    return {key: float(np.nanmean(values[(samples.test == key[0]) & (samples.point == key[1])])) for key in keys}


@pytest.mark.parametrize("job", JOBS)
def test_coarse_and_fine_steps_agree_on_points_peaks_and_temperatures(job: str, tmp_path: Path) -> None:
    fine, every = played(JOBS[job], tmp_path / "fine", coarse=False)
    coarse, some = played(JOBS[job], tmp_path / "coarse", coarse=True)
    assert fine.state is coarse.state is State.COMPLETE
    assert coarse.lasted_s == pytest.approx(fine.lasted_s, abs=0.5)
    for channel, share in SAME.items():
        largest = float(np.nanmax(np.abs(every.values[channel])))
        found, expected = points(some, channel), points(every, channel)
        assert found == pytest.approx(expected, rel=share, abs=NOTHING * largest), channel
    for channel in ("shaft_speed", "shaft_torque"):
        for most in (np.nanmax, np.nanmin):
            expected_peak = float(most(every.values[channel]))
            size = float(np.nanmax(np.abs(every.values[channel])))
            assert float(most(some.values[channel])) == pytest.approx(expected_peak, rel=PEAK, abs=0.01 * size), channel
    for channel in [name for name in every.values if name.endswith("_temperature")]:
        assert some.values[channel][-1] == pytest.approx(every.values[channel][-1], abs=WARM_K, nan_ok=True), channel


@pytest.mark.parametrize(("channel", "high"), [("winding_temperature", 23.3), ("mechanical_power", 60.0)])
def test_a_limit_that_trips_in_fine_steps_trips_in_coarse_ones_at_the_same_time(
    site, tmp_path: Path, channel: str, high: float
) -> None:
    limit = LIMIT.format(channel=channel, high=high)
    site.change("programmes/vent_flap_acceptance.toml", "[[limits]]", f"{limit}\n[[limits]]")
    at_s = []
    for coarse in (False, True):
        done, samples = played(site.files, tmp_path / str(coarse), coarse=coarse)
        assert done.state is State.ABORTED
        assert any(f"{channel} above {high:g}" in one for one in done.sentences)
        at_s.append(samples.time_mono_s[samples.values[channel] > high][0])
    assert at_s[1] == pytest.approx(at_s[0], abs=0.5)
