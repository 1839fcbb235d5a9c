"""Checks channels, waveforms and torque ranges of one bench file against its devices and sensors.

It finds problems and words them; it must never read a file or change a value.
"""

from collections.abc import Iterator, Mapping, Sequence

from benchd.contract import PortSpec, Waveforms, unit_of_signal
from benchd.rules.channels import Calibration
from benchd.settings.bench import Device
from benchd.settings.bench_checks import port_at, role_addresses
from benchd.settings.bench_file import BenchFile, ChannelTable, LimitTable, TorqueRanges, WaveformTable
from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.explain import nearest
from benchd.settings.toml_lines import KeyPath

TORQUE_UNIT = "N·m"


def channel_problems(
    document: Document, file: BenchFile, devices: Mapping[str, Device], calibrations: Mapping[str, Calibration]
) -> Iterator[Problem]:
    """Channels whose source does not exist, whose units do not meet, or that always would be too old."""
    for name, channel in file.channels.items():
        path: KeyPath = ("channels", name)
        spec = _source(channel.source, devices)
        if isinstance(spec, str):
            yield document.problem((*path, "source"), spec)
            continue
        if spec.capability is Waveforms:
            says = (
                f'is "{channel.source}", a sample stream, which is captured and not polled; write it below '
                f"[waveforms.{name}], or take an averaged input"
            )
            yield document.problem((*path, "source"), says)
            continue
        device, _, signal = channel.source.split(".")
        yield from _unit_problems(document, path, channel, signal, calibrations.get(name))
        if channel.zeroed and channel.unit != TORQUE_UNIT:
            says = "is for a torque in N·m only, whose zero the start bounds; take the offset into the sensor file"
            yield document.problem((*path, "zeroed"), says)
        period_s = 1.0 / devices[device].poll_hz
        if channel.age_limit_s <= period_s:
            says = (
                f"is {channel.age_limit_s:g} s, but {device} is read every {period_s:g} s only; "
                "allow more or raise the device's poll_hz"
            )
            yield document.problem((*path, "age_limit_s"), says)


def waveform_problems(
    document: Document, file: BenchFile, devices: Mapping[str, Device], calibrations: Mapping[str, Calibration]
) -> Iterator[Problem]:
    """Waveforms that no stream in the role waveforms gives, or whose units do not meet."""
    streams = role_addresses(file)["waveforms"]
    for name, waveform in file.waveforms.items():
        path: KeyPath = ("waveforms", name)
        spec = _source(waveform.source, devices)
        port = waveform.source.rpartition(".")[0]
        if isinstance(spec, str):
            yield document.problem((*path, "source"), spec)
        elif spec.capability is not Waveforms:
            says = f'is "{waveform.source}", which is polled and not sampled; take a signal of a sample stream'
            yield document.problem((*path, "source"), says)
        elif port not in streams:
            says = (
                f'is "{waveform.source}", but nothing starts the stream {port}; give it the role in [roles], '
                f'waveforms = "{port}"'
            )
            yield document.problem((*path, "source"), says)
        else:
            signal = waveform.source.rpartition(".")[2]
            yield from _unit_problems(document, path, waveform, signal, calibrations.get(name))


def hysteresis_problems(document: Document, limits: Sequence[LimitTable]) -> Iterator[Problem]:
    """A hysteresis without a bound, or one that no value between the bounds could ever satisfy."""
    for place, limit in enumerate(limits):
        if limit.hysteresis == 0.0:
            continue
        path: KeyPath = ("limits", place, "hysteresis")
        for low, high in ((limit.low, limit.high), (limit.warn_low, limit.warn_high)):
            if low is not None and high is not None and limit.hysteresis >= high - low:
                says = (
                    f"is {limit.hysteresis:g}, as much as lies between {low:g} and {high:g} or more, so that no "
                    "crossing would ever end; write less"
                )
                yield document.problem(path, says)
                break
        if limit.low is limit.high is limit.warn_low is limit.warn_high is None:
            yield document.problem(path, "has no bound to count from; add low or high, or leave it out")


