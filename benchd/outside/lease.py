"""Who commands the bench: one client at a time, by a lease with a fencing number. Values only; it knows no wire.

The number grows with every lease that is taken, never with one that is kept, so that a command sent under an earlier
lease is told from one of the present lease whoever sent it (fencing token: common practice of distributed systems).
"""

import math
from dataclasses import dataclass

COMMAND_LINE = (
    "the command line"  # holds control of a run of its own; no client can call itself so: a name has no space
)


class ControlHeld(Exception):
    """Somebody else holds control; the sentence says who and for how long."""


class NotInControl(Exception):
    """A command without the present lease's number; the sentence says what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A lease that is held."""

    holder: str
    fence: int
    until_mono_s: float


class Lease:
    """At most one lease. `first_fence` is greater than every number that this bench ever gave."""

    def __init__(self, *, first_fence: int) -> None:
        self._next = first_fence
        self._held: Held | None = None

    def held(self, *, now_mono_s: float) -> Held | None:
        """The lease in force, or None."""
        held = self._held
        return held if held is not None and now_mono_s < held.until_mono_s else None

    def take(self, holder: str, *, fence: int | None, lease_s: float, now_mono_s: float) -> Held:
        """Take control, or keep it for `lease_s` from now on.

        The holder keeps it, and its number, by giving that number; without the number it takes a new lease, and the
        earlier number is worth nothing any more: two programs under one name fence each other out. A number that is not
        of the lease in force is refused, never taken for a wish to have a new one: whoever lost control must know it.
        Raises `ControlHeld` and `NotInControl` and changes nothing then.
        """
        held = self.held(now_mono_s=now_mono_s)
        if held is not None and held.holder != holder:
            left_s = held.until_mono_s - now_mono_s
            if math.isinf(left_s):
                raise ControlHeld(f"{held.holder} holds control until its run has ended: wait, or ask for a stop.")
            raise ControlHeld(
                f"{held.holder} holds control for another {left_s:.0f} s or longer: wait, or ask for its release."
            )
        if fence is None:
            number, self._next = self._next, self._next + 1
        else:
            self.check(holder, fence=fence, now_mono_s=now_mono_s)
            number = fence
        self._held = Held(holder=holder, fence=number, until_mono_s=now_mono_s + lease_s)
        return self._held

    def check(self, holder: str, *, fence: int | None, now_mono_s: float) -> None:
        """Raises `NotInControl`, or `ControlHeld` where another client commands, unless this is the lease in force."""
        held = self.held(now_mono_s=now_mono_s)
        if held is not None and (held.holder, held.fence) == (holder, fence):
            return
        if held is not None and held.holder != holder:
            raise ControlHeld(f"{held.holder} holds control: only Stop and Abort are open to others.")
        if fence is None:
            raise NotInControl("This command needs control: take it first and give the number that you are told.")
        raise NotInControl(f"The number {fence} is of an earlier lease: take control again.")

    def keep(self, holder: str) -> None:
        """This process itself commands from now on; nobody takes that away from it."""
        self._held = Held(holder=holder, fence=self._next, until_mono_s=math.inf)
        self._next += 1

    @property
    def kept(self) -> bool:
        """Whether this process itself commands."""
        return self._held is not None and math.isinf(self._held.until_mono_s)

    def release(self) -> None:
        """Nobody commands any more."""
        self._held = None
