"""Notices another daemon of this bench's name at the same broker. It decides nothing: it says so in one sentence.

Two daemons of one name both hear every command, and whoever commands cannot know which shaft will turn.
"""

import asyncio
from collections.abc import Callable

from pydantic import ValidationError

from benchd.outside.messages import BenchState

FORGOTTEN_AFTER_S = 10.0  # since its last word; two that know of each other speak once a second
LOOK_EVERY_S = 0.1  # whoever floods the state's topic costs no more than this many looks


class Namesake:
    """What is heard on the bench's own state topic. `retell` has the bench's state published anew."""

    def __init__(self, bench: str, *, session: str, on_event: Callable[..., None], retell: Callable[[], None]) -> None:
        self._bench = bench
        self._session = session
        self._on_event = on_event
        self._retell = retell
        self._other = ""
        self._heard_mono_s = self._looked_mono_s = float("-inf")

    @property
    def sentence(self) -> str:
        """Why nothing may begin, or ""."""
        if not self._other or _now() - self._heard_mono_s > FORGOTTEN_AFTER_S:
            return ""
        return (
            f"Another daemon calls itself {self._bench} at this broker and hears the same commands: end one of them, "
            "or give each bench a name of its own."
        )

    def heard(self, payload: bytes) -> None:
        """A message on the state's topic that came while connected; never raises."""
        if self._session.encode() in payload or _now() - self._looked_mono_s < LOOK_EVERY_S:
            return
        self._looked_mono_s = _now()
        try:
            state = BenchState.model_validate_json(payload)
        except (ValidationError, ValueError, RecursionError):
            return
        if not state.online:  # it has overwritten what the broker keeps, and this one is there
            if state.session == self._other:
                self._other = ""
            self._retell()
            return
        known = state.session == self._other and self.sentence
        self._other, self._heard_mono_s = state.session, _now()
        if not known:
            self._on_event("namesake", session=state.session, sentence=self.sentence)
            self._retell()  # so that the other one knows too


def _now() -> float:
    return asyncio.get_running_loop().time()
