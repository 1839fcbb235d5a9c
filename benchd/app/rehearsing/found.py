"""What a rehearsal found, from its folder: peaks against limits, energies, temperatures, points out of reach, a trip.

Plain values for `results.json`. It must never be imported by the daemon, and it plays nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from benchd.analysis.document import nine_digits
from benchd.analysis.peaks import Numbers, energy_ws, peak, powers_w, warmth
from benchd.records import SampleColumns, read_description, read_ending, read_events, read_samples

REHEARSAL = "rehearsal"  # its key in run.json and in results.json
REACHED = 0.1  # of what was asked for: a point further off is not the one that was asked for
COMPARED = {"torque_nm": ("shaft_torque", "N·m", 0.02), "speed_rpm": ("shaft_speed", "r/min", 10.0)}
TRIPPED = "aborted"


def found(folder: Path) -> Mapping[str, Any] | None:
    """What this folder's rehearsal found; None where its run was a real one."""
    description = read_description(folder)
    marks = description.get(REHEARSAL)
    if marks is None:
        return None
    events, samples, ending = read_events(folder), read_samples(folder), read_ending(folder) or {}
    time = samples.time_mono_s
    begin_s = float(time[0]) if time.size else 0.0
    duration_s = float(time[-1]) - begin_s if time.size else 0.0
    limits = list(_limits(events, samples, begin_s))
    trip = _trip(events, description, begin_s) if ending.get("ending") == TRIPPED else None
    return {
        **marks,
        "sentence": _sentence(ending, trip, limits, duration_s),
        "completes": ending.get("ending") == "complete",
        "trip": trip,
        "duration_s": nine_digits(duration_s),
        "tests": _tests(events, begin_s, duration_s),
        "limits": limits,
        "temperatures": list(_temperatures(samples, begin_s)),
        "energies": list(_energies(samples)),
        "unreachable": list(_unreachable(description, events, samples, ending)),
    }


def _limits(events: Sequence[Mapping[str, Any]], samples: SampleColumns, begin_s: float) -> Iterable[dict[str, Any]]:
    """Each limit in force with the peak of its channel since the limits were, the most used up first."""
    shown = next((event for event in events if event["event"] == "limits_in_force"), None)
    if shown is None:
        return []
    since = int(np.searchsorted(samples.time_mono_s, float(shown["time_mono_s"])))
    rows = [_against(one, samples, since, begin_s) for one in shown["limits"] if one["channel"] in samples.values]
    return sorted(rows, key=lambda row: -1.0 if row["share"] is None else row["share"], reverse=True)


def _against(limit: Mapping[str, Any], samples: SampleColumns, since: int, begin_s: float) -> dict[str, Any]:
    name, bound = str(limit["channel"]), str(limit["bound"])
    reached = peak(
        bound,
        float(limit["value"]),
        time_mono_s=samples.time_mono_s[since:],
        values=samples.values[name][since:],
        ages_s=samples.ages_s[name][since:].astype(np.float64),
        quality=samples.quality[name][since:],
    )
    return {
        "channel": name,
        "bound": bound,
        "unit": "s" if bound == "stale" else samples.units[name],
        "limit": nine_digits(float(limit["value"])),
        "delay_s": limit["delay_s"],
        "reaction": limit["reaction"],
        "origin": limit["origin"],
        "peak": nine_digits(reached.value),
        "share": nine_digits(reached.share),
        "at_s": None if reached.at_mono_s is None else nine_digits(reached.at_mono_s - begin_s),
    }


def _trip(events: Sequence[Mapping[str, Any]], description: Mapping[str, Any], begin_s: float) -> dict[str, Any] | None:
    """The first cause, as the chain explained it where it did, and where in the programme it came."""
    for number, event in enumerate(events):
        if event["event"] == "crossed" and event["reaction"] in {"ramp_down", "cut"}:
            cause = str(event["cause"])
            explained = (str(one["cause"]) for one in events if one.get("seen_first") == cause)
            return {
                "cause": next(explained, cause),
                "reaction": event["reaction"],
                "at_s": nine_digits(float(event["time_mono_s"]) - begin_s),
                "where": _where(events[:number], description),
            }
    return None


def _where(before: Sequence[Mapping[str, Any]], description: Mapping[str, Any]) -> str:
    """The test and point under way after these events, in words."""
    test, point = None, None
    for event in before:
        if event["event"] == "test_started":
            test, point = event, None
        elif event["event"] == "point_started":
            point = event
        elif event["event"] == "point_ended":
            point = None
        elif event["event"] == "test_ended":
            test = None
    if test is None:
        return "before the first test" if not any(one["event"] == "test_started" for one in before) else "between tests"
    title = f"{description['tests'][int(test['test'])]['title']} (test {int(test['test']) + 1})"
    return title if point is None else f"{title}, point {point['number']}"


