"""The kinds of value that settings files are made of. It must never know a particular file."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field


class Table(BaseModel):
    """One table of a settings file: known keys only, no conversion between types, finite numbers, frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def _as_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _text_as_tuple(value: Any) -> Any:
    return (value,) if isinstance(value, str) else _as_tuple(value)


def _whole(value: Any) -> Any:
    return int(value) if isinstance(value, float) and value.is_integer() else value


Positive = Annotated[float, Field(gt=0.0)]
NotNegative = Annotated[float, Field(ge=0.0)]
Text = Annotated[str, Field(min_length=1)]
Listed = BeforeValidator(_as_tuple)  # TOML lists, kept as tuples so that they stay as they are
OneOrMore = Annotated[tuple[Text, ...], BeforeValidator(_text_as_tuple), Field(min_length=1)]
Sign = Annotated[Literal[-1, 1], BeforeValidator(_whole)]
Reaction = Literal["warn", "hold", "ramp_down", "cut"]
