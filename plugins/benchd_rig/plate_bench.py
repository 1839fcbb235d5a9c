"""The bench around a specimen from what bench file and set-up state: link, coupling, load machine, converter, sensors.

Its one job is constants of the bench; those of the motor are in `from_plate`. Sensors are without error, because no
file states one that a rehearsal should find.
"""

import math
from typing import Protocol

from benchd.contract import BrushlessPlate, DrivePlate, Plate
from benchd_rig.specimen import (
    AnalyserModel,
    BenchModel,
    BrushlessMotor,
    ConverterModel,
    CouplingModel,
    DcMotor,
    InputModel,
    LinkModel,
    LoadMachineModel,
    ResistanceMeterModel,
    SensorsModel,
    SinkModel,
    SupplyModel,
    TransducerModel,
)

VOLT_FULL_SCALE = 10.0  # of an analog input
OWN_TORQUE_RATIO = (
    0.9  # a drive's own limit beside its rated torque, where only one of them is stated (common practice)
)
_RAD_S_PER_RPM = math.pi / 30.0
_DISCHARGE_S = 5.0  # time constant of the link's bleeder: IEC 60204-1 6.2.4 wants 60 V within 5 s (value from memory)
_DAMPING_RATIO = 0.02  # of the coupling's resonance (metal couplings, common practice)
_DRIVE_BAND_RAD_S = 80.0  # of a drive's speed loop on this shaft (common practice)
_DRIVE_RESET_S = 0.05
_TORQUE_LAG_S = 0.005  # of the load drive's torque loop (common practice)
_PEAK_RATIO = 1.25  # peak beside rated torque of the load machine (common practice)
_SUPPLY_DROP_V = 0.25  # of the supply's output at its greatest current (common practice)
_SINK_DROP_V = 1.2  # of the sink at its greatest current (common practice)
_NOISE_RATIO = 2e-5  # of full scale, of a value averaged over 10 ms (common practice)
_CARRIER_HZ = 16_000.0
_CURRENT_LAG_S = 4e-4
_LEAST_LINK_RATIO = 0.35  # of the rated link voltage, below it a converter locks out (common practice)
_LOW_VOLTAGE_V = 100.0  # up to it power stages have switches that act as resistors (common practice)
_MOST_OF_A_PHASE = 2.0  # peak beside rated current of a phase, where nothing is stated (common practice)


class Taken(Protocol):
    """Where it is told what was taken for granted."""

    def take(self, what: str, value: float, unit: str, why: str = "common practice") -> float:
        """The value, told."""

    def tell(self, sentence: str) -> None:
        """A sentence."""


def own_torque_nm(drive: DrivePlate) -> float:
    """The drive's own torque limit."""
    return drive.max_torque_nm if drive.own_torque_nm is None else drive.own_torque_nm


def rated_torque_nm(drive: DrivePlate, *, otherwise_nm: float | None = None) -> float:
    """What the drive counts its torques in."""
    if drive.rated_torque_nm is not None:
        return drive.rated_torque_nm
    return own_torque_nm(drive) / OWN_TORQUE_RATIO if otherwise_nm is None else otherwise_nm


def full_scale_of(plate: Plate, *channels: str, otherwise: float) -> float:
    """The greatest full scale of these channels' sensors."""
    stated = [
        signal.full_scale
        for port in plate.ports
        for signal in port.signals
        if signal.channel in channels and signal.full_scale is not None
    ]
    return max(stated, default=otherwise)


