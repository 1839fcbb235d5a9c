"""Which tuning a run uses, what it says where one is not used, and what the run folder keeps of it."""

import datetime as dt
import hashlib
from pathlib import Path

import pytest

from benchd.app.loading import load_all
from benchd.app.recorder import clock_anchor, description
from benchd.app.tuning.job import held_energy_j, tuning_run
from benchd.app.tuning.record import as_toml, write_tuning
from benchd.app.wiring import PlannedRun, Unfit, plan_run
from benchd.rules.moves import Role
from benchd.settings.bench import Bench
from benchd.settings.errors import SettingsError
from benchd.settings.tuning_file import LoopTable, Tuning

TODAY = dt.datetime(2026, 11, 28, 20, 15, tzinfo=dt.UTC)
LOOP = LoopTable.model_validate(
    {
        "role": "load_drive",
        "driven": "torque",
        "channel": "shaft_torque",
        "rule": "magnitude optimum",
        "explained_ratio": 0.999,
        "seen_late_s": 0.0,
        "plant": {"gain": 1.0, "lag_s": 0.0, "small_s": 0.004, "dead_s": 1e-5},
        "doubt": {"gain": 0.001, "lag_s": 0.0, "dead_s": 0.002},
        "regulator": {
            "proportional": 0.0,
            "integral_per_s": 1e20,
            "weight": 1.0,
            "anti_windup_s": 0.08,
            "blind_s": 0.5,
            "low": -0.1,
            "high": 0.1,
        },
        "predicted": {"phase_margin_deg": 61.0, "overshoot_ratio": 0.04},
    }
)


def tuned(site, folder: Path, *, utc: dt.datetime = TODAY) -> tuple[Bench, PlannedRun, Tuning]:
    bench, run = load_all(*site.files, data=folder)
    assert run is not None
    return bench, run, write_tuning(bench, run.job.motor, run.job.setup, (LOOP,), utc=utc, operator='"Odile"\n\\')


def again(site, folder: Path, *, days: int = 1) -> PlannedRun:
    bench, run = load_all(*site.files, data=folder)
    assert run is not None
    return plan_run(bench, run.job, on=(TODAY + dt.timedelta(days=days)).date())


def test_a_run_of_the_same_motor_on_the_same_bench_uses_it_and_its_folder_says_so(site, tmp_path: Path) -> None:
    bench, before, tuning = tuned(site, tmp_path)
    assert before.plan.loops == ()
    assert description(bench, before, clock=clock_anchor())["tuning"] is None
    run = again(site, tmp_path)
    (loop,) = run.plan.loops
    assert (loop.role, loop.channel) == (Role.LOAD_DRIVE, "shaft_torque")
    assert loop.regulator.schedule.at(0.0).integral_per_s == 1e20
    told = description(bench, run, clock=clock_anchor())["tuning"]
    assert told["file"] == "20261128T201500Z.toml"
    assert told["sha256"] == hashlib.sha256(tuning.file.read_bytes()).hexdigest()
    assert told["made_by"] == '"Odile"\n\\'
    assert told["loops"][0]["plant"]["dead_s"] == 1e-5
    assert not any("tuning" in one for one in run.warnings)


@pytest.mark.parametrize(
    ("file", "what"),
    [
        ("benches/greenhouse.toml", "bench file"),
        ("setups/vent_flap.toml", "set-up file"),
        ("motors/vent_flap_24v.toml", "motor file"),
    ],
)
def test_a_file_that_was_changed_since_ends_it_with_a_warning(site, tmp_path: Path, file: str, what: str) -> None:
    tuned(site, tmp_path)
    site.change(file, "schema = 1", "schema =  1")
    run = again(site, tmp_path)
    assert run.plan.loops == ()
    (warning,) = [one for one in run.warnings if "tuning" in one]
    assert f"is not used: the {what} " in warning
    assert "was changed since it was made; benchd tune greenhouse vent_flap_24v vent_flap makes a new one." in warning


def test_a_tuning_that_is_too_old_is_not_used_and_the_bench_file_says_how_old(site, tmp_path: Path) -> None:
    tuned(site, tmp_path)
    assert again(site, tmp_path, days=365).plan.loops
    run = again(site, tmp_path, days=366)
    assert run.plan.loops == ()
    assert any("it is 366 days old, more than the 365 days" in one for one in run.warnings)


def test_a_newer_tuning_takes_the_older_ones_place_even_where_it_does_not_hold(site, tmp_path: Path) -> None:
    tuned(site, tmp_path)
    later = TODAY + dt.timedelta(hours=1)
    _, _, newer = tuned(site, tmp_path, utc=later)
    newer.file.write_text(newer.file.read_text(encoding="utf-8").replace("gain = 1.0", "gain = 0.0"), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"20261128T211500Z\.toml:\d+ loop"):
        again(site, tmp_path)


def test_what_is_written_is_read_back_as_it_was(site, tmp_path: Path) -> None:
    _, _, tuning = tuned(site, tmp_path)
    assert tuning.settings.loop == (LOOP,)
    assert tuning.settings.made_utc == TODAY
    assert (
        as_toml({"a": 1e16, "b": 3.0, "c": True, "d": "µ\t\x7f"})
        == 'a = 1e+16\nb = 3.0\nc = true\nd = "µ\\u0009\\u007f"\n'
    )


def test_tuning_is_refused_above_the_energy_that_the_bench_file_states(site, tmp_path: Path) -> None:
    bench, run, _ = tuned(site, tmp_path)
    found, _ = tuning_run(bench, run.job.motor, run.job.setup, operator="")
    # by hand: J of motor, coupling and bench at 24 % of 3000 r/min or 20 % of 24 V / 0.065 V·s, and C·U²/2 at the link
    top_rad_s = max(0.24 * 3000.0 * 3.141592653589793 / 30.0, 0.2 * 24.0 / 0.065)
    link_v = found.plan.voltage_limit_v
    by_hand_j = 0.5 * (1.1e-4 + 4.0e-6 + 2.0e-4) * top_rad_s**2 + 0.5 * 2.2e-3 * link_v**2
    top_rpm = top_rad_s * 30.0 / 3.141592653589793
    assert held_energy_j(bench, found, top_rpm=top_rpm) == pytest.approx(by_hand_j, rel=1e-6)
    site.change("benches/greenhouse.toml", "max_energy_j = 20.0", f"max_energy_j = {0.99 * by_hand_j}")
    bench, run = load_all(*site.files, data=tmp_path)
    with pytest.raises(Unfit, match=r"Tuning is refused: shaft and DC link would hold .* tuning\.max_energy_j"):
        tuning_run(bench, run.job.motor, run.job.setup, operator="")
