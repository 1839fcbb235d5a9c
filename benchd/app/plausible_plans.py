"""What a job's jog is on this bench, from the bench file and the rating plate. It must never turn anything itself."""

from benchd.procedures import Surroundings
from benchd.rules.jog import Jog
from benchd.settings.bench import Bench

SPEED_RATIO = 0.04  # of rated speed
TORQUE_RATIO = 0.08  # of rated torque: above a light motor's friction, below what hurts anybody's coupling
HOLDING = 3.0  # times the push, for the drive that holds the speed
LINK_RATIO = 0.5  # of the programme's highest voltage: most converters work there
FEED_RATIO = 0.1  # of rated voltage, beyond the generated one: brushes want some of it before a current flows
CURRENT_RATIO = 0.15  # of the run's current limit, into a converter
LEAST_CURRENT_RATIO = 0.0025
STANDSTILLS = 5.0
TORQUE_SHARE = 0.3  # of what a run lets its drives make
RAD_S_PER_RPM = 0.10471975511965977


def jog_of(bench: Bench, around: Surroundings, *, voltage_limit_v: float) -> Jog | None:
    """How the shaft is tried before the first test that turns it; None where the bench file leaves it out."""
    table = bench.jog
    if not table.enabled:
        return None
    plate, current_limit_a = around.plate, around.current_limit_a
    brushed = not bench.roles["motor_drive"]
    speed_rpm = table.speed_rpm or max(SPEED_RATIO * plate.speed_rpm, STANDSTILLS * bench.stopping.standstill_rpm)
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
