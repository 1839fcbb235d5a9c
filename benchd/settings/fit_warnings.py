"""Says what a run would lack although it may start: uncalibrated or absent channels, a zero nobody uses.

It must never refuse anything; `fit` does.
"""

from collections.abc import Iterator, Mapping, Sequence

from benchd.settings.bench import Bench, Motor, Programme, Setup

# The channels that a test's evaluation reads, by the name of the test and, where they differ, the kind of motor.
_LOADED: Mapping[str, Sequence[str]] = {
    "brushed_dc": ("dc_voltage", "dc_current", "shaft_torque", "shaft_speed"),
    "brushless": ("dc_voltage", "dc_current", "motor_power", "motor_current", "shaft_torque", "shaft_speed"),
}
_READS: Mapping[str, Mapping[str, Sequence[str]] | Sequence[str]] = {
    "winding_resistance": ("winding_voltage", "winding_current"),
    "torque_zero": ("shaft_torque", "shaft_speed"),
    "back_emf": ("motor_voltage_fundamental", "shaft_speed"),
    "no_load": _LOADED,
    "load": _LOADED,
    "rated_point": _LOADED,
}
# Read where the bench has them: without them the evaluation assumes something, and says so.
_READS_IF_THERE = (
    "shaft_torque_narrow",
    "motor_apparent_power",
    "motor_frequency",
    "power_factor",
    "winding_temperature",
    "housing_temperature",
    "ambient_temperature",
    "magnet_temperature",
)
READ_AS_MEASURED = frozenset(_READS_IF_THERE).union(
    *(names for reads in _READS.values() for names in (reads.values() if isinstance(reads, Mapping) else (reads,)))
)


def fit_warnings(bench: Bench, motor: Motor, setup: Setup, programme: Programme) -> tuple[str, ...]:
    """Sentences for the operator, each naming the line that can be mended, in the order of the tests."""
    return tuple(dict.fromkeys((*_about_channels(bench, motor.settings.kind, programme), *_about_zero(bench, setup))))


def _about_channels(bench: Bench, kind: str, programme: Programme) -> Iterator[str]:
    told: set[str] = set()
    for test in programme.tests:
        reads = _READS.get(test.kind, ())
        needed = reads.get(kind, ()) if isinstance(reads, Mapping) else reads
        for name in (*needed, *_READS_IF_THERE):
            channel = bench.channel_by_name.get(name)
            if name in told or (channel is None and name in _READS_IF_THERE):
                continue
            if channel is None:
                told.add(name)
                yield (
                    f"{bench.document.origin(('channels',))} has no channel {name}, which the evaluation of "
                    f"{test.kind} reads: what follows from it will not be determined; add the channel."
                )
            elif channel.calibration is None:
                told.add(name)
                yield (
                    f"{bench.document.origin(('channels', name))} has no calibration, but the evaluation of "
                    f"{test.kind} reads it: its uncertainty is unknown; name its sensor file."
                )


def _about_zero(bench: Bench, setup: Setup) -> Iterator[str]:
    if setup.settings.transducer_zero is not None and bench.start.transducer_zero != "set_up":
        yield (
            f"{setup.document.origin(('transducer_zero',))} is not used: the bench {bench.name} takes the zero at "
            'standstill; write transducer_zero = "set_up" to its [start] where it shall count.'
        )
