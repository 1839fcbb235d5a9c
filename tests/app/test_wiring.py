"""From settings to what may run: which side of a limit a device is told, and what a stop may ask of the shaft."""

import pytest

from benchd.app.loading import load_all
from benchd.app.wiring import SUPPLY_KEEPS_BELOW, Unfit

CURRENT = """
[[limits]]
channel = "dc_current"
high = 6.0
reaction = "cut"

[[limits]]
channel = "shaft_speed"
"""


def test_the_supply_is_told_the_upper_current_limit_though_the_lower_one_is_wider(site) -> None:
    site.change("programmes/vent_flap_acceptance.toml", '\n[[limits]]\nchannel = "shaft_speed"\n', CURRENT)
    _, run = load_all(*site.files)
    assert run is not None
    assert run.plan.current_limit_a == pytest.approx(SUPPLY_KEEPS_BELOW * 6.0)


def test_a_brake_that_the_coupling_does_not_bear_is_refused_with_file_and_line(site) -> None:
    site.change("setups/vent_flap.toml", "max_torque_nm = 2.5", "max_torque_nm = 0.29")
    with pytest.raises(Unfit, match=r"greenhouse\.toml:\d+ stopping\.braking_torque_nm brakes with"):
        load_all(*site.files)
