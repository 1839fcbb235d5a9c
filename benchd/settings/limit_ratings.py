"""The bounds that follow from what a part bears: transducer, shaft train, link, devices, motor, coupling, fuse.

It must never compare one with another; who is stricter is seen where they meet.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from benchd.rules.derivations import I2t
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.derived_channels import rated_current
from benchd.settings.document import Document
from benchd.settings.pieces import Reaction
from benchd.settings.specimen_files import BrushlessMotorFile, ThermalClass
from benchd.settings.toml_lines import KeyPath

# How the bounds that follow from a part's rating act. Current may exceed a fuse's rating for a while before the fuse
# melts (that is how fuses work), windings and magnets warm in seconds; all else breaks at once, and two readings rule
# out a spike. A drive's torque may overshoot what is asked of it while it is set up.
AT_ONCE_S = 0.02
FUSE_DELAY_S = 0.5
WARMING_DELAY_S = 1.0
ALLOWED_HEAT = 1.1  # of the rated current's: 5 % more current for ever, and no trip at the rated one (common practice)
COOLANT_DEGC = 40.0  # what limits of rise count from, IEC 60034-1
SMALL_MACHINE_W = 600.0
# Limits of the winding's rise by resistance, K, IEC 60034-1, for machines from 600 W on and below; values from memory.
RISE_K: Mapping[ThermalClass, float] = {"A": 60.0, "E": 75.0, "B": 80.0, "F": 105.0, "H": 125.0}
SMALL_RISE_K: Mapping[ThermalClass, float] = {"A": 65.0, "E": 75.0, "B": 85.0, "F": 110.0, "H": 130.0}
# By role: the signal of a device's port, the setting that bounds it, whether both signs are meant, and how it acts.
_DEVICES: Mapping[str, tuple[tuple[str, str, bool, float], ...]] = {
    "supply": (("voltage_v", "max_voltage_v", False, AT_ONCE_S), ("current_a", "max_current_a", False, AT_ONCE_S)),
    "sink": (("voltage_v", "max_voltage_v", False, AT_ONCE_S), ("current_a", "max_current_a", False, AT_ONCE_S)),
    "load_drive": (("speed_rpm", "max_speed_rpm", True, AT_ONCE_S), ("torque_nm", "max_torque_nm", True, FUSE_DELAY_S)),
    "motor_drive": (
        ("speed_rpm", "max_speed_rpm", True, AT_ONCE_S),
        ("torque_nm", "max_torque_nm", True, FUSE_DELAY_S),
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rating:
    """A part's rating that bounds a channel."""

    channel: str
    value: float
    document: Document
    path: KeyPath
    both_signs: bool = True
    delay_s: float = AT_ONCE_S
    reaction: Reaction = "cut"


def ratings_of(bench: Bench, motor: Motor, setup: Setup) -> Iterator[Rating]:
    """Every rating that bounds a channel; the motor's and set-up's also where the bench lacks the channel."""
    yield from _of_bench(bench)
    yield from _of_devices(bench)
    yield from _of_motor(bench, motor)
    coupling = setup.settings.coupling
    document = setup.document
    for channel, value, path in (
        ("shaft_torque", coupling.max_torque_nm, ("coupling", "max_torque_nm")),
        ("shaft_speed", coupling.max_speed_rpm, ("coupling", "max_speed_rpm")),
    ):
        yield Rating(channel=channel, value=value, document=document, path=path)
    fuse_a = setup.settings.fuse_current_a
    yield Rating(channel="dc_current", value=fuse_a, document=document, path=("fuse_current_a",), delay_s=FUSE_DELAY_S)


