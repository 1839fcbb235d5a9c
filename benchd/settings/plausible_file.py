"""What a bench file says of its jog and its power balance, and whether it fits the rest of the file."""

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field

from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.pieces import NotNegative, Positive, Table, Text

LEAST_STANDSTILLS = 3.0  # of the standstill speed: slower a turning shaft is not told from a standing one
MOST_SPEED_RATIO = 0.25  # of what the shaft train bears; a jog is slow
MOST_TORQUE_RATIO = 0.5

Share = Annotated[float, Field(gt=0.0, le=1.0)]


class JogTable(Table):
    """How the shaft is tried before the first test that turns it. What is left out follows from the ratings."""

    enabled: bool = True
    reason: Text | None = None  # why it is not done; needed where it is not
    speed_rpm: Positive | None = None  # left out: 4 % of the rated speed
    torque_nm: Positive | None = None  # left out: 8 % of the rated torque
    holding_torque_nm: Positive | None = None  # left out: three times torque_nm
    link_voltage_v: Positive | None = None  # with a converter; left out: half of the programme's highest
    time_limit_s: Annotated[float, Field(ge=3.0, le=60.0)] = 15.0


class PowerBalanceTable(Table):
    """What losses and readings may be under settled load. The ratios of torque and supply are their readings' own."""

    reaction: Literal["warn", "hold", "ramp_down"] = "warn"
    settle_s: Annotated[float, Field(ge=0.2, le=10.0)] = 0.5
    load_share: Share = 0.25  # of rated torque and of rated power, from which on it is looked at
    converter_loss_ratio: Share = 0.08  # of the power through it, at most
    converter_idle_w: NotNegative = 15.0  # and whatever flows
    motor_loss_ratio: Share = 0.08  # iron and friction: of rated power, at most
    load_loss_nm: NotNegative  # friction of load machine, transducer and coupling, at most
    drive_torque_ratio: Share = 0.03  # how far the load drive's own torque may be off, of its reading
    motor_drive_torque_ratio: Share = 0.12  # the same of the motor drive's estimate
    drive_torque_nm: NotNegative  # and whatever the reading: resolution, cogging
    supply_ratio: Share = 0.01  # of the supply's own readings of voltage and current


def plausible_problems(document: Document, file: Any) -> Iterator[Problem]:
    """A jog that is not slow and light on this bench, and one left out without a word. `file` is the bench file."""
    jog: JogTable = file.jog
    if not jog.enabled and jog.reason is None:
        yield document.problem(
            ("jog", "enabled"), 'is false without a reason; add reason = "..." for who reads the run'
        )
    least_rpm = LEAST_STANDSTILLS * file.stopping.standstill_rpm
    most_rpm = MOST_SPEED_RATIO * file.shaft_train.max_speed_rpm
    if jog.speed_rpm is not None and not least_rpm <= jog.speed_rpm <= most_rpm:
        says = (
            f"is {jog.speed_rpm:g} r/min and must lie between {least_rpm:g} r/min, which is told from standstill, and "
            f"{most_rpm:g} r/min, a quarter of what the shaft train bears; write such a speed"
        )
        yield document.problem(("jog", "speed_rpm"), says)
    most_nm = MOST_TORQUE_RATIO * file.shaft_train.max_torque_nm
    for key in ("torque_nm", "holding_torque_nm"):
        value = getattr(jog, key)
        if value is not None and value > most_nm:
            says = f"is {value:g} N·m, more than half of what the shaft train bears ({most_nm:g} N·m); lower it"
            yield document.problem(("jog", key), says)
    if jog.torque_nm is not None and jog.holding_torque_nm is not None and jog.holding_torque_nm <= jog.torque_nm:
        says = f"is {jog.holding_torque_nm:g} N·m and holds nothing against torque_nm ({jog.torque_nm:g} N·m); raise it"
        yield document.problem(("jog", "holding_torque_nm"), says)
