"""How much plant time the simulated bench makes of one second of a processor: busy, steady beside polls, and dwelling.

Fine steps are the whole physics every 0.5 ms. `pytest -m performance -s` shows the numbers; the bounds are a good third
of what two small shared cores showed.
"""

import time
from collections.abc import Callable

import pytest

from benchd_rig.bench import Bench
from benchd_rig.plant import Plant
from benchd_rig.specimen import load_specimen

pytestmark = pytest.mark.performance


class Clock:
    """Time that the measurement turns on."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


class Measured:
    """A bench under load whose devices are polled as the bench files ask for."""

    def __init__(self, specimen: str) -> None:
        self.clock = Clock()
        self.bench = Bench(Plant(load_specimen(specimen), seed=1), clock=self.clock)
        bench, brushless = self.bench, specimen == "pump_48v"
        bench.safety_chain.beat(high=True)
        bench.supply.set_voltage(48.0 if brushless else 24.0)
        bench.supply.set_current_limit(60.0 if brushless else 20.0)
        bench.supply.switch_output(on=True)
        self.polled(0.2)
        for drive in bench.drives.values():
            for word in (0x06, 0x07, 0x0F):
                drive.write_controlword(word)
        bench.load_drive.select_mode(3 if brushless else 4)
        bench.load_drive.settings.target_speed_rpm = 2500.0
        bench.load_drive.settings.target_torque_permille = -100.0
        if bench.motor_drive is not None:
            bench.motor_drive.select_mode(4)
            bench.motor_drive.settings.target_torque_permille = 1000.0
        self.polled(3.0)

    def polled(self, seconds: float, each: Callable[[float], None] = lambda _: None) -> None:
        """100 ticks a second: inputs, drives, supply and sink are read, `each` is called."""
        bench = self.bench
        for tick in range(round(100 * seconds)):
            self.clock.now_s += 0.004
            bench.advance()
            bench.measuring_unit.values()
            self.clock.now_s += 0.006
            bench.advance()
            for drive in bench.drives.values():
                drive.request_arrived()
                _ = drive.speed_rpm, drive.torque_permille
            _ = bench.supply.measured_v, bench.sink.measured_a, bench.thermometers.temperatures_degc()
            bench.safety_chain.beat(high=bool(tick % 2))
            each(self.clock.now_s)

    def ramping(self, now_s: float) -> None:
        """A set-point that never stands still."""
        share = abs(now_s % 2.0 - 1.0)
        drive = self.bench.motor_drive or self.bench.load_drive
        sign = 1.0 if drive is self.bench.motor_drive else -1.0
        drive.settings.target_torque_permille = sign * round(100.0 + 500.0 * share)


def times_real(run: Callable[[], float]) -> float:
    """Plant seconds a processor second, the best of three."""
    best = 0.0
    for _ in range(3):
        began_s = time.process_time()
        seconds = run()
        best = max(best, seconds / (time.process_time() - began_s))
    return best


@pytest.mark.parametrize(
    ("specimen", "busy", "steady", "dwell"),
    [("vent_flap_24v", 15.0, 40.0, 500.0), ("pump_48v", 8.0, 40.0, 500.0)],
)
def test_the_twin_is_much_faster_than_its_clock(
    specimen: str, busy: float, steady: float, dwell: float, capsys: pytest.CaptureFixture[str]
) -> None:
    measured = Measured(specimen)

    def run_busy() -> float:
        measured.polled(4.0, measured.ramping)
        return 4.0

    def run_steady() -> float:
        measured.polled(20.0)
        return 20.0

    def run_dwell() -> float:
        dwelt = measured.bench.dwell(1200.0)
        assert dwelt.why == ""
        measured.clock.now_s += dwelt.seconds
        return dwelt.seconds

    fine = times_real(run_busy)
    measured.bench.plant.leaps = True
    leapt_s = measured.bench.plant.leapt_s
    ramped = times_real(run_busy)
    assert measured.bench.plant.leapt_s == leapt_s
    settled, dwelt = times_real(run_steady), times_real(run_dwell)
    assert measured.bench.plant.leapt_s > leapt_s + 3000.0
    with capsys.disabled():
        print(
            f"\n{specimen}: {fine:.0f} times real time busy, {ramped:.0f} busy while leaps are on, {settled:.0f} "
            f"steady and polled, {dwelt:.0f} dwelling"
        )
    assert fine > busy
    assert ramped > busy
    assert settled > steady
    assert dwelt > dwell
