"""Critical speeds of the shipped jobs by another way of computing, and what becomes of a test that dwells there."""

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest

from benchd.app.critical_speeds import told
from benchd.app.loading import load_all
from benchd.app.wiring import PlannedRun
from benchd.settings.errors import SettingsError
from benchd.settings.places import configs_directory
from benchd_rig.specimen import load_specimen

JOBS = {
    "vent_flap_24v": ("greenhouse", "vent_flap_acceptance", "vent_flap_24v", "vent_flap"),
    "reference_dc_24v": ("greenhouse", "reference_dc", "reference_dc_24v", "reference_dc"),
    "pump_48v": ("vineyard", "pump_acceptance", "pump_48v", "pump"),
    "reference_pmsm": ("reference_300v", "reference_pmsm", "reference_pmsm", "reference_pmsm"),
}
FOOT = '\n[[critical_speeds]]\nlow_rpm = 3000.0\nhigh_rpm = 3700.0\nwhy = "the foot hums"\n'


def planned(*names: str) -> PlannedRun:
    _, run = load_all(*names)
    assert run is not None
    return run


def table(folder: str, name: str) -> dict:
    return tomllib.loads((configs_directory() / folder / f"{name}.toml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("job", JOBS)
def test_the_frequencies_are_the_eigenvalues_of_the_whole_train(job: str) -> None:
    """J·x'' = −K·x of specimen, transducer and load side; the general eigenvalues of J⁻¹K, from the files' numbers."""
    bench, _, motor, setup = JOBS[job]
    train, coupling = table("benches", bench)["shaft_train"], table("setups", setup)["coupling"]
    near = coupling.get("specimen_side_inertia_kgm2", coupling["inertia_kgm2"] / 2.0)
    between = train["transducer_inertia_kgm2"]
    inertias = [
        table("motors", motor)["data_sheet"]["inertia_kgm2"] + near,
        coupling["inertia_kgm2"] - near + between,
        train["inertia_kgm2"] - between,
    ]
    one, other = coupling["stiffness_nm_per_rad"], train["transducer_stiffness_nm_per_rad"]
    springs = np.array([[one, -one, 0.0], [-one, one + other, -other], [0.0, -other, other]])
    squares = np.sort(np.linalg.eigvals(np.linalg.solve(np.diag(inertias), springs)).real)
    expected = np.sqrt(squares[1:]) / (2.0 * math.pi)
    assert planned(*JOBS[job]).critical.frequencies_hz == pytest.approx(tuple(expected), rel=1e-6)


@pytest.mark.parametrize("job", JOBS)
def test_the_lowest_frequency_is_that_of_the_simulated_bench(job: str) -> None:
    """Its two rotors on one spring: ω² = k·(1/J1 + 1/J2). The files share its spring out; half a percent is theirs."""
    truth = load_specimen(job)
    spring = truth.bench.coupling.stiffness_nm_rad
    square = spring * (1.0 / truth.motor.inertia_kgm2 + 1.0 / truth.bench.load_machine.inertia_kgm2)
    found = planned(*JOBS[job]).critical.frequencies_hz[0]
    assert found == pytest.approx(math.sqrt(square) / (2.0 * math.pi), rel=0.01)


def test_the_pump_has_one_band_where_its_slots_meet_the_coupling() -> None:
    """12 slots and 8 poles: 24 periods a revolution, so 497.7 Hz are 1244 r/min, 7 % to either side (by hand)."""
    critical = planned(*JOBS["pump_48v"]).critical
    [band] = critical.bands
    assert (band.low_rpm, band.high_rpm) == pytest.approx((0.93 * 1244.25, 1.07 * 1244.25), abs=0.5)
    assert [cause.split(" (")[0] for cause in band.causes] == ["6 times electrical", "cogging"]
    assert planned(*JOBS["pump_48v"]).tests[0].around.bands == critical.bands


def test_unbalance_and_misalignment_alone_shake_no_shipped_brushed_motor() -> None:
    critical = planned(*JOBS["vent_flap_24v"]).critical
    assert [order.per_revolution for order in critical.orders] == [1.0, 2.0]
    assert critical.bands == ()


def test_nothing_is_computed_without_the_transducers_stiffness_and_the_note_says_where(site) -> None:
    site.change("benches/greenhouse.toml", "transducer_stiffness_nm_per_rad", "# ")
    site.change("setups/vent_flap.toml", "# [[critical_speeds]]", FOOT + "\n# [[critical_speeds]]")
    critical = planned(*site.files).critical
    assert critical.frequencies_hz == ()
    assert critical.critical_rpm() == ()
    [note] = critical.notes
    assert "benches/greenhouse.toml:" in note
    assert "does not state transducer_stiffness_nm_per_rad" in note
    [stated] = critical.bands  # counts all the same
    assert (stated.low_rpm, stated.high_rpm) == (3000.0, 3700.0)


def test_a_transducer_without_inertia_leaves_two_inertias_on_two_springs(site) -> None:
    site.change("benches/greenhouse.toml", "transducer_inertia_kgm2 = 6.0e-6", "")
    critical = planned(*site.files).critical
    spring = 1.0 / (1.0 / 730.0 + 1.0 / 17000.0)
    square = spring * (1.0 / (1.1e-4 + 2.0e-6) + 1.0 / (2.0e-4 + 2.0e-6))
    assert critical.frequencies_hz == pytest.approx((math.sqrt(square) / (2.0 * math.pi),))
    assert "transducer_inertia_kgm2" in critical.notes[0]


def test_an_order_that_the_motor_file_does_not_tell_is_noted_and_not_reckoned_with(site) -> None:
    site.change("benches/greenhouse.toml", '"misalignment"]', '"cogging"]\nfurther_orders = [7.0]')
    critical = planned(*site.files).critical
    assert [order.per_revolution for order in critical.orders] == [1.0, 7.0]
    assert "names cogging, which a brushed motor's file does not tell" in critical.notes[0]
    assert [round(rpm) for rpm, _, _ in critical.critical_rpm()] == [4258]  # 60·496.8/7


def test_a_job_is_told_of_frequencies_critical_speeds_and_bands(typed) -> None:
    out = " ".join(typed("check", *JOBS["pump_48v"]).out.split())
    assert "natural frequencies of the shaft train: 497.7 Hz and 4515.5 Hz (undamped)." in out
    assert "1244 r/min (cogging, 24 a revolution, at 497.7 Hz)" in out
    assert "Critical from 1158 to 1331 r/min (" in out
    assert "crossed and never held." in out
    assert list(told(planned(*JOBS["reference_pmsm"]).critical))[1].startswith("Critical speeds up to 5000 r/min: none")


@pytest.fixture
def pump(site) -> tuple[str, str, str, str]:
    """Bench, programme, motor and set-up of the pump, as files that may be changed."""
    folders = ("benches", "programmes", "motors", "setups")
    return tuple(
        str(Path(site.root) / folder / f"{name}.toml") for folder, name in zip(folders, JOBS["pump_48v"], strict=True)
    )


def test_a_held_speed_within_a_band_is_refused_with_its_line_and_the_nearest_outside(site, pump, typed) -> None:
    file = "programmes/pump_acceptance.toml"
    line = site.change(file, "speeds_rpm = [1000.0, 2000.0, 3000.0]", "speeds_rpm = [1000.0, 1250.0, 3000.0]")
    said = typed("check", *pump)
    assert said.status == 78
    assert f"{file}:{line} test.speeds_rpm item 2 is 1250 r/min, within the critical band from 1158 to 1331 r/min" in (
        said.sentence
    )
    assert said.sentence.endswith("which is crossed and never held; write 1157 or 1332.")


def test_one_speed_that_is_held_throughout_is_refused_too(site, pump) -> None:
    site.change("programmes/pump_acceptance.toml", "speed_rpm = 3000.0", "speed_rpm = 1160.0")
    with pytest.raises(SettingsError, match=r"test\.speed_rpm is 1160 r/min, within the critical band"):
        load_all(*pump)


def test_a_speed_beside_the_band_is_not_refused(site, pump) -> None:
    file = "programmes/pump_acceptance.toml"
    site.change(file, "speeds_rpm = [1000.0, 2000.0, 3000.0]", "speeds_rpm = [1157.0, 1332.0, 3000.0]")
    assert planned(*pump).critical.bands


def test_a_speed_above_the_limit_is_not_offered(site, pump) -> None:
    site.change("setups/pump.toml", "[cable]", FOOT.replace("3700", "5000") + "\n[cable]")
    with pytest.raises(SettingsError, match=r"3000 r/min, within .* never held; write 2999 \("):
        load_all(*pump)


def test_a_jog_within_a_stated_band_is_refused(site, pump) -> None:
    site.change("setups/pump.toml", "[cable]", FOOT.replace("3000", "100").replace("3700", "200") + "\n[cable]")
    with pytest.raises(SettingsError, match=r"vineyard\.toml:\d+ jog tries the shaft at 120 r/min, within"):
        load_all(*pump)


def test_a_point_that_only_a_voltage_holds_is_warned_of_with_its_predicted_speed(site) -> None:
    """By hand: (24 − 0.8·0.012/0.065)/0.065 rad/s are 3504 r/min; (24 − 0.8·(0.25 + 0.012)/0.065)/0.065 are 3052."""
    assert not any("critical" in one for one in planned(*site.files).warnings)
    site.change("setups/vent_flap.toml", "[cable]", FOOT + "\n[cable]")
    found = [one for one in planned(*site.files).warnings if "critical" in one]
    assert len(found) == 6  # 24 V without load, and every torque at 24 V
    assert (
        "supply_voltages_v item 3 will turn the shaft at about 3504 r/min (24 V, 0 N·m, by the data sheet)" in found[0]
    )
    assert "torques_nm item 5 will turn the shaft at about 3052 r/min (24 V, 0.25 N·m, by the data sheet)" in found[-1]
    assert "3000 to 3700 r/min (the foot hums (setups/vent_flap.toml:" in found[0]
