"""The record of a thing: all journal entries about it, and which of them count.

Nothing is ever taken out of a record. An `undone` entry names another by when it was received; that one does not count
then, unless the undoing was itself undone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from monitor.model.clock import MINUTE
from monitor.model.deeds import Deed, Harvested, Jarred, JarUsed, Merged, Split, Undone
from monitor.model.inputs import (
    Added,
    BatchClosed,
    BatchStarted,
    ForcedFinal,
    JournalEntry,
    ReadingUndone,
    StageChanged,
)

Record = list[JournalEntry]
UNDOINGS = Undone | ReadingUndone  # what takes something back; each can itself be taken back


def subjects(entry: JournalEntry) -> tuple[str, ...]:
    """What an entry is about, as `kind:name`, the chief thing first; nothing for what belongs to no record."""
    if isinstance(entry, BatchStarted):
        told = entry.batch.get("jars")
        jars = told if isinstance(told, list | tuple) else ()  # a journal edited by hand may still be wrong
        return (f"batch:{entry.batch.get('name', '')}", *(f"jar:{jar}" for jar in jars))
    if isinstance(entry, StageChanged | BatchClosed | Added | ForcedFinal):
        return (f"batch:{entry.batch}",)
    if isinstance(entry, Split):
        return f"batch:{entry.batch}", f"batch:{entry.name}"
    if isinstance(entry, Merged):
        return f"batch:{entry.batch}", f"batch:{entry.into}"
    if isinstance(entry, Harvested):
        return f"wash:{entry.wash}", f"batch:{entry.batch}", *(f"jar:{jar}" for jar in entry.parents)
    if isinstance(entry, Jarred):
        wash = (f"wash:{entry.wash}",) if entry.wash else ()
        return f"jar:{entry.jar}", *wash, *(f"jar:{jar}" for jar in entry.parents)
    if isinstance(entry, JarUsed):
        return f"jar:{entry.jar}", *((f"batch:{entry.batch}",) if entry.batch else ())
    return _plain(entry)


def _plain(entry: JournalEntry) -> tuple[str, ...]:
    if not isinstance(entry, Deed):
        return ()
    about = getattr(entry, "about", None)
    if about is not None:
        return (str(about),)
    return tuple(f"{kind}:{getattr(entry, kind)}" for kind in ("batch", "wash", "jar") if hasattr(entry, kind))[:1]


def when(entry: JournalEntry) -> int:
    """When it was done, UTC ms: as the person said, else when it was received."""
    at = getattr(entry, "at", None)
    return at if isinstance(at, int) else entry.received


def taken_back(record: Iterable[JournalEntry]) -> dict[int, int]:
    """What does not count, by when it was received, and when it was taken back."""
    off: dict[int, int] = {}
    for entry in sorted(record, key=lambda each: each.received, reverse=True):
        if isinstance(entry, Undone) and entry.received not in off:
            off.setdefault(entry.of, entry.received)
    return off


def counting(record: Iterable[JournalEntry]) -> list[JournalEntry]:
    """The entries that count, in the order in which they were done."""
    entries = list(record)
    off = taken_back(entries)
    kept = [entry for entry in entries if entry.received not in off and not isinstance(entry, UNDOINGS)]
    return sorted(kept, key=lambda entry: (when(entry), entry.received))


def of_time(
    record: Sequence[JournalEntry], at_ms: int, done_ms: Callable[[JournalEntry], int] = when
) -> list[JournalEntry]:
    """The entries of a time: received then, else done then, else done in that minute, else undoings of that minute."""
    deeds = [each for each in record if not isinstance(each, UNDOINGS)]
    off = taken_back(record)
    undoings = [each for each in record if isinstance(each, UNDOINGS) and each.received not in off]
    return (
        [each for each in record if each.received == at_ms]
        or [each for each in deeds if done_ms(each) == at_ms]
        or [each for each in deeds if done_ms(each) // MINUTE == at_ms // MINUTE]
        or [each for each in undoings if each.received // MINUTE == at_ms // MINUTE]
    )


def meant(record: Iterable[JournalEntry], entry: JournalEntry) -> JournalEntry | None:
    """The deed itself, or the one that is taken back, or counts again."""
    if not isinstance(entry, Undone):
        return entry
    known = {each.received: each for each in record}
    found: JournalEntry | None = entry
    while isinstance(found, Undone):
        of, received = found.of, found.received
        found = known.get(of) if of < received else None
    return found


def latest(record: Sequence[JournalEntry]) -> JournalEntry | None:
    """The entry that was received last of those that count: what a plain undo takes back."""
    return max(counting(record), key=lambda each: each.received, default=None)
