"""The life of a batch, put together from its record: where it was, what went in, what is left, its history."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from monitor.batches.record import counting, when
from monitor.batches.strength import Facts, Strength, birth_of, strength_of, volume_of
from monitor.batches.told import Line, history
from monitor.model.clock import iso
from monitor.model.config import Batch
from monitor.model.deeds import (
    Clarity,
    Fined,
    Harvested,
    Held,
    HoldEnded,
    Merged,
    Noted,
    Photo,
    Racked,
    Reopened,
    SealedUp,
    Split,
)
from monitor.model.inputs import Added, BatchClosed, ForcedFinal, JournalEntry, StageChanged

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Stay:
    """A span in a stage, or in a vessel; `to_ms` None: still there."""

    what: str
    from_ms: int
    to_ms: int | None
    how: str = ""


@dataclass(frozen=True, slots=True)
class Life:
    """The whole picture of a batch. Entries are those that count, in the order in which they were done."""

    name: str
    start: Batch | None
    facts: Facts
    stages: tuple[Stay, ...]
    vessels: tuple[Stay, ...]
    closed_ms: int | None
    split_from: str | None
    parts: tuple[str, ...]  # batches split from it
    merged_into: str | None
    merged_from: tuple[str, ...]
    volume_l: float | None
    volume_how: str
    lost_l: float
    strength: Strength | None
    no_strength: str  # why there is none
    additions: tuple[Added, ...]
    finings: tuple[Fined, ...]
    clearness: tuple[Clarity, ...]
    holds: tuple[Held | HoldEnded, ...]
    seals: tuple[SealedUp, ...]
    harvests: tuple[Harvested, ...]
    forced: tuple[ForcedFinal, ...]
    notes: tuple[Noted, ...]  # the plain ones
    tastings: tuple[Noted, ...]
    off_smells: tuple[Noted, ...]
    photos: tuple[Photo, ...]
    history: tuple[Line, ...]

    @property
    def racked_ms(self) -> int | None:
        """When it was racked last; None: never."""
        racked = [stay.from_ms for stay in self.vessels if stay.how == "racked"]
        return racked[-1] if racked else None

    @property
    def jars(self) -> tuple[str, ...]:
        """Jars of the shelf that it was pitched from."""
        return tuple(self.start.jars) if self.start else ()


def fold(
    name: str,
    start: Batch | None,
    record: Sequence[JournalEntry],
    facts: Facts,
    *,
    first_stage: str = "fermenting",
    local: Callable[[int], str] = iso,
) -> Life:
    """The life of a batch from all entries about it; `start` as it was told (of a part: of the whole).

    `local` writes a time for people. Tolerates entries that make no sense; what is not known is None.
    """
    done = counting(record)
    born = birth_of(name, start, done)
    volume, how, lost = volume_of(name, start, born, done, facts)
    strength, why = strength_of(name, start, done, facts)

    def of(kind: type[T]) -> tuple[T, ...]:
        return tuple(each for each in done if isinstance(each, kind))

    notes = of(Noted)
    return Life(
        name=name,
        start=start,
        facts=facts,
        stages=_stages(first_stage, born.at if born else facts.pitched_ms, done),
        vessels=_vessels(name, start, born, done, facts),
        closed_ms=_closed_ms(name, done),
        split_from=born.batch if born else None,
        parts=tuple(each.name for each in of(Split) if each.batch == name and each.name != name),
        merged_into=next((each.into for each in reversed(of(Merged)) if each.batch == name), None),
        merged_from=tuple(each.batch for each in of(Merged) if each.into == name),
        volume_l=volume,
        volume_how=how,
        lost_l=lost,
        strength=strength,
        no_strength=why,
        additions=of(Added),
        finings=of(Fined),
        clearness=of(Clarity),
        holds=tuple(each for each in done if isinstance(each, Held | HoldEnded)),
        seals=of(SealedUp),
        harvests=of(Harvested),
        forced=of(ForcedFinal),
        notes=tuple(each for each in notes if each.sort == "note"),
        tastings=tuple(each for each in notes if each.sort == "tasting"),
        off_smells=tuple(each for each in notes if each.sort == "off-smell"),
        photos=of(Photo),
        history=history(name, record, facts, start, local),
    )


# --- where it was ------------------------------------------------------------------------------------------------


def _stages(first: str, from_ms: int, done: Sequence[JournalEntry]) -> tuple[Stay, ...]:
    stays = [Stay(first, from_ms, None)]
    for entry in done:
        if isinstance(entry, StageChanged) and entry.stage != stays[-1].what:
            stays.append(Stay(entry.stage, when(entry), None))
    return _ended(stays)


def _vessels(
    name: str, start: Batch | None, born: Split | None, done: Sequence[JournalEntry], facts: Facts
) -> tuple[Stay, ...]:
    if born is not None:
        stays = [Stay(born.vessel, born.at, None, "split")]
    else:
        first = start.vessel if start is not None else facts.vessel
        stays = [Stay(first, start.pitched if start is not None else facts.pitched_ms, None, "started")]
    for entry in done:
        if isinstance(entry, Racked) and entry.batch == name and entry.to != stays[-1].what:
            stays.append(Stay(entry.to, entry.at, None, "racked"))
    return _ended(stays)


def _ended(stays: list[Stay]) -> tuple[Stay, ...]:
    ends = [stay.from_ms for stay in stays[1:]]
    return tuple(
        Stay(stay.what, stay.from_ms, end, stay.how) for stay, end in zip(stays, [*ends, None], strict=True)
    )  # fmt: skip


def _closed_ms(name: str, done: Sequence[JournalEntry]) -> int | None:
    closed: int | None = None
    for entry in done:
        if isinstance(entry, BatchClosed) or (isinstance(entry, Merged) and entry.batch == name):
            closed = when(entry) if closed is None else closed
        elif isinstance(entry, Reopened):
            closed = None
    return closed


__all__ = ["Facts", "Life", "Line", "Stay", "Strength", "fold"]
