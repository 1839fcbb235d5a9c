"""Says what a run would lack although it may start: uncalibrated or absent channels, a zero or a silence nobody sees.

It must never refuse anything; `fit` does.
"""

from collections.abc import Iterator, Mapping, Sequence

from benchd.rules.channels import Channel
from benchd.settings.bench import Bench, Motor, Programme, Setup
from benchd.settings.limit_sources import limit_sources

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

_HEARD = ("supply", "sink", "load_drive", "motor_drive", "safety_chain")  # whose silence is a trip without any limit


def channels_read(motor_kind: str, programme: Programme) -> tuple[str, ...]:
    """The channels that evaluating this programme reads, those that a bench need not have among them.

    A kind of test that is not known here counts as one that loads the specimen.
    """
    loaded = _LOADED.get(motor_kind, ())
    names = [
        name for test in programme.tests for name in (_needed(test.kind, motor_kind) if test.kind in _READS else loaded)
    ]
    return tuple(dict.fromkeys((*names, *_READS_IF_THERE)))


def _needed(test_kind: str, motor_kind: str) -> Sequence[str]:
    reads = _READS.get(test_kind, ())
    return reads.get(motor_kind, ()) if isinstance(reads, Mapping) else reads


def fit_warnings(bench: Bench, motor: Motor, setup: Setup, programme: Programme) -> tuple[str, ...]:
    """Sentences for the operator, each naming the line that can be mended, in the order of the tests."""
    found = (
        *_about_channels(bench, motor.settings.kind, programme),
        *_about_silence(bench, motor, setup, programme),
        *_about_zero(bench, setup),
    )
    return tuple(dict.fromkeys(found))


def _about_channels(bench: Bench, kind: str, programme: Programme) -> Iterator[str]:
    told: set[str] = set()
    for test in programme.tests:
        for name in (*_needed(test.kind, kind), *_READS_IF_THERE):
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


def _about_silence(bench: Bench, motor: Motor, setup: Setup, programme: Programme) -> Iterator[str]:
    """Bounds that take energy away, on channels that may end to be read without anybody being told."""
    sources = limit_sources(bench, motor, setup, programme)
    told = {one.channel for one in sources if one.kind == "stale" and not one.warn}
    devices = {address.device for role in _HEARD for address in bench.roles.get(role, ())}
    told |= {channel.name for channel in bench.channels() if channel.device in devices}
    channels = {channel.name: channel for channel in bench.channels()}
    bounds = {one.channel: one.origin for one in sources if one.kind != "stale" and not one.warn}
    for name, origin in bounds.items():
        for untold in _untold(name, channels, told):
            yield (
                f"{origin} bounds {name}, which nothing watches while {untold} gives no good reading: write "
                f"stale = true to a limit on {name}."
            )


def _untold(name: str, channels: Mapping[str, Channel], told: set[str]) -> tuple[str, ...]:
    """What a channel is measured by in the end, of which nothing tells that it is silent."""
    if name in told:
        return ()
    derivation = channels[name].derivation
    if derivation is None:
        return (name,)
    return tuple(dict.fromkeys(one for each in derivation.rule.inputs for one in _untold(each, channels, told)))
