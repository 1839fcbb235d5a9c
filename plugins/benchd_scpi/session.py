"""One instrument's line of conversation: who it must be, what was confirmed, and when a connection may be used.

It must never repeat a question, wait for better times or write down anything by itself. The one exception is `insist`,
which serves a port's way to safety and is bounded.
"""

import asyncio
from collections.abc import Callable, Sequence
from typing import TypeVar

from benchd.contract import DeviceFault, DriverError, LinkLost, Refused, ReplyWrong
from benchd_scpi import message
from benchd_scpi.connection import Connection, Parts
from benchd_scpi.message import Check, ErrorEntry, Garbled
from benchd_scpi.settings import SAFE_TIME_S, InstrumentSettings

T = TypeVar("T")
IDENTITY_QUERY = "*IDN?"
LONGEST_ERROR_QUEUE = 32
PAUSE_S = 0.01  # between attempts of `insist`: an instrument with one connection needs a moment to let go of the last
SAFE_MARGIN_S = 0.05  # `insist` ends this much before the promised time


class Session:
    """Speaks with one instrument, one question at a time, over a connection that is replaced once it is spoiled."""

    def __init__(self, settings: InstrumentSettings, *, kind: str, error_query: str | None = None) -> None:
        self.device = f"{kind} at {settings.host}:{settings.port}"
        self._settings = settings
        self._error_query = error_query
        self._connection: Connection | None = None
        self._entered = False
        # The one lock: two calls to make safe must not take the connection from each other in turns.
        self._making_safe = asyncio.Lock()

    async def open(self) -> None:
        """Connect and check the identity. Raises `LinkLost`, `ReplyWrong`, `Refused`; then nothing stays open."""
        await self._replace()
        self._entered = True

    async def reconnect(self) -> None:
        """Replace the connection and check the identity; nothing on the instrument changes."""
        self._not_while_making_safe()
        await self._replace()

    def close(self) -> None:
        """Close the connection; idempotent."""
        self._entered = False
        if self._connection is not None:
            self._connection.drop("the driver was left")

    async def ask(self, query: bytes, read: Callable[[str], T]) -> tuple[T, float]:
        """What `read` makes of the reply, and the loop's time at the middle of the exchange.

        `read` raises `Garbled` for a reply that is none. Raises `LinkLost` and `ReplyWrong`; these and a cancellation
        spoil the connection, and on a spoiled one `LinkLost` is raised at once.
        """
        self._not_while_making_safe()
        return await self._ask(self._usable(), query, read)

    async def ask_parts(self, query: bytes, parts: Callable[[], Parts[T]]) -> tuple[T, float]:
        """What `parts` makes of an answer that holds binary data, and the loop's time at which its last byte came.

        Raises and spoils as `ask`.
        """
        self._not_while_making_safe()
        connection = self._usable()
        try:
            return await connection.exchange_parts(query, parts)
        except Garbled as error:
            asked = query.decode("ascii").strip()
            raise ReplyWrong(f"The {self.device} did not answer {asked!r} with samples: {error}.") from error

    async def put(self, commands: Sequence[str], checks: Sequence[Check]) -> None:
        """Send the commands and confirm them by the checks, in one exchange.

        Where a check fails: raises `DeviceFault` if the check is about a fault, `Refused` with the instrument's words
        if it has some in its error queue, `ReplyWrong` otherwise.
        """
        self._not_while_making_safe()
        await self._put(self._usable(), commands, checks)

    async def insist(self, commands: Sequence[str], checks: Sequence[Check]) -> None:
        """As `put`, whatever state the connection is in, within the promised safe time.

        A busy or spoiled connection is replaced, and replaced again while that fails. The identity is checked in the
        same exchange where the connection is new.
        """
        last: DriverError = LinkLost(f"The {self.device} could not be reached in time to make it safe.")
        try:
            async with asyncio.timeout(SAFE_TIME_S - SAFE_MARGIN_S), self._making_safe:
                while True:
                    connection = self._connection
                    new = connection is None or not connection.usable or connection.busy
                    try:
                        return await self._insist_once(commands, checks, new=new)
                    except ReplyWrong as error:
                        if new:
                            raise
                        last = error
                    except LinkLost as error:
                        last = error
                        await asyncio.sleep(PAUSE_S)
        except TimeoutError:
            raise last from None
        finally:
            if not self._entered:
                self.close()

    async def _insist_once(self, commands: Sequence[str], checks: Sequence[Check], *, new: bool) -> None:
        if not new:
            return await self._put(self._usable(), commands, checks)
        if self._connection is not None:
            # In case the instrument does not take a second connection soon: it may still read this one.
            self._connection.push(message.compose(*commands))
        connection = await self._connect()
        identity = Check(query=IDENTITY_QUERY, wanted=self._settings.identity, holds=self._is_the_one)
        return await self._put(connection, commands, (*checks, identity))

    async def _replace(self) -> None:
        connection = await self._connect()
        await self._ask(connection, message.compose(IDENTITY_QUERY), self._is_the_one)

    async def _connect(self) -> Connection:
        if self._connection is not None:
            self._connection.drop("another call replaced its connection")
        where = self._settings
        connection = self._connection = Connection(
            device=self.device, host=where.host, port=where.port, reply_time_s=where.reply_time_s
        )
        await connection.open()
        return connection

    def _usable(self) -> Connection:
        if self._connection is None or not self._connection.usable:
            raise LinkLost(f"The {self.device} has no usable connection: it must be reconnected first.")
        return self._connection

    async def _ask(self, connection: Connection, query: bytes, read: Callable[[str], T]) -> tuple[T, float]:
        reply, taken_mono_s = await connection.exchange(query)
        try:
            return read(message.text_of(reply)), taken_mono_s
        except Garbled as error:
            connection.drop()
            asked = query.decode("ascii").strip()
            raise ReplyWrong(f"The {self.device} answered {reply[:80]!r} to {asked!r}: {error}.") from error
        except DriverError:
            connection.drop()
            raise

    async def _put(self, connection: Connection, commands: Sequence[str], checks: Sequence[Check]) -> None:
        query = message.compose(*commands, *(check.query for check in checks))

        def failed(text: str) -> list[tuple[Check, str]]:
            return message.failed_checks(checks, message.parts_of(text, len(checks)))

        failures, _ = await self._ask(connection, query, failed)
        if not failures:
            return
        sent = "; ".join(commands)
        told = ", ".join(f"{check.query} tells {part} instead of {check.wanted}" for check, part in failures)
        said = ", ".join(map(str, await self._error_queue(connection)))
        if any(check.fault for check, _ in failures):
            raise DeviceFault(f"The {self.device} has a fault: {told}{f' ({said})' if said else ''}.")
        if said:
            raise Refused(f"The {self.device} refused {sent}: {said}.")
        connection.drop()
        raise ReplyWrong(f"The {self.device} took {sent} without an error, but {told}.")

    async def _error_queue(self, connection: Connection) -> list[ErrorEntry]:
        """What the instrument has to say, oldest first; no question begins later than one reply time."""
        entries: list[ErrorEntry] = []
        if self._error_query is None:
            return entries
        query = message.compose(self._error_query)
        loop = asyncio.get_running_loop()
        deadline_mono_s = loop.time() + self._settings.reply_time_s
        while len(entries) < LONGEST_ERROR_QUEUE and loop.time() < deadline_mono_s:
            entry, _ = await self._ask(connection, query, message.error_entry)
            if entry.number == 0:
                break
            entries.append(entry)
        return entries

    def _is_the_one(self, answer: str) -> bool:
        if message.identity_fits(self._settings.identity, answer):
            return True
        expected = self._settings.identity
        raise Refused(
            f'The {self.device} calls itself "{answer}" where the bench file expects "{expected}": '
            "correct the address or the identity in the bench file."
        )

    def _not_while_making_safe(self) -> None:
        if self._making_safe.locked():
            raise LinkLost(f"The {self.device} is being made safe: nothing else is sent meanwhile.")