def bench_model(plate: Plate, motor: DcMotor | BrushlessMotor, assumed: Taken, *, ambient_degc: float) -> BenchModel:
    """The bench, what is not stated told in `assumed`. Raises `ValueError` in one sentence for what does not fit."""
    overspeed_rpm = plate.load_drive.overspeed_rpm
    if overspeed_rpm is None:
        overspeed_rpm = assumed.take("The load drive's own overspeed trip", plate.load_drive.max_speed_rpm, "r/min")
    assumed.tell(f"The fuse of {plate.fuse_current_a:g} A does not blow here, and nothing wears, slips or ages.")
    assumed.tell("Sensors: without error beyond their noise; zeros are 0.")
    load_kgm2 = plate.shaft_inertia_kgm2 + _far_side_kgm2(plate)
    reduced_kgm2 = motor.inertia_kgm2 * load_kgm2 / (motor.inertia_kgm2 + load_kgm2)
    stiffness = _stiffness_nm_rad(plate, assumed)
    damping = 2.0 * _DAMPING_RATIO * math.sqrt(stiffness * reduced_kgm2)
    converter = analyser = None
    if isinstance(plate.motor, BrushlessPlate) and isinstance(motor, BrushlessMotor):
        converter = _converter(plate, plate.motor, motor, assumed, whole_kgm2=motor.inertia_kgm2 + load_kgm2)
        analyser = _analyser(plate, plate.motor, converter)
    return BenchModel(
        ambient_degc=ambient_degc,
        overspeed_rpm=overspeed_rpm,
        supply=SupplyModel(output_resistance_ohm=_SUPPLY_DROP_V / plate.supply_max_a, rise_s=0.003),
        sink=SinkModel(on_resistance_ohm=_SINK_DROP_V / plate.sink_max_a),
        link=LinkModel(
            capacitance_f=plate.link_capacitance_f,
            bleed_ohm=assumed.take("Bleeder of the DC link", _DISCHARGE_S / plate.link_capacitance_f, "Ω"),
            cable_ohm=plate.cable_ohm,
        ),
        coupling=CouplingModel(
            stiffness_nm_rad=stiffness,
            damping_nm_s_rad=assumed.take("Damping of the coupling", damping, "N·m per rad/s"),
        ),
        load_machine=_load_machine(plate, assumed, load_kgm2=load_kgm2, whole_kgm2=motor.inertia_kgm2 + load_kgm2),
        sensors=_sensors(plate),
        resistance_meter=ResistanceMeterModel(
            voltage_gain_error=0.0, current_gain_error=0.0, thermal_emf_v=0.0, noise_v=1e-6, rise_s=0.02
        ),
        converter=converter,
        analyser=analyser,
    )


def _stiffness_nm_rad(plate: Plate, assumed: Taken) -> float:
    """Coupling and transducer in series; the simulated shaft has two rotors, so both are one spring."""
    transducer = plate.transducer_stiffness_nm_rad
    if transducer is None:
        assumed.tell("Transducer: its stiffness is not stated, it is taken as rigid beside the coupling.")
        return plate.coupling_stiffness_nm_rad
    return 1.0 / (1.0 / plate.coupling_stiffness_nm_rad + 1.0 / transducer)


def _far_side_kgm2(plate: Plate) -> float:
    """The coupling's inertia on the load machine's side."""
    near_kgm2 = plate.coupling_specimen_side_kgm2
    return plate.coupling_inertia_kgm2 - (0.5 * plate.coupling_inertia_kgm2 if near_kgm2 is None else near_kgm2)


def _load_machine(plate: Plate, assumed: Taken, *, load_kgm2: float, whole_kgm2: float) -> LoadMachineModel:
    drive = plate.load_drive
    rated_nm = rated_torque_nm(drive)
    if drive.rated_torque_nm is None:
        assumed.take("The load drive's rated torque", rated_nm, "N·m")
    dry_nm, viscous_nm_s = plate.shaft_dry_friction_nm, plate.shaft_viscous_friction_nm_s
    if dry_nm is None:
        dry_nm = assumed.take("Dry friction of the bench's shaft", 0.0, "N·m", why="less than a zero would show")
    if viscous_nm_s is None:
        usual_nm_s = 0.005 * rated_nm / (plate.shaft_max_speed_rpm * _RAD_S_PER_RPM)
        viscous_nm_s = assumed.take("Viscous friction of the bench's shaft", usual_nm_s, "N·m per rad/s")
    assumed.tell(f"Load drive: torque follows within {1e3 * _TORQUE_LAG_S:g} ms, speed loop tuned for this shaft.")
    return LoadMachineModel(
        rated_torque_nm=rated_nm,
        peak_torque_nm=max(_PEAK_RATIO * rated_nm, own_torque_nm(drive)),
        torque_lag_s=_TORQUE_LAG_S,
        inertia_kgm2=load_kgm2,
        coulomb_nm=dry_nm,
        viscous_nm_s=viscous_nm_s,
        speed_gain_nm_s=_DRIVE_BAND_RAD_S * whole_kgm2,
        speed_reset_s=_DRIVE_RESET_S,
    )


