"""Records a run of an ideal brushed motor without a bench: every number in the folder is known beforehand."""

import math
from collections.abc import Sequence
from pathlib import Path

from benchd.app.loading import load_all
from benchd.app.recorder import clock_anchor, open_recorder

KE_V_S, OHM, FRICTION_NM = 0.065, 0.62, 0.012
ZERO_NM = 0.0005
TICK_S = 0.01
EXECUTE = 6


def at_point(*, voltage_v: float, torque_nm: float) -> dict[str, float]:
    """The ideal motor's channels; the zero is already off the torque."""
    current_a = (torque_nm + FRICTION_NM) / KE_V_S
    speed_rad_s = (voltage_v - OHM * current_a) / KE_V_S
    return {
        "dc_voltage": voltage_v,
        "dc_current": current_a,
        "shaft_torque": torque_nm,
        "shaft_speed": speed_rad_s * 30.0 / math.pi,
        "winding_temperature": 40.0,
        "housing_temperature": 30.0,
        "ambient_temperature": 23.0,
    }


def record(
    files: tuple[str, str, str, str],
    data: Path,
    *,
    seconds: float = 0.5,
    ending: str = "complete",
    deviations: Sequence[str] = (),
) -> Path:
    """The folder of a run of three unloaded points, then five loaded ones up and down, and how it ended."""
    bench, run = load_all(*files, order="7", serial="8", operator="Maren Oyelaran")
    assert run is not None
    clock = clock_anchor()
    recorder = open_recorder(bench, run, clock=clock, mono_s=clock.mono_s, data_directory=data)
    names = [channel.name for channel in bench.channels()]
    torques = [0.05, 0.10, 0.15, 0.20, 0.25]
    ways = [("up", t) for t in torques] + [("down", t) for t in reversed(torques)]
    points = [(0, n, "", {"voltage_v": v}, at_point(voltage_v=v, torque_nm=0.0)) for n, v in enumerate((8, 16, 24))]
    points += [(1, n, way, {"torque_nm": t}, at_point(voltage_v=24.0, torque_nm=t)) for n, (way, t) in enumerate(ways)]
    time_s = clock.mono_s + 1.0
    recorder.event("zero", time_mono_s=time_s, channel="shaft_torque", value=ZERO_NM, standard_uncertainty=1e-5)
    for sentence in deviations:
        recorder.event("deviation", time_mono_s=time_s, test=1, sentence=sentence)
    for test, number, way, asked, values in points:
        recorder.event("point_started", time_mono_s=time_s, test=test, number=number, direction=way, asked=asked)
        for tick in range(round(seconds / TICK_S)):
            ripple = 1.0 + 1e-6 * math.sin(1.3 * tick)  # samples of a real unit are never all the same
            recorder.append(
                time_mono_s=time_s,
                state=EXECUTE,
                test=test,
                point=number,
                values=[values.get(name, 0.0) * ripple for name in names],
                ages_s=[0.001 for _ in names],
                quality=[0 for _ in names],
            )
            time_s += TICK_S
        recorder.event("point_ended", time_mono_s=time_s, test=test, number=number, whole=True)
        time_s += 0.3
        recorder.flush()  # a point a batch, so that damage to one is damage to one
    recorder.close(ending, "all tests were played" if ending == "complete" else "the fan stood still")
    return recorder.path
