"""The power balance against closed forms: what is spoilt, one thing at a time, must be the suspect."""

import math
import random
from collections.abc import Mapping

import pytest

from benchd.rules.balance import verdict
from benchd.rules.balance_checks import Doubt, Facts, checks

RPM = 30.0 / math.pi

# PMSM in steady state: closed form, which two independent simulators reproduce (computed, not published): p 4,
# Rs 0.25 ohm, 3000 r/min, id -6 A, iq 20 A; converter and supply added by arithmetic.
PMSM_W, PMSM_NM, PMSM_A, PMSM_V = 3639.358112, 11.064, 14.764823, 155.254144
CONVERTER_W = 110.0
LINK_V, CABLE_OHM = 300.0, 0.02
PMSM: Mapping[str, float] = {
    "supply_voltage": LINK_V + CABLE_OHM * (PMSM_W + CONVERTER_W) / LINK_V,
    "link_voltage": LINK_V + CABLE_OHM * (PMSM_W + CONVERTER_W) / LINK_V,
    "dc_voltage": LINK_V,
    "dc_current": (PMSM_W + CONVERTER_W) / LINK_V,
    "supply_current": (PMSM_W + CONVERTER_W) / LINK_V,
    "sink_current": 0.0,
    "motor_power": PMSM_W,
    "motor_current": PMSM_A,
    "motor_voltage": PMSM_V,
    "motor_frequency": 4 * 3000.0 / 60.0,
    "shaft_torque": PMSM_NM,
    "drive_torque": PMSM_NM,
    "motor_drive_torque": PMSM_NM,
    "shaft_speed": 3000.0,
    "drive_speed": 3000.0,
    "motor_drive_speed": 3000.0,
}
# DC machine with copper loss only: 100 V, 100 A, 0.05 ohm, 1425 r/min, 63.66 N·m (Modelica Standard Library,
# DCPM_withLosses, machine 1).
DC: Mapping[str, float] = {
    "supply_voltage": 100.0,
    "link_voltage": 100.0,
    "dc_voltage": 100.0,
    "dc_current": 100.0,
    "supply_current": 100.0,
    "sink_current": 0.0,
    "shaft_torque": 9500.0 / (1425.0 / RPM),
    "drive_torque": 9500.0 / (1425.0 / RPM),
    "shaft_speed": 1425.0,
    "drive_speed": 1425.0,
}


def doubts(means: Mapping[str, float]) -> dict[str, Doubt]:
    """Sensors to 0.1 %, what drives and supply tell of themselves to 1 and 2 %."""
    told = {"supply_voltage": 0.005, "supply_current": 0.01, "drive_torque": 0.02, "motor_drive_torque": 0.05}
    return {name: Doubt(told.get(name, 0.003), 1e-3 * abs(value)) for name, value in means.items()}


PMSM_FACTS = Facts(
    pole_pairs=4,
    resistance_ohm=0.25,
    torque_per_a=0.721249,
    rated_torque_nm=11.0,
    rated_power_w=3456.0,
    cable_ohm=CABLE_OHM,
    diode_v=1.0,
    converter_loss_ratio=0.05,
    converter_idle_w=20.0,
    motor_loss_ratio=0.03,
    load_loss_nm=0.2,
    doubts=doubts(PMSM),
)
DC_FACTS = Facts(
    pole_pairs=0,
    resistance_ohm=0.05,
    torque_per_a=9500.0 / (1425.0 / RPM) / 100.0,
    rated_torque_nm=60.0,
    rated_power_w=9000.0,
    cable_ohm=0.0,
    diode_v=1.0,
    converter_loss_ratio=0.05,
    converter_idle_w=0.0,
    motor_loss_ratio=0.03,
    load_loss_nm=0.6,
    doubts=doubts(DC),
)
BENCHES = {"brushless": (PMSM, PMSM_FACTS), "brushed": (DC, DC_FACTS)}
# phases exchanged: copper and what a little torque takes, through the converter
NO_TORQUE = {
    "shaft_torque": 0.1,
    "drive_torque": 0.1,
    "motor_power": 195.0,
    "motor_voltage": 12.0,
    "dc_current": 0.717,
    "supply_current": 0.717,
}
SPOILT = {
    "current sensor 2 to 1": ("both", {"dc_current": 2.0}, "dc_current", "reads about 2 times"),
    "current sensor 1 to 2": ("both", {"dc_current": 0.5}, "dc_current", "reads about 0.5 times"),
    "current sensor reversed": ("both", {"dc_current": -1.0}, "dc_current", "which is reversed"),
    "sense lead reversed": ("both", {"dc_voltage": -1.0}, "dc_voltage", "which is reversed"),
    "sense lead open": ("both", {"dc_voltage": 0.001}, "dc_voltage", "whose lead is open"),
    "torque sign": ("both", {"shaft_torque": -1.0}, "shaft_torque", "swap the transducer's signal leads"),
    "torque 5 % too high": ("both", {"shaft_torque": 1.05}, "shaft_torque", "sensitivity"),
    "torque 5 % too low": ("both", {"shaft_torque": 0.95}, "shaft_torque", "sensitivity"),
    "torque 2 to 1": ("both", {"shaft_torque": 2.0}, "shaft_torque", "reads about 2 times"),
    "encoder sign": ("brushless", {"shaft_speed": -1.0}, "shaft_speed", "A and B"),
    "encoder lines": ("brushless", {"shaft_speed": 2.0}, "shaft_speed", "lines"),
    "pole pairs 4 to 5 in the drive": ("brushless", {"motor_drive_speed": 0.8}, "motor_drive_speed", "pole pairs"),
    "pole pairs 4 to 5 in the motor file": ("brushless", {"motor_frequency": 1.25}, "motor_frequency", "pole_pairs"),
    "coupling slips": ("brushless", {"drive_speed": 0.9}, "drive_speed", "coupling"),
    "load drive's torque sign": ("both", {"drive_torque": -1.0}, "drive_torque", "torque_sign"),
    "analyser's ratio": ("brushless", {"motor_power": 0.5}, "motor_power", "reads about 0.5 times"),
    "analyser's leads": ("brushless", {"motor_power": -1.0}, "motor_power", "current sensors round"),
    "phase current 2 to 1": ("brushless", {"motor_current": 2.0}, "motor_current", "ratio"),
}
CASES = [(kind, spoilt) for spoilt, (which, *_) in SPOILT.items() for kind in BENCHES if which in {"both", kind}]


