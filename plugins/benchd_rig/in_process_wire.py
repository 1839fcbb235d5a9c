"""The wire of an in-process device: reply times and the faults of a wire, without bytes.

Its one job is one exchange with a simulated device in the running event loop's time; what is asked is the driver's. It
uses no socket, thread or clock of its own, so that it works where time is virtual.
"""

import asyncio
import dataclasses
from collections.abc import Callable
from typing import Any, TypeVar

from benchd.contract import DriverError, LinkLost, Refused, ReplyWrong
from benchd_rig.bench import Bench

REPLY_TIME_S = 0.002
GIVE_UP_S = 0.3
_BYTES = 20  # of a usual reply
_WRONG = ("garbage", "truncated_reply", "wrong_transaction")

T = TypeVar("T")


class InProcessWire:
    """One device's wire. After a late, wrong or cancelled exchange it is spoiled until `open`."""

    def __init__(self, bench: Bench, device: str) -> None:
        self.device = device
        self._bench = bench
        self._faults = bench.faults[device]
        self._spoiled: DriverError | None = LinkLost(f"The {device} is not open: enter its driver first.")
        self._stuck: dict[str, Any] = {}

    def now(self) -> float:
        """The running event loop's time, s."""
        return asyncio.get_running_loop().time()

    async def open(self) -> None:
        """A new connection: `LinkLost` for a device that refuses it, `Refused` for a wrong identity."""
        self._spoiled = None
        await self.exchange("identity", lambda: None)
        if self._faults.is_on("wrong_identity"):
            self.close()
            raise Refused(f"The {self.device} is another device than the one asked for: check address and wiring.")

    def close(self) -> None:
        """No exchange until `open`."""
        self._spoiled = LinkLost(f"The {self.device} is not open: enter its driver first.")

    async def exchange(self, what: str, act: Callable[[], T], *, writes: bool = False) -> T:
        """Bring the plant up to now, act, and return what came of it after the reply time.

        Raises the contract's errors where the wire is faulty; `act` may raise them too, for the device.
        """
        if self._spoiled is not None:
            raise type(self._spoiled)(str(self._spoiled))
        self._spoiled = LinkLost(f"The {self.device}'s last exchange was not finished: reconnect first.")
        self._bench.advance()
        if self._faults.names():
            return await self._faulty(what, act, writes=writes)
        result, refusal = _outcome(act)
        await asyncio.sleep(REPLY_TIME_S)
        self._spoiled = None
        if refusal is not None:
            raise refusal
        answer: T = result
        return answer

    async def write(self, what: str, act: Callable[[], None], holds: Callable[[], bool]) -> None:
        """Write, read back and compare. Raises `ReplyWrong` where the device does not hold what was written."""
        await self.exchange(what, act, writes=True)
        if not await self.exchange(f"{what}?", holds):
            raise ReplyWrong(f"The {self.device} does not hold the {what} that it was given: look at the device.")

    async def _faulty(self, what: str, act: Callable[[], T], *, writes: bool) -> T:
        faults = self._faults
        if faults.is_on("refuse"):
            raise self.spoil(LinkLost(f"The {self.device} refuses the connection: check that it is on."))
        if faults.strike("hang") is not None:
            await asyncio.sleep(GIVE_UP_S)
            raise self.spoil(LinkLost(f"The {self.device} did not answer in {GIVE_UP_S:g} s: look at the device."))
        if faults.strike("drop") is not None:
            await asyncio.sleep(REPLY_TIME_S)
            raise self.spoil(LinkLost(f"The {self.device} closed the connection: look at the device."))
        result, refusal = self._acted(what, act, writes=writes)
        late, slow = faults.strike("late_reply"), faults.strike("one_byte_at_a_time")
        delay_s = REPLY_TIME_S + (late["delay_s"] if late else 0.0) + (_BYTES * slow["gap_s"] if slow else 0.0)
        await asyncio.sleep(min(delay_s, GIVE_UP_S))
        if delay_s > GIVE_UP_S:
            raise self.spoil(LinkLost(f"The {self.device} did not answer in {GIVE_UP_S:g} s: look at the device."))
        wrong = [kind for kind in _WRONG if faults.strike(kind) is not None]
        if wrong:
            raise self.spoil(ReplyWrong(f"The {self.device} answered with something else: reconnect."))
        self._spoiled = None
        if faults.strike("duplicate_reply") is not None:
            self._spoiled = ReplyWrong(f"The {self.device} had answered twice: reconnect.")
        if refusal is not None:
            raise refusal
        answer: T = result
        return answer

    def _acted(self, what: str, act: Callable[[], T], *, writes: bool) -> tuple[Any, DriverError | None]:
        """The result or the device's refusal, with the faults that touch what the device does."""
        if not writes:
            return _outcome(lambda: self._seen(what, act))
        if self._faults.strike("says_no") is not None:
            return None, Refused(f"The {self.device} refuses the {what}: look at the device.")
        if self._faults.strike("ignore_writes") is not None:
            return None, None
        return _outcome(act)

    def _seen(self, what: str, act: Callable[[], T]) -> T:
        """What the device shows: the same again and again while its value is stuck."""
        if not self._faults.is_on("stuck_value"):
            self._stuck.clear()
            return act()
        if what not in self._stuck:
            self._stuck[what] = act()
        kept: Any = self._stuck[what]
        if hasattr(kept, "taken_mono_s"):
            kept = dataclasses.replace(kept, taken_mono_s=self.now())
        shown: T = kept
        return shown

    def spoil(self, error: DriverError) -> DriverError:
        """Nothing more goes over this connection; returns the error for the caller to raise."""
        self._spoiled = LinkLost(f"The {self.device}'s connection is out of step: reconnect first.")
        return error


def _outcome(act: Callable[[], object]) -> tuple[Any, DriverError | None]:
    try:
        return act(), None
    except DriverError as refusal:
        return None, refusal
