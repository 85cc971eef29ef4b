"""Deeds: entries go into the records of what they are about, and what they change is worked out anew."""

from __future__ import annotations

from monitor.alerts.book import Outcome
from monitor.batches.record import subjects
from monitor.engine.state import State
from monitor.model.deeds import Undone
from monitor.model.inputs import JournalEntry


def keep(state: State, entry: JournalEntry) -> tuple[str, ...]:
    """Put an entry into the records it belongs to; says which."""
    about = _of_undone(state, entry) if isinstance(entry, Undone) else subjects(entry)
    for subject in about:
        state.records.setdefault(subject, []).append(entry)
        state.touch(f"record:{subject}")
    return about


def _of_undone(state: State, entry: Undone) -> tuple[str, ...]:
    return tuple(name for name, record in state.records.items() if any(each.received == entry.of for each in record))


def apply_deed(state: State, entry: JournalEntry, now_ms: int, out: Outcome) -> None:
    """What a deed changes at once beside its record."""
