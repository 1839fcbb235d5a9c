"""A tuning on the twin: what it identifies is what the twin is made of, and what it cannot tell it refuses."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from benchd.analysis.identification import NotIdentified
from benchd.app.tuned_loops import tuned_loops
from benchd.app.tuning.command import stored
from benchd.app.tuning.found import Found
from benchd.app.tuning.job import Wanted
from benchd.app.tuning.session import Seen, TuningFailed
from benchd.live.virtual_time import run_virtual
from benchd_rig.specimen import load_specimen
from benchd_rig.twin import twin_drivers

from .test_regulation import ASKED_NM, held
from .tuned_twin import job, loops_of, seen_of
from .twin_bench import BRUSHED, BRUSHLESS, Kind

WINDOW_S = 0.010  # over which the simulated measuring unit averages: half of it late on the mean
TICK_S = 0.010


@cache
def tuned(kind: Kind) -> tuple[Mapping[Wanted, Seen], dict[tuple[str, str], Found]]:
    one = job(kind, Path("/nowhere"))
    _, seen = run_virtual(seen_of(one, kind))
    return seen, loops_of(one, seen)


def late_s(found: Found) -> float:
    plant = found.table.plant
    return plant.small_s + plant.dead_s


def poll_s(kind: Kind, device: str) -> float:
    return 1.0 / job(kind, Path("/nowhere")).bench.devices[device].poll_hz


@dataclass(frozen=True)
class Truth:
    """What makes a channel late, from the twin's own numbers: waiting for a poll, the device, the unit's window."""

    kind: Kind
    device: str
    lag_s: float

    def bounds_s(self) -> tuple[float, float]:
        least_s = self.lag_s + 0.5 * WINDOW_S
        return least_s, least_s + poll_s(self.kind, self.device) + TICK_S


@pytest.mark.parametrize("kind", [BRUSHLESS, BRUSHED])
def test_torque_of_the_load_drive_reaches_the_shaft_one_to_one(kind: Kind) -> None:
    found = tuned(kind)[1]["load_drive", "shaft_torque"]
    assert found.table.plant.gain == pytest.approx(1.0, abs=0.02)
    assert found.table.explained_ratio > 0.99
    lag_s = load_specimen(kind.motor).bench.load_machine.torque_lag_s
    least_s, most_s = Truth(kind, "load_drive", lag_s).bounds_s()
    if kind is BRUSHLESS:  # the converter holds the speed, so that nothing of the shaft's inertia shows
        assert least_s < late_s(found) < most_s
        assert found.table.plant.lag_s == 0.0
    else:  # the shaft slows down against the supply's voltage: J·R/ke² of both machines, in part
        sheet = job(kind, Path("/nowhere")).motor.settings.data_sheet
        mechanical_s = (sheet.inertia_kgm2 + 2.0e-4) * sheet.resistance_ohm / sheet.ke_v_s**2
        assert 0.5 * mechanical_s < found.table.plant.lag_s + found.table.plant.dead_s < 1.5 * mechanical_s


@pytest.mark.parametrize(("kind", "role"), [(BRUSHLESS, "motor_drive"), (BRUSHED, "load_drive")])
def test_a_drives_speed_reaches_the_shaft_one_to_one(kind: Kind, role: str) -> None:
    found = tuned(kind)[1][role, "shaft_speed"]
    assert found.table.plant.gain == pytest.approx(1.0, abs=0.02)
    least_s, most_s = Truth(kind, role, 0.0).bounds_s()
    assert least_s < late_s(found) < most_s + 0.01  # and its own speed loop


def test_a_brushed_motors_voltage_makes_the_torque_that_its_winding_lets_it() -> None:
    """ke/(R + cable) by the simulated specimen: above 4 scales of current its brushes' drop hardly rises any more."""
    found = tuned(BRUSHED)[1]
    motor = load_specimen(BRUSHED.motor).motor
    torque = found["supply", "shaft_torque"].table
    terminals = found["supply", "dc_voltage"].table
    ohm = motor.resistance_ohm + job(BRUSHED, Path("/nowhere")).setup.settings.cable.resistance_ohm
    assert torque.plant.gain == pytest.approx(motor.constant_v_s / ohm, rel=0.05)
    assert 0.9 < terminals.plant.gain < 1.0  # the cable's share is lost
    for one in (torque, terminals):
        assert 0.02 < one.plant.small_s + one.plant.dead_s + one.plant.lag_s < 0.02 + 1.5 * poll_s(BRUSHED, "supply")


