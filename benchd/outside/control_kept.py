"""Control of a bench, kept while something goes on that needs it. It must never take control from another."""

import asyncio
from collections.abc import Coroutine, Mapping
from types import TracebackType
from typing import Any, Protocol, Self

from benchd.outside.client_wire import ClientError
from benchd.outside.commands import Code, CommandName, ControlGiven, Reply
from benchd.outside.messages import BenchState
from benchd.outside.news import ControlNews, News


class NoControl(ClientError):
    """The bench did not give control; `reply` is what it said."""

    def __init__(self, reply: Reply) -> None:
        super().__init__(reply.sentence or f"The bench refused control ({reply.code}).")
        self.reply = reply


class Asks(Protocol):
    """What control needs of a client."""

    @property
    def client(self) -> str:
        """Who asks."""
        ...

    def state(self) -> BenchState | None:
        """What the bench last said of itself."""
        ...

    async def ask(
        self, name: CommandName, arguments: Mapping[str, object] | None = None, *, fence: int | None = None
    ) -> Reply:
        """Ask, and return the last answer."""
        ...

    def tell(self, news: News) -> None:
        """Give news to everybody who watches."""
        ...

    def begin(self, job: Coroutine[Any, Any, None]) -> asyncio.Task[None]:
        """Run something beside, for as long as the client lives at most."""
        ...


class ControlKept:
    """Taken on entering, renewed at a third of the lease, released on leaving.

    Entering raises `NoControl`, and `NoAnswer` of the client. What becomes of it later is news; `fence` is the present
    number, None once another has it.
    """

    def __init__(self, asks: Asks, *, lease_s: float) -> None:
        self._asks = asks
        self._lease_s = lease_s
        self._renewer: asyncio.Task[None] | None = None
        self.fence: int | None = None

    async def __aenter__(self) -> Self:
        reply = await self._take(fence=None)
        if not isinstance(reply.result, ControlGiven):
            raise NoControl(reply)
        self.fence = reply.result.fence
        self._renewer = self._asks.begin(self._renew())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._renewer is not None:
            self._renewer.cancel()
        if self.fence is None:
            return
        try:
            await self._asks.ask(CommandName.RELEASE, fence=self.fence)
        except ClientError:
            return  # the lease ends by itself

    async def _renew(self) -> None:
        while self.fence is not None:
            await asyncio.sleep(self._lease_s / 3.0)
            try:
                reply = await self._take(fence=self.fence)
                if reply.code is Code.NOT_IN_CONTROL and self._nobody_has_it():
                    reply = await self._take(fence=None)  # it ran out while nobody could be reached
                    if isinstance(reply.result, ControlGiven):
                        self._asks.tell(ControlNews(lost=False, sentence="Control had run out; it was taken again."))
            except ClientError:
                continue  # the connection's news say why; what was lost shows at the next renewal
            if isinstance(reply.result, ControlGiven):
                self.fence = reply.result.fence
            elif reply.code in {Code.CONTROL_HELD, Code.NOT_IN_CONTROL}:
                self.fence = None
                self._asks.tell(ControlNews(lost=True, sentence=f"Control was lost: {reply.sentence}"))

    def _nobody_has_it(self) -> bool:
        """Whether control is free; a number that another program got under our name is not ours to take back."""
        state = self._asks.state()
        held = None if state is None else state.control
        return held is None or (held.holder, held.fence) == (self._asks.client, self.fence)

    async def _take(self, *, fence: int | None) -> Reply:
        return await self._asks.ask(CommandName.CONTROL, {"lease_s": self._lease_s}, fence=fence)
