"""Probe truth: silent, stuck, implausible, being moved. Words of NAMUR NE 107.

A stuck probe cannot be told from a plateau by its gravity alone: a healthy one that resolves 0.001 repeats itself
for hours. The pair of gravity and temperature hardly ever does, so that pair is watched (DEVELOPERS.md, detection).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.findings import Finding
from monitor.model.status import Health
from monitor.science.trend import median

GAPS_KEPT = 15
PAIR_READINGS = 10  # at 10 min steps 14,400 healthy batch-days never showed more than 7 (measured on simulation)
PAIR_SPAN = 165 * MINUTE
PAIR_MOST = DAY
PAIR_TIMES = 1.8  # of the longest healthy run: more is safer, and slower to tell a stuck probe
ALONE_SPAN = 18 * HOUR
ALONE_LEAST = 6 * HOUR
ALONE_TIMES = 12
ALONE_READINGS = 40
SILENT_LEAST = HOUR
SILENT_MOST = 24 * HOUR
STEADY_READINGS = 3
BATTERY_LOW = 0.85  # of its first day
BATTERY_GOOD = 0.92
BATTERY_NEW = 1.05
BATTERY_KEPT = 48
GRAVITY_LIKE = ("gravity", "float_angle", "extract")
# Quantities whose silence matters: a flat battery is seen by what it stops, a contact only speaks when it moves.
WATCHED = (*GRAVITY_LIKE, "temperature", "pressure", "mass", "turbidity")


@dataclass(slots=True)
class SeriesHealth:
    """What is known of one quantity of one probe."""

    first_ms: int = 0
    measured_ms: int = 0
    received_ms: int = 0
    value: float = 0.0
    gaps: list[int] = field(default_factory=list)
    run: int = 0  # equal values in a row
    run_since_ms: int = 0
    longest_ms: int = 0  # longest healthy run
    least: float = 0.0  # smallest change seen: the step in which it speaks
    spoilt: int = 0  # implausible values in a row

    def interval_ms(self) -> int:
        """The usual time between readings; a minute until known."""
        ordered = sorted(self.gaps)
        return ordered[len(ordered) // 2] if ordered else MINUTE

    def run_ms(self) -> int:
        """How long the value has not moved, by measured time."""
        return self.measured_ms - self.run_since_ms

    def take(self, measured_ms: int, received_ms: int, value: float) -> None:
        """Learn from a reading; one that comes late teaches only that the probe lives."""
        if self.run == 0:
            self.first_ms = measured_ms
        self.received_ms = received_ms
        if self.run and measured_ms <= self.measured_ms:
            return
        if self.run:
            self.gaps.append(measured_ms - self.measured_ms)
            del self.gaps[:-GAPS_KEPT]
        if self.run and value == self.value:
            self.run += 1
        else:
            if self.run:
                self._moved(abs(value - self.value))
            self.run, self.run_since_ms = 1, measured_ms
        self.measured_ms, self.value = measured_ms, value

    def _moved(self, change: float) -> None:
        self.least = min(self.least or change, change)
        if self.run_ms() < PAIR_SPAN * 4 or self.small(change):
            self.longest_ms = max(self.longest_ms, min(self.run_ms(), DAY))

    def small(self, change: float) -> bool:
        """Whether a change is the smallest it can say: so moves a probe that only stood still."""
        return change <= 1.5 * self.least


@dataclass(slots=True)
class Battery:
    """A battery as it was on its first day (V), and how many low readings there are in a row."""

    first: list[float] = field(default_factory=list)
    since_ms: int = 0
    low: int = 0

    def full(self) -> float:
        """Median of the first day, V."""
        return median(self.first)


@dataclass(slots=True)
class ProbeHealth:
    """What is known of one probe; `series` by quantity."""

    series: dict[str, SeriesHealth] = field(default_factory=dict)
    stuck_since_ms: int | None = None
    silent: bool = False
    online: bool | None = None
    moved_ms: int | None = None  # in function check until steady
    steady: list[float] = field(default_factory=list)
    longest_pair_ms: int = 0
    battery: Battery = field(default_factory=Battery)

    def status(self) -> tuple[Health, str]:
        """NE 107 status, and why in a few words."""
        if self.stuck_since_ms is not None:
            return Health.FAILURE, "stuck: the same values again and again"
        if self.silent:
            return Health.FAILURE, "silent"
        if self.moved_ms is not None:
            return Health.FUNCTION_CHECK, "just moved; waiting for three steady readings"
        if any(each.spoilt >= STEADY_READINGS for each in self.series.values()):
            return Health.OUT_OF_SPECIFICATION, "values that cannot be right"
        return Health.GOOD, ""

    def trusted(self) -> bool:
        """Whether its readings may carry a verdict."""
        return self.status()[0] not in (Health.FAILURE, Health.FUNCTION_CHECK)


def settle(probe: ProbeHealth, quantity: str, value: float) -> bool:
    """Count steady readings after a move; True when this reading may be filed."""
    if probe.moved_ms is None:
        return True
    lead = next((each for each in (*GRAVITY_LIKE, "temperature") if each in probe.series), quantity)
    if quantity != lead:
        return False
    near = {"gravity": 0.003, "float_angle": 1.0, "extract": 0.8}.get(quantity, 0.5)
    kept = [each for each in probe.steady if abs(each - value) <= near]
    probe.steady = [*kept, value][-STEADY_READINGS:]
    if len(probe.steady) >= STEADY_READINGS:
        probe.moved_ms, probe.steady = None, []
    return probe.moved_ms is None


def stuck_since(probe: ProbeHealth) -> int | None:
    """Since when a probe has been stuck, by measured time; None if it is not, or cannot be told."""
    lead = next((probe.series[each] for each in GRAVITY_LIKE if each in probe.series), None)
    witness = probe.series.get("temperature")
    if lead is not None and witness is not None:
        since = max(lead.run_since_ms, witness.run_since_ms)
        span = min(lead.measured_ms, witness.measured_ms) - since
        runs = min(lead.run, witness.run)
        if runs >= PAIR_READINGS and span >= _patience(probe, lead.measured_ms):
            return since
    if lead is not None and _alone(lead):
        return lead.run_since_ms
    if lead is None and witness is not None and _alone(witness):
        return witness.run_since_ms
    return None


def _patience(probe: ProbeHealth, measured_ms: int) -> int:
    """How long its pair may stand still: past its longest healthy run, and twice as long on its first day.

    In a lag all stands still before anything was learned.
    """
    young = measured_ms - min(each.first_ms for each in probe.series.values() if each.run) < DAY
    return max(2 * PAIR_SPAN if young else PAIR_SPAN, min(round(PAIR_TIMES * probe.longest_pair_ms), PAIR_MOST))


def note_pair(probe: ProbeHealth, quantity: str, before: float | None, value: float) -> None:
    """Learn how long the pair of a healthy probe stands still: one that moves ends a healthy run.

    A run that was called stuck counts as healthy when it ends with the smallest step there is: a stuck probe that
    comes back has something to catch up with.
    """
    if before is None or before == value or quantity not in (*GRAVITY_LIKE, "temperature"):
        return
    pair = [each for name, each in probe.series.items() if name in (*GRAVITY_LIKE, "temperature")]
    if len(pair) < 2:
        return
    span = min(each.measured_ms for each in pair) - max(each.run_since_ms for each in pair)
    if span > 0 and (probe.stuck_since_ms is None or probe.series[quantity].small(abs(value - before))):
        probe.longest_pair_ms = max(probe.longest_pair_ms, min(span, PAIR_MOST))


def _alone(series: SeriesHealth) -> bool:
    """One value alone: sooner for a probe that has shown for a day that it never rests for long."""
    known = series.measured_ms - series.first_ms >= DAY
    least = min(ALONE_SPAN, max(ALONE_LEAST, ALONE_TIMES * series.longest_ms)) if known else ALONE_SPAN
    return series.run >= ALONE_READINGS and series.run_ms() >= max(least, 3 * series.longest_ms)


def silence(probe: ProbeHealth, now_ms: int, watched_from_ms: int) -> list[tuple[str, int]]:
    """Quantities that have been silent for too long while we watched, with since when."""
    quiet = []
    for quantity, series in probe.series.items():
        if quantity not in WATCHED:
            continue
        patience = min(max(3 * series.interval_ms(), SILENT_LEAST), SILENT_MOST)
        if now_ms - max(series.received_ms, watched_from_ms) >= patience:
            quiet.append((quantity, series.received_ms))
    return quiet


def span_words(ms: int) -> str:
    """A span of time as people say it."""
    minutes = round(ms / MINUTE)
    if minutes < 120:
        return f"{minutes} min"
    if minutes < 48 * 60:
        return f"{round(minutes / 60)} h"
    return f"{minutes / 1440:.1f} days"


def silent_finding(name: str, quiet: list[tuple[str, int]], alive: int, now_ms: int, seen_ms: int | None) -> Finding:
    """The alert that a probe went silent."""
    names = sorted(quantity.replace("_", " ") for quantity, _ in quiet)
    since = span_words(now_ms - max(since for _, since in quiet))
    by_hand = any(quantity in GRAVITY_LIKE for quantity, _ in quiet)
    return Finding(
        alert="probe-silent",
        about=f"probe:{name}",
        active=True,
        message=f"Probe {name} has sent no {' or '.join(names)} for {since}. What it watches is unknown until it does.",
        because=(
            f"the last {' and '.join(names)} came {since} ago",
            "its other values still come" if alive else "nothing else comes from it either",
        ),
        do=(
            "check its battery and cable, and whether its radio or the broker is reachable",
            *(["or take a hydrometer reading by hand"] if by_hand else []),
        ),
        seen_ms=seen_ms,
    )


def heard_finding(name: str, seen_ms: int) -> Finding:
    """It speaks again."""
    return Finding(
        "probe-silent", f"probe:{name}", active=False, message=f"Probe {name} is heard again.", seen_ms=seen_ms
    )


def stuck_finding(name: str, probe: ProbeHealth, since_ms: int) -> Finding:
    """The alert that a probe is stuck."""
    seen = max(each.measured_ms for each in probe.series.values())
    values = ", ".join(
        f"{quantity} {probe.series[quantity].value:g}"
        for quantity in (*GRAVITY_LIKE, "temperature")
        if quantity in probe.series and probe.series[quantity].run_since_ms <= since_ms
    )
    return Finding(
        alert="probe-stuck",
        about=f"probe:{name}",
        active=True,
        message=f"Probe {name} seems stuck: for {span_words(seen - since_ms)} it has repeated exactly the same values.",
        because=(f"{values} did not move at all; a live probe trembles more than that",),
        do=("restart the probe, free it from foam or the wall, and check one hydrometer reading against it",),
        seen_ms=seen,
    )


def moving_finding(name: str, seen_ms: int, *, coarse: bool = False) -> Finding:
    """It moves again; `coarse`: by its smallest step, so it may only have stood still."""
    words = f"Probe {name} moves again"
    words += ", by its smallest step: it may only be coarse and its liquid still." if coarse else "."
    return Finding("probe-stuck", f"probe:{name}", active=False, message=words, seen_ms=seen_ms)


# --- battery -----------------------------------------------------------------------------------------------------


def battery(name: str, probe: ProbeHealth, measured_ms: int, volts: float) -> Finding | None:
    """Learn a battery's voltage on its first day, and tell when it has fallen well below that.

    One that was already low when first heard is not noticed; one that says much more than it used to is a new one.
    The share is common practice for lithium and alkaline cells alike, no source.
    """
    cell = probe.battery
    if not cell.first or volts > BATTERY_NEW * cell.full():
        cell.first, cell.since_ms = [volts], measured_ms
    elif measured_ms - cell.since_ms < DAY:
        cell.first = [*cell.first, volts][-BATTERY_KEPT:]
    full = cell.full()
    cell.low = cell.low + 1 if volts < BATTERY_LOW * full else 0
    if cell.low >= STEADY_READINGS:
        return Finding(
            alert="probe-battery",
            about=f"probe:{name}",
            active=True,
            message=f"The battery of probe {name} is low: {volts:.2f} V, and it began with {full:.2f} V.",
            because=(f"it has lost {1.0 - volts / full:.0%}, and three readings in a row say so",),
            do=("charge or change it: a probe that falls silent leaves its batch without a verdict",),
            seen_ms=measured_ms,
        )
    if volts > BATTERY_GOOD * full:
        words = f"The battery of probe {name} is good again, {volts:.2f} V."
        return Finding("probe-battery", f"probe:{name}", active=False, message=words, seen_ms=measured_ms)
    return None
