"""The one anchor that turns the event loop's time into UTC. It never reads a clock."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockAnchor:
    """One instant on both clocks: the event loop's time in s and UTC in ns since 1970."""

    mono_s: float
    utc_ns: int

    def utc(self, time_mono_s: float) -> datetime:
        """UTC at a time of the event loop, to the microsecond."""
        since_anchor_us = round((time_mono_s - self.mono_s) * 1e6)
        return _EPOCH + timedelta(microseconds=self.utc_ns // 1000 + since_anchor_us)


def utc_text(moment: datetime) -> str:
    """ISO 8601 in UTC with microseconds and a Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
