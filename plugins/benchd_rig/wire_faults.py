"""Which faults a device's wire shows right now, and for how many more messages.

Its one job is to hold the switches that a test sets; what each fault does is in the servers and in-process drivers that
ask. It never touches a plant: a broken coupling is a fault of the plant, not of a wire.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

EVERY_WIRE = frozenset({"scpi", "modbus"})
_STREAMS = frozenset({"measuring_unit"})


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultKind:
    """One way a wire can fail: what people see, its numbers with defaults, and on which wires it exists."""

    summary: str
    parameters: Mapping[str, float] = field(default_factory=dict)
    wires: frozenset[str] = EVERY_WIRE
    devices: frozenset[str] | None = None  # None: every device on such a wire

    def exists_on(self, *, device: str, wire: str) -> bool:
        """Whether a device's wire can fail in this way."""
        return wire in self.wires and (self.devices is None or device in self.devices)


KINDS: Mapping[str, FaultKind] = {
    "hang": FaultKind(summary="takes every message and neither acts on it nor answers"),
    "garbage": FaultKind(summary="acts, but answers with bytes that mean nothing"),
    "late_reply": FaultKind(
        summary="acts at once and answers after delay_s; with keep_reply 0 a newer message discards the reply (-410)",
        parameters={"delay_s": 0.5, "keep_reply": 1.0},
    ),
    "drop": FaultKind(summary="resets the connection when a message arrives"),
    "refuse": FaultKind(summary="closes its connection and accepts no new one"),
    "stuck_value": FaultKind(summary="answers each question as it did the first time since the fault began"),
    "wrong_identity": FaultKind(summary="answers as another device"),
    "ignore_writes": FaultKind(summary="confirms what is written and does not act on it"),
    "says_no": FaultKind(summary="refuses every write (SCPI -200, Modbus exception by code)", parameters={"code": 4.0}),
    "nan": FaultKind(summary="measured values are not a number (SCPI 9.91E37, thermometers open)"),
    "one_byte_at_a_time": FaultKind(
        summary="sends its answer in single bytes, gap_s apart", parameters={"gap_s": 0.001}
    ),
    "duplicate_reply": FaultKind(summary="sends every answer twice"),
    "truncated_reply": FaultKind(summary="sends the first half of every answer"),
    "wrong_transaction": FaultKind(summary="answers with the transaction number before", wires=frozenset({"modbus"})),
    "truncated_block": FaultKind(
        summary="a sample block ends with its line feed missing_bytes before the length that it announces",
        parameters={"missing_bytes": 64.0},
        devices=_STREAMS,
    ),
    "lost_samples": FaultKind(
        summary="drops so many samples before each block; with told 0 it does not count them as lost",
        parameters={"samples": 400.0, "told": 1.0},
        devices=_STREAMS,
    ),
}


class UnknownFaultError(ValueError):
    """A fault that this wire does not have, in one sentence for the one who asked."""


class WireFaults:
    """The switches of one device's wire."""

    def __init__(self, *, device: str, wire: str) -> None:
        self.device = device
        self.wire = wire
        self._active: dict[str, dict[str, float]] = {}
        self._left: dict[str, int] = {}

    def switch(self, kind: str, *, on: bool, times: int = 0, parameters: Mapping[str, float] | None = None) -> None:
        """Switch one fault; `times` above 0 ends it by itself after so many messages.

        Raises `UnknownFaultError` for a kind or parameter that does not exist, and then changes nothing.
        """
        known = KINDS.get(kind)
        if known is None or not known.exists_on(device=self.device, wire=self.wire):
            here = (name for name, each in KINDS.items() if each.exists_on(device=self.device, wire=self.wire))
            has = ", ".join(here)
            raise UnknownFaultError(f"{self.device} has no wire fault {kind!r}; it has: {has}.")
        given = dict(parameters or {})
        for name, value in given.items():
            if name not in known.parameters:
                has = ", ".join(known.parameters) or "no numbers"
                raise UnknownFaultError(f"Wire fault {kind!r} has no number {name!r}; it has: {has}.")
            if not math.isfinite(value) or value < 0:
                raise UnknownFaultError(f"Wire fault {kind!r}: {name} must be 0 or more and finite.")
        if times < 0:
            raise UnknownFaultError(f"Wire fault {kind!r}: times must be 0 (until switched off) or more.")
        self._left.pop(kind, None)
        if not on:
            self._active.pop(kind, None)
            return
        self._active[kind] = {**known.parameters, **given}
        if times:
            self._left[kind] = times

    def clear(self) -> None:
        """Every fault off."""
        self._active.clear()
        self._left.clear()

    def is_on(self, kind: str) -> bool:
        """Whether a fault is on. Does not count as a message."""
        return kind in self._active

    def strike(self, kind: str) -> Mapping[str, float] | None:
        """The numbers of a fault that is on, None where it is off; counts a message against its `times`."""
        if not self._active:
            return None
        found = self._active.get(kind)
        if found is not None and kind in self._left:
            self._left[kind] -= 1
            if self._left[kind] == 0:
                self.switch(kind, on=False)
        return found

    def names(self) -> tuple[str, ...]:
        """The faults that are on."""
        return tuple(self._active)
