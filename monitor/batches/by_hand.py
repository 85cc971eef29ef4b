"""Hand readings of a batch: which was meant, which were taken back, and when one can be filed that is given anew."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence

from monitor.batches.record import taken_back
from monitor.model.clock import DAY, MINUTE, SECOND
from monitor.model.inputs import JournalEntry, ReadingUndone

BEFORE_PITCH = DAY  # a must is often read hours before its yeast goes in
SAME_FIGURE = 1e-6  # SG: what is typed twice


def readings_off(record: Iterable[JournalEntry]) -> dict[int, int]:
    """When the hand readings were taken that do not count, and when the taking back of each was received."""
    entries = list(record)
    off = taken_back(entries)
    return {each.at: each.received for each in entries
            if isinstance(each, ReadingUndone) and each.received not in off}  # fmt: skip


def why_off(record: Sequence[JournalEntry], at_ms: int, local: Callable[[int], str]) -> str:
    """What became of the reading of a time, in words; empty where it always counted."""
    off, gone = taken_back(record), readings_off(record)
    if at_ms in gone:
        return f"taken back on {local(gone[at_ms])}"
    undone = [each.received for each in record if isinstance(each, ReadingUndone) and each.at == at_ms]
    if not undone:
        return ""
    return f"taken back on {local(undone[-1])}, and counted again on {local(off[undone[-1]])}"


def of_time(taken: Iterable[int], at_ms: int) -> list[int]:
    """The readings of a time: of that moment, else of that second, else of that minute."""
    times = list(taken)
    return (
        [each for each in times if each == at_ms]
        or [each for each in times if each // SECOND == at_ms // SECOND]
        or [each for each in times if each // MINUTE == at_ms // MINUTE]
    )


def filed_at(at_ms: int, counting: Collection[int], stored: Callable[[int], float | None]) -> tuple[int, float | None]:
    """When a reading can be filed that was taken at a time, and the figure that counts there already, if one does.

    What is stored is never replaced: where one was taken back, the next free millisecond takes the new one.
    """
    while at_ms not in counting and stored(at_ms) is not None:
        at_ms += 1
    return at_ms, stored(at_ms)
