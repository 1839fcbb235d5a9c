"""An instrument as the daemon sees it: entered, left, reconnected. It must never speak SCPI itself."""

from collections.abc import Awaitable, Callable, Mapping
from types import TracebackType

from benchd.contract import Port
from benchd_scpi.session import Session


class Instrument:
    """A device with ports; its last act before the connection closes is `before_leaving`.

    `before_use` follows each check of the identity: it looks whether the device can do what the bench needs of it, and
    raises otherwise.
    """

    def __init__(
        self,
        session: Session,
        ports: Mapping[str, Port],
        *,
        before_leaving: Callable[[], Awaitable[None]] | None = None,
        before_use: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        self._session = session
        self._ports = ports
        self._before_leaving = before_leaving
        self._before_use = before_use
        self._entered = False

    async def __aenter__(self) -> Mapping[str, Port]:
        """Open and identify, change nothing. Raises `LinkLost`, `ReplyWrong`, `Refused`; then nothing stays open."""
        await self._session.open()
        if self._before_use is not None:
            try:
                await self._before_use()
            except BaseException:
                self._session.close()
                raise
        self._entered = True
        return self._ports

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None, /
    ) -> None:
        """Remove energy where there is some to remove, then close; idempotent.

        Raises what `make_safe` raises: an output that may still be on must not go unheard.
        """
        if not self._entered:
            return
        self._entered = False
        try:
            if self._before_leaving is not None:
                await self._before_leaving()
        finally:
            self._session.close()

    async def reconnect(self) -> None:
        """Replace the connection and check the identity again, nothing else."""
        await self._session.reconnect()
        if self._before_use is not None:
            await self._before_use()
