"""Checks the tables of one bench file against each other and against the drivers' promises.

It finds problems and words them; it must never read a file or change a value.
"""

import itertools
import math
import re
from collections.abc import Iterator, Mapping, Sequence

from benchd.contract import (
    Capability,
    Drive,
    MeasuringUnit,
    PortSpec,
    PowerAnalyser,
    ResistanceMeter,
    SafetyChain,
    Sink,
    Supply,
    Thermometers,
    Waveforms,
)
from benchd.settings.bench import Device, PortAddress
from benchd.settings.bench_file import BenchFile, LimitTable
from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.explain import nearest
from benchd.settings.toml_lines import KeyPath

ROLES: Mapping[str, Capability] = {
    "supply": Supply,
    "sink": Sink,
    "load_drive": Drive,
    "motor_drive": Drive,
    "measuring_unit": MeasuringUnit,
    "thermometers": Thermometers,
    "safety_chain": SafetyChain,
    "power_analyser": PowerAnalyser,
    "resistance_meter": ResistanceMeter,
    "waveforms": Waveforms,
}
RELEASE = "release_pressed_on"  # the signal of the key or button that releases a start
_BENCH_NAME = re.compile(r"[a-z][a-z0-9_-]*")
_NAME = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*")


def role_addresses(file: BenchFile) -> dict[str, tuple[str, ...]]:
    """The ports that the file gives to each role, as written."""
    return {role: getattr(file.roles, role) or () for role in ROLES}


def address(text: str) -> PortAddress:
    """The parts of "device.port"; an absent part is empty."""
    device, _, port = text.partition(".")
    return PortAddress(device=device, port=port)


def name_problems(document: Document, file: BenchFile) -> Iterator[Problem]:
    """A bench whose name would not do in a topic or a path, devices and channels not named in lower_snake_case."""
    if not _BENCH_NAME.fullmatch(file.name):
        says = (
            f'is "{file.name}" and must be made of lower-case letters, digits, - and _, beginning with a letter; '
            f"write {_as_name(file.name)}"
        )
        yield document.problem(("name",), says)
    for table, names in (("devices", file.devices), ("channels", file.channels), ("waveforms", file.waveforms)):
        for name in names:
            if not _NAME.fullmatch(name):
                says = (
                    "must have a name of lower-case letters, digits and single underscores that begins with a letter; "
                    f"write {_as_name(name)}"
                )
                yield document.problem((table, name), says)


def role_problems(document: Document, file: BenchFile, devices: Mapping[str, Device]) -> Iterator[Problem]:
    """Roles that name an absent device or port, a port that cannot play them, or a port that plays another."""
    taken: dict[str, str] = {}
    for role, addresses in role_addresses(file).items():
        path: KeyPath = ("roles", role)
        for text in addresses:
            spec = port_at(text, devices)
            if isinstance(spec, str):
                yield document.problem(path, f'names "{text}", but {spec}')
            elif spec.capability is not ROLES[role]:
                says = (
                    f'names "{text}", whose kind is {_word(spec.capability)} and not {_word(ROLES[role])}; '
                    f"{_ports_that_can(ROLES[role], devices)}"
                )
                yield document.problem(path, says)
            elif text in taken:
                says = f'names "{text}", which already plays the role {taken[text]}; give each port one role'
                yield document.problem(path, says)
            else:
                taken[text] = role


def start_problems(document: Document, file: BenchFile, devices: Mapping[str, Device]) -> Iterator[Problem]:
    """A release at the bench that the safety chain does not show."""
    spec = port_at(file.roles.safety_chain[0], devices)
    if file.start.release_at_bench and not isinstance(spec, str) and RELEASE not in spec.signals:
        says = (
            f"is true, but {file.roles.safety_chain[0]} has no input release_pressed; name the key or button among the "
            "inputs of that device, or write false"
        )
        yield document.problem(("start", "release_at_bench"), says)


