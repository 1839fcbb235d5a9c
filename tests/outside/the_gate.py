"""A gate for commands with clocks that a test turns by hand."""

import datetime as dt
import json
from dataclasses import dataclass, field
from typing import Any

from benchd.outside.admission import Admission, Admitted, Answered, Arrived
from benchd.outside.commands import Reply
from benchd.outside.lease import Lease
from benchd.outside.topics import Topics

NOON = dt.datetime(2026, 11, 5, 12, 0, tzinfo=dt.UTC)
RUN = {
    "programme": "pump_acceptance",
    "motor": "pump_48v",
    "setup": "pump",
    "order": "2026-0117",
    "serial": "VP-0042",
    "operator": "Ines Halvorsen-Ruud",
}
ANSWER = {"question": "5f3a9c-1", "answer": "yes"}
FIT = {key: RUN[key] for key in ("programme", "motor", "setup")}
HAND = {key: RUN[key] for key in ("motor", "setup", "order", "serial", "operator")}
SPEED = {"what": "speed_rpm", "value": 1000.0}


@dataclass
class Gate:
    """The gate of the bench `vineyard` at noon; `ines` may take control."""

    utc: dt.datetime = NOON
    mono_s: float = 1000.0
    topics: Topics = field(default_factory=lambda: Topics("vineyard"))
    lease: Lease = field(default_factory=lambda: Lease(first_fence=41))

    def __post_init__(self) -> None:
        self.admission = Admission(
            topics=self.topics,
            lease=self.lease,
            utc_now=lambda: self.utc,
            now_mono_s=lambda: self.mono_s,
            state=lambda: "Stopped",
        )

    def later(self, seconds: float) -> None:
        self.utc += dt.timedelta(seconds=seconds)
        self.mono_s += seconds

    def command(self, **fields: Any) -> dict[str, Any]:
        return {"id": "one", "client": "ines", "issued_at": self.utc.isoformat(), **fields}

    def ask(self, name: str, payload: bytes | None = None, **fields: Any) -> Admitted | Answered:
        told = {key: fields.pop(key) for key in ("retained", "response_topic", "correlation_data") if key in fields}
        payload = json.dumps(self.command(**fields)).encode() if payload is None else payload
        return self.admission.consider(Arrived(topic=self.topics.command(name), payload=payload, **told))

    def take_control(self, client: str = "ines") -> int:
        return self.lease.take(client, fence=None, lease_s=30.0, now_mono_s=self.mono_s).fence

    def reply(self, **fields: Any) -> Reply:
        return Reply(**{"id": "one", "command": "load", "stage": "done", "state": "Idle", "utc": self.utc, **fields})
