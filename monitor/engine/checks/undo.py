"""What is asked of taking an entry back, and of making one count again."""

from __future__ import annotations

from monitor.batches.record import counting, subjects, taken_back
from monitor.batches.told import sentence
from monitor.engine import undoing
from monitor.engine.checks.common import Asked
from monitor.model.clock import iso
from monitor.model.deeds import Harvested, Jarred, Undone
from monitor.model.errors import Refused
from monitor.model.inputs import BatchStarted, JournalEntry


def undone(asked: Asked, found: JournalEntry, about: str) -> Undone:
    """Nothing that counts hangs on it. `about` is the thing in whose record it was found.

    That no vessel holds two batches then is tried on the state, which is not to be used after it.
    """
    record, (kind, _, name) = asked.state.records[about], about.partition(":")
    off = taken_back(record).get(found.received)
    if off is not None:
        group = "batch" if kind == "batch" else "yeast"
        raise Refused(
            f"that was taken back already: {sentence(found, name)}",
            f"to count it again: leeswatch {group} undo {name} --of {iso(off)}",
        )
    if isinstance(found, BatchStarted):
        _last(asked, str(found.batch.get("name")))
    elif isinstance(found, Jarred | Harvested):
        _nothing_hangs_on(asked, found)
    doubled = undoing.doubled_by(asked.state, record, found)
    if doubled is not None:
        of, twin = doubled
        raise Refused(
            f"there is another reading of that time, {twin.gravity:.4f}",
            f"take that one back first: leeswatch batch reading {of} --undo --when {iso(twin.at_ms)}",
        )
    crowded = undoing.crowded_by(asked.state, found, asked.now_ms)
    if crowded is not None:
        vessel, names = crowded
        raise Refused(
            f"that would put {' and '.join(names)} into one vessel, {vessel}",
            "say first where the other one went (batch rack), or that it is over (batch close)",
        )
    return Undone(of=found.received)


def _last(asked: Asked, name: str) -> None:
    """A start goes last."""
    others = undoing.beside_the_start(asked.state, name, asked.state.records.get(f"batch:{name}", ()))
    if others:
        raise Refused(
            f"batch {name} has {others}",
            f"take back first what hangs on its start (a reading: leeswatch batch reading {name} --undo), "
            f"or say that it is over: leeswatch batch close {name}",
        )


def _nothing_hangs_on(asked: Asked, found: Jarred | Harvested) -> None:
    """What a wash or a jar began with goes last."""
    about = subjects(found)[0]
    kind, _, name = about.partition(":")
    others = [each for each in counting(asked.state.records.get(about, ())) if each.received != found.received]
    if others:
        raise Refused(
            f"{kind} {name} began with that, and {len(others)} other deed{' hangs' if len(others) == 1 else 's hang'} "
            f"on it, the last: {sentence(others[-1], name)}",
            f"take those back first (leeswatch yeast show {name} lists them)",
        )
