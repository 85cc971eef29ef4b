"""A batch as the comparison of siblings wants it: its curve in hours since pitch, and what else is known of it."""

from __future__ import annotations

from monitor.batches.clearing import clearing
from monitor.batches.life import Life
from monitor.batches.record import counting
from monitor.batches.shape import Measured, Point
from monitor.batches.siblings import Course
from monitor.engine.derive import gravity_of
from monitor.engine.lives import life_of
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.deeds import Racked
from monitor.report.curve import Curve, Line, draw
from monitor.rules.batch import BatchState
from monitor.rules.health import GRAVITY_LIKE
from monitor.store.reader import Reader

READING_ERROR = 0.001  # SG, standard error: of a probe that says nothing of its own
VOLUME_ERROR = 0.2  # L, standard error: read by eye against the marks of a vessel (common practice, no source)
LOSS_ERROR = 0.1  # of what stayed behind, as a share; VOLUME_ERROR / 2 at least
OVER = ("finished", "stalled")


def curve_of(reader: Reader, state: State, batch: BatchState, now_ms: int) -> Curve:
    """Its whole curve, an hour a cell."""
    end = max(now_ms if batch.closed_ms is None else batch.closed_ms, batch.pitched_ms + MINUTE)
    return draw(reader, state, batch, batch.pitched_ms, end, max(1, -(-(end - batch.pitched_ms) // HOUR)))


def course_of(state: State, batch: BatchState, curve: Curve, now_ms: int) -> Course:
    """What can be compared of a batch: its fall as long as it fermented, and the deeds after it."""
    life = life_of(state, batch.name, now_ms)
    assert life is not None
    end = _fermented_until(life)
    original = life.facts.original
    volume, loss = _racking(state, life)
    return Course(
        name=batch.name,
        points=_points(state, batch, curve, end),
        warmth=_warmth(batch, curve, end),
        done=batch.closed or batch.stage != "fermenting" or batch.verdict in OVER,
        fed=any(each.gravity_rise for each in life.additions),
        no_strength=life.no_strength if life.strength is None and life.facts.gravity is not None else "",
        original=None if original is None else Measured(original, life.facts.original_error),
        clearing_h=_clearing(state, batch.name),
        volume_l=volume,
        loss_l=loss,
    )


def _fermented_until(life: Life) -> int:
    """When it left its first stage; far off while it has not."""
    ends = [end for end in (life.stages[0].to_ms, life.closed_ms) if end is not None]
    return min(ends, default=1 << 62)


def _points(state: State, batch: BatchState, curve: Curve, end: int) -> tuple[Point, ...]:
    lines = [line for line in curve.lines if line.quantity == "gravity"]
    told = [
        Point((at - batch.pitched_ms) / HOUR, value, _error(state, lines[0]))
        for part in (lines[0].parts if lines else [])
        for at, value in part
        if at < end
    ]
    by_hand = [
        Point((point.at_ms - batch.pitched_ms) / HOUR, point.gravity, point.error)
        for point in curve.hand
        if point.at_ms < end
    ]
    found = told if len(told) >= len(by_hand) else by_hand
    return tuple(sorted(found, key=lambda point: point.hours))


def _error(state: State, line: Line) -> float:
    series = state.probes[line.probe].series
    found = [gravity_of(state, line.probe, name, series[name].value) for name in GRAVITY_LIKE if name in series]
    return max([READING_ERROR, *(each[1] for each in found if each is not None)])


def _warmth(batch: BatchState, curve: Curve, end: int) -> tuple[tuple[float, float], ...]:
    line = next((line for line in curve.lines if line.quantity == "temperature"), None)
    if line is None:
        return ()
    return tuple(((at - batch.pitched_ms) / HOUR, value) for part in line.parts for at, value in part if at < end)


def _clearing(state: State, name: str) -> tuple[float, float] | None:
    """Hours from the second part of the finings to the last look that was not clear, and to the first that was."""
    found = clearing(state.records.get(f"batch:{name}", ()), state.settings.practice.clearing)
    since, clear = found.since_ms(), found.clear_ms()
    if since is None or clear is None or clear < since:
        return None
    cloudy = max([since, *(look.at_ms for look in found.looks if look.at_ms < clear)])
    return (cloudy - since) / HOUR, (clear - since) / HOUR


def _racking(state: State, life: Life) -> tuple[Measured | None, Measured | None]:
    """Litres before its first racking, and what stayed behind, where they were noted."""
    for entry in counting(state.records.get(f"batch:{life.name}", ())):
        if isinstance(entry, Racked) and entry.batch == life.name and entry.loss_l is not None:
            before = entry.volume_l + entry.loss_l if entry.volume_l is not None else None
            before = before if before is not None else life.start.volume_l if life.start is not None else None
            loss = Measured(entry.loss_l, max(LOSS_ERROR * entry.loss_l, VOLUME_ERROR / 2.0))
            return (None if before is None else Measured(before, VOLUME_ERROR)), loss
    return None, None
