"""A probe's battery: as it was on its first day, and how far it has fallen since."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.model.clock import DAY
from monitor.model.findings import Finding
from monitor.science.trend import median

LOW = 0.85  # of its first day
GOOD = 0.92
NEW = 1.05
KEPT = 48
LOW_READINGS = 3


@dataclass(slots=True)
class Battery:
    """A battery as it was on its first day (V), and how many low readings there are in a row."""

    first: list[float] = field(default_factory=list)
    since_ms: int = 0
    low: int = 0

    def full(self) -> float:
        """Median of the first day, V."""
        return median(self.first)

    def is_low(self) -> bool:
        """Whether it says so three times in a row."""
        return self.low >= LOW_READINGS


def battery(name: str, cell: Battery, measured_ms: int, volts: float) -> Finding | None:
    """Learn a battery's voltage on its first day, and tell when it has fallen well below that.

    One that was already low when first heard is not noticed; one that says much more than it used to is a new one.
    The share is common practice for lithium and alkaline cells alike, no source.
    """
    if not cell.first or volts > NEW * cell.full():
        cell.first, cell.since_ms = [volts], measured_ms
    elif measured_ms - cell.since_ms < DAY:
        cell.first = [*cell.first, volts][-KEPT:]
    full = cell.full()
    cell.low = cell.low + 1 if volts < LOW * full else 0
    if cell.is_low():
        return Finding(
            alert="probe-battery",
            about=f"probe:{name}",
            active=True,
            message=f"The battery of probe {name} is low: {volts:.2f} V, and it began with {full:.2f} V.",
            because=(f"it has lost {1.0 - volts / full:.0%}, and three readings in a row say so",),
            do=("charge or change it: a probe that falls silent leaves its batch without a verdict",),
            seen_ms=measured_ms,
        )
    if volts > GOOD * full:
        words = f"The battery of probe {name} is good again, {volts:.2f} V."
        return Finding("probe-battery", f"probe:{name}", active=False, message=words, seen_ms=measured_ms)
    return None
