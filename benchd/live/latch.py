"""Holds the first cause of a trip until Clear, and what later causes add to it. Values only; it takes nothing away."""

from dataclasses import replace

from benchd.live.causes import Cause


class Latch:
    """The first cause stays the cause; whatever comes later can make the reaction harder, never milder."""

    def __init__(self) -> None:
        self.cause: Cause | None = None
        self._told: set[str] = set()

    def is_news(self, cause: Cause) -> bool:
        """Whether this cause has not been told since the run began; it counts as told from now on.

        For lines in a log alone: whether a cause acts must never depend on whether it was told before.
        """
        news = cause.told_as not in self._told
        self._told.add(cause.told_as)
        return news

    def take(self, cause: Cause) -> Cause | None:
        """Latch a cause, or learn from it; the one whose place it took, or None.

        A later cause adds its doubts and makes the reaction harder. It takes the first one's place only where the
        chain explains that one: the chain is polled apart from the devices that it switches off, so what it does to
        them may be seen first; one that hangs opens for want of a heartbeat and never says so.
        """
        first = self.cause
        if first is None:
            self.cause = cause
            return None
        explains = (cause.chain_open or cause.chain_silent) and first.looks_like_chain
        self.cause = replace(
            first,
            sentence=cause.sentence if explains else first.sentence,
            reaction=max(first.reaction, cause.reaction),
            looks_like_chain=first.looks_like_chain and not explains,
            doubted=first.doubted | cause.doubted,
            chain_open=first.chain_open or cause.chain_open,
            chain_silent=first.chain_silent or cause.chain_silent,
        )
        return first if explains else None

    def forget_told(self) -> None:
        """A new run begins: what is told in it is news again."""
        self._told.clear()

    def clear(self) -> None:
        """Clear was given."""
        self.cause = None
        self._told.clear()