def test_a_converters_terminals_follow_the_supply() -> None:
    found = tuned(BRUSHLESS)[1]["supply", "dc_voltage"].table
    assert found.plant.gain == pytest.approx(1.0, abs=0.02)
    assert (
        0.02 < found.plant.small_s + found.plant.dead_s + found.plant.lag_s < 0.02 + 1.5 * poll_s(BRUSHLESS, "supply")
    )


@pytest.mark.parametrize("kind", [BRUSHLESS, BRUSHED])
def test_every_loop_is_stable_small_and_stated_with_its_doubt(kind: Kind) -> None:
    for found in tuned(kind)[1].values():
        table = found.table
        assert 55.0 < table.predicted.phase_margin_deg < 75.0
        assert table.predicted.overshoot_ratio < 0.1
        assert table.predicted.settling_s is not None
        assert table.predicted.settling_s < 0.6
        assert table.doubt.gain < 0.02 * abs(table.plant.gain)
        assert table.regulator.low == -table.regulator.high
        assert table.regulator.integral_per_s * table.plant.gain > 0.0
    torque = tuned(kind)[1]["load_drive", "shaft_torque"].table
    full_nm = job(kind, Path("/nowhere")).bench.channel_by_name["shaft_torque"].calibration.full_scale
    assert torque.regulator.high == pytest.approx(0.05 * full_nm)
    stated = job(kind, Path("/nowhere")).bench.drive_parameters["load_drive"].values["rated_torque_nm"]
    assert torque.regulator.dead_band == pytest.approx(0.6e-3 * stated, rel=0.02)


def test_a_rule_that_does_not_suit_is_refused_and_others_are_slower_or_bolder() -> None:
    one = job(BRUSHLESS, Path("/nowhere"))
    seen = tuned(BRUSHLESS)[0]
    torque = {wanted: what for wanted, what in seen.items() if wanted.channel == "shaft_torque"}
    usual = loops_of(one, torque)["load_drive", "shaft_torque"].table
    careful = loops_of(one, torque, rule="lambda")["load_drive", "shaft_torque"].table
    assert careful.regulator.integral_per_s < usual.regulator.integral_per_s
    assert careful.predicted.phase_margin_deg > usual.predicted.phase_margin_deg
    with pytest.raises(NotIdentified, match="symmetrical optimum needs a lag"):
        loops_of(one, torque, rule="symmetrical optimum")


def test_a_transducer_that_is_turned_round_ends_the_tuning_in_a_sentence() -> None:
    drivers = twin_drivers(BRUSHED.motor, seed=3)
    drivers.bench.set_plant_fault("transducer_sign_flipped", value=True)
    with pytest.raises(TuningFailed, match=r"The bench came to .* while it was tuned: "):
        run_virtual(seen_of(job(BRUSHED, Path("/nowhere")), BRUSHED, drivers=drivers))


def test_a_run_with_the_loops_as_stored_shows_the_torque_and_voltage_that_were_asked_for(tmp_path: Path) -> None:
    """Frames of each settled point, averaged; without the loops friction and the cable stay in them."""
    one = job(BRUSHLESS, tmp_path)
    stored(one.bench, one.motor, one.setup, tuned(BRUSHLESS)[0], operator="", rule=None)
    loops = tuned_loops(one.bench, one.motor, one.setup, on=dt.datetime.now(tz=dt.UTC).date()).loops
    assert len(loops) == 3
    alone, trimmed = held(tmp_path), held(tmp_path, *loops)
    for point, asked_nm in enumerate(ASKED_NM):
        assert abs(alone[point]["shaft_torque"] - asked_nm) > 0.01
        assert abs(trimmed[point]["shaft_torque"] - asked_nm) < 0.005
        assert trimmed[point]["dc_voltage"] == pytest.approx(48.0, abs=0.03)