def _of_bench(bench: Bench) -> Iterator[Rating]:
    torque = bench.channel_by_name.get("shaft_torque")
    document = bench.document
    if torque is not None and torque.calibration is not None:
        sensor = bench.sensor_documents["shaft_torque"]
        full_scale = torque.calibration.full_scale
        yield Rating(channel="shaft_torque", value=full_scale, document=sensor, path=("full_scale",))
    if bench.torque_ranges is not None:  # the narrow range's saturation bounds nothing: the wide one still measures
        overload_nm = bench.torque_ranges.overload_nm
        path = ("torque_ranges", "overload_nm")
        yield Rating(channel="shaft_torque", value=overload_nm, document=document, path=path)
    train = bench.shaft_train
    for channel, value, key in (
        ("shaft_speed", train.max_speed_rpm, "max_speed_rpm"),
        ("shaft_torque", train.max_torque_nm, "max_torque_nm"),
    ):
        yield Rating(channel=channel, value=value, document=document, path=("shaft_train", key))
    if "link_voltage" in bench.channel_by_name:
        yield Rating(
            channel="link_voltage",
            value=bench.dc_link.component_rating_v,
            document=document,
            path=("dc_link", "component_rating_v"),
            both_signs=False,
            delay_s=0.0,
        )


def _of_devices(bench: Bench) -> Iterator[Rating]:
    """What a device may be asked for bounds what it shows of itself, where a channel shows it."""
    for role, bounds in _DEVICES.items():
        for address in bench.roles.get(role, ()):
            for signal, key, both_signs, delay_s in bounds:
                most = getattr(bench.devices[address.device].settings, key, None)
                if most is None:
                    continue
                for channel in bench.channels():
                    if (channel.device, channel.port, channel.signal) == (address.device, address.port, signal):
                        yield Rating(
                            channel=channel.name,
                            value=float(most),
                            document=bench.document,
                            path=("devices", address.device, "settings", key),
                            both_signs=both_signs,
                            delay_s=delay_s,
                        )


def _of_motor(bench: Bench, motor: Motor) -> Iterator[Rating]:
    most, document = motor.settings, motor.document
    yield Rating(channel="shaft_speed", value=most.max_speed_rpm, document=document, path=("max_speed_rpm",))
    yield Rating(channel="dc_current", value=most.max_current_a, document=document, path=("max_current_a",))
    temperatures: list[tuple[str, float | None, str]] = [
        ("winding_temperature", most.max_winding_degc, "max_winding_degc")
    ]
    if most.max_winding_degc is None and "winding_temperature" in bench.channel_by_name:
        temperatures = [("winding_temperature", class_degc(motor), "thermal_class")]
    if isinstance(most, BrushlessMotorFile):
        temperatures.append(("magnet_temperature", most.max_magnet_degc, "max_magnet_degc"))
        if most.max_phase_current_a is not None:
            yield Rating(
                channel="motor_current",
                value=most.max_phase_current_a,
                document=document,
                path=("max_phase_current_a",),
                both_signs=False,  # rms has no sign
            )
    for channel, most_degc, key in temperatures:
        if most_degc is not None:
            yield Rating(
                channel=channel,
                value=most_degc,
                document=document,
                path=(key,),
                both_signs=False,
                delay_s=WARMING_DELAY_S,
                reaction="ramp_down",
            )
    yield from _images(bench, motor)


def class_degc(motor: Motor) -> float:
    """The hottest that the winding's insulation bears by its thermal class at the coolant's 40 °C (IEC 60034-1)."""
    small = motor.settings.rated.power_w < SMALL_MACHINE_W
    return COOLANT_DEGC + (SMALL_RISE_K if small else RISE_K)[motor.settings.thermal_class]


def _images(bench: Bench, motor: Motor) -> Iterator[Rating]:
    """The thermal images that take their rated current from the motor file are bounded by it."""
    for channel in bench.channels():
        rule = None if channel.derivation is None else channel.derivation.rule
        if isinstance(rule, I2t) and rule.rated is None and (known := rated_current(motor, rule.of)) is not None:
            yield Rating(
                channel=channel.name,
                value=ALLOWED_HEAT,
                document=motor.document,
                path=known[1],
                both_signs=False,
                reaction="ramp_down",
            )
