"""Hand readings that are taken back, and that count again: what they led to goes, and comes back, with them."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.alerts.book import Outcome
from monitor.batches.by_hand import readings_off
from monitor.engine.condition import open_batch
from monitor.engine.facts import rebase, restart
from monitor.engine.state import State
from monitor.engine.verdicts import evaluate, liquid_source
from monitor.model.events import AlertName
from monitor.model.findings import Finding
from monitor.model.inputs import ReadingUndone
from monitor.rules.batch import HAND_KEPT, BatchState, HandPoint
from monitor.rules.evidence import Evidence, by_hand
from monitor.rules.progress import watch_progress

TOLD_OF: tuple[AlertName, ...] = ("ferment-finished", "ferment-stalled", "ferment-not-started")


def subjects(state: State, entry: ReadingUndone) -> tuple[str, ...]:
    """The batch whose reading is taken back; nothing where it has none of that time that counts."""
    batch = open_batch(state, entry.vessel)
    if batch is None or all(point.at_ms != entry.at for point in batch.hand):
        return ()
    return (f"batch:{batch.name}",)


def settle(state: State, name: str, now_ms: int, out: Outcome) -> None:
    """Bring the readings of a batch into line with its record, and judge it anew."""
    batch = state.batches.get(name)
    if batch is None:
        return
    off = readings_off(state.records[f"batch:{name}"])
    gone = [point for point in batch.hand if point.at_ms in off]
    back = [point for point in batch.struck if point.at_ms not in off]
    if not gone and not back:
        return
    batch.hand = _in_order([*(point for point in batch.hand if point.at_ms not in off), *back])
    batch.struck = _in_order([*(point for point in batch.struck if point.at_ms in off), *gone])
    for point in gone:
        _let_probes_be(state, batch, point.at_ms, now_ms, out)
    if batch.probe_ms is None:
        _learn_anew(state, batch)
    state.touch(f"batch:{name}")
    evaluate(state, batch, now_ms, out, anew=True)
    if gone and batch.verdict == "unknown":
        _withdraw(state, batch, now_ms, out)


def _in_order(points: Sequence[HandPoint]) -> list[HandPoint]:
    return sorted(points, key=lambda point: point.at_ms)[-HAND_KEPT:]


def _let_probes_be(state: State, batch: BatchState, at_ms: int, now_ms: int, out: Outcome) -> None:
    """No probe is held against a reading that does not count."""
    for name, truth in batch.truths.items():
        truth.forget(at_ms)
        left = truth.solve()
        if left.held is None and not left.pairs and not state.probes[name].implausible():
            words = f"The hand reading that {name} was held against was undone."
            state.book.note(Finding("probe-suspect", f"probe:{name}", active=False, message=words), now_ms, out)


def _learn_anew(state: State, batch: BatchState) -> None:
    """By hand readings alone: what is remembered is what those that count would have taught, each at its time."""
    batch.rest = batch.rest_gravity = None
    if batch.split_off:
        return  # what it remembers was learned of the whole
    read = not batch.original_told and batch.forecast_sd is None
    batch.first_ms = batch.baseline = batch.started_ms = batch.slowed_ms = batch.climate = None
    batch.peak_rate = 0.0
    if read:
        restart(state, batch)
    points, window = batch.hand, batch.window_from_ms
    evidence = Evidence(None, None, 0.0, None, liquid_source(state, batch.vessel), None)
    for count in range(3, len(points) + 1):
        at_ms = points[count - 1].at_ms
        batch.hand, batch.window_from_ms = points[:count], window if at_ms >= window else 0
        seen = by_hand(batch, at_ms)
        if seen is not None:
            watch_progress(batch, evidence, seen, at_ms)
    batch.hand, batch.window_from_ms = points, window
    rebase(state, batch)


def _withdraw(state: State, batch: BatchState, now_ms: int, out: Outcome) -> None:
    """What a reading told that does not count is told no more, though nothing else is known in its place."""
    about, struck = f"batch:{batch.name}", {point.at_ms for point in batch.struck}
    for alert in TOLD_OF:
        standing = state.book.standing.get(f"{alert}/{about}")
        if standing is not None and standing.seen_ms in struck:
            state.book.over(alert, about, "The hand reading that said so was taken back.", now_ms, out)
