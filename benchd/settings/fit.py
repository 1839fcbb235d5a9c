"""Says before the start whether bench, motor, set-up and programme fit each other. It must never change a value."""

from collections.abc import Iterator

from benchd.settings.bench import Bench, Motor, Programme, Setup
from benchd.settings.errors import Problem, refuse
from benchd.settings.limit_sources import LimitSource, limit_sources, strictest_bound
from benchd.settings.toml_lines import KeyPath

# What a test's settings ask for by these names, in the units that the names carry. A test that asks for any of these
# quantities uses these names; the one or the list.
ASKS_VOLTAGE = ("supply_voltage_v", "supply_voltages_v")
ASKS_OF_CHANNEL = {
    "torque_nm": "shaft_torque",
    "torques_nm": "shaft_torque",
    "speed_rpm": "shaft_speed",
    "speeds_rpm": "shaft_speed",
}


def check_fit(bench: Bench, motor: Motor, setup: Setup, programme: Programme) -> None:
    """Return where the four fit each other, else raise `SettingsError`.

    Every supply voltage, rated and asked for, stays below the sink's threshold, else the sink would load the supply;
    no test asks for a torque or speed beyond a limit, else the run would end in a trip; and all that `limit_sources`
    raises.
    """
    sources = limit_sources(bench, motor, setup, programme)
    rated_v = motor.settings.rated.voltage_v
    threshold_v = bench.dc_link.sink_threshold_v
    threshold = (
        f"{threshold_v:g} V, the sink threshold of the bench ({bench.document.origin(('dc_link', 'sink_threshold_v'))})"
    )
    if rated_v >= threshold_v:
        says = f"is {rated_v:g} V and must stay below {threshold}; raise the threshold or take another motor"
        refuse(motor.document.file, [motor.document.problem(("rated", "voltage_v"), says)])
    problems: list[Problem] = []
    for path, key, value in _asked(programme):
        if key in ASKS_VOLTAGE and value >= threshold_v:
            says = f"is {value:g} V and must stay below {threshold}; lower the voltage"
            problems.append(programme.document.problem(path, says))
        elif key in ASKS_OF_CHANNEL:
            bound = _crossed(sources, ASKS_OF_CHANNEL[key], value)
            if bound is not None:
                says = f"is {value:g}, which would cross the limit {bound.value:g} of {bound.origin}; ask for less"
                problems.append(programme.document.problem(path, says))
    if problems:
        refuse(programme.document.file, problems)


def _crossed(sources: tuple[LimitSource, ...], channel: str, value: float) -> LimitSource | None:
    high = strictest_bound(sources, channel, "high", warn=False)
    if high is not None and value >= high.value:
        return high
    low = strictest_bound(sources, channel, "low", warn=False)
    return low if low is not None and value <= low.value else None


def _asked(programme: Programme) -> Iterator[tuple[KeyPath, str, float]]:
    for place, test in enumerate(programme.tests):
        for key in (*ASKS_VOLTAGE, *ASKS_OF_CHANNEL):
            asked = getattr(test.settings, key, None)
            path: KeyPath = ("test", place, key)
            if isinstance(asked, (int, float)):
                yield path, key, float(asked)
            elif isinstance(asked, (list, tuple)):
                for item, value in enumerate(asked):
                    if isinstance(value, (int, float)):
                        yield (*path, item), key, float(value)