def limit_problems(
    document: Document, limits: Sequence[LimitTable], channels: Mapping[str, object]
) -> Iterator[Problem]:
    """Limits on unknown channels, without a bound, or that contradict themselves."""
    for place, limit in enumerate(limits):
        path: KeyPath = ("limits", place)
        if limit.channel not in channels:
            advice = nearest(limit.channel, channels)
            says = f'names the channel "{limit.channel}", which the bench does not have; {advice}'
            yield document.problem((*path, "channel"), says)
        bounds = {key: getattr(limit, key) for key in ("low", "warn_low", "warn_high", "high")}
        given = [(key, value) for key, value in bounds.items() if value is not None]
        if not given and not limit.stale:
            says = "bounds nothing; add low, high, warn_low, warn_high or stale = true"
            yield document.problem(path, says)
        room = _room(limit)
        if 0.0 < limit.hysteresis >= room:
            says = f"is {limit.hysteresis:g} and must be less than {room:g}, or nothing in between would end a crossing"
            yield document.problem((*path, "hysteresis"), says)
        for (lower, low), (upper, high) in itertools.pairwise(given):
            # a warning may stand at its limit, a low bound may never meet a high one
            same_side = ("low" in lower) == ("low" in upper)
            if low > high or (low == high and not same_side):
                says = (
                    f"is {low:g} and must {'not be above' if same_side else 'stay below'} {upper}, which is {high:g}; "
                    "correct one of them"
                )
                yield document.problem((*path, lower), says)


def _room(limit: LimitTable) -> float:
    """How far a value can come back from a bound that is alone on its channel: to zero, where that is allowed."""
    if limit.low is not None and limit.high is not None:
        return math.inf  # what lies between two is looked at where both are known
    beyond_zero = [bound for bound in (limit.high, None if limit.low is None else -limit.low) if bound is not None]
    return beyond_zero[0] if beyond_zero and beyond_zero[0] > 0.0 else math.inf


def ladder_problems(document: Document, file: BenchFile) -> Iterator[Problem]:
    """A voltage ladder out of order, or a supply that may be driven backwards."""
    link = file.dc_link
    if link.sink_threshold_v >= link.over_voltage_protection_v:
        says = (
            f"is {link.sink_threshold_v:g} V and must stay below over_voltage_protection_v, which is "
            f"{link.over_voltage_protection_v:g} V; lower the threshold or raise the protection"
        )
        yield document.problem(("dc_link", "sink_threshold_v"), says)
    if link.over_voltage_protection_v >= link.component_rating_v:
        says = (
            f"is {link.over_voltage_protection_v:g} V and must stay below component_rating_v, which is "
            f"{link.component_rating_v:g} V; lower the protection"
        )
        yield document.problem(("dc_link", "over_voltage_protection_v"), says)
    if not link.supply_takes_current_back and not link.blocking_diode:
        says = (
            "is false although the supply cannot take current back; fit a blocking diode between supply and link "
            "and write true"
        )
        yield document.problem(("dc_link", "blocking_diode"), says)
    if file.stopping.braking_torque_nm > file.shaft_train.max_torque_nm:
        says = (
            f"is {file.stopping.braking_torque_nm:g} N·m, more than the shaft train bears "
            f"({file.shaft_train.max_torque_nm:g} N·m); lower it"
        )
        yield document.problem(("stopping", "braking_torque_nm"), says)


def told_by_drives(file: BenchFile, devices: Mapping[str, Device]) -> dict[str, tuple[str, tuple[str, ...]]]:
    """For each role that a drive plays its port and the parameters that its driver tells; unknown ports left out."""
    found: dict[str, tuple[str, tuple[str, ...]]] = {}
    for role, addresses in role_addresses(file).items():
        if ROLES[role] is Drive and addresses and not isinstance(spec := port_at(addresses[0], devices), str):
            found[role] = (addresses[0], spec.parameters)
    return found


def port_at(text: str, devices: Mapping[str, Device]) -> PortSpec | str:
    """The port "device.port", or why there is none and what to write instead."""
    where = address(text)
    if not where.port:
        return 'it must name device and port; write it as "device.port"'
    device = devices.get(where.device)
    if device is None:
        return f"the bench has no device {where.device}; {nearest(where.device, devices)}"
    by_name = {spec.name: spec for spec in device.ports}
    if where.port not in by_name:
        return f"the device {where.device} has no port {where.port}; {nearest(where.port, by_name)}"
    return by_name[where.port]


def _ports_that_can(capability: Capability, devices: Mapping[str, Device]) -> str:
    able = [
        f"{device.name}.{spec.name}"
        for device in devices.values()
        for spec in device.ports
        if spec.capability is capability
    ]
    return f"take {' or '.join(able)}" if able else "add such a device"


def _word(capability: Capability) -> str:
    """The capability as people say it: MeasuringUnit is "measuring unit"."""
    return re.sub(r"(?<!^)(?=[A-Z])", " ", capability.__name__).lower()


def _as_name(text: str) -> str:
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", text)
    proposal = re.sub(r"[^a-z0-9]+", "_", spaced.lower()).strip("_").lstrip("0123456789_")
    return proposal if _NAME.fullmatch(proposal) else "such a name"
