"""Numbers as a reader of the report sees them. It must never round more away than the uncertainty allows."""

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal

NARROW = "\N{NARROW NO-BREAK SPACE}"  # between a number and its unit
NO_BREAK = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
UNKNOWN = "unknown"
SMALL, LARGE = 1e-4, 1e6  # beyond these a number is written with a power of ten
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """A value and its uncertainty in words of digits; `unit` carries the power of ten that both are written with."""

    value: str
    uncertainty: str
    unit: str

    @property
    def whole(self) -> str:
        """Value ± uncertainty and unit in one line."""
        if not self.uncertainty:
            return with_unit(self.value, self.unit)
        numbers = between(self.value, self.uncertainty)
        return with_unit(f"({numbers})" if self.unit else numbers, self.unit)


def stated(value: float, uncertainty: float | None, unit: str) -> Stated:
    """Value and uncertainty, the latter to two significant digits and the value to the same place (JCGM 100, 7.2.6)."""
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty < 0.0:
        exponent = _exponent(abs(value))
        return Stated(value=plain(value / 10.0**exponent, 6), uncertainty=UNKNOWN, unit=_scaled_unit(exponent, unit))
    if uncertainty == 0.0:
        exponent = _exponent(abs(value))
        return Stated(value=plain(value / 10.0**exponent, 6), uncertainty="0", unit=_scaled_unit(exponent, unit))
    exponent = _exponent(max(abs(value), uncertainty))
    scale = Decimal(1).scaleb(-exponent)
    width = Decimal(repr(uncertainty)) * scale
    place = Decimal(1).scaleb(width.adjusted() - 1)
    rounded = width.quantize(place, rounding=ROUND_HALF_EVEN)
    if rounded.adjusted() > width.adjusted():  # 0.0996 becomes 0.10, not 0.100
        place = place.scaleb(1)
        rounded = rounded.quantize(place)
    number = (Decimal(repr(value)) * scale).quantize(place, rounding=ROUND_HALF_EVEN)
    return Stated(value=_written(number), uncertainty=_written(rounded), unit=_scaled_unit(exponent, unit))


def between(value: str, uncertainty: str) -> str:
    """Value ± uncertainty, never broken across lines."""
    return f"{value}{NO_BREAK}±{NO_BREAK}{uncertainty}"


def brief(value: float, uncertainty: float | None) -> str:
    """A value with its standard uncertainty in its last digits in parentheses, 12.345(67) (JCGM 100, 7.2.2).

    An uncertainty that reaches beyond the decimal point keeps it: 23.4(1.2).
    """
    shown = stated(value, uncertainty, "1")
    raised = f"·{shown.unit}" if shown.unit else ""
    if shown.uncertainty == "0":
        return f"{shown.value}{raised}"
    whole, point, digits = shown.uncertainty.partition(".")
    last = digits.lstrip("0") if point and whole == "0" else shown.uncertainty
    return f"{shown.value}({last}){raised}"


def plain(value: float, digits: int = 6) -> str:
    """A number without an uncertainty, to so many significant digits; no power of ten between 1e-5 and 1e9."""
    if math.isnan(value):
        return "no number"
    if math.isinf(value):
        return "overloaded"
    rounded = Decimal(f"{value:.{digits}g}")
    if rounded != 0 and not -6 <= rounded.adjusted() <= 8:
        number, _, exponent = f"{value:.{digits - 1}e}".partition("e")
        shown = number.rstrip("0").rstrip(".") if "." in number else number
        return f"{shown.replace('-', MINUS)}·10{str(int(exponent)).translate(_RAISED)}"
    text = f"{rounded:f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", MINUS)


def two_digits(size: float) -> str:
    """An uncertainty alone, to two significant digits, none of them left out."""
    if size == 0.0 or not math.isfinite(size):
        return plain(size)
    number = Decimal(f"{size:.1e}")
    return plain(size, 2) if not -6 <= number.adjusted() <= 5 else f"{number:f}".replace("-", MINUS)


def with_unit(number: str, unit: str) -> str:
    """The number, a narrow space that does not break, the unit; a ratio has none."""
    shown = unit_text(unit)
    return f"{number}{NARROW}{shown}" if shown else number


def unit_text(unit: str) -> str:
    """The unit as printed; the unit 1 is not."""
    return "" if unit == "1" else unit


def _exponent(size: float) -> int:
    """The power of ten, a multiple of three, that a number of this size is written with."""
    if size == 0.0 or not math.isfinite(size) or SMALL <= size < LARGE:
        return 0
    return 3 * math.floor(math.log10(size) / 3.0)


def _scaled_unit(exponent: int, unit: str) -> str:
    shown = unit_text(unit)
    if exponent == 0:
        return shown
    factor = f"10{str(exponent).translate(_RAISED)}"
    return f"{factor}{NARROW}{shown}" if shown else factor


def _written(number: Decimal) -> str:
    text = f"{number:f}"
    if number == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)