def _sentence(
    ending: Mapping[str, Any], trip: Mapping[str, Any] | None, limits: Sequence[Mapping[str, Any]], duration_s: float
) -> str:
    if trip is not None:
        return f"The programme would trip {trip['at_s']:.1f} s after its start, in {trip['where']}: {trip['cause']}"
    how = ending.get("ending")
    if how != "complete":
        return f"The programme would not complete, it would be {how or 'interrupted'}: {ending.get('why', '')}"
    nearest = next((one for one in limits if one["share"] is not None and one["bound"] != "stale"), None)
    done = f"The programme completes within {duration_s:.1f} s."
    if nearest is None:
        return done
    return (
        f"{done} Nearest to its limit comes {nearest['channel']}: {nearest['peak']:.4g} {nearest['unit']} of "
        f"{nearest['limit']:.4g} {nearest['unit']} ({nearest['share']:.0%}) at {nearest['at_s']:.1f} s."
    )


def _tests(events: Iterable[Mapping[str, Any]], begin_s: float, duration_s: float) -> list[dict[str, Any]]:
    tests: list[dict[str, Any]] = []
    for event in events:
        if event["event"] == "test_started":
            tests.append(
                {
                    "test": event["test"],
                    "title": event["title"],
                    "from_s": nine_digits(float(event["time_mono_s"]) - begin_s),
                    "until_s": nine_digits(duration_s),
                    "ended": False,
                }
            )
        elif event["event"] == "test_ended" and tests:
            tests[-1] |= {"until_s": nine_digits(float(event["time_mono_s"]) - begin_s), "ended": True}
    return tests


def _temperatures(samples: SampleColumns, begin_s: float) -> Iterable[dict[str, Any]]:
    for name, unit in samples.units.items():
        way = warmth(samples.time_mono_s, samples.values[name], samples.quality[name]) if unit == "°C" else None
        if way is not None:
            yield {
                "channel": name,
                "first_degc": nine_digits(way.first),
                "highest_degc": nine_digits(way.highest),
                "at_s": nine_digits(way.at_mono_s - begin_s),
                "last_degc": nine_digits(way.last),
            }


def _energies(samples: SampleColumns) -> Iterable[dict[str, Any]]:
    good: dict[str, Numbers] = {
        name: np.where(samples.quality[name] == 0, values, np.nan) for name, values in samples.values.items()
    }
    for name, power_w in powers_w(good).items():
        given_ws, back_ws = energy_ws(samples.time_mono_s, power_w)
        known = power_w[np.isfinite(power_w)]
        yield {
            "where": name,
            "given_ws": nine_digits(given_ws),
            "back_ws": nine_digits(back_ws),
            "highest_w": nine_digits(float(known.max())) if known.size else None,
            "lowest_w": nine_digits(float(known.min())) if known.size else None,
        }


def _unreachable(
    description: Mapping[str, Any],
    events: Sequence[Mapping[str, Any]],
    samples: SampleColumns,
    ending: Mapping[str, Any],
) -> Iterable[dict[str, Any]]:
    """Points that did not settle, were cut off or are not what was asked for, and tests that were not begun."""
    titles = {int(test["index"]): str(test["title"]) for test in description["tests"]}

    def one(test: int, point: int | None, sentence: str) -> dict[str, Any]:
        return {"test": test, "title": titles[test], "point": point, "sentence": sentence}

    for event in events:
        if event["event"] == "deviation":
            yield one(int(event["test"]), None, str(event["sentence"]))
        elif event["event"] == "point_ended" and not event.get("whole", True):
            yield one(int(event["test"]), int(event["number"]), "The point was cut off by the end of the run.")
        elif event["event"] == "point_started":
            for sentence in _missed(event, samples):
                yield one(int(event["test"]), int(event["number"]), sentence)
    begun = {int(event["test"]) for event in events if event["event"] == "test_started"}
    if ending.get("ending") != "complete":
        for test in sorted(titles.keys() - begun):
            yield one(test, None, "The run ends before this test begins.")


def _missed(started: Mapping[str, Any], samples: SampleColumns) -> Iterable[str]:
    """Where a point's mean is not what was asked for, a sentence each."""
    rows = (samples.test == int(started["test"])) & (samples.point == int(started["number"]))
    for name, asked in started["asked"].items():
        channel, unit, least = COMPARED.get(name, ("", "", 0.0))
        if channel not in samples.values or not rows.any():
            continue
        there = samples.values[channel][rows & (samples.quality[channel] == 0)]
        mean = float(there.mean()) if there.size else float("nan")
        if not abs(mean - asked) <= max(REACHED * abs(asked), least):
            yield f"{channel} was to be {asked:.4g} {unit} and is {mean:.4g} {unit}."
