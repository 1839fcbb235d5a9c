"""Hands on what is ordered by hand over MQTT. It decides nothing: the desk of the run does."""

from benchd.live.manual import ManualDesk
from benchd.outside.commands import KeepCommand, SetCommand
from benchd.rules.by_hand import Order, OrderRefused, SpeedBy, What


def obey_hand(desk: ManualDesk | None, command: SetCommand | KeepCommand) -> str:
    """Why it is not followed, in a sentence, or "" where it was; `desk` None: no manual session is chosen."""
    if desk is None:
        return "The run that is chosen is no manual session: choose one with `manual`."
    try:
        if isinstance(command, KeepCommand):
            desk.keep()
        else:
            desk.take(order_of(command), by=command.client)
    except OrderRefused as error:
        return str(error)
    return ""


def order_of(command: SetCommand) -> Order:
    """The order that a command carries."""
    given = command.arguments
    return Order(
        what=What(given.what),
        value=given.value,
        relative=given.relative,
        slope_per_s=given.slope_per_s,
        speed_by=None if given.speed_by is None else SpeedBy(given.speed_by),
    )
