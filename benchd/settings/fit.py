"""Says before the start whether bench, motor, set-up and programme fit each other. It must never change a value."""

from collections.abc import Iterator

from benchd.settings.bench import Bench, Motor, Programme, Setup
from benchd.settings.drive_parameters import TABLE
from benchd.settings.errors import Problem, refuse
from benchd.settings.limit_sources import LimitSource, limit_sources, strictest_bound
from benchd.settings.specimen_files import BrushlessMotorFile
from benchd.settings.toml_lines import KeyPath
from benchd.settings.zeros import stated_zeros

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
    raises. A brushless motor stands on a bench with a motor drive and never generates more than the link bears; what
    the tests want of waveforms and torque ranges is there; the transducer's zero is where the bench looks for it.
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
    if isinstance(motor.settings, BrushlessMotorFile):
        _check_brushless(bench, motor, motor.settings, sources)
        _check_commissioned_for(bench, motor, motor.settings)
    stated_zeros(bench, setup)
    problems = list(_unmeasurable(bench, programme))
    for path, key, value, when in _asked(programme):
        if key in ASKS_VOLTAGE and value >= threshold_v:
            says = f"is {value:g} V and must stay below {threshold}; lower the voltage"
            problems.append(programme.document.problem(path, says))
        elif key in ASKS_OF_CHANNEL:
            bound = _crossed(sources, ASKS_OF_CHANNEL[key], value)
            if bound is not None:
                says = (
                    f"is {value:g}{when}, which would cross the limit {bound.value:g} of {bound.origin}; ask for less"
                )
                problems.append(programme.document.problem(path, says))
    if problems:
        refuse(programme.document.file, problems)


def _check_brushless(
    bench: Bench, motor: Motor, settings: BrushlessMotorFile, sources: tuple[LimitSource, ...]
) -> None:
    """Without a converter nothing turns it; while it turns its magnets make a voltage, also after safe torque off."""
    if not bench.roles.get("motor_drive"):
        says = (
            f'is "brushless", but the bench {bench.name} has no motor_drive in [roles] that could feed it; take a '
            "bench with a converter"
        )
        refuse(motor.document.file, [motor.document.problem(("kind",), says)])
    bounds = [strictest_bound(sources, "shaft_speed", kind, warn=False) for kind in ("low", "high")]
    top = max((one for one in bounds if one is not None), key=lambda one: abs(one.value))  # the motor's own at least
    peak_v = settings.data_sheet.peak_voltage_v(abs(top.value))
    rating_v = bench.dc_link.component_rating_v
    if peak_v > rating_v:
        says = (
            f"is {settings.data_sheet.voltage_constant_v_per_krpm:g}, which makes {peak_v:.4g} V (peak, line to line) "
            f"at the {abs(top.value):g} r/min that {top.origin} allows, more than the {rating_v:g} V of "
            f"{bench.document.origin(('dc_link', 'component_rating_v'))}; tighten the limit on shaft_speed in the "
            "programme, or take a bench whose link bears it"
        )
        path = ("data_sheet", "voltage_constant_v_per_krpm")
        refuse(motor.document.file, [motor.document.problem(path, says)])


def _check_commissioned_for(bench: Bench, motor: Motor, settings: BrushlessMotorFile) -> None:
    """A motor drive that is said to be commissioned for other pole pairs would turn another speed and torque."""
    expected = bench.drive_parameters.get("motor_drive")
    stated = None if expected is None else expected.values.get("pole_pairs")
    if stated is not None and stated != settings.pole_pairs:
        says = (
            f"is {stated:g}, but the motor has {settings.pole_pairs} "
            f"({motor.document.origin(('pole_pairs',))}); commission the motor drive for this motor and state that, or "
            "take another motor"
        )
        refuse(bench.document.file, [bench.document.problem((TABLE, "motor_drive", "pole_pairs"), says)])


def _unmeasurable(bench: Bench, programme: Programme) -> Iterator[Problem]:
    """What tests want of waveforms and of the transducer's narrow range that this bench does not have."""
    ranges = bench.torque_ranges
    narrow = None if ranges is None or ranges.narrow is None else bench.channel_by_name[ranges.narrow].calibration
    for place, test in enumerate(programme.tests):
        if getattr(test.settings, "capture_s", 0.0) > 0.0 and not bench.waveform_channels:
            says = f"asks for waveforms, but the bench {bench.name} has none in [waveforms]; leave it out"
            yield programme.document.problem(("test", place, "capture_s"), says)
        if getattr(test.settings, "torque_range", "auto") != "narrow":
            continue
        path: KeyPath = ("test", place, "torque_range")
        if narrow is None:
            says = (
                f'is "narrow", but the bench {bench.name} has no narrow range in [torque_ranges]; write "wide", '
                "or leave it out"
            )
            yield programme.document.problem(path, says)
            continue
        asked = getattr(test.settings, "torques_nm", None) or (getattr(test.settings, "torque_nm", 0.0),)
        most_nm = max(abs(torque_nm) for torque_nm in asked)
        if most_nm >= narrow.full_scale:
            says = (
                f'is "narrow", which measures up to {narrow.full_scale:g} N·m where the test asks for {most_nm:g} N·m; '
                'write "auto", which takes the wide range where the narrow one ends'
            )
            yield programme.document.problem(path, says)


def _crossed(sources: tuple[LimitSource, ...], channel: str, value: float) -> LimitSource | None:
    high = strictest_bound(sources, channel, "high", warn=False)
    if high is not None and value >= high.value:
        return high
    low = strictest_bound(sources, channel, "low", warn=False)
    return low if low is not None and value <= low.value else None


def _asked(programme: Programme) -> Iterator[tuple[KeyPath, str, float, str]]:
    for place, test in enumerate(programme.tests):
        for key in (*ASKS_VOLTAGE, *ASKS_OF_CHANNEL):
            asked = getattr(test.settings, key, None)
            path: KeyPath = ("test", place, key)
            if isinstance(asked, (int, float)):
                yield path, key, float(asked), ""
            elif isinstance(asked, (list, tuple)):
                for item, value in enumerate(asked):
                    if isinstance(value, (int, float)):
                        yield (*path, item), key, float(value), ""
        at = getattr(test.settings, "asked_at", None)  # of a course: the extremes of each of its parts
        for below, key, value, at_s in () if at is None else at():
            yield ("test", place, *below), key, value, f" ({key}, at second {at_s:.4g} of its course)"