@pytest.mark.parametrize(("kind", "spoilt"), CASES)
def test_what_was_spoilt_is_the_first_suspect(kind: str, spoilt: str) -> None:
    truth, facts = BENCHES[kind]
    _, factors, suspect, words = SPOILT[spoilt]
    found = verdict({name: value * factors.get(name, 1.0) for name, value in truth.items()}, facts)
    assert not found.holds
    assert found.suspects[0].channels == (suspect,)
    assert words in found.sentence
    assert found.sentence.endswith(".")
    assert found.sentence.count(". ") == 0


def test_a_loss_below_the_winding_s_own_is_seen_without_any_other_torque() -> None:
    """The copper alone loses 500 W: 25 W are not plausible, and neither is a gain."""
    alone = {name: value for name, value in DC.items() if not name.startswith("drive")}
    assert verdict(alone, DC_FACTS).holds
    found = verdict({**alone, "shaft_torque": 1.05 * alone["shaft_torque"]}, DC_FACTS)
    assert "power from DC input to shaft" in {check.name for check in found.failed}


def test_of_two_faults_at_once_none_explains_alone() -> None:
    both = {**PMSM, "motor_drive_speed": 2400.0, "dc_current": 2.0 * PMSM["dc_current"]}
    (suspect,) = verdict(both, PMSM_FACTS).suspects
    assert math.isnan(suspect.ratio)


def test_a_current_that_makes_no_torque_suspects_the_phase_leads() -> None:
    found = verdict({**PMSM, **NO_TORQUE}, PMSM_FACTS)
    assert found.suspects[0].channels == ("motor_drive_torque", "motor_current")
    assert "two exchanged phase leads" in found.sentence


@pytest.mark.parametrize("kind", BENCHES)
def test_sound_values_are_powers_that_fall_along_the_chain_in_both_directions(kind: str) -> None:
    truth, facts = BENCHES[kind]
    found = verdict(truth, facts)
    assert found.holds, found.sentence
    assert found.sentence == ""
    powers = [found.powers_w[place] for place in ("supply", "dc", "motor", "shaft") if place in found.powers_w]
    assert powers == sorted(powers, reverse=True)


def test_a_specimen_that_generates_balances_too() -> None:
    shaft_w = -PMSM_W  # so much goes in at the shaft; copper and converter are lost on its way into the sink
    motor_w, dc_w = shaft_w + 163.5, shaft_w + 163.5 + CONVERTER_W
    torque_nm = shaft_w / (3000.0 / RPM)
    generating = {
        **PMSM,
        "supply_current": 0.0,
        "dc_current": dc_w / LINK_V,
        "sink_current": -dc_w / LINK_V,
        "supply_voltage": LINK_V - 5.0,
        "link_voltage": LINK_V,
        "motor_power": motor_w,
        "shaft_torque": torque_nm,
        "drive_torque": torque_nm,
        "motor_drive_torque": torque_nm,
    }
    assert verdict(generating, PMSM_FACTS).holds
    assert not verdict({**generating, "shaft_torque": 0.9 * torque_nm}, PMSM_FACTS).holds


@pytest.mark.parametrize("kind", BENCHES)
def test_noise_of_the_stated_size_suspects_nobody_in_100_000_draws(kind: str) -> None:
    """Doubts are the most that a reading may be off: six standard deviations of a normal error."""
    truth, facts = BENCHES[kind]
    draw = random.Random(7).gauss  # noqa: S311
    sizes = {name: facts.doubts[name].of(value) / 6.0 for name, value in truth.items()}
    wrong = 0
    for _ in range(100_000 // len(BENCHES)):
        drawn = {name: value + sizes[name] * draw(0.0, 1.0) for name, value in truth.items()}
        wrong += not all(check.holds for check in checks(drawn, facts))
    assert wrong == 0


def test_channels_that_are_not_there_are_not_judged() -> None:
    assert verdict({}, PMSM_FACTS).holds
    assert verdict(dict.fromkeys(PMSM, math.nan), PMSM_FACTS).holds
