"""RFC 3339 times read and written fast: a recording holds hundreds of thousands, of few parts."""

from __future__ import annotations

from monitor.model.clock import MINUTE, SECOND, iso, parse_time

_KEPT = 100_000  # parts of times; then the table starts anew


class TimeReader:
    """Reads times with offset as UTC milliseconds.

    `2026-03-09T04:10:00.250+01:00` is a sum of four parts, each of which comes again and again: the day, the minute of
    the day, the second, and the fraction with the offset. A part is kept once a whole time with it was read with care,
    so any four kept parts make a valid time. The parts differ in length or form, so one table holds them all.
    """

    def __init__(self) -> None:
        self._parts: dict[str, int] = {}

    def read(self, text: str) -> int:
        """UTC milliseconds; ValueError for what is no RFC 3339 time with offset."""
        parts = self._parts
        try:
            return parts[text[:11]] + parts[text[11:17]] + parts[text[17:19]] + parts[text[19:]]
        except KeyError:
            return self._careful(text)

    def _careful(self, text: str) -> int:
        whole = parse_time(text)
        if len(self._parts) > _KEPT:
            self._parts.clear()
        day = parse_time(f"{text[:11]}00:00:00Z")
        minute = parse_time(f"{text[:17]}00Z") - day
        second = int(text[17:19]) * SECOND
        self._parts.update({text[:11]: day, text[11:17]: minute, text[17:19]: second})
        self._parts[text[19:]] = whole - day - minute - second
        return whole


class TimeWriter:
    """Writes UTC milliseconds as RFC 3339 to the millisecond."""

    def __init__(self) -> None:
        self._minute = -1
        self._text = ""

    def write(self, ms: int) -> str:
        """`2026-03-09T04:10:00.000Z`."""
        minute, rest = divmod(ms, MINUTE)
        if minute != self._minute:
            self._minute = minute
            self._text = iso(minute * MINUTE)[:17]
        seconds, thousandths = divmod(rest, 1000)
        return f"{self._text}{seconds:02d}.{thousandths:03d}Z"