def _converter(
    plate: Plate, motor: BrushlessPlate, model: BrushlessMotor, assumed: Taken, *, whole_kgm2: float
) -> ConverterModel:
    drive = plate.motor_drive
    if drive is None:
        raise ValueError(
            f"No simulated bench can be made of {plate.bench!r}: a brushless motor needs a drive in the role "
            "motor_drive; name it in [roles]."
        )
    limit_a = drive.peak_current_a
    if limit_a is None:
        most_a = motor.max_phase_current_a or _MOST_OF_A_PHASE * motor.phase_current_a
        limit_a = assumed.take("Peak current of the converter", math.sqrt(2.0) * most_a, "A")
    carrier_hz = drive.pwm_frequency_hz
    if carrier_hz is None:
        carrier_hz = assumed.take("Switching frequency of the converter", _CARRIER_HZ, "Hz")
    low = motor.voltage_v <= _LOW_VOLTAGE_V
    rated_a = math.sqrt(2.0) * motor.phase_current_a
    power_w = motor.torque_nm * motor.speed_rpm * _RAD_S_PER_RPM
    assumed.tell(
        "Converter: losses of a usual power stage (about 2 % at rated load), exact motor data, least link "
        f"{_LEAST_LINK_RATIO * motor.voltage_v:.3g} V, current within {1e3 * _CURRENT_LAG_S:g} ms (common practice)."
    )
    return ConverterModel(
        current_limit_a=limit_a,
        current_lag_s=_CURRENT_LAG_S,
        least_link_v=_LEAST_LINK_RATIO * motor.voltage_v,
        carrier_hz=carrier_hz,
        ripple_share=0.03,
        threshold_v=0.02 if low else 0.8,
        on_ohm=0.006 * power_w / rated_a**2,
        diode_v=0.8 if low else 1.2,
        switching_s=0.005 * power_w / (motor.voltage_v * rated_a * carrier_hz),
        idle_w=0.004 * power_w,
        believed_flux_v_s=model.flux_v_s,
        believed_d_inductance_h=model.d_inductance_h,
        believed_q_inductance_h=model.q_inductance_h,
        speed_gain_nm_s=_DRIVE_BAND_RAD_S * whole_kgm2,
        speed_reset_s=0.06,
    )


def _analyser(plate: Plate, motor: BrushlessPlate, converter: ConverterModel) -> AnalyserModel:
    return AnalyserModel(
        voltage_range_v=full_scale_of(
            plate, "motor_voltage", "motor_voltage_fundamental", otherwise=2.0 * motor.voltage_v
        ),
        current_range_a=full_scale_of(plate, "motor_current", otherwise=converter.current_limit_a),
        voltage_gain_error=0.0,
        current_gain_error=0.0,
        power_gain_error=0.0,
        power_offset_w=0.0,
        noise=_NOISE_RATIO,
    )


def _sensors(plate: Plate) -> SensorsModel:
    volt_range = full_scale_of(
        plate,
        *("dc_voltage", "link_voltage", "phase_voltage_1", "phase_voltage_2", "phase_voltage_3"),
        otherwise=2.0 * plate.motor.voltage_v,
    )
    amperes = ("dc_current", "phase_current_1", "phase_current_2", "phase_current_3")
    ampere_range = full_scale_of(plate, *amperes, otherwise=plate.supply_max_a)
    wide_nm = full_scale_of(plate, "shaft_torque", otherwise=rated_torque_nm(plate.load_drive))
    narrow_nm = full_scale_of(plate, "shaft_torque_narrow", otherwise=0.2 * wide_nm)

    def clean(full_scale: float) -> InputModel:
        return InputModel(gain_error=0.0, offset=0.0, noise=_NOISE_RATIO * full_scale)

    return SensorsModel(
        volt_per_volt=VOLT_FULL_SCALE / volt_range,
        volt_per_ampere=VOLT_FULL_SCALE / ampere_range,
        terminal_voltage=clean(volt_range),
        link_voltage=clean(volt_range),
        current=clean(ampere_range),
        transducer=TransducerModel(
            nominal_nm=wide_nm, narrow_nm=narrow_nm, wide=clean(wide_nm), narrow=clean(narrow_nm)
        ),
        encoder_noise_rpm=0.05,
        encoder_resolution_rpm=0.02,
    )
