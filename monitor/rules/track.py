"""The recent past of one quantity of one probe in one place, in hours of twelve cells: bounded, late data welcome.

An hour is the median of its five-minute means: one bubble moves one cell, not the hour. Readings are filed by
measured time, so a backlog lands where it belongs and nothing depends on the order or on where a commit ended.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from monitor.model.clock import HOUR, MINUTE
from monitor.science.trend import median

CELLS = 12
CELL = HOUR // CELLS
KEPT_HOURS = 240  # rules look back 72 h and late data may be 72 h old; the rest is for ranges and siblings


@dataclass(slots=True)
class Hour:
    """Twelve five-minute cells of one hour; the mean of each is its sum over its count."""

    n: list[int] = field(default_factory=lambda: [0] * CELLS)
    total: list[float] = field(default_factory=lambda: [0.0] * CELLS)

    def add(self, within_ms: int, value: float) -> None:
        """File a value that lies `within_ms` into this hour."""
        cell = within_ms // CELL
        self.n[cell] += 1
        self.total[cell] += value

    def value(self) -> float:
        """The median of the cell means."""
        return median([total / n for n, total in zip(self.n, self.total, strict=True) if n])

    def filled(self) -> int:
        """How many cells hold something."""
        return CELLS - self.n.count(0)


@dataclass(slots=True)
class Track:
    """Hours of one series in one place; `bad` spans are passed over (a stuck probe, one being moved)."""

    hours: dict[int, Hour] = field(default_factory=dict)
    bad: list[tuple[int, int]] = field(default_factory=list)
    _cache: dict[int, float] = field(default_factory=dict)

    def add(self, measured_ms: int, value: float) -> int:
        """File a value; returns the number of its hour."""
        number, within = divmod(measured_ms, HOUR)
        hour = self.hours.get(number)
        if hour is None:
            hour = self.hours[number] = Hour()
        hour.add(within, value)
        self._cache.pop(number, None)
        return number

    def prune(self, now_ms: int) -> list[int]:
        """Forget what is too old; returns the numbers of the hours that went."""
        oldest = now_ms // HOUR - KEPT_HOURS
        gone = [number for number in self.hours if number < oldest]
        for number in gone:
            del self.hours[number]
            self._cache.pop(number, None)
        self.bad = [span for span in self.bad if span[1] >= oldest * HOUR]
        return gone

    def spoil(self, from_ms: int, to_ms: int) -> None:
        """Pass over a span from now on; overlapping spans become one."""
        spans = sorted([*self.bad, (from_ms, to_ms)])
        merged = [spans[0]]
        for start, end in spans[1:]:
            if start <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(merged[-1][1], end))
            else:
                merged.append((start, end))
        self.bad = merged[-50:]

    def points(self, from_ms: int, to_ms: int) -> list[tuple[float, float]]:
        """Hours that lie wholly in a span, as (hours since the epoch at mid-hour, value), in order of time."""
        first, last = -(-from_ms // HOUR), to_ms // HOUR
        hours, known = self.hours, self._cache
        return [
            (number + 0.5, known[number] if number in known else self._value(number))
            for number in range(max(first, last - KEPT_HOURS), last)
            if number in hours and not (self.bad and self._spoilt(number))
        ]

    def mean(self, from_ms: int, to_ms: int) -> float | None:
        """Mean of the hours in a span; None where less than half of them are there."""
        values = [value for _, value in self.points(from_ms, to_ms)]
        wanted = max(1, (to_ms - from_ms) // HOUR // 2)
        return sum(values) / len(values) if len(values) >= wanted else None

    def _value(self, number: int) -> float:
        value = self._cache.get(number)
        if value is None:
            value = self._cache[number] = self.hours[number].value()
        return value

    def _spoilt(self, number: int) -> bool:
        start, end = number * HOUR, (number + 1) * HOUR
        return any(bad_start < end and start < bad_end for bad_start, bad_end in self.bad)


@dataclass(slots=True)
class Steps:
    """Tells a value that jumped and came back (a bubble) from a level that moved for good (an addition).

    A step is believed when three readings in a row hold it (see DEVELOPERS.md, detection).
    """

    level: float | None = None
    level_ms: int = 0
    odd: list[tuple[int, float]] = field(default_factory=list)

    STEP = 0.02  # SG
    FASTEST = 0.06  # SG a day: no wash of ours falls faster (common practice, no source)
    HELD = 3

    def judge(self, measured_ms: int, value: float) -> tuple[bool, int | None]:
        """Whether to believe a value, and since when the level has moved if this one proves it."""
        if self.level is None:
            self.level, self.level_ms = value, measured_ms
            return True, None
        if measured_ms <= self.level_ms:
            return True, None  # a late one: only its plausibility is judged
        fell = self.FASTEST * (measured_ms - self.level_ms) / (24 * HOUR)
        if -self.STEP - fell <= value - self.level <= self.STEP:
            self._follow(measured_ms, value)
            return True, None
        same_side = [each for each in self.odd if abs(each[1] - value) < self.STEP / 2]
        self.odd = [*same_side, (measured_ms, value)][-self.HELD :]
        if len(self.odd) < self.HELD:
            return False, None
        since = self.odd[0][0]
        self.level, self.level_ms, self.odd = value, measured_ms, []
        return True, since

    def _follow(self, measured_ms: int, value: float) -> None:
        assert self.level is not None
        gap_min = (measured_ms - self.level_ms) / MINUTE
        weight = min(1.0, max(0.1, gap_min / 60.0))
        self.level += weight * (value - self.level)
        self.level_ms = measured_ms
        self.odd = []


PointSource = Callable[[int, int], list[tuple[float, float]]]
