"""What is asked of a deed before it is noted, the same for command line, page and API.

`admit` takes a deed as it was told and gives it as it is noted: Refused where it cannot be, Discouraged where practice
advises against it and nobody said that it was done anyway.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor.engine.checks import batch, clearing, jars, keeping, yeast
from monitor.engine.checks.common import Asked
from monitor.model.deeds import (
    Clarity,
    Fined,
    Harvested,
    Held,
    HoldEnded,
    JarCounted,
    JarDiscarded,
    JarLayer,
    Jarred,
    JarUsed,
    Merged,
    Noted,
    Photo,
    PouredOff,
    Racked,
    Reopened,
    SealedUp,
    Split,
    Unsealed,
    WashDiscarded,
    WashRound,
)
from monitor.model.inputs import Added, BatchClosed, BatchStarted, JournalEntry, StageChanged

__all__ = ["CHECKS", "Asked", "admit"]

CHECKS: dict[type, Callable[[Asked, Any], JournalEntry]] = {
    BatchStarted: batch.started, Racked: batch.racked, Split: batch.split, Merged: batch.merged,
    StageChanged: batch.staged, Added: batch.added, BatchClosed: batch.closed, Reopened: batch.reopened,
    Noted: batch.noted, Photo: batch.photographed, Clarity: clearing.looked_at,
    Held: keeping.held, HoldEnded: keeping.hold_ended, SealedUp: keeping.sealed, Unsealed: keeping.unsealed,
    Harvested: yeast.harvested, WashRound: yeast.watered, PouredOff: yeast.poured_off,
    WashDiscarded: yeast.wash_discarded, Jarred: jars.put_up, JarCounted: jars.seen, JarLayer: jars.layer_seen,
    JarUsed: jars.used, JarDiscarded: jars.seen,
}  # fmt: skip


def admit(asked: Asked, entry: JournalEntry) -> tuple[JournalEntry, ...]:
    """A deed as it is noted, and what goes with it."""
    if isinstance(entry, Fined):
        return clearing.fined(asked, entry)
    return (CHECKS[type(entry)](asked, entry),)
