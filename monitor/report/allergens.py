"""Whether what a batch holds may come from shellfish, through batches that it was split from or that came in."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.batches.clearing import has_allergen
from monitor.batches.record import Record, counting, when
from monitor.model.deeds import Fined, Merged, Split


def with_chitosan(records: Mapping[str, Record], batch: str, by_ms: int = 1 << 62) -> bool:
    """Whether chitosan went into a batch by a time, or into one that it was split from or that was poured into it."""
    return _chitosan(records, batch, by_ms, frozenset())


def _chitosan(records: Mapping[str, Record], batch: str, by_ms: int, seen: frozenset[str]) -> bool:
    if batch in seen:
        return False
    for entry in counting(records.get(f"batch:{batch}", ())):
        if when(entry) > by_ms:
            break
        if isinstance(entry, Fined) and has_allergen(entry.what):
            return True
        origin = None
        if (isinstance(entry, Split) and entry.name == batch) or (isinstance(entry, Merged) and entry.into == batch):
            origin = entry.batch
        if origin is not None and _chitosan(records, origin, when(entry), seen | {batch}):
            return True
    return False
