"""What a bench tells its plant to do, and what is broken on it: plain mutable values that devices and tests write.

Signs and units are those of the house. Nothing here computes or checks anything.
"""

import math
from dataclasses import dataclass
from typing import Literal


@dataclass(slots=True, kw_only=True)
class SupplyCommand:
    """The supply's output stage: constant voltage up to the current limit."""

    output_on: bool = False
    voltage_v: float = 0.0
    current_limit_a: float = 0.0


@dataclass(slots=True, kw_only=True)
class SinkCommand:
    """The electronic load's input stage. `level` is V, A, Ω or W by `mode`; voltage mode conducts above the level."""

    input_on: bool = False
    mode: Literal["voltage", "current", "resistance", "power"] = "voltage"
    level: float = 0.0
    current_limit_a: float = 0.0


@dataclass(slots=True, kw_only=True)
class LoadCommand:
    """The load machine's drive. A positive torque brakes a specimen that motors in the positive direction.

    The bounds are magnitudes; infinite leaves only the machine's own peak torque.
    """

    power_stage_on: bool = False
    mode: Literal["torque", "speed"] = "torque"
    torque_nm: float = 0.0
    speed_rpm: float = 0.0
    torque_bound_nm: float = math.inf
    speed_bound_rpm: float = math.inf


@dataclass(slots=True, kw_only=True)
class MotorDriveCommand:
    """The specimen's converter. A positive torque drives the shaft in the positive direction.

    The bounds are magnitudes; infinite leaves only the converter's own current limit.
    """

    power_stage_on: bool = False
    mode: Literal["torque", "speed"] = "torque"
    torque_nm: float = 0.0
    speed_rpm: float = 0.0
    torque_bound_nm: float = math.inf
    speed_bound_rpm: float = math.inf


@dataclass(slots=True, kw_only=True)
class MeterCommand:
    """The resistance meter's contacts and current source. `pair` is 0 while nothing is connected."""

    contactor_closed: bool = True  # the power leads between the specimen and what feeds it
    pair: int = 0
    current_a: float = 0.0


@dataclass(slots=True, kw_only=True)
class PlantFaults:
    """What is broken. Each may be set and mended at any time."""

    coupling_broken: bool = False  # nothing is transmitted; each rotor turns by itself
    rotor_jammed: bool = False  # friction in the specimen that no machine here overcomes
    load_bearing_dry: bool = False  # dry friction in the load machine: the shaft keeps a twist at rest
    transducer_sign_flipped: bool = False
    transducer_offset_nm: float = 0.0
    transducer_gain_error: float = 0.0  # relative, on top of the specimen file's
    encoder_lost: bool = False  # its lead is off: not a number
    frozen_input: float = 0.0  # the measuring unit's input of this number, 1 to 6, tells what it told last; 0: none
    encoder_silent: bool = False  # no edges arrive: reads 0 r/min whatever turns
    sense_lead_open: bool = False  # terminal voltage: not a number
    current_lead_open: bool = False
    transducer_lead_open: bool = False
    winding_thermometer_open: bool = False  # for the thermometers' server; the plant itself does not care
    load_runs_away: bool = (
        False  # the load drive makes rated driving torque whatever it is told, until its stage is off
    )
    phases_swapped: bool = False  # two of the specimen's phase leads are exchanged
    commutation_offset_deg: float = 0.0  # electrical, between the rotor and where the converter believes it
    analyser_lead_open: bool = False  # a voltage lead of the power analyser's first phase is off
    magnet_thermometer_open: bool = False  # for the thermometers' server
    contactor_welded: bool = False  # the specimen's power leads stay closed whatever they are told
    sink_dead: bool = False  # conducts nothing, whatever it says
    motor_leads_swapped: bool = False  # the two power leads of a brushed specimen are exchanged
    encoder_sign_flipped: bool = False  # its two tracks are exchanged: it counts the other way
    encoder_ratio_error: float = 0.0  # relative: its number of lines was entered wrongly
    sense_lead_reversed: bool = False  # terminal voltage: plus and minus are exchanged
    current_sensor_reversed: bool = False  # the conductor passes it the other way round
    current_ratio_error: float = 0.0  # relative: 1.0 is a ratio of 2 to 1
    load_drive_backwards: bool = False  # commissioned for the other direction: turns and counts the other way
    believed_pole_pairs: float = 0.0  # what the motor drive counts revolutions with; 0: the right ones
