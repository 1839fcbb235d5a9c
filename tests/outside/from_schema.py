"""Makes messages from a JSON Schema, sound and spoiled ones; what is sound the jsonschema library says.

It knows the words of JSON Schema (draft 2020-12) that the published schemas use, and fails on others.
"""

import copy
import datetime as dt
import re
from typing import Any

from hypothesis import strategies as st
from jsonschema import Draft202012Validator, FormatChecker, ValidationError, validators

Schema = dict[str, Any]
KNOWN = frozenset(
    {"$ref", "$defs", "$schema", "type", "properties", "required", "additionalProperties", "anyOf", "format", "pattern"}
    | {"minLength", "maxLength", "minimum", "maximum", "exclusiveMinimum", "default", "description", "enum"}
)
JSON: st.SearchStrategy[Any] = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=80),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=5,
)

# what looks nearly right, or is taken for something else by a friendly reader
TEMPTING: list[Any] = [
    *("7", "10", "30", "true", "a\n", " ", "", "  x ", "x" * 129, " " * 128 + "x", "../x", "x\u202ey", "x\x9by"),
    *(41, 41.0, 41.5, 0, -1, 2**53, 1e300, True, None, {}, []),
    *("1793880000", 1793880000, "2026-02-30T00:00:00Z", "2026-11-05T09:30:00", "2026-11-05 09:30:00Z", "2026-11-05"),
    *("2026-11-05T24:00:00Z", "2026-11-05T09:30:00.Z", "2026-11-05T09:30:00+01", "2026-11-05t09:30:00z"),
]


def _pattern(_: Any, pattern: str, instance: Any, __: Any) -> Any:
    """ECMA 262, which JSON Schema names: `$` is the end and not also the newline before it, as in Python."""
    if isinstance(instance, str) and not re.search(re.sub(r"\$$", r"\\Z", pattern), instance):
        yield ValidationError(f"{instance!r} does not match {pattern!r}")


_formats = FormatChecker(formats=())


@_formats.checks("date-time", raises=ValueError)
def _is_date_time(instance: Any) -> bool:
    if isinstance(instance, str):
        dt.datetime.fromisoformat(instance[:19])  # the pattern looks at the rest
    return True


_Validator: Any = validators.extend(Draft202012Validator, {"pattern": _pattern})


def oracle(schema: Schema) -> Any:
    """A validator of the jsonschema library, formats asserted."""
    return _Validator(schema, format_checker=_formats)


def sound(schema: Schema) -> st.SearchStrategy[Any]:
    """Messages that are valid by the schema."""
    return _made(schema, schema).filter(oracle(schema).is_valid)


@st.composite
def perhaps_spoiled(draw: st.DrawFn, schema: Schema, sound_ones: st.SearchStrategy[Any]) -> Any:
    """A message that was valid until something in it was put, taken away or replaced."""
    message = copy.deepcopy(draw(sound_ones))
    places = [message, *(value for value in message.values() if isinstance(value, dict))]
    for _ in range(draw(st.integers(1, 2))):
        place = draw(st.sampled_from(places))
        names = sorted({*place, *(schema["properties"] if place is message else ())})
        key = draw(st.sampled_from([*names, "extra"]) | st.text(max_size=8))
        how = draw(st.sampled_from(["tempt", "tempt", "put", "take away", "text"]))
        if how == "take away":
            place.pop(key, None)
        else:
            place[key] = (
                draw(st.sampled_from(TEMPTING) if how == "tempt" else JSON)
                if how != "text"
                else str(place.get(key, ""))
            )
    return message


def _made(schema: Schema, whole: Schema) -> st.SearchStrategy[Any]:
    unknown = schema.keys() - KNOWN
    assert not unknown, f"no rule for {unknown}"
    if "$ref" in schema:
        return _made(whole["$defs"][schema["$ref"].removeprefix("#/$defs/")], whole)
    if "anyOf" in schema:
        return st.one_of([_made(choice, whole) for choice in schema["anyOf"]])
    return _KINDS[schema["type"]](schema, whole)


def _objects(schema: Schema, whole: Schema) -> st.SearchStrategy[Any]:
    properties = {name: _made(one, whole) for name, one in schema.get("properties", {}).items()}
    needed = set(schema.get("required", ()))
    optional = {name: one for name, one in properties.items() if name not in needed}
    return st.fixed_dictionaries({name: properties[name] for name in sorted(needed)}, optional=optional)


def _numbers(schema: Schema, _: Schema) -> st.SearchStrategy[Any]:
    low, high = schema.get("minimum", schema.get("exclusiveMinimum")), schema["maximum"]
    return st.floats(low, high, allow_nan=False, allow_infinity=False) | st.integers(int(low) + 1, int(high))


def _integers(schema: Schema, _: Schema) -> st.SearchStrategy[Any]:
    return st.integers(schema["minimum"], schema["maximum"]) | st.integers(0, 2**20).map(float)


def _texts(schema: Schema, _: Schema) -> st.SearchStrategy[str]:
    if schema.get("format") == "date-time":
        return st.builds(
            lambda at, fraction, zone: f"{at:%Y-%m-%dT%H:%M:%S}".zfill(19) + fraction + zone,
            st.datetimes(min_value=dt.datetime(1, 1, 1)),  # noqa: DTZ001 - the zone is added as text
            st.just("") | st.from_regex(r"\.[0-9]{1,9}\Z"),
            st.just("Z") | st.from_regex(r"[+-]([01][0-9]|2[0-3]):[0-5][0-9]\Z"),
        )
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    return st.from_regex(re.sub(r"\$$", r"\\Z", schema["pattern"]))


_KINDS = {
    "object": _objects,
    "number": _numbers,
    "integer": _integers,
    "string": _texts,
    "boolean": lambda _, __: st.booleans(),
    "null": lambda _, __: st.none(),
}
