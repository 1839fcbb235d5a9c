"""UTC texts of the files as local time with its offset. It must never ask the clock or the machine it runs on."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

from benchd.report import soft

NOT_RECORDED = "not recorded"
REHEARSALS_BEGIN = datetime(2000, 1, 1, tzinfo=UTC)  # the one moment that every rehearsal's files count from
_LARGEST_OFFSET_S = 18 * 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalTime:
    """The bench's offset from UTC, as it was when the run began; UTC where the folder does not say it."""

    zone: timezone
    recorded: bool
    virtual: bool = False  # of a rehearsal: its times count from its own beginning and are those of no day

    @classmethod
    def of(cls, description: Mapping[str, Any]) -> "LocalTime":
        """The offset that `run.json` gives as `utc_offset_s`."""
        if description.get("rehearsal") is not None:
            return cls(zone=UTC, recorded=True, virtual=True)
        offset_s = soft.number(description.get("utc_offset_s"))
        if offset_s is None or abs(offset_s) > _LARGEST_OFFSET_S:
            return cls(zone=UTC, recorded=False)
        return cls(zone=timezone(timedelta(seconds=round(offset_s))), recorded=True)

    @property
    def sentence(self) -> str:
        """Which time the report prints."""
        if self.virtual:
            return "Times are virtual and count from the moment when the simulated bench came up."
        if self.recorded:
            return (
                f"Times are local with the bench's offset at the start of the run ({self._offset()}); files have UTC."
            )
        return "Times are UTC: the folder does not say the bench's local time."

    def second(self, utc: object) -> str:
        """Date, time to the second, offset."""
        moment = parsed(utc)
        if self.virtual and moment is not None:
            return f"{_since_the_beginning(moment).partition('.')[0]} of virtual time"
        return NOT_RECORDED if moment is None else f"{self._at(moment):%Y-%m-%d %H:%M:%S} {self._offset()}"

    def clock(self, utc: object) -> str:
        """Time of day to the millisecond, without the date; "" where there is none."""
        moment = parsed(utc)
        if moment is None:
            return ""
        if self.virtual:
            return _since_the_beginning(moment)
        at = self._at(moment)
        return f"{at:%H:%M:%S}.{at.microsecond // 1000:03d}"

    def day(self, utc: object) -> str:
        """The date."""
        if self.virtual:
            return "virtual time"
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


def _since_the_beginning(moment: datetime) -> str:
    """Hours, minutes, seconds; a rehearsal of three days has 72 hours."""
    thousandths = round((moment - REHEARSALS_BEGIN).total_seconds() * 1000.0)
    seconds, rest = divmod(max(0, thousandths), 1000)
    return f"{seconds // 3600:02d}:{seconds % 3600 // 60:02d}:{seconds % 60:02d}.{rest:03d}"


def parsed(utc: object) -> datetime | None:
    """The moment that an ISO 8601 text with its zone names, or None."""
    if not isinstance(utc, str):
        return None
    try:
        moment = datetime.fromisoformat(utc)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)
