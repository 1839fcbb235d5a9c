"""The daemon's window on the safety chain where a sentry owns the connection: a driver that reads the shared file.

It satisfies the contract like every other driver: a sentry that is gone is a lost link, and the live room reacts as it
does to any chain that is silent.
"""

import asyncio
import time
from collections.abc import Callable, Mapping
from types import TracebackType

from benchd.contract import LinkLost, Refused, SafetyChainReading
from benchd.sentry.shared import NoSigns, SentrySigns, SharedFile

ALIVE_WITHIN_S = 0.2  # the sentry shows itself every 10 ms; a machine that is busy delays that
_LOOK_EVERY_S = 0.002


class _Window:
    """The chain's one port."""

    def __init__(self, shared: SharedFile, *, withdraw_time_s: float, start_by: str) -> None:
        self._shared = shared
        self._start_by = start_by
        self._withdraw_time_s = withdraw_time_s
        self.beats = 0
        self._asked = self._warning = 0

    async def read(self) -> SafetyChainReading:
        """The inputs as the sentry read them last; the time is that reading's."""
        signs = self.signs()
        if not signs.connected:
            raise LinkLost(f"The sentry has no connection to the safety chain: {signs.sentence or 'look at its wire'}")
        on = signs.inputs
        return SafetyChainReading(
            guard_closed=on["guard_closed"] is True,
            estop_released=on["estop_released"] is True,
            remote_selected=on["remote_selected"] is True,
            torque_enabled=on["torque_enabled"] is True,
            permit=on["permit"] is True,
            taken_mono_s=signs.taken_mono_s,
            release_pressed=on["release_pressed"],
        )

    async def beat(self, *, high: bool) -> None:
        """The daemon wants the heartbeat: the sentry toggles it while this and the tick advance."""
        del high
        self.beats += 1

    async def withdraw_permit(self) -> None:
        """Have the sentry ask the chain to open. Raises `Refused` where it does not confirm in time."""
        self._asked = max(self._asked, self.signs().withdrawn) + 1
        self._shared.ask(self._asked)
        what = f"The sentry did not confirm within {self._withdraw_time_s:g} s that the safety chain is open"
        await self._confirmed(lambda: self.signs().withdrawn >= self._asked, f"{what}: press the emergency stop.")

    @property
    def announces_start(self) -> bool:
        """Whether the chain has an output for a start warning, as far as a sentry says so."""
        try:
            return self.signs().announces_start
        except LinkLost:
            return False

    async def announce_start(self, *, on: bool) -> None:
        """Have the sentry switch the start warning. Raises `Refused` where it does not confirm in time."""
        number = max(self._warning, self.signs().warned) + 1
        self._warning = number + (number % 2 != on)  # odd wants it on
        self._shared.warn(self._warning)
        what = "The sentry did not confirm that the start warning was switched"
        await self._confirmed(lambda: self.signs().warned >= self._warning, f"{what}: look at its log and at the wire.")

    async def _confirmed(self, seen: Callable[[], bool], sentence: str) -> None:
        until_mono_s = time.monotonic() + self._withdraw_time_s
        while not seen():
            if time.monotonic() > until_mono_s:
                raise Refused(sentence)
            await asyncio.sleep(_LOOK_EVERY_S)

    def signs(self) -> SentrySigns:
        """The sentry's signs; raises `LinkLost` where there is no living sentry."""
        try:
            signs = self._shared.sentry()
        except NoSigns as error:
            raise LinkLost(f"No sentry is there: start it with {self._start_by}.") from error
        silent_s = time.monotonic() - signs.alive_mono_s
        if silent_s > ALIVE_WITHIN_S:
            raise LinkLost(
                f"The sentry has not shown itself for {silent_s:.2g} s: see why, then start it with {self._start_by}."
            )
        return signs


class SentryChain:
    """The driver. `shared` is open already and stays so: its owner also shows the tick in it.

    `start_by` is the command that a person is told where there is no sentry.
    """

    def __init__(
        self, shared: SharedFile, *, port: str, withdraw_time_s: float, start_by: str = "benchd sentry"
    ) -> None:
        self._port = port
        self.window = _Window(shared, withdraw_time_s=withdraw_time_s, start_by=start_by)

    async def __aenter__(self) -> Mapping[str, _Window]:
        """See that a sentry lives."""
        self.window.signs()
        return {self._port: self.window}

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Nothing to leave: without a tick the sentry stops the heartbeat by itself."""

    async def reconnect(self) -> None:
        """See that a sentry lives."""
        self.window.signs()
