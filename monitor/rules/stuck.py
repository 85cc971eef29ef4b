"""Stuck probes: told from a plateau by what two values do together, and by how they used to rest.

A stuck probe cannot be told from a plateau by its gravity alone: a healthy one that resolves 0.001 repeats itself
for hours. The pair of gravity and temperature hardly ever does, so that pair is watched. How long it may stand still
follows from how often each of the two used to repeat itself, and from the longest healthy rest (DEVELOPERS.md,
detection): nothing that was called stuck could well have been chance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.findings import Finding
from monitor.rules.health import GRAVITY_LIKE, PAIRED, ProbeHealth, SeriesHealth, span_words

PAIR_READINGS = 10  # at 10 min steps 14,400 healthy batch-days never showed more than 7 (measured on simulation)
PAIR_SPAN = 165 * MINUTE
PAIR_MOST = DAY
PAIR_TIMES = 1.8  # of the longest healthy run: more is safer, and slower to tell a stuck probe
CHANCE = 1e-7  # that a healthy pair rests so long, each time it begins to
ALONE_SPAN = 18 * HOUR
ALONE_LEAST = 6 * HOUR
ALONE_TIMES = 12
ALONE_READINGS = 40
ALONE_MOST = 36 * HOUR


def stuck_since(probe: ProbeHealth) -> int | None:
    """Since when a probe has been stuck, by measured time; None if it is not, or cannot be told."""
    lead = next((probe.series[each] for each in GRAVITY_LIKE if each in probe.series), None)
    witness = probe.series.get("temperature")
    if lead is not None and witness is not None:
        since = max(lead.run_since_ms, witness.run_since_ms)
        span = min(lead.measured_ms, witness.measured_ms) - since
        runs = min(lead.run, witness.run)
        if runs >= PAIR_READINGS and span >= PAIR_SPAN and span >= _patience(probe, lead, witness):
            return since
    if lead is not None and _alone(lead) and (lead.turns > 0.0 or lead.run_ms() >= ALONE_MOST):
        return lead.run_since_ms  # one that never moved at all may be coarse, and in a lag
    if lead is None and witness is not None and _alone(witness):
        return witness.run_since_ms
    return None


def _patience(probe: ProbeHealth, lead: SeriesHealth, witness: SeriesHealth) -> int:
    """How long its pair may stand still, ms: past its longest healthy rest, and past what chance can do."""
    if not (lead.lively() or witness.lively()):
        return max(PAIR_MOST, 3 * probe.longest_pair_ms)
    runs = min(lead.run, witness.run)
    readings = math.log(CHANCE) / math.log(lead.repeats(lead.run - runs) * witness.repeats(witness.run - runs))
    by_chance = round(readings * max(lead.interval_ms(), witness.interval_ms()))
    return min(max(PAIR_SPAN, by_chance, round(PAIR_TIMES * probe.longest_pair_ms)), PAIR_MOST)


def note_pair(probe: ProbeHealth, quantity: str, before: float | None, value: float) -> None:
    """Learn how long the pair of a healthy probe stands still: one that moves ends a healthy run.

    A run that was called stuck counts as healthy when it ends with the smallest step there is: a stuck probe that
    comes back has something to catch up with.
    """
    if before is None or before == value or quantity not in PAIRED:
        return
    moved, other = probe.series[quantity], probe.series.get(_other(probe, quantity))
    if other is None or moved.run == 1 or other.run == 1:
        return
    span = min(moved.measured_ms, other.measured_ms) - max(moved.run_since_ms, other.run_since_ms)
    if span > probe.longest_pair_ms and (probe.stuck_since_ms is None or moved.small(abs(value - before))):
        probe.longest_pair_ms = min(span, PAIR_MOST)


def _other(probe: ProbeHealth, quantity: str) -> str:
    """What is paired with a quantity."""
    return "temperature" if quantity != "temperature" else probe.lead() or ""


def _alone(series: SeriesHealth) -> bool:
    """One value alone: sooner for a probe that has shown for a day that it never rests for long."""
    known = series.measured_ms - series.first_ms >= DAY
    least = min(ALONE_SPAN, max(ALONE_LEAST, ALONE_TIMES * series.longest_ms)) if known else ALONE_SPAN
    if series.run < ALONE_READINGS or series.run_ms() < max(least, 3 * series.longest_ms):
        return False
    # One without noise rests longer and longer as the ferment ends, and then for good.
    return series.lively() or series.run_ms() >= max(ALONE_MOST, ALONE_TIMES * series.longest_ms)


@dataclass(frozen=True, slots=True)
class Change:
    """A probe got stuck (`stuck`), or moves again: since when it was, and whether by its smallest step only."""

    stuck: bool
    since_ms: int
    coarse: bool = False


def hear(probe: ProbeHealth, quantity: str, measured_ms: int, received_ms: int, value: float) -> Change | None:
    """Learn from a reading of a series that is there, and say whether the probe got stuck or came loose by it."""
    series = probe.series[quantity]
    before, run_before = series.value if series.run else None, series.run_since_ms
    if measured_ms > series.measured_ms:
        note_pair(probe, quantity, before, value)
    coarse = before is not None and series.small(abs(value - before))
    series.take(measured_ms, received_ms, value, healthy=probe.stuck_since_ms is None or coarse)
    if probe.stuck_since_ms is None:
        if series.run < PAIR_READINGS:
            return None
        probe.stuck_since_ms = stuck_since(probe)
        return None if probe.stuck_since_ms is None else Change(stuck=True, since_ms=probe.stuck_since_ms)
    if series.run == 1 and run_before <= measured_ms and stuck_since(probe) is None:
        was, probe.stuck_since_ms = probe.stuck_since_ms, None
        if not coarse:
            _forget_rests(probe, was)
        return Change(stuck=False, since_ms=was, coarse=coarse)
    return None


def _forget_rests(probe: ProbeHealth, since_ms: int) -> None:
    """What rested with it was stuck with it: that rest is no measure of a healthy one."""
    for name, series in probe.series.items():
        if name in PAIRED and series.run > 1 and series.run_since_ms <= since_ms:
            series.run, series.run_since_ms = 1, series.measured_ms


def stuck_finding(name: str, probe: ProbeHealth, since_ms: int) -> Finding:
    """The alert that a probe is stuck."""
    seen = max(each.measured_ms for each in probe.series.values())
    values = ", ".join(
        f"{quantity} {probe.series[quantity].value:g}"
        for quantity in PAIRED
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
