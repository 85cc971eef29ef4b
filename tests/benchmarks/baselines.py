"""Other ways to tell that a batch has ended, run over the same readings.

All see the hourly medians of what the float had said by then, late readings filed where they belong. All share what
surrounds the test for a standstill, so that only that test differs: nothing is said before 15 % of the expected fall
and `finished` not before half of it; up to the stall margin max(0.005, 2.5·√(0.003² + 0.001²)) above the expected final
gravity a standstill is `finished`, above it `stalled`; what was said stands until the median of six hours lies 0.002
lower; an announced addition starts afresh. None looks at temperature.
"""

from __future__ import annotations

import math
import time
from bisect import insort
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
import ruptures
from scipy.stats import theilslopes

from tests.benchmarks.cellar import HOUR_MS, PITCHED_MS, Trial
from tests.benchmarks.score import Change

MARGIN = max(0.005, 2.5 * math.hypot(0.003, 0.001))
LET_GO = 0.002
Test = Callable[[int, np.ndarray], bool | None]  # hour, hourly medians up to it (nan where missing); None: keep


@dataclass(slots=True)
class Heard:
    """Hourly medians, as far as they have come by an hour."""

    medians: np.ndarray
    _values: dict[int, list[float]] = field(default_factory=dict)

    def take(self, hour: int, value: float) -> None:
        """File a value by the hour in which it was measured."""
        values = self._values.setdefault(hour, [])
        insort(values, value)
        half = len(values) // 2
        self.medians[hour] = values[half] if len(values) % 2 else 0.5 * (values[half - 1] + values[half])


def hours_of(trial: Trial) -> Iterator[tuple[int, np.ndarray]]:
    """Each hour after pitching with the medians of the hours before it, as far as heard by then."""
    said = trial.float_probe[0]
    measured = ((said.measured_ms - PITCHED_MS) // HOUR_MS).tolist()
    received = ((said.received_ms - PITCHED_MS) / HOUR_MS).tolist()
    values = said.value.tolist()
    heard = Heard(np.full(trial.truth.hours + 1, np.nan))
    at = 0
    for hour in range(1, trial.truth.hours + 1):
        while at < len(values) and received[at] <= hour:
            heard.take(min(measured[at], trial.truth.hours), values[at])
            at += 1
        yield hour, heard.medians[:hour]


# --- the tests for a standstill ----------------------------------------------------------------------------------


def three_equal_days(hour: int, medians: np.ndarray) -> bool | None:
    """Common practice: one reading a day, to 0.001, the same three days running."""
    return _three_days(hour, medians, 0.0)


def three_near_days(hour: int, medians: np.ndarray) -> bool | None:
    """The same within ±0.001."""
    return _three_days(hour, medians, 0.002)


def _three_days(hour: int, medians: np.ndarray, apart: float) -> bool | None:
    if hour % 24:
        return None
    if medians.size < 49:
        return False
    days = np.round(medians[[-49, -25, -1]], 3)
    return bool(np.isfinite(days).all() and days.max() - days.min() <= apart + 1e-9)


def two_windows(_: int, medians: np.ndarray) -> bool:
    """The means of the last 48 h and of the 48 h before differ by less than 0.001."""
    if medians.size < 96:
        return False
    last, before = (part[np.isfinite(part)] for part in (medians[-48:], medians[-96:-48]))
    return bool(min(last.size, before.size) >= 24 and abs(last.mean() - before.mean()) < 0.001)


def theil_sen(_: int, medians: np.ndarray) -> bool:
    """Theil–Sen over 72 h: the slope lies within ±0.0005 a day with 90 % confidence on each side."""
    window = medians[-72:]
    known = np.flatnonzero(np.isfinite(window))
    if known.size < 36 or known[-1] - known[0] < 60:
        return False
    found = theilslopes(window[known], known / 24.0, alpha=0.8)
    return bool(found.low_slope > -0.0005 and found.high_slope < 0.0005)


def change_point(hour: int, medians: np.ndarray) -> bool | None:
    """Offline change points in the mean of the last ten days, every six hours; the last piece is 48 h or longer.

    PELT with a linear kernel (Killick, Fearnhead & Eckley 2012, J. Am. Stat. Assoc. 107:1590), as in `ruptures`; the
    penalty is three times the noise variance by log n, the noise at least 0.0003 so that a drift is no change.
    """
    if hour % 6:
        return None
    known = medians[-240:]
    known = known[np.isfinite(known)]
    if known.size < 60:
        return False
    noise = max(float(np.median(np.abs(np.diff(known)))) * 1.4826 / math.sqrt(2.0), 0.0003)
    scaled = (known - known.mean()) / noise
    ends = ruptures.KernelCPD(kernel="linear", min_size=6).fit(scaled).predict(pen=3.0 * math.log(known.size))
    last = ends[-1] - (ends[-2] if len(ends) > 1 else 0)
    return bool(last >= 48)


BASELINES: dict[str, Test] = {
    "three equal days": three_equal_days,
    "three days ±0.001": three_near_days,
    "two 48 h means": two_windows,
    "Theil–Sen 72 h": theil_sen,
    "change point (PELT)": change_point,
}


# --- what surrounds them -----------------------------------------------------------------------------------------


@dataclass(slots=True)
class Judge:
    """One baseline on one batch."""

    name: str
    test: Test
    expected: float
    original: float
    changes: list[Change] = field(default_factory=list)
    cost_s: float = 0.0
    _since: int = 0  # the hour from which readings count
    _rest: float | None = None

    def at(self, hour: int, medians: np.ndarray) -> None:
        """Look at an hour."""
        before = time.thread_time()
        said = self._say(hour, medians)
        self.cost_s += time.thread_time() - before
        if said is not None and (not self.changes or self.changes[-1][1] != said):
            self.changes.append((float(hour), said))

    def feed(self, hour: int, rise: float) -> None:
        """Sugar was added."""
        self._since, self._rest = hour, None
        self.original += rise
        self.changes.append((float(hour), "working"))

    def _say(self, hour: int, medians: np.ndarray) -> str | None:
        recent = medians[-6:]
        recent = recent[np.isfinite(recent)]
        if recent.size == 0:
            return None
        now = float(np.median(recent))
        if self._rest is not None:
            if now > self._rest - LET_GO:
                return None
            self._rest, self._since = None, hour - 6
            return "working"
        still = self.test(hour, medians[self._since :] if self._since else medians) if hour > self._since else False
        if still is None or not still:
            return None if still is None else "working"
        fell, whole = self.original - now, self.original - self.expected
        if now - self.expected <= MARGIN:
            said = "finished" if fell >= 0.5 * whole else "working"
        else:
            said = "stalled" if fell >= 0.15 * whole else "working"
        self._rest = now if said != "working" else None
        return said


def run(trial: Trial) -> list[Judge]:
    """All baselines over one trial."""
    told = trial.told
    judges = [Judge(name, test, told.expected_final, told.original) for name, test in BASELINES.items()]
    fed = {each.hour + 1: each.rise for each in trial.truth.additions}
    for hour, medians in hours_of(trial):
        for judge in judges:
            if hour in fed:
                judge.feed(hour, fed[hour])
            judge.at(hour, medians)
    return judges
