"""The proof before enabling: every rung of the ladder and every limit of the drive, each by itself."""

from dataclasses import replace

import pytest

from benchd.contract import DriveLimits, SinkSettings, SupplySettings
from benchd.live.plan import PortRef
from benchd.live.proof import drive_objections, ladder_objections

from .parts import bench_plan, run_plan

PLAN = bench_plan()
RUN = run_plan()
SUPPLY = SupplySettings(voltage_v=0.0, current_limit_a=10.0, over_voltage_protection_v=36.0, output_on=False)
SINK = SinkSettings(armed=True, threshold_v=30.0, current_limit_a=20.0)
DRIVE = DriveLimits(
    overspeed_rpm=6000.0,
    torque_limit_nm=1.8,
    rated_torque_nm=2.0,
    quick_stop_option=2,
    disable_option=1,
    fault_reaction_option=2,
)


def ladder(*, supply=SUPPLY, sink=SINK, run=RUN, **dc_link) -> list[str]:
    plan = replace(PLAN, dc_link=replace(PLAN.dc_link, **dc_link))
    return ladder_objections(plan, run, supply=supply, sink=sink)


def test_a_sound_ladder_and_a_sound_drive_have_no_objection() -> None:
    assert ladder() == []
    assert drive_objections(PLAN, RUN, DRIVE) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sink": replace(SINK, armed=False)}, "not armed"),
        ({"run": replace(RUN, voltage_limit_v=30.0)}, "highest supply set-point"),
        ({"sink": replace(SINK, threshold_v=36.0)}, "sink threshold read back"),
        ({"supply": replace(SUPPLY, over_voltage_protection_v=50.0)}, "over-voltage protection read back"),
        ({"component_rating_v": 36.0}, "weakest link component"),
        ({"sink": replace(SINK, threshold_v=30.2)}, "reads back 30.2 V instead of the 30 V"),
        ({"supply": replace(SUPPLY, over_voltage_protection_v=36.3)}, "reads back 36.3 V instead of the 36 V"),
        ({"sink": replace(SINK, threshold_v=float("nan"))}, "ladder does not hold"),
    ],
)
def test_each_rung_that_does_not_hold_is_named(changes, words: str) -> None:
    assert any(words in sentence for sentence in ladder(**changes))


def test_equal_rungs_do_not_hold_and_a_devices_resolution_does() -> None:
    assert ladder(run=replace(RUN, voltage_limit_v=29.999)) == []
    assert ladder(run=replace(RUN, voltage_limit_v=30.0)) != []
    assert ladder(sink=replace(SINK, threshold_v=30.1)) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"overspeed_rpm": 8000.1}, "overspeed"),
        ({"overspeed_rpm": 0.0}, "overspeed"),
        ({"overspeed_rpm": float("nan")}, "overspeed"),
        ({"torque_limit_nm": 2.51}, "torque limit"),
        ({"torque_limit_nm": 0.0}, "torque limit"),
        ({"quick_stop_option": 5}, "605Ah"),
        ({"quick_stop_option": -1}, "605Ah"),
        ({"disable_option": 2}, "605Ch"),
        ({"disable_option": -1}, "605Ch"),
        ({"fault_reaction_option": 3}, "605Eh"),
        ({"fault_reaction_option": -1}, "605Eh"),
    ],
)
def test_each_limit_that_the_drive_leaves_open_is_named(changes, words: str) -> None:
    (sentence,) = drive_objections(PLAN, RUN, replace(DRIVE, **changes))
    assert words in sentence
    assert "load_drive" in sentence


@pytest.mark.parametrize(("disable", "fault"), [(0, 0), (0, 1), (1, 2)])
def test_options_that_take_the_torque_away_are_accepted(disable: int, fault: int) -> None:
    assert drive_objections(PLAN, RUN, replace(DRIVE, disable_option=disable, fault_reaction_option=fault)) == []


def test_a_drive_that_is_named_is_named_in_the_objection() -> None:
    (sentence,) = drive_objections(PLAN, RUN, replace(DRIVE, disable_option=2), drive=PortRef("motor_drive", "axis"))
    assert sentence.startswith("motor_drive.axis has disable option 2")


def test_the_drives_overspeed_must_not_let_the_magnets_make_more_than_the_link_bears() -> None:
    run = replace(RUN, generated_v_per_rpm=0.01)
    plan = replace(PLAN, dc_link=replace(PLAN.dc_link, component_rating_v=59.99))
    (sentence,) = drive_objections(plan, run, DRIVE, drive=PortRef("motor_drive", "axis"))
    assert sentence == (
        "motor_drive.axis trips itself only above 6000 r/min, where the specimen makes 60 V (peak, line to line), but "
        "the weakest link component bears 59.99 V: lower the overspeed limit in the drive to 5999 r/min."
    )
    assert drive_objections(plan, run, replace(DRIVE, overspeed_rpm=5999.0)) == []
    assert drive_objections(plan, RUN, DRIVE) == []  # a specimen that generates nothing
