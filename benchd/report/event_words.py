"""What an event says, in one line of words. It must never leave out a field that says something."""

import json
from collections.abc import Callable, Mapping
from typing import Any

from benchd.report import soft
from benchd.report.numbers import plain, with_unit
from benchd.report.words import capital, sentence_words, split_unit, words

Event = Mapping[str, Any]
_ENVELOPE = frozenset({"schema", "time_mono_s", "utc", "event"})
_TRIED = ("shaft_speed", "drive_speed", "motor_drive_speed", "shaft_torque", "drive_torque", "dc_voltage", "dc_current")
_LADDER = ("supply_highest_v", "sink_threshold_v", "over_voltage_protection_v", "component_rating_v")


def event_words(event: Event) -> str:
    """What an event says, in one line; fields that are not known by name are printed as they are."""
    say = _KNOWN.get(soft.text(event.get("event")))
    said = None if say is None else say(event)
    return said or _cause(event) or _fields(event)


def _state(event: Event) -> str | None:
    because = soft.text(event.get("because"))
    change = f"{soft.text(event.get('before'), '?')} → {soft.text(event.get('after'), '?')}"
    return f"{change} ({because})" if because and because != "done" else change


def _test(event: Event) -> str | None:
    if "title" not in event:
        return None
    return f"{soft.text(event.get('title'), '?')} (test {soft.text(event.get('test'), '?')})"


def _zero(event: Event) -> str | None:
    value, uncertainty = soft.number(event.get("value")), soft.number(event.get("standard_uncertainty"))
    if value is None:
        return None
    said = f"{words(soft.text(event.get('channel')))}: {plain(value, 4)} taken off"
    return said if uncertainty is None else f"{said}, standard uncertainty {plain(uncertainty, 2)}"


def _ladder(event: Event) -> str | None:
    steps = [step for key in _LADDER if (step := soft.number(event.get(key))) is not None]
    if len(steps) < len(_LADDER):
        return None
    voltages = " < ".join(with_unit(plain(step), "V") for step in steps)
    return f"supply < sink threshold < over-voltage protection < component rating: {voltages}"


def _drive_parameters(event: Event) -> str | None:
    """Port, every value with its unit, the hash, and why nothing was compared where a note says so."""
    told = event.get("parameters")
    if not isinstance(told, Mapping):
        return None
    digest, note = soft.text(event.get("sha256")), soft.text(event.get("note"))
    said = [_named_field("port", soft.text(event.get("port"), "?"))]
    said += [_named_field(str(name), value) for name, value in told.items()]
    said += [f"SHA-256 {digest}"] if digest else []
    return ", ".join(said) + (f". {note}" if note else "")


def _start_warning(event: Event) -> str | None:
    seconds = soft.number(event.get("seconds"))
    by = " by horn or lamp" if event.get("announced") is True else ""
    return None if seconds is None else f"for {with_unit(plain(seconds), 's')}{by}"


def _took(event: Event) -> str | None:
    took_s, predicted_s = soft.number(event.get("took_s")), soft.number(event.get("predicted_s"))
    if took_s is None:
        return None
    said = f"in {with_unit(plain(took_s, 3), 's')}"
    return said if predicted_s is None else f"{said}, predicted {with_unit(plain(predicted_s, 3), 's')}"


def _jog(event: Event) -> str | None:
    """How fast the jog became, then what each of its phases read."""
    phases = [(name, event[name]) for name in ("turned", "pushed", "driven") if isinstance(event.get(name), Mapping)]
    if not phases:
        return None
    fastest_rpm = soft.number(event.get("fastest_rpm"))
    said = [] if fastest_rpm is None else [f"up to {with_unit(plain(fastest_rpm, 4), 'r/min')}"]
    for name, means in phases:
        read = [
            f"{words(str(channel))} {plain(value, 4)}"
            for channel in _TRIED
            if (value := soft.number(means.get(channel))) is not None
        ]
        said.append(f"{name}: {', '.join(read)}")
    sentence = soft.text(event.get("sentence"))
    return " ".join(filter(None, (sentence, capital("; ".join(said)))))


_KNOWN: Mapping[str, Callable[[Event], str | None]] = {
    "state": _state,
    "test_started": _test,
    "test_ended": _test,
    "zero": _zero,
    "ladder": _ladder,
    "drive_parameters": _drive_parameters,
    "start_warning": _start_warning,
    "plausible": _jog,
    "implausible": _jog,
    "braked": _took,
    "coasted": _took,
}


def _cause(event: Event) -> str | None:
    """The sentence that the event carries, with the reaction behind it."""
    key = next((key for key in ("cause", "sentence", "because") if key in event), None)
    if key is None:
        return None
    said = soft.text(event[key], "?")
    if key == "cause":
        said = sentence_words(said)  # by the daemon; what a person typed stays as it is
    return f"{said} Reaction: {words(soft.text(event['reaction'], '?'))}." if "reaction" in event else said


def _fields(event: Event) -> str:
    return ", ".join(
        _named_field(str(key), value) for key, value in event.items() if key not in _ENVELOPE and value != ""
    )


def _named_field(key: str, value: object) -> str:
    if key == "port" and isinstance(value, str):
        return words(value.replace(".", ", "))
    name, unit = split_unit(key)
    number = soft.number(value)
    return f"{name} {_field(value) if number is None else with_unit(plain(number), unit)}"


def _field(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if value and isinstance(value, list) and all(isinstance(one, str) for one in value):
        return ", ".join(map(words, value))
    return json.dumps(value, ensure_ascii=False, default=str)
