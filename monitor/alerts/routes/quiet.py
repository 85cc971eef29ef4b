"""Quiet hours: a daily window of local time in which only what is urgent goes out."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from monitor.model.clock import SECOND, ms_of


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From `start` to `end` ("22:30") in `zone`, across midnight where the end is the smaller.

    Equal times mean no quiet at all. Where clocks go back and a time of day comes twice, quiet starts at its
    first and ends at its second; a time of day that is skipped counts as that many minutes after the change.
    """

    start: str
    end: str
    zone: ZoneInfo

    def until(self, now_ms: int) -> int | None:
        """When the quiet that covers `now_ms` ends, in UTC ms; None when it is not quiet then."""
        if self.start == self.end:
            return None
        today = datetime.fromtimestamp(now_ms / SECOND, UTC).astimezone(self.zone).date()
        for day in (today - timedelta(days=1), today):
            starts, ends = self._window(day)
            if starts <= now_ms < ends:
                return ends
        return None

    def _window(self, day: date) -> tuple[int, int]:
        last = day if self.start < self.end else day + timedelta(days=1)
        begins = datetime.combine(day, time.fromisoformat(self.start), self.zone)
        ends = datetime.combine(last, time.fromisoformat(self.end), self.zone)
        return ms_of(begins.astimezone(UTC)), max(ms_of(ends.replace(fold=fold).astimezone(UTC)) for fold in (0, 1))
