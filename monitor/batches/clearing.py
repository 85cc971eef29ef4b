"""Clearing with finings in two parts: what is asked before the first, the clock between them, and when it is slow.

Every figure of the trade comes from the settings (`practice.clearing`) and is common practice without a source. How
fast things sink is not: that is Stokes' law (`science/settling.py`). Finings work by making flocs; flocs of a tenth of
a millimetre are down within hours where single cells of yeast need days, so what stays cloudy after that is not flocs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from monitor.batches.fining import DOSE_OFF, Condition, Facts, before_first, suggested_dose
from monitor.batches.record import Record, counting, when
from monitor.model.clock import HOUR
from monitor.model.config import ClearingPractice
from monitor.model.deeds import Clarity, Clearness, Fined, Merged, Photo, Racked, Split
from monitor.model.inputs import JournalEntry
from monitor.science import settling

__all__ = [
    "ALLERGEN", "CLEARNESSES", "DOSE_OFF", "SLOW_DO", "Clearing", "Condition", "Facts", "Look", "Part", "Sinking",
    "Slow", "Surroundings", "before_first", "clear_expected_ms", "clearing", "clearness_of", "depth_mm", "fined_by",
    "has_allergen", "is_fined", "next_steps", "second_due_ms", "sinking", "slow", "suggested_dose", "with_probe",
]  # fmt: skip

CLEARNESSES: Final[tuple[Clearness, ...]] = ("opaque", "cloudy", "hazy", "clear", "bright")
# Turbidity of each, times the one called clear; the steps are a judgement (common practice, no source).
_UP_TO: Final[tuple[tuple[float, Clearness], ...]] = ((0.25, "bright"), (1.0, "clear"), (4.0, "hazy"), (25.0, "cloudy"))

ALLERGEN: Final = (
    "chitosan can be made from the shells of shellfish (some is made from fungi: the packet says); whoever is allergic "
    "to shellfish must be told, and the report says so"
)


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the finings that went in, UTC ms."""

    at_ms: int
    what: str
    dose_ml: float | None


@dataclass(frozen=True, slots=True)
class Look:
    """How clear it was at a time, and by what that is known."""

    at_ms: int
    clearness: Clearness
    how: str
    ntu: float | None = None

    def clear(self) -> bool:
        """Whether that is clear enough to rack."""
        return self.clearness in ("clear", "bright")


@dataclass(frozen=True, slots=True)
class Clearing:
    """Where the clearing of a batch stands by its record. Looks are those since the first part, in order of time."""

    first: Part | None
    second: Part | None
    looks: tuple[Look, ...]
    racked_ms: int | None
    """When it was last racked."""
    allergens: tuple[str, ...]

    def since_ms(self) -> int | None:
        """When the part that makes it clear went in: the second."""
        return self.second.at_ms if self.second is not None else None

    def clear_ms(self) -> int | None:
        """Since when every look says clear; None while the latest does not."""
        found = None
        for look in reversed(self.looks):
            if not look.clear():
                break
            found = look.at_ms
        return found

    def took_ms(self) -> int | None:
        """From the second part until it was first seen clear."""
        clear, since = self.clear_ms(), self.since_ms()
        return None if clear is None or since is None or clear < since else clear - since


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What decides how fast things sink: depth of the liquid (mm), its temperature (Cel) and strength (% by volume)."""

    depth_mm: float
    temperature_c: float
    abv: float
    abv_known: bool = True


@dataclass(frozen=True, slots=True)
class Sinking:
    """Hours that flocs and single cells need from top to bottom, each usual, fastest, slowest."""

    flocs: tuple[float, float, float]
    cells: tuple[float, float, float]
    around: Surroundings


@dataclass(frozen=True, slots=True)
class Slow:
    """That it clears slowly: against what, and the evidence in words."""

    against: Literal["practice", "sibling", "settling"]
    message: str
    because: tuple[str, ...]


# --- from the record ---------------------------------------------------------------------------------------------


def clearing(record: Iterable[JournalEntry], practice: ClearingPractice) -> Clearing:
    """The fold over a batch's record; a first part after a second begins anew."""
    first = second = racked = None
    looks: list[Look] = []
    allergens: list[str] = []
    for entry in counting(record):
        if isinstance(entry, Fined):
            part = Part(entry.at, entry.what, entry.dose_ml)
            if has_allergen(entry.what) and entry.what not in allergens:
                allergens.append(entry.what)
            if entry.part == 1:
                first, second, looks = part, None, []
            else:
                second = part
        elif isinstance(entry, Racked):
            racked = entry.at
        else:
            look = _look(entry, practice.clear_ntu)
            looks += [look] if look is not None else []
    return Clearing(first, second, tuple(looks), racked, tuple(allergens))


