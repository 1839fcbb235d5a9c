"""A duty cycle in the report: what was asked part by part, and the course measured beside the one asked for."""

import pytest

from benchd.report.course_words import parts_told
from benchd.report.curves import curves
from benchd.report.findings import Found, PointFound, TestFound

PARTS = [
    {
        "speed_rpm": {"shape": "s_shaped", "end": 1000.0, "rate_per_s": 700.0, "jerk_per_s3": 4000.0, "start": None},
        "torque_nm": {"shape": "hold", "at": 0.5, "time_s": 2.0},
        "between": "linear",
    },
    {"table": {"file": "pump.csv", "time_s": [0.0, 2.0, 4.0]}, "between": "cubic"},
    {"wait": {"until": "temperature", "channel": "winding_temperature", "below_degc": 40.0, "within_s": 60.0}},
    {"odd": 3},
]


def test_each_part_is_told_in_a_line_with_its_units() -> None:
    told = [
        text.replace("\N{NARROW NO-BREAK SPACE}", " ").replace("\xa0", " ") for _, text in parts_told({"part": PARTS})
    ]
    assert told[0] == (
        "speed: s-shaped, end 1000 r/min, rate 700 r/min/s, jerk 4000 r/min/s³; torque: hold, at 0.5 N·m, time 2 s"
    )
    assert told[1] == "pump.csv, 4 s in 3 rows, cubic between them"
    assert told[2] == "wait until temperature, channel winding temperature, below 40 °C, within 60 s"
    assert "odd" in told[3]
    assert [name for name, _ in parts_told({"part": PARTS})] == ["part 1", "part 2", "part 3", "part 4"]
    assert list(parts_told({"torque_nm": 1.0, "part": "none"})) == []


def duty(points: int) -> TestFound:
    return TestFound(
        index=0,
        kind="duty_cycle",
        title="Duty cycle",
        settings={},
        evaluated=True,
        points=[
            PointFound(
                number=n,
                direction="",
                asked={"time_s": 0.5 + n},
                values={
                    name: Found(value=factor * (n % 4), standard_uncertainty=0.01)
                    for name, factor in (
                        ("speed", 500.0),
                        ("speed_asked", 501.0),
                        ("torque", 1.0),
                        ("shaft_power", 9.0),
                    )
                },
            )
            for n in range(points)
        ],
        units={"speed": "r/min", "speed_asked": "r/min", "torque": "N·m", "shaft_power": "W"},
        quantities=[],
        notes=[],
    )


def test_the_curves_stand_over_the_time_of_the_course_measured_beside_asked() -> None:
    drawn = curves(duty(8))
    assert drawn is not None
    chart = drawn[0]
    assert chart["x"]["title"] == "Time in s"
    assert [panel["title"] for panel in chart["panels"]] == ["Speed in r/min", "Torque in N·m", "Power in W"]
    assert [one["text"] for one in chart["panels"][0]["labels"]] == ["measured", "asked"]


@pytest.mark.parametrize("points", [0, 2])
def test_too_few_points_are_not_drawn(points: int) -> None:
    assert curves(duty(points)) is None
