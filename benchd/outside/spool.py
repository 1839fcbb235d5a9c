"""Keeps messages that must not be lost until the broker has taken them, over restarts and in order.

It must never make the event loop wait for a disk, and never cost more than a counter when there is none.

A message goes from memory to the disk (beside the loop), from there to the broker, one at a time, and is forgotten once
the broker acknowledged it. So each is delivered at least once; who counts them does it by their id.
"""

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TypeVar

from benchd.outside.bounded import Bounded
from benchd.outside.spool_files import SEGMENTS, Kept, SpoolFiles

Told = TypeVar("Told")

USUAL_BYTES = 16 * 2**20
LONGEST_MESSAGE_BYTES = 256 * 2**10
IN_MEMORY = 2_000  # messages that wait for a disk, or for the broker where there is no disk
IN_MEMORY_BYTES = 8 * 2**20
READY = 500  # messages from the disk that are held ready; the rest stays there
READY_BYTES = 2 * 2**20
_BATCH = 200  # messages a call of the disk: it holds the interpreter's lock while it encodes them
_DISK_AGAIN_S = 5.0
_LEAVE_WITHIN_S = 2.0


class Spool:
    """Store and forward in one directory. `run` brings to the disk; `head` and `forget` are the sender's.

    `offload` runs blocking calls one after the other beside the loop. `on_change` hears once that the disk failed
    (False) and once that it is back (True), each with a sentence.
    """

    def __init__(
        self,
        directory: Path,
        *,
        offload: Callable[[Callable[[], object]], Awaitable[object]],
        at_most_bytes: int = USUAL_BYTES,
        on_change: Callable[[bool, str], None] = lambda _well, _sentence: None,
    ) -> None:
        self.on_ready: Callable[[], None] = lambda: None
        self.on_disk = False  # whether messages reach the disk at present
        self.forgotten = 0  # taken by the broker
        self.refused = 0  # refused by the broker for what they are
        self.oversized = 0
        self.gone_from_disk = 0  # the oldest, for want of room
        self._offload = offload
        self._on_change = on_change
        self._directory = directory
        self._files = SpoolFiles(directory, at_most_bytes=at_most_bytes)
        self._longest = min(LONGEST_MESSAGE_BYTES, at_most_bytes // (2 * SEGMENTS))
        self._fresh: Bounded[Kept] = Bounded(at_most=IN_MEMORY, at_most_bytes=IN_MEMORY_BYTES)
        self._ready: Bounded[Kept] = Bounded(at_most=IN_MEMORY, at_most_bytes=IN_MEMORY_BYTES)
        self._batch: list[Kept] = []  # being written
        self._behind = 0  # on the disk and not in memory
        self._next = 1
        self._read_to = 0  # the greatest number that is or was ready
        self._taken_to = self._told_taken_to = 0
        self._opened = False
        self._told_failed = False
        self._again_mono_s = 0.0  # when a disk that failed is tried again
        self._work = asyncio.Event()

    @property
    def dropped(self) -> int:
        """Messages that are lost: too many or too great for the memory or the disk there is."""
        return self._fresh.dropped + self._ready.dropped + self.gone_from_disk + self.oversized

    @property
    def waiting(self) -> int:
        """Messages that the broker has not taken yet, as far as is known."""
        return len(self._fresh) + len(self._batch) + len(self._ready) + self._behind

    def put(self, topic: str, id_: str, payload: bytes) -> None:
        """Take a message over: at once, in memory, the oldest go when there is no room."""
        if len(payload) > self._longest:
            self.oversized += 1
            return
        self._fresh.put(Kept(number=0, topic=topic, id=id_, payload=payload), size_bytes=len(payload))
        self._work.set()

    @property
    def head(self) -> Kept | None:
        """The message to be sent next; the same one until it is forgotten."""
        return self._ready.first

    def forget(self, message: Kept, *, refused: bool = False) -> None:
        """The broker has taken this one, or will never take it."""
        if self._ready.first is not message:
            return  # it went for want of room while it was on its way
        self._ready.take()
        if refused:
            self.refused += 1
        else:
            self.forgotten += 1
        if message.number:
            self._taken_to = message.number
        self._work.set()

    async def run(self) -> None:
        """Bring messages to the disk for ever; on cancellation once more what is in memory. One task of it."""
        try:
            while True:
                await self._round()
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(None if self.on_disk else _DISK_AGAIN_S):
                        await self._work.wait()
                self._work.clear()
        finally:
            await self._leave()

    async def _round(self) -> None:
        """Everything in memory to the disk, and from the disk what is to be sent next."""
        now = asyncio.get_running_loop().time()
        try:
            if self._behind and len(self._ready) < READY // 2:
                await self._read_on()
            if self.on_disk or now >= self._again_mono_s:
                await self._write_on()
        except OSError as error:
            self._again_mono_s = now + _DISK_AGAIN_S
            self._tell(well=False, sentence=f"Events wait in memory only, {self._directory} cannot be used: {error}.")
        if not self.on_disk and not self._behind:
            self._stay_in_memory()

    async def _beside(self, call: Callable[[], Told]) -> Told:
        told: list[Told] = []
        await self._offload(lambda: told.append(call()))
        return told[0]

    async def _read_on(self) -> None:
        try:
            read = partial(self._files.read_after, self._read_to, at_most=READY, at_most_bytes=READY_BYTES)
            found = await self._beside(read)
        except OSError:
            self.gone_from_disk += self._behind
            self._behind = 0
            raise
        for one in found:
            self._read_to = one.number
            self._make_ready(one)
        # none although there should be some: they were damaged or removed
        self._behind = max(self._behind - len(found), 0) if found else 0

    async def _write_on(self) -> None:
        if not self._opened:
            self._taken_to, self._behind = await self._beside(self._files.open)
            self._told_taken_to = self._read_to = self._taken_to
            self._next = self._files.last + 1
            self._opened = True
            await self._read_on()
        while self._fresh or self._batch or self._told_taken_to < self._taken_to:
            self._fill_batch()
            taken_to = self._taken_to
            store = partial(self._store, tuple(self._batch), spared_to=self._read_to, taken_to=taken_to)
            gone = await self._beside(store)
            self._told_taken_to = taken_to
            self.gone_from_disk += gone
            self._behind = max(self._behind - gone, 0)
            for one in self._batch:
                self._written(one)
            self._batch = []
        self._tell(well=True, sentence=f"Events are kept in {self._directory} again.")

    def _fill_batch(self) -> None:
        while len(self._batch) < _BATCH and (one := self._fresh.take()) is not None:
            self._batch.append(Kept(number=self._next, topic=one.topic, id=one.id, payload=one.payload))
            self._next += 1

    def _store(self, batch: tuple[Kept, ...], *, spared_to: int, taken_to: int) -> int:
        """In the thread of the disk."""
        self._files.taken(taken_to)
        return self._files.write(batch, spared_to=spared_to)

    def _written(self, one: Kept) -> None:
        size = len(one.payload)
        if self._behind or len(self._ready) >= READY or self._ready.size_bytes + size > READY_BYTES:
            self._behind += 1
            return
        self._read_to = one.number
        self._make_ready(one)

    def _stay_in_memory(self) -> None:
        """No disk: what is there is sent from memory, in order."""
        waiting = [*self._batch, *self._fresh.take_all()]
        self._batch = []
        for one in waiting:
            self._make_ready(replace(one, number=0))

    def _make_ready(self, one: Kept) -> None:
        self._ready.put(one, size_bytes=len(one.payload))
        if len(self._ready) == 1:
            self.on_ready()

    def _tell(self, *, well: bool, sentence: str) -> None:
        self.on_disk = well
        if well == self._told_failed:
            self._told_failed = not well
            self._on_change(well, sentence)

    async def _leave(self) -> None:
        """What is in memory to the disk, as far as it takes it soon."""
        waiting = [*(one for one in self._ready if not one.number), *self._batch, *self._fresh]
        with contextlib.suppress(OSError, TimeoutError):
            async with asyncio.timeout(_LEAVE_WITHIN_S):
                await self._offload(partial(self._last_words, waiting, opened=self._opened, taken_to=self._taken_to))

    def _last_words(self, waiting: Sequence[Kept], *, opened: bool, taken_to: int) -> None:
        """In the thread of the disk, after whatever call was still under way there."""
        files = self._files
        try:
            if not opened:
                files.open()
            unwritten = [one for one in waiting if not 0 < one.number <= files.last]
            first = files.last + 1
            files.write([replace(one, number=first + at) for at, one in enumerate(unwritten)], spared_to=0)
            files.taken(taken_to)
        finally:
            files.close()
