"""UTC texts of the files as local time with its offset. It must never ask the clock or the machine it runs on."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from benchd.report import soft

NOT_RECORDED = "not recorded"
_LARGEST_OFFSET_S = 18 * 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalTime:
    """The bench's offset from UTC, as it was when the run began; UTC where the folder does not say it."""

    zone: timezone
    recorded: bool

    @classmethod
    def of(cls, description: Mapping[str, Any]) -> "LocalTime":
        """The offset that `run.json` gives as `utc_offset_s`."""
        offset_s = soft.number(description.get("utc_offset_s"))
        if offset_s is None or abs(offset_s) > _LARGEST_OFFSET_S:
            return cls(zone=UTC, recorded=False)
        return cls(zone=timezone(timedelta(seconds=round(offset_s))), recorded=True)

    @property
    def sentence(self) -> str:
        """Which time the report prints."""
        if self.recorded:
            return (
                f"Times are local with the bench's offset at the start of the run ({self._offset()}); files have UTC."
            )
        return "Times are UTC: the folder does not say the bench's local time."

    def second(self, utc: object) -> str:
        """Date, time to the second, offset."""
        moment = parsed(utc)
        return NOT_RECORDED if moment is None else f"{self._at(moment):%Y-%m-%d %H:%M:%S} {self._offset()}"

    def clock(self, utc: object) -> str:
        """Time of day to the millisecond, without the date; "" where there is none."""
        moment = parsed(utc)
        if moment is None:
            return ""
        at = self._at(moment)
        return f"{at:%H:%M:%S}.{at.microsecond // 1000:03d}"

    def day(self, utc: object) -> str:
        """The date."""
        moment = parsed(utc)
        return NOT_RECORDED if moment is None else f"{self._at(moment):%Y-%m-%d}"

    def _at(self, moment: datetime) -> datetime:
        try:
            return moment.astimezone(self.zone)
        except OverflowError:  # the first or last day that there is
            return moment

    def _offset(self) -> str:
        seconds = round(self.zone.utcoffset(None).total_seconds())
        sign = "−" if seconds < 0 else "+"
        return f"UTC{sign}{abs(seconds) // 3600:02d}:{abs(seconds) % 3600 // 60:02d}"


def parsed(utc: object) -> datetime | None:
    """The moment that an ISO 8601 text with its zone names, or None."""
    if not isinstance(utc, str):
        return None
    try:
        moment = datetime.fromisoformat(utc)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
