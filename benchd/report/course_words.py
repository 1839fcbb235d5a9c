"""What a duty cycle was asked for, part by part, in words. It must never lose a part, however odd."""

from collections.abc import Iterator, Mapping
from typing import Any

from benchd.report import soft
from benchd.report.numbers import plain, with_unit
from benchd.report.words import pairs_of, said, words

PARTS = "part"  # the setting that holds them
_UNITS = {"speed_rpm": "r/min", "torque_nm": "N·m"}
_RATES = {"rate_per_s": "/s", "acceleration_per_s2": "/s²", "jerk_per_s3": "/s³"}
_SECONDS = ("time_s", "hold_s", "ramp_s", "period_s")


def parts_told(settings: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Each part of the course as (its number in words, what it does); nothing for a test without a course."""
    for number, part in enumerate(soft.tables(settings.get(PARTS)), start=1):
        yield f"part {number}", _part(part)


def _part(part: Mapping[str, Any]) -> str:
    wait, table = soft.table(part.get("wait")), soft.table(part.get("table"))
    if wait:
        return _wait(wait)
    if table:
        times = table.get("time_s")
        listed = times if isinstance(times, list | tuple) else ()
        known = [one for one in map(soft.number, listed) if one is not None]
        lasts = f", {with_unit(plain(known[-1]), 's')} in {len(known)} rows" if known else ""
        between = soft.text(part.get("between"), "linear")
        return f"{soft.text(table.get('file'), 'a table')}{lasts}, {between} between them"
    told = [
        f"{words(name.rpartition('_')[0])}: {_shape(shape, unit)}"
        for name, unit in _UNITS.items()
        if (shape := soft.table(part.get(name)))
    ]
    return "; ".join(told) or said(part)


def _shape(shape: Mapping[str, Any], unit: str) -> str:
    """Such as "linear, end 1500 r/min, time 2 s"."""
    told = [soft.text(shape.get("shape"), "a shape").replace("_", "-")]
    for key, value in shape.items():
        if key == "shape" or value is None:
            continue
        number = soft.number(value)
        if number is None:
            told.append(f"{words(str(key))} {said(value)}")
        elif key in _RATES:
            told.append(f"{words(str(key).partition('_per_')[0])} {with_unit(plain(number), unit + _RATES[key])}")
        elif key in _SECONDS:
            told.append(f"{words(str(key).removesuffix('_s'))} {with_unit(plain(number), 's')}")
        elif key in {"levels", "cycles"}:
            told.append(f"{plain(number)} {key}")
        else:
            told.append(f"{words(str(key))} {with_unit(plain(number), unit)}")
    return ", ".join(told)


def _wait(wait: Mapping[str, Any]) -> str:
    """Such as "until settled, channel shaft speed, mean band 10"."""
    kept = {key: value for key, value in wait.items() if key != "trend_band_per_s"}
    told = [f"{name} {words(text) if name == 'channel' else text.replace('_', ' ')}" for name, text in pairs_of(kept)]
    trend = soft.number(wait.get("trend_band_per_s"))
    if trend is not None:
        told.append(f"trend band {plain(trend)} a second")
    return f"wait {', '.join(told)}"
