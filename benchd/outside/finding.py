"""Which benches a broker knows, by what they last said of themselves. It asks none of them anything."""

import asyncio
import contextlib
from dataclasses import dataclass

import aiomqtt
from pydantic import ValidationError

from benchd.outside.client_wire import ClientError, NoBroker, Place, connected, payload_of
from benchd.outside.messages import BenchState
from benchd.outside.topics import VERSION, Topics

FOUND_WITHIN_S = 2.0  # a daemon that has just come up may not have spoken yet
QUIET_S = 0.3  # a broker hands out what it kept right after the subscription


class NoBench(ClientError):
    """There is no bench, or more than one and nobody said which."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundBench:
    """A bench that the broker knows; `state` None where what it said is of another version of the interface."""

    name: str
    version: str
    state: BenchState | None


async def find_benches(place: Place) -> list[FoundBench]:
    """Every bench that left a word on this broker, by name. Raises `NoBroker` and `NotPermitted`."""
    found: dict[tuple[str, str], FoundBench] = {}

    async def listen(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            parts = str(message.topic).split("/")
            payload = payload_of(message)
            if len(parts) == 4 and payload:
                _, version, name, _ = parts
                found[version, name] = FoundBench(name=name, version=version, state=_read(payload))
                quiet.reschedule(min(asyncio.get_running_loop().time() + QUIET_S, latest))

    latest = asyncio.get_running_loop().time() + FOUND_WITHIN_S
    try:
        async with connected(place, [("bench/+/+/state", 1)], again=False) as client:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout_at(latest) as quiet:
                    await listen(client)
    except aiomqtt.MqttError as error:
        raise NoBroker(f"The broker at {place} went away ({error}): is it running?") from error
    return sorted(found.values(), key=lambda one: (one.version, one.name))


async def the_only_bench(place: Place) -> str:
    """The name of the one bench that the broker knows; one that is off line counts, lest another be commanded instead.

    Raises `NoBench`, and what `find_benches` raises.
    """
    found = await find_benches(place)
    names = [one.name for one in found if one.version == VERSION]
    if len(names) == 1:
        return names[0]
    if names:
        shown = ", ".join(names[:20]) + (" and others" if len(names) > 20 else "")
        raise NoBench(f"The broker at {place} knows several benches: choose one of {shown}.")
    if found:
        others = ", ".join(sorted({f"bench/{one.version}" for one in found})[:5])
        raise NoBench(
            f"What speaks at {place} is {others}, not {Topics(found[0].name).root}: use the client it came with."
        )
    raise NoBench(f"No bench ever spoke at {place}: is a daemon connected to this broker?")


def _read(payload: bytes) -> BenchState | None:
    try:
        return BenchState.model_validate_json(payload)
    except (ValidationError, ValueError, RecursionError):
        return None
