"""What a bench's files state, as the plain values that a simulated bench is made of.

Its one job is to carry values over: it decides nothing and assumes nothing; what is not stated stays None, and the twin
says what it took instead.
"""

import math
from collections.abc import Iterator, Mapping
from typing import Any

from benchd.app.capacities import setting_of
from benchd.contract import BrushedPlate, BrushlessPlate, DrivePlate, Plate, PlatePort, PlateSignal, PortSpec
from benchd.rules.channels import Channel
from benchd.settings.bench import Bench, Motor, PortAddress, Setup
from benchd.settings.specimen_files import BrushlessMotorFile, MotorFile


def plate_of(bench: Bench, motor: Motor, setup: Setup) -> Plate:
    """Everything that the files say of this bench with this specimen on it.

    Raises `ValueError` in one sentence where a number is missing that only the bench file can give.
    """
    supply, sink = (bench.roles[role][0].device for role in ("supply", "sink"))
    coupling, train = setup.settings.coupling, bench.shaft_train
    has_motor_drive = bool(bench.roles["motor_drive"])
    return Plate(
        bench=bench.name,
        specimen=motor.settings.type_designation,
        motor=_motor(motor.settings),
        ports=tuple(_ports(bench)),
        supply_max_v=_stated(bench, supply, "max_voltage_v"),
        supply_max_a=_stated(bench, supply, "max_current_a"),
        sink_max_v=_stated(bench, sink, "max_voltage_v"),
        sink_max_a=_stated(bench, sink, "max_current_a"),
        link_capacitance_f=bench.dc_link.capacitance_f,
        over_voltage_protection_v=bench.dc_link.over_voltage_protection_v,
        cable_ohm=setup.settings.cable.resistance_ohm,
        fuse_current_a=setup.settings.fuse_current_a,
        coupling_stiffness_nm_rad=coupling.stiffness_nm_per_rad,
        coupling_inertia_kgm2=coupling.inertia_kgm2,
        coupling_specimen_side_kgm2=coupling.specimen_side_inertia_kgm2,
        transducer_stiffness_nm_rad=train.transducer_stiffness_nm_per_rad,
        shaft_inertia_kgm2=train.inertia_kgm2,
        shaft_max_speed_rpm=train.max_speed_rpm,
        shaft_dry_friction_nm=train.dry_friction_nm,
        shaft_viscous_friction_nm_s=train.viscous_friction_nm_s,
        load_drive=_drive(bench, "load_drive"),
        motor_drive=_drive(bench, "motor_drive") if has_motor_drive else None,
        analyser_window_s=_of_role(bench, "power_analyser", "window_s"),
        waveform_rate_hz=_waveform_rate_hz(bench),
    )


def _motor(file: MotorFile) -> BrushedPlate | BrushlessPlate:
    sheet, rated = file.data_sheet, file.rated
    if isinstance(file, BrushlessMotorFile):
        return BrushlessPlate(
            voltage_v=rated.voltage_v,
            phase_current_a=file.rated.phase_current_a,
            speed_rpm=rated.speed_rpm,
            torque_nm=rated.torque_nm,
            pole_pairs=file.pole_pairs,
            resistance_ohm=sheet.resistance_ohm,
            voltage_constant_v_per_krpm=file.data_sheet.voltage_constant_v_per_krpm,
            inductance_d_h=file.data_sheet.inductance_d_h,
            inductance_q_h=file.data_sheet.inductance_q_h,
            inertia_kgm2=sheet.inertia_kgm2,
            slots=file.slots,
            max_phase_current_a=file.max_phase_current_a,
            dry_friction_nm=sheet.dry_friction_nm,
            viscous_friction_nm_s=sheet.viscous_friction_nm_s,
            thermal_time_constant_s=file.thermal_time_constant_s,
            max_winding_degc=file.max_winding_degc,
        )
    return BrushedPlate(
        voltage_v=rated.voltage_v,
        current_a=file.rated.current_a,
        speed_rpm=rated.speed_rpm,
        torque_nm=rated.torque_nm,
        resistance_ohm=sheet.resistance_ohm,
        ke_v_s=file.data_sheet.ke_v_s,
        inertia_kgm2=sheet.inertia_kgm2,
        dry_friction_nm=sheet.dry_friction_nm,
        viscous_friction_nm_s=sheet.viscous_friction_nm_s,
        thermal_time_constant_s=file.thermal_time_constant_s,
        max_winding_degc=file.max_winding_degc,
    )


def _drive(bench: Bench, role: str) -> DrivePlate:
    device = bench.roles[role][0].device
    stated: Mapping[str, float] = bench.drive_parameters[role].values if role in bench.drive_parameters else {}
    pole_pairs = stated.get("pole_pairs")
    return DrivePlate(
        max_torque_nm=_stated(bench, device, "max_torque_nm"),
        max_speed_rpm=_stated(bench, device, "max_speed_rpm"),
        rated_torque_nm=stated.get("rated_torque_nm"),
        own_torque_nm=stated.get("torque_limit_nm"),
        overspeed_rpm=stated.get("overspeed_rpm"),
        rated_current_a=stated.get("rated_current_a"),
        peak_current_a=stated.get("peak_current_a"),
        pole_pairs=None if pole_pairs is None else round(pole_pairs),
        pwm_frequency_hz=stated.get("pwm_frequency_hz"),
        parameters=dict(stated),
    )


def _ports(bench: Bench) -> Iterator[PlatePort]:
    """Every port that plays a role, with the signals and parameters that its driver tells."""
    for role, addresses in bench.roles.items():
        for address in addresses:
            spec = _spec(bench, address)
            channels = bench.waveform_channels if role == "waveforms" else bench.channels()
            yield PlatePort(
                device=address.device,
                port=address.port,
                role=role,
                signals=tuple(_signal(name, address, channels) for name in spec.signals),
                parameters=spec.parameters,
            )


def _spec(bench: Bench, address: PortAddress) -> PortSpec:
    return next(spec for spec in bench.devices[address.device].ports if spec.name == address.port)


def _signal(name: str, address: PortAddress, channels: tuple[Channel, ...]) -> PlateSignal:
    for channel in channels:
        if (channel.device, channel.port, channel.signal) == (address.device, address.port, name):
            calibration = channel.calibration
            if calibration is None:
                return PlateSignal(signal=name, channel=channel.name, sign=channel.sign)
            return PlateSignal(
                signal=name,
                channel=channel.name,
                gain=calibration.gain,
                offset=calibration.offset,
                sign=channel.sign,
                full_scale=calibration.full_scale,
            )
    return PlateSignal(signal=name)


def _stated(bench: Bench, device: str, key: str) -> float:
    value = setting_of(bench, device, key)
    if not math.isfinite(value):
        origin = bench.document.origin(("devices", device, "settings"))
        raise ValueError(f"{origin} states no {key}: a rehearsal needs it, add it there.")
    return value


def _of_role(bench: Bench, role: str, key: str) -> float | None:
    if not bench.roles[role]:
        return None
    value = setting_of(bench, bench.roles[role][0].device, key)
    return value if math.isfinite(value) else None


def _waveform_rate_hz(bench: Bench) -> float | None:
    if not bench.roles["waveforms"]:
        return None
    settings: Any = bench.devices[bench.roles["waveforms"][0].device].settings
    rate_hz = getattr(getattr(settings, "waveforms", None), "rate_hz", None)
    return None if rate_hz is None else float(rate_hz)