def _look(entry: JournalEntry, clear_ntu: float) -> Look | None:
    if isinstance(entry, Clarity):
        if entry.clearness is not None:
            return Look(entry.at, entry.clearness, "by eye", entry.ntu)
        if entry.ntu is not None:
            return Look(entry.at, clearness_of(entry.ntu, clear_ntu), "by turbidity, typed", entry.ntu)
    if isinstance(entry, Photo) and entry.clearness is not None:
        return Look(entry.at, entry.clearness, "by photo")
    return None


def with_probe(found: Clearing, probe: str, said: Iterable[tuple[int, float]], practice: ClearingPractice) -> Clearing:
    """The same with what a turbidity probe said (UTC ms, NTU) since the first part."""
    first = found.first
    if first is None:
        return found
    more = [
        Look(at_ms, clearness_of(ntu, practice.clear_ntu), f"by probe {probe}", ntu)
        for at_ms, ntu in said
        if at_ms >= first.at_ms
    ]
    looks = tuple(sorted((*found.looks, *more), key=lambda each: each.at_ms))
    return Clearing(found.first, found.second, looks, found.racked_ms, found.allergens)


def clearness_of(ntu: float, clear_ntu: float) -> Clearness:
    """A turbidity in words, by the one that is called clear."""
    return next((name for limit, name in _UP_TO if ntu <= limit * clear_ntu), "opaque")


def has_allergen(what: str) -> bool:
    """Whether a part's name says that it may come from shellfish."""
    return "chitosan" in what.lower()


def is_fined(record: Iterable[JournalEntry]) -> bool:
    """Whether finings went into a batch: its lees from then on are nothing for the shelf."""
    return any(isinstance(entry, Fined) for entry in counting(record))


def fined_by(records: Mapping[str, Record], batch: str, at_ms: int | None = None) -> bool:
    """The same, through batches that it was split from or that were poured into it; by a time, where one is given."""
    return _fined(records, batch, at_ms if at_ms is not None else 1 << 62, frozenset())


def _fined(records: Mapping[str, Record], batch: str, by_ms: int, seen: frozenset[str]) -> bool:
    if batch in seen:
        return False
    for entry in counting(records.get(f"batch:{batch}", ())):
        if when(entry) > by_ms:
            break
        if isinstance(entry, Fined) and entry.batch == batch:
            return True
        origin = _origin(entry, batch)
        if origin is not None and _fined(records, origin, when(entry), seen | {batch}):
            return True
    return False


def _origin(entry: JournalEntry, batch: str) -> str | None:
    """The batch that some or all of this one came from by that entry."""
    if isinstance(entry, Split):
        return entry.batch if entry.name == batch else None
    return entry.batch if isinstance(entry, Merged) and entry.into == batch else None


# --- the clock ---------------------------------------------------------------------------------------------------


def second_due_ms(found: Clearing, practice: ClearingPractice) -> int | None:
    """When the second part is due; None where none is waited for."""
    if found.first is None or found.second is not None:
        return None
    return found.first.at_ms + round(practice.second_after * 1000)


def clear_expected_ms(found: Clearing, practice: ClearingPractice) -> tuple[int, int] | None:
    """Between when and when it should be clear, by practice; None before the second part."""
    since = found.since_ms()
    if since is None:
        return None
    soon, late = practice.clear_after
    return since + round(soon * 1000), since + round(late * 1000)


def depth_mm(litres: float) -> float:
    """Depth of the liquid in a vessel as wide as it is deep (geometry): 289 mm for 19 litres."""
    return 1000.0 * math.cbrt(4.0 * litres / 1000.0 / math.pi)


def sinking(around: Surroundings) -> Sinking:
    """How long flocs and cells sink through it; ValueError outside `science/settling.py`'s ranges."""
    through = settling.liquid(around.temperature_c, around.abv)
    flocs = settling.settle(around.depth_mm, through, "floc").hours
    cells = settling.settle(around.depth_mm, through, "cell").hours
    return Sinking((flocs.usual, flocs.low, flocs.high), (cells.usual, cells.low, cells.high), around)


