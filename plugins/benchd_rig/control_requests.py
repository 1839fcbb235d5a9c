"""What can be asked over the control socket, one frozen model a request.

Its one job is to turn a line into a request or into one clear sentence; it carries nothing out.
"""

import json
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError


class Request(BaseModel):
    """One request; each kind is a subclass."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class TellTruth(Request):
    """All true values of the plant and the states of the devices."""

    do: Literal["truth"]


class SetWireFault(Request):
    """A fault of one device's wire; further keys are the fault's own numbers."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)
    __pydantic_extra__: dict[str, float]

    do: Literal["fault"]
    device: str
    kind: str
    on: bool
    times: int = Field(default=0, ge=0)


class ClearWireFaults(Request):
    """Every wire fault of one device, or of all, off."""

    do: Literal["clear_faults"]
    device: str | None = None


class SetPlantFault(Request):
    """Something in the plant breaks or is mended: `on` for a switch, `value` for an amount."""

    do: Literal["plant_fault"]
    name: str
    on: bool | None = None
    value: float | None = None


class Press(Request):
    """A person at the bench presses a button."""

    do: Literal["press"]
    button: str


class Trip(Request):
    """A device's own protection acts."""

    do: Literal["trip"]
    device: Literal["supply", "sink", "load_drive", "motor_drive"]


class Temperature(Request):
    """A thermometer held at a temperature, "open", or null for the simulated one."""

    do: Literal["temperature"]
    device: Literal["thermometers", "cabinet_thermometers"]
    name: str
    degc: float | Literal["open"] | None


class Commission(Request):
    """A drive's own limits and machine data, as set when the bench is built."""

    do: Literal["commission"]
    device: Literal["load_drive", "motor_drive"] = "load_drive"
    overspeed_rpm: float | None = Field(default=None, gt=0, le=100_000)
    own_torque_permille: int | None = Field(default=None, gt=0, le=65535)
    pole_pairs: int | None = Field(default=None, gt=0, le=65535)
    rated_torque_nm: float | None = Field(default=None, gt=0, le=1_000_000)
    rated_current_a: float | None = Field(default=None, gt=0, le=1_000_000)
    peak_current_a: float | None = Field(default=None, gt=0, le=1_000_000)
    pwm_frequency_hz: int | None = Field(default=None, gt=0, le=1_000_000)


class ReadLog(Request):
    """The last `last` events of one device's wire, or of all."""

    do: Literal["log"]
    device: str | None = None
    last: int = Field(default=200, gt=0, le=2000)


class WatchCrossing(Request):
    """Note the first crossing of a true value's magnitude from now on."""

    do: Literal["watch"]
    name: str
    above: float


class TellCrossing(Request):
    """The crossing that is watched for: when it was, or null, and how far it went."""

    do: Literal["crossing"]


REQUESTS: dict[str, type[Request]] = {
    "truth": TellTruth,
    "fault": SetWireFault,
    "clear_faults": ClearWireFaults,
    "plant_fault": SetPlantFault,
    "press": Press,
    "trip": Trip,
    "temperature": Temperature,
    "commission": Commission,
    "log": ReadLog,
    "watch": WatchCrossing,
    "crossing": TellCrossing,
}


class RequestRefusedError(ValueError):
    """A request that is not carried out; the message is one sentence for the one who sent it."""


def parsed(line: str) -> Request:
    """The request in a line. Raises `RequestRefusedError`."""
    try:
        given = json.loads(line)
    except ValueError:
        raise RequestRefusedError('This is no JSON: send one object a line, such as {"do": "truth"}.') from None
    kind = given.get("do") if isinstance(given, dict) else None
    model = REQUESTS.get(kind) if isinstance(kind, str) else None
    if model is None:
        raise RequestRefusedError(f'Unknown request: "do" must be one of {", ".join(REQUESTS)}.')
    try:
        return TypeAdapter(model).validate_python(given)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "request"
        raise RequestRefusedError(f"Request {kind!r}, key {where!r}: {first['msg'].lower()}.") from None
