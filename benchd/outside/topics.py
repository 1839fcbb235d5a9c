"""The topics of the MQTT interface, version 1: names and their parts. Strings only; it publishes nothing."""

import re
from dataclasses import dataclass

VERSION = "v1"
ROOT = f"bench/{VERSION}"
LONGEST_NAME = 64
NAME_PATTERN = rf"[A-Za-z0-9][A-Za-z0-9_.-]{{0,{LONGEST_NAME - 1}}}"
_NAME = re.compile(NAME_PATTERN)


def is_name(text: str) -> bool:
    """Whether a text may be one level of a topic: letters, digits, `_`, `-`, `.`, at most 64 of them."""
    return _NAME.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one bench."""

    bench: str

    @property
    def root(self) -> str:
        """What all topics of this bench begin with."""
        return f"{ROOT}/{self.bench}"

    @property
    def meta(self) -> str:
        """What the bench is; retained."""
        return f"{self.root}/meta"

    @property
    def state(self) -> str:
        """How the bench is; retained, last will."""
        return f"{self.root}/state"

    @property
    def event(self) -> str:
        """What happened."""
        return f"{self.root}/event"

    @property
    def commands(self) -> str:
        """The filter that matches every command."""
        return f"{self.root}/command/+"

    @property
    def everything(self) -> str:
        """The filter that matches all of this bench."""
        return f"{self.root}/#"

    def data(self, group: str) -> str:
        """One data group."""
        return f"{self.root}/data/{group}"

    def run(self, run: str) -> str:
        """What is announced of one run."""
        return f"{self.root}/run/{run}"

    def command(self, name: str) -> str:
        """One command."""
        return f"{self.root}/command/{name}"

    def reply(self, client: str) -> str:
        """Where one client is answered."""
        return f"{self.root}/reply/{client}"

    def command_name(self, topic: str) -> str | None:
        """The command that a topic asks for; None for another topic."""
        head, _, name = topic.rpartition("/")
        return name if head == f"{self.root}/command" else None

    def is_reply(self, topic: str) -> bool:
        """Whether a topic is one that a client of this bench may be answered on: nothing else is ever answered on."""
        head, _, client = topic.rpartition("/")
        return head == f"{self.root}/reply" and is_name(client)