def slow(
    name: str,
    found: Clearing,
    practice: ClearingPractice,
    now_ms: int,
    siblings: Sequence[tuple[str, Clearing]] = (),
    falls: Sinking | None = None,
) -> Slow | None:
    """Whether a batch clears slowly, by its latest look; None where it does not, or nobody has looked."""
    since, expected = found.since_ms(), clear_expected_ms(found, practice)
    looks = [look for look in found.looks if since is not None and look.at_ms >= since]
    if since is None or expected is None or not looks or looks[-1].clear():
        return None
    look = looks[-1]
    seen = f"it was {look.clearness} {_hours(look.at_ms - since)} after the second part, {look.how}"
    physics = _physics(falls)
    if now_ms >= expected[1] and look.at_ms >= expected[0]:
        late = _hours(expected[1] - since)
        words = f"Batch {name} is not clear {_hours(now_ms - since)} after the second part; by practice {late} is long."
        return Slow("practice", words, (seen, *physics))
    for other, sibling in siblings:
        took, at = sibling.took_ms(), sibling.since_ms()
        if took is None or at is None or abs(at - since) > practice.sibling_within * 1000:
            continue
        if look.at_ms - since >= practice.slow_factor * max(took, HOUR):
            words = f"Batch {name} clears more slowly than {other}, which was fined at about the same time."
            why = f"{other} was clear {_hours(took)} after its second part"
            return Slow("sibling", words, (seen, why, *physics))
    if falls is not None and look.clearness in ("opaque", "cloudy"):
        needed = max(falls.flocs[2] * HOUR, expected[0] - since)
        if look.at_ms - since >= needed:
            words = f"Batch {name} is still {look.clearness}, after more time than flocs need to sink."
            return Slow("settling", words, (seen, *physics))
    return None


def _physics(falls: Sinking | None) -> tuple[str, ...]:
    if falls is None:
        return ()
    around = falls.around
    taken = "" if around.abv_known else " (taken: it is not known)"
    return (
        f"through {around.depth_mm:.0f} mm of it at {around.temperature_c:.0f} °C and {around.abv:.0f} % alcohol"
        f"{taken} flocs sink in about {_h(falls.flocs[0])} h (up to {_h(falls.flocs[2])}), "
        f"single cells in {_h(falls.cells[0])} h (Stokes' law)",
    )


SLOW_DO: Final = (
    "let it stand quite still, away from warmth on one side: weak currents keep fine matter up",
    "if both parts were dosed by the packet and it was degassed, cool it: in the cold haze binds and sinks, if slowly",
    "haze of starch or pectin does not settle however long it stands; finings in greater doses do not help",
)


def next_steps(
    found: Clearing, practice: ClearingPractice, settle_hours: float, stage: str = "clearing"
) -> tuple[str, ...]:
    """What there is to do now or next, in words; common practice, no source."""
    rack = "rack it off the sediment without stirring that up; what stays behind is no yeast for the shelf"
    if stage in ("cold", "stored"):
        return (f"its stage is {stage}, so no clock of finings runs", f"when the sediment has packed, {rack}")
    if found.first is None:
        return ("check it with `leeswatch batch fine NAME 1`, and stir the first part in",)
    if found.second is None:
        after = practice.second_after / 60.0
        return (f"stir the second part in about {after:.0f} minutes after the first, gently",)
    if found.clear_ms() is None:
        soon, late = (round(each / 3600.0) for each in practice.clear_after)
        return (
            f"leave it still: it should be clear {soon} to {late} h after the second part",
            "look at it against a light, and say so with `leeswatch batch clarity`",
        )
    return (
        f"it is clear: now go cold for about {settle_hours:g} h, so that the sediment packs, with the airlock watched",
        f"then {rack}",
    )


def _hours(ms: float) -> str:
    return f"{ms / HOUR:.0f} h" if ms >= 2 * HOUR else f"{ms / 60_000:.0f} min"


def _h(hours: float) -> str:
    return "far longer" if math.isinf(hours) else f"{hours:.2g}" if hours < 10 else f"{hours:.0f}"
