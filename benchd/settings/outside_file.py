"""What a bench file says of the world outside: broker, data groups, metrics. It must never open a connection."""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

from pydantic import Field

from benchd.settings.document import Document
from benchd.settings.errors import Problem
from benchd.settings.explain import nearest
from benchd.settings.pieces import Listed, Table, Text

Port = Annotated[int, Field(ge=1, le=65535)]
HIGHEST_RATE_HZ = 50.0  # of a data group; whoever needs every tick reads the run folder


class DataGroup(Table):
    """Channels that are published together; without `channels` all of them."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
    rate_hz: Annotated[float, Field(gt=0.0, le=HIGHEST_RATE_HZ)]
    channels: Annotated[tuple[Text, ...], Listed] = ()


USUAL_GROUPS = (DataGroup(name="all", rate_hz=2.0),)


class MqttTable(Table):
    """The broker, and what is published how often. A password stands in a file of its own, never here."""

    host: Text = "127.0.0.1"
    port: Port = 1883
    username: Text | None = None
    password_file: Text | None = None
    ca_file: Text | None = None  # the authority that signed the broker's certificate; without it nothing is encrypted
    keepalive_s: Annotated[int, Field(ge=1, le=60)] = 5
    groups: Annotated[tuple[DataGroup, ...], Listed, Field(min_length=1)] = USUAL_GROUPS


class MetricsTable(Table):
    """Where Prometheus may ask: this machine alone unless another address is given."""

    address: Text = "127.0.0.1"
    port: Port = 9480


def outside_problems(
    document: Document, mqtt: MqttTable | None, channels: Mapping[str, Any], *, tick_hz: float
) -> Iterator[Problem]:
    """Groups of one name, faster than the tick, or of channels that are not there; a password without a name."""
    if mqtt is None:
        return
    if mqtt.password_file is not None and mqtt.username is None:
        yield document.problem(("mqtt", "password_file"), "stands without a username; give the name that it belongs to")
    seen: set[str] = set()
    for place, group in enumerate(mqtt.groups):
        path = ("mqtt", "groups", place)
        if group.name in seen:
            yield document.problem((*path, "name"), f'is "{group.name}" a second time; give each group its own name')
        seen.add(group.name)
        if group.rate_hz > tick_hz:
            says = f"is {group.rate_hz:g} Hz, faster than the tick of {tick_hz:g} Hz; lower it"
            yield document.problem((*path, "rate_hz"), says)
        for name in group.channels:
            if name not in channels:
                says = f'names the channel "{name}", which the bench does not have; {nearest(name, channels)}'
                yield document.problem((*path, "channels"), says)