def torque_range_problems(
    document: Document, file: BenchFile, calibrations: Mapping[str, Calibration]
) -> Iterator[Problem]:
    """Ranges that are no torque channels or stand in the wrong order, and zeros that have nowhere to go."""
    ranges = file.torque_ranges
    if ranges is not None:
        yield from _range_problems(document, file, ranges, calibrations)
    if file.start.transducer_zero == "set_up" and not any(one.zeroed for one in file.channels.values()):
        says = 'is "set_up", but no channel takes a zero; write zeroed = true to the torque channels it is for'
        yield document.problem(("start", "transducer_zero"), says)


def _range_problems(
    document: Document, file: BenchFile, ranges: TorqueRanges, calibrations: Mapping[str, Calibration]
) -> Iterator[Problem]:
    path: KeyPath = ("torque_ranges",)
    for key, name in (("wide", ranges.wide), ("narrow", ranges.narrow)):
        if name is None:
            continue
        channel = file.channels.get(name)
        if channel is None:
            says = f'names the channel "{name}", which the bench does not have; {nearest(name, file.channels)}'
            yield document.problem((*path, key), says)
        elif channel.unit != TORQUE_UNIT:
            says = f'names the channel {name}, which is in "{channel.unit}" and not in "{TORQUE_UNIT}"; correct one'
            yield document.problem((*path, key), says)
        elif channel.sensor is None:
            says = (
                f"names the channel {name}, which has no sensor file; without one nothing says how far the range goes"
            )
            yield document.problem((*path, key), says)
    wide = calibrations.get(ranges.wide)
    narrow = calibrations.get(ranges.narrow) if ranges.narrow is not None else None
    if wide is not None and narrow is not None and narrow.full_scale >= wide.full_scale:
        says = (
            f"names a range of {narrow.full_scale:g} N·m, not narrower than the wide one ({wide.full_scale:g} N·m); "
            "exchange their sensor files"
        )
        yield document.problem((*path, "narrow"), says)
    if wide is not None and ranges.overload_nm < wide.full_scale:
        says = (
            f"is {ranges.overload_nm:g} N·m, less than the wide range measures ({wide.full_scale:g} N·m); write the "
            "torque that the transducer bears by its data sheet"
        )
        yield document.problem((*path, "overload_nm"), says)


def _unit_problems(
    document: Document,
    path: KeyPath,
    channel: ChannelTable | WaveformTable,
    signal: str,
    calibration: Calibration | None,
) -> Iterator[Problem]:
    signal_unit = unit_of_signal(signal)
    if calibration is None:
        if channel.sensor is None and channel.unit != signal_unit:  # a sensor that is named but missing is told already
            says = (
                f'is "{channel.unit}", but the signal {signal} is in "{signal_unit}"; write that unit, '
                "or name the sensor that converts it"
            )
            yield document.problem((*path, "unit"), says)
        return
    if calibration.input_unit != signal_unit:
        says = (
            f'names a sensor whose input_unit is "{calibration.input_unit}", but the signal {signal} is in '
            f'"{signal_unit}"; take the sensor that is wired to this input'
        )
        yield document.problem((*path, "sensor"), says)
    if calibration.output_unit != channel.unit:
        says = (
            f'is "{channel.unit}", but its sensor gives "{calibration.output_unit}"; '
            "write that unit or take another sensor"
        )
        yield document.problem((*path, "unit"), says)


def _source(text: str, devices: Mapping[str, Device]) -> PortSpec | str:
    """The port that gives the source "device.port.signal", or what is wrong with it."""
    parts = text.split(".")
    if len(parts) != 3:
        return f'is "{text}" and must name device, port and signal; write it as "device.port.signal"'
    device, port, signal = parts
    spec = port_at(f"{device}.{port}", devices)
    if isinstance(spec, str):
        return f'is "{text}", but {spec}'
    if signal not in spec.signals:
        return f'is "{text}", but the port has no signal {signal}; {nearest(signal, spec.signals)}'
    return spec
