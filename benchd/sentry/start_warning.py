"""Switches the chain's start warning as the daemon asks, where the chain has one. It decides nothing."""

from benchd.contract import AnnouncesStart
from benchd.sentry.shared import DaemonSigns, SharedFile


def announcing(chain: object) -> AnnouncesStart | None:
    """The chain, where it has a start warning."""
    return chain if isinstance(chain, AnnouncesStart) and chain.announces_start else None


class StartWarning:
    """The state of the output, and the last request that was carried out."""

    def __init__(self, shared: SharedFile) -> None:
        self._shared = shared
        self._done = 0
        self._on = False

    def take_up(self, signs: DaemonSigns) -> None:
        """What was asked of an earlier sentry is not done again."""
        self._done = signs.warning

    async def follow(self, chain: object, signs: DaemonSigns | None, *, there: bool) -> None:
        """One exchange where something is to be changed; off where the daemon is gone, which starts nothing.

        Raises the five error kinds; what was not confirmed is tried again.
        """
        output = announcing(chain)
        if output is None or signs is None:
            return
        wanted = there and not signs.ended and signs.warning % 2 == 1
        if signs.warning > self._done or (self._on and not wanted):
            await output.announce_start(on=wanted)
            self._on, self._done = wanted, signs.warning
            self._shared.confirm_warning(self._done)
