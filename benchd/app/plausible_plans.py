"""What a job's jog and power balance are on this bench, from bench file, data sheet and sensors. It turns nothing."""

import math

from benchd.procedures import Surroundings
from benchd.rules.balance import BalancePlan
from benchd.rules.balance_checks import Doubt, Facts
from benchd.rules.channels import Channel
from benchd.rules.jog import Jog
from benchd.rules.limits import Reaction
from benchd.settings.bench import Bench, Motor, Setup
from benchd.settings.plausible_file import PowerBalanceTable
from benchd.settings.specimen_files import BrushlessMotorFile

SPEED_RATIO = 0.04  # of rated speed
TORQUE_RATIO = 0.08  # of rated torque: above a light motor's friction, below what hurts anybody's coupling
HOLDING = 3.0  # times the push, for the drive that holds the speed
LINK_RATIO = 0.5  # of the programme's highest voltage: most converters work there
FEED_RATIO = 0.1  # of rated voltage, beyond the generated one: brushes want some of it before a current flows
CURRENT_RATIO = 0.15  # of the run's current limit, into a converter
LEAST_CURRENT_RATIO = 0.0025
STANDSTILLS = 5.0
SPEED_SHARE = 0.4  # of what a run lets the load drive turn
TORQUE_SHARE = 0.3  # of what a run lets its drives make
RAD_S_PER_RPM = math.pi / 30.0
COVERAGE = 6.0  # standard uncertainties: a false warning is a defect too
SKEW_RATIO = 0.003  # channels of one mean are not taken at one instant
DIODE_V = 1.5  # at most across the one between supply and link
DRIVE_SPEED_RATIO, DRIVE_SPEED_RPM = 0.003, 5.0
SUPPLY_RATIO = 0.01  # of the link's ratings, whatever the supply reads


def jog_of(bench: Bench, around: Surroundings, *, voltage_limit_v: float) -> Jog | None:
    """How the shaft is tried before the first test that turns it; None where the bench file leaves it out."""
    table = bench.jog
    if not table.enabled:
        return None
    plate, current_limit_a = around.plate, around.current_limit_a
    brushed = not bench.roles["motor_drive"]
    speed_rpm = table.speed_rpm or max(SPEED_RATIO * plate.speed_rpm, STANDSTILLS * bench.stopping.standstill_rpm)
    speed_rpm = min(speed_rpm, SPEED_SHARE * around.speed_limit_rpm)
    torque_nm = min(table.torque_nm or TORQUE_RATIO * plate.torque_nm, TORQUE_SHARE * around.torque_limit_nm)
    if brushed:
        current_a = min(torque_nm / plate.ke_v_s, current_limit_a)
        voltage_v = plate.ke_v_s * speed_rpm * RAD_S_PER_RPM + plate.resistance_ohm * current_a
        voltage_v += FEED_RATIO * plate.voltage_v
    else:
        current_a = CURRENT_RATIO * current_limit_a
        voltage_v = table.link_voltage_v or LINK_RATIO * voltage_limit_v
    return Jog(
        speed_rpm=speed_rpm,
        torque_nm=torque_nm,
        holding_torque_nm=table.holding_torque_nm or HOLDING * torque_nm,
        voltage_v=min(voltage_v, voltage_limit_v),
        current_a=current_a,
        least_current_a=LEAST_CURRENT_RATIO * current_limit_a,
        time_limit_s=table.time_limit_s,
        brushed=brushed,
    )


def no_jog(bench: Bench) -> str:
    """Why the bench file leaves the jog out, "" where it does not."""
    return "" if bench.jog.enabled else f"{bench.document.origin(('jog', 'enabled'))} {bench.jog.reason}"


def balance_of(bench: Bench, motor: Motor, setup: Setup) -> BalancePlan | None:
    """What the power balance of a run compares; None where the bench file has no such table."""
    table = bench.power_balance
    if table is None:
        return None
    settings = motor.settings
    brushless = isinstance(settings, BrushlessMotorFile)
    sheet = settings.data_sheet
    return BalancePlan(
        facts=Facts(
            pole_pairs=settings.pole_pairs if isinstance(settings, BrushlessMotorFile) else 0,
            resistance_ohm=sheet.resistance_ohm / 2.0 if brushless else sheet.resistance_ohm,
            torque_per_a=math.sqrt(3.0) * sheet.ke_v_s if brushless else sheet.ke_v_s,
            rated_torque_nm=settings.rated.torque_nm,
            rated_power_w=settings.rated.power_w,
            cable_ohm=setup.settings.cable.resistance_ohm,
            diode_v=DIODE_V if bench.dc_link.blocking_diode else 0.0,
            converter_loss_ratio=table.converter_loss_ratio,
            converter_idle_w=table.converter_idle_w,
            motor_loss_ratio=table.motor_loss_ratio,
            load_loss_nm=table.load_loss_nm,
            doubts={channel.name: _doubt(channel, bench, table) for channel in bench.channels()},
        ),
        load_share=table.load_share,
        settle_s=table.settle_s,
        reaction={"warn": Reaction.WARN, "hold": Reaction.HOLD, "ramp_down": Reaction.RAMP_DOWN}[table.reaction],
    )


def _doubt(channel: Channel, bench: Bench, table: PowerBalanceTable) -> Doubt:
    """The most that a channel may be off: six standard uncertainties of its sensor, or what the bench file says."""
    if channel.calibration is not None:
        squares = {"reading": 0.0, "rest": 0.0}
        for one in channel.calibration.contributions:
            share = one.standard_uncertainty(reading=1.0, full_scale=channel.calibration.full_scale)
            squares["reading" if one.relative_to == "reading" else "rest"] += share * share
        return Doubt(
            ratio=COVERAGE * math.sqrt(squares["reading"]) + SKEW_RATIO,
            absolute=COVERAGE * math.sqrt(squares["rest"]),
        )
    told = {
        "drive_torque": Doubt(table.drive_torque_ratio, table.drive_torque_nm),
        "motor_drive_torque": Doubt(table.motor_drive_torque_ratio, 2.0 * table.drive_torque_nm),
        "drive_speed": Doubt(DRIVE_SPEED_RATIO, DRIVE_SPEED_RPM),
        "motor_drive_speed": Doubt(DRIVE_SPEED_RATIO, DRIVE_SPEED_RPM),
        "supply_voltage": Doubt(table.supply_ratio, SUPPLY_RATIO * bench.dc_link.component_rating_v),
        "supply_current": Doubt(table.supply_ratio, SUPPLY_RATIO * bench.dc_link.sink_current_limit_a),
        "sink_current": Doubt(table.supply_ratio, SUPPLY_RATIO * bench.dc_link.sink_current_limit_a),
    }
    return told.get(channel.name, Doubt())
