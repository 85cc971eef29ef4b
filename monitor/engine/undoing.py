"""What stands in the way of taking an entry back."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.alerts.book import Outcome
from monitor.batches.record import counting, meant
from monitor.engine.entries import apply_entry
from monitor.engine.state import State
from monitor.model.clock import SECOND
from monitor.model.deeds import Undone
from monitor.model.inputs import BatchStarted, JournalEntry, ReadingUndone
from monitor.rules.batch import HandPoint


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


def beside_the_start(state: State, name: str, record: Sequence[JournalEntry]) -> str:
    """How many other entries and readings of a batch count, in words: its start goes last, or they hang in the air."""
    batch = state.batches.get(name)
    others = sum(not isinstance(each, BatchStarted) for each in counting(record))
    readings = len(batch.hand) if batch is not None else 0
    told = [f"{others} other {'entry' if others == 1 else 'entries'}"] if others else []
    told += [f"{readings} hand {'reading' if readings == 1 else 'readings'}"] if readings else []
    return " and ".join(told)


def doubled_by(state: State, record: Sequence[JournalEntry], found: JournalEntry) -> tuple[str, HandPoint] | None:
    """The batch and the reading that was given in place of one that would count again; both cannot be right."""
    deed = meant(record, found)
    if not isinstance(deed, ReadingUndone):
        return None
    for batch in state.batches.values():
        own = deed in state.records.get(f"batch:{batch.name}", ())
        if own and any(each.at_ms == deed.at for each in batch.struck):
            twin = next((each for each in batch.hand if abs(each.at_ms - deed.at) < SECOND), None)
            return None if twin is None else (batch.name, twin)
    return None
