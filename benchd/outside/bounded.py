"""A queue that never grows beyond a number of items and of bytes. It counts what does not fit and never waits."""

from collections import deque
from collections.abc import Iterator
from typing import Generic, TypeVar

Item = TypeVar("Item")


class Bounded(Generic[Item]):
    """First in, first out; the oldest go when it is full. `dropped` counts them."""

    def __init__(self, *, at_most: int, at_most_bytes: int) -> None:
        self.dropped = 0
        self.size_bytes = 0
        self._at_most = at_most
        self._at_most_bytes = at_most_bytes
        self._items: deque[tuple[Item, int]] = deque()

    def __len__(self) -> int:
        return len(self._items)

    def __iter__(self) -> Iterator[Item]:
        return (item for item, _ in self._items)

    @property
    def first(self) -> Item | None:
        """The oldest one; None when empty."""
        return self._items[0][0] if self._items else None

    def has_room(self, size_bytes: int) -> bool:
        """Whether one more of that size fits without dropping any."""
        return len(self._items) < self._at_most and self.size_bytes + size_bytes <= self._at_most_bytes

    def put(self, item: Item, *, size_bytes: int = 0) -> None:
        """Add at the end; the oldest are dropped until it fits, and an item greater than the whole queue is itself."""
        if size_bytes > self._at_most_bytes:
            self.dropped += 1
            return
        while not self.has_room(size_bytes):
            self.take()
            self.dropped += 1
        self._items.append((item, size_bytes))
        self.size_bytes += size_bytes

    def put_back(self, item: Item, *, size_bytes: int = 0) -> None:
        """Put what was taken back to the front; dropped itself when there is no room any more: it is the oldest."""
        if not self.has_room(size_bytes):
            self.dropped += 1
            return
        self._items.appendleft((item, size_bytes))
        self.size_bytes += size_bytes

    def take(self) -> Item | None:
        """Remove the oldest one; None when empty."""
        if not self._items:
            return None
        item, size_bytes = self._items.popleft()
        self.size_bytes -= size_bytes
        return item

    def take_all(self) -> list[Item]:
        """Remove all of them."""
        items = list(self)
        self._items.clear()
        self.size_bytes = 0
        return items

    def drop_all(self) -> None:
        """Drop all of them, counted."""
        self.dropped += len(self.take_all())
