"""What stands in the way of taking an entry back."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.alerts.book import Outcome
from monitor.batches.record import counting
from monitor.engine.entries import apply_entry
from monitor.engine.state import State
from monitor.model.deeds import Undone
from monitor.model.inputs import BatchStarted, JournalEntry


def crowded_by(state: State, found: JournalEntry, now_ms: int) -> tuple[str, list[str]] | None:
    """The vessel that taking this back would put two batches into, and which; it is tried on the state given."""
    before, then = _crowded(state), max(now_ms, state.clock.last_ms + 1)
    apply_entry(state, Undone(of=found.received, received=then), then, Outcome())
    return next(((vessel, names) for vessel, names in _crowded(state).items() if names != before.get(vessel)), None)


def _crowded(state: State) -> dict[str, list[str]]:
    within: dict[str, list[str]] = {}
    for batch in state.batches.values():
        if not batch.closed:
            within.setdefault(batch.vessel, []).append(batch.name)
    return {vessel: names for vessel, names in within.items() if len(names) > 1}


def beside_the_start(state: State, name: str, record: Sequence[JournalEntry]) -> int:
    """How many other entries and readings of a batch count: its start is taken back last, or they hang in the air."""
    batch = state.batches.get(name)
    others = sum(not isinstance(each, BatchStarted) for each in counting(record))
    return others + (len(batch.hand) if batch is not None else 0)
