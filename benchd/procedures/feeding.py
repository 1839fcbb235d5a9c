"""How a specimen is brought up, loaded and let go, by kind of motor. It plans from the rating plate, never measures.

A brushless motor is fed by its converter, which holds the speed while the load drive follows a torque. A brushed motor
is fed by the supply: at one voltage it turns as fast as the load lets it; with a held speed the load drive holds the
speed and the supply voltage makes the torque.
"""

from collections.abc import Mapping

from benchd.procedures.hand import RPM_PER_RADIAN_A_SECOND, START_SECONDS_A_RAMP, Hand
from benchd.procedures.procedure import Play, Surroundings
from benchd.rules.demand import Demand
from benchd.rules.moves import Role

IDLE_SHARE = 0.3  # common practice: a small motor idles well below a third of its rated current
POOR_EFFICIENCY = 0.6  # converter and motor together, assumed for planning only
EXPECTED_REST_S = 1.0


class Feeding:
    """One specimen fed at `supply_voltage_v`; `speed_rpm` is held where it is given."""

    def __init__(self, around: Surroundings, *, supply_voltage_v: float, speed_rpm: float | None) -> None:
        self._around = around
        self._plate = around.plate
        self.supply_voltage_v = supply_voltage_v
        self.speed_rpm = speed_rpm
        self.brushless = around.plate.kind == "brushless"

    def objection(self, torque_nm: float) -> str:
        """Why this cannot be done, or ""."""
        if self.brushless and Role.MOTOR_DRIVE not in self._around.roles:
            return "a brushless motor needs a motor drive, and this bench has none in [roles]"
        if self.brushless and self.speed_rpm is None:
            return "a brushless motor's speed is held by its converter: give speed_rpm"
        if not self.brushless and self.speed_rpm is not None and self._voltage_v(torque_nm) > self.supply_voltage_v:
            return (
                f"{torque_nm:g} N·m at {self.speed_rpm:g} r/min take about {self._voltage_v(torque_nm):.3g} V, more "
                f"than supply_voltage_v ({self.supply_voltage_v:g} V): ask for less torque or speed"
            )
        return ""

    def _voltage_v(self, torque_nm: float) -> float:
        """What a brushed motor takes at the held speed and this torque, by its plate."""
        plate = self._plate
        ke_v_s = plate.ke_v_s
        return ke_v_s * (self.speed_rpm or 0.0) / RPM_PER_RADIAN_A_SECOND + plate.resistance_ohm * torque_nm / ke_v_s

    def _torque_nm(self, voltage_v: float) -> float:
        """The other way round: what a brushed motor should make at the held speed and this voltage."""
        return (voltage_v - self._voltage_v(0.0)) * self._plate.ke_v_s / self._plate.resistance_ohm

    def demand(self, torque_nm: float, *, duration_s: float) -> Demand:
        """The greatest magnitudes with this torque; `duration_s` is that of the loading itself."""
        plate, slopes = self._plate, self._around.slopes
        idle_a = IDLE_SHARE * plate.current_a
        voltage_v = self.supply_voltage_v
        up_s = voltage_v / slopes.voltage_v_per_s
        if self.speed_rpm is None:
            speed_rpm = voltage_v / plate.ke_v_s * RPM_PER_RADIAN_A_SECOND
        else:
            speed_rpm = self.speed_rpm
            up_s += 2.0 * speed_rpm / slopes.speed_rpm_per_s + EXPECTED_REST_S
        if self.brushless:
            current_a = torque_nm * speed_rpm / RPM_PER_RADIAN_A_SECOND / POOR_EFFICIENCY / voltage_v + idle_a
        else:
            current_a = torque_nm / plate.ke_v_s + idle_a
        return Demand(
            speed_rpm=speed_rpm,
            torque_nm=torque_nm,
            power_w=voltage_v * current_a,
            voltage_v=voltage_v,
            current_a=current_a,
            duration_s=duration_s + up_s + START_SECONDS_A_RAMP,
        )

    def bring_up(self, hand: Hand) -> Play:
        """From whatever is in force to the unloaded specimen at its voltage or held speed."""
        if self.brushless:
            turning = hand.held_rpm(Role.LOAD_DRIVE) != 0.0 and hand.voltage_v == self.supply_voltage_v
            if turning:
                yield from hand.hand_over(Role.MOTOR_DRIVE)
            elif not hand.holds_speed(Role.MOTOR_DRIVE):
                yield from hand.come_to_rest(keep_voltage=True)
            yield from hand.ramp_voltage(self.supply_voltage_v)
            yield from hand.ramp_speed(Role.MOTOR_DRIVE, self.speed_rpm or 0.0)
        elif self.speed_rpm is None:
            if hand.holds_speed(Role.LOAD_DRIVE):
                yield from hand.come_to_rest(keep_voltage=False)
            yield from hand.ramp_voltage(self.supply_voltage_v)
        else:
            yield from hand.come_to_rest(keep_voltage=False)
            yield from hand.ramp_speed(Role.LOAD_DRIVE, self.speed_rpm, volts_per_rpm=self._volts_per_rpm())

    def load_to(self, hand: Hand, torque_nm: float, *, slope_nm_per_s: float) -> Play:
        """Move the specimen's torque there."""
        if self.brushless or self.speed_rpm is None:
            yield from hand.ramp_torque(torque_nm, slope_nm_per_s=slope_nm_per_s)
        else:
            plate = self._plate
            slope = min(slope_nm_per_s, self._around.slopes.torque_nm_per_s)
            hand.torque_of_voltage = self._torque_nm
            yield from hand.ramp_voltage(
                self._voltage_v(torque_nm), slope_v_per_s=slope * plate.resistance_ohm / plate.ke_v_s
            )

    def let_go(self, hand: Hand, *, slope_nm_per_s: float) -> Play:
        """No load any more; what held a speed by the load drive comes to rest."""
        yield from self.load_to(hand, 0.0, slope_nm_per_s=slope_nm_per_s)
        if not self.brushless and self.speed_rpm is not None:
            hand.torque_of_voltage = None
            yield from hand.ramp_speed(Role.LOAD_DRIVE, 0.0, volts_per_rpm=self._volts_per_rpm())
            yield from hand.come_to_rest(keep_voltage=False)

    def _volts_per_rpm(self) -> float:
        return self._plate.ke_v_s / RPM_PER_RADIAN_A_SECOND

    def asked(self, torque_nm: float) -> Mapping[str, float]:
        """What a point is asked for, names with units."""
        held = {} if self.speed_rpm is None else {"speed_rpm": self.speed_rpm}
        return {"torque_nm": torque_nm, **held}
