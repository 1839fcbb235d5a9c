"""How much faster than real time a rehearsal goes: busy, and while a test dwells. Printed beside the goals."""

import time
from pathlib import Path

import pytest

from benchd.app.loading import load_all
from benchd.app.rehearsing.session import play
from benchd.app.rehearsing.twins import twin_for
from benchd.rules.states import State

pytestmark = pytest.mark.performance

BUSY_GOAL, DWELL_GOAL = 30.0, 500.0
RATED = """
schema = 1
name = "dwell"

[[test]]
kind = "rated_point"
supply_voltage_v = {voltage_v}
{speed}torque_nm = {torque_nm}
dwell_s = {dwell_s}
"""
JOBS = {
    "brushed": ("greenhouse", "vent_flap_acceptance", "vent_flap_24v", "vent_flap", (24.0, "", 0.15)),
    "brushless": ("vineyard", "pump_acceptance", "pump_48v", "pump", (48.0, "speed_rpm = 3000.0\n", 2.0)),
}


def taken(job: tuple[str, str, str, str], into: Path) -> tuple[float, float]:
    """Seconds of bench time and of this process' own computing, without evaluation and report."""
    bench, run = load_all(*job)
    assert run is not None
    twin = twin_for(bench, run)
    began_s = time.process_time()
    done = play(bench, run, twin, into=into, marks={"rehearsal": {}})
    assert done.state is State.COMPLETE, done.sentences
    return done.lasted_s, time.process_time() - began_s


@pytest.mark.parametrize("kind", JOBS)
def test_busy_and_dwelling(kind: str, tmp_path: Path) -> None:
    bench, programme, motor, setup, (voltage_v, speed, torque_nm) = JOBS[kind]
    busy_s, computed_s = taken((bench, programme, motor, setup), tmp_path / "busy")
    dwelt = []
    for dwell_s in (60.0, 3660.0):
        file = tmp_path / f"{dwell_s:.0f}.toml"
        text = RATED.format(voltage_v=voltage_v, speed=speed, torque_nm=torque_nm, dwell_s=dwell_s)
        file.write_text(text, encoding="utf-8")
        dwelt.append(taken((bench, str(file), motor, setup), tmp_path / file.stem))
    (short_s, short_computed_s), (long_s, long_computed_s) = dwelt
    busy = busy_s / computed_s
    dwell = (long_s - short_s) / (long_computed_s - short_computed_s)
    print(
        f"\n{kind}: busy {busy:.0f} times faster than real time (goal {BUSY_GOAL:.0f}), "
        f"an hour of dwell {dwell:.0f} times (goal {DWELL_GOAL:.0f})"
    )
    assert busy > 1.0
    assert dwell > 10.0 * busy
