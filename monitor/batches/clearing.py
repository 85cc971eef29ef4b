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

from monitor.batches.record import Record, counting, when
from monitor.model.clock import DAY, HOUR
from monitor.model.config import ClearingPractice
from monitor.model.deeds import Clarity, Clearness, Fined, Merged, Photo, Racked, Split
from monitor.model.inputs import JournalEntry
from monitor.science import settling

Answer = Literal["pass", "not", "unknown"]

DOSE_OFF = 0.2  # a dose this far from the packet's, as a share of it, is another dose
WAITS_FOR_VERDICT = 5 * DAY  # it had ended by then: a verdict comes days after the end
CLEARNESSES: Final[tuple[Clearness, ...]] = ("opaque", "cloudy", "hazy", "clear", "bright")
# Turbidity of each, times the one called clear; the steps are a judgement (common practice, no source).
_UP_TO: Final[tuple[tuple[float, Clearness], ...]] = ((0.25, "bright"), (1.0, "clear"), (4.0, "hazy"), (25.0, "cloudy"))

DEGAS_HOW: Final = (
    "stir it hard or swirl it for some minutes until no more foam rises, with room for that foam and the lid loose, "
    "and again a few hours later: gas that still comes out lifts what should sink. Air the room while you do: "
    "carbon dioxide gathers low. Then say so with --degassed"
)
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
class Condition:
    """One thing to be so before the first part goes in."""

    name: str
    answer: Answer
    why: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a batch when the first part is to go in. Times UTC ms, Cel, litres."""

    verdict: str | None
    finished_ms: int | None
    racked_ms: int | None
    stage: str
    temperature_c: float | None
    temperature_from: str
    volume_l: float | None
    running_ms: int | None = None
    """When a first part went in that has had no second yet."""


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


# --- before the first part ---------------------------------------------------------------------------------------


def before_first(
    facts: Facts,
    practice: ClearingPractice,
    *,
    degassed: bool,
    dose_ml: float | None = None,
    ml_per_l: float | None = None,
) -> tuple[Condition, ...]:
    """Each condition for the first part of the finings, with why; `ml_per_l` is the packet's, else the settings'."""
    return (
        *(() if facts.running_ms is None else (_RUNNING,)),
        _finished(facts),
        _racked(facts),
        Condition("degassed", "pass", "you say that it was degassed")
        if degassed
        else Condition("degassed", "unknown", "no probe can tell; only you can", DEGAS_HOW),
        *_warm(facts, practice),
        _dose(facts.volume_l, dose_ml, ml_per_l or practice.first_ml_per_l),
    )


_RUNNING = Condition(
    "no round running", "not", "a first part went in already and waits for its second", "put the second part in"
)


def suggested_dose(volume_l: float | None, ml_per_l: float | None) -> float | None:
    """Millilitres for this volume by the packet; None where one of the two is not known."""
    return None if volume_l is None or ml_per_l is None else round(volume_l * ml_per_l, 1)


def _finished(facts: Facts) -> Condition:
    name = "finished"
    if facts.verdict == "finished":
        return Condition(name, "pass", "its verdict is finished")
    if facts.verdict in (None, "unknown"):
        why = "whether it has finished is not known"
        return Condition(name, "unknown", why, "take hydrometer readings over two days or more: they should agree")
    return Condition(
        name, "not", f"its verdict is {facts.verdict}", "wait: yeast that works stirs the wash and finings take it out"
    )


def _racked(facts: Facts) -> Condition:
    name = "racked"
    do = "rack it off its lees first: finings spent on old lees are lost, and yeast for the shelf is taken before"
    if facts.racked_ms is None:
        return Condition(name, "not", "no racking is noted", do)
    if facts.finished_ms is None:
        return Condition(name, "unknown", "it was racked, but when it finished is not known", do)
    if facts.racked_ms < facts.finished_ms - WAITS_FOR_VERDICT:
        days = (facts.finished_ms - facts.racked_ms) / DAY
        return Condition(name, "not", f"it was racked {days:.0f} days before it was called finished", do)
    if facts.racked_ms < facts.finished_ms:
        return Condition(name, "pass", "it was racked in the days before it was called finished, which comes late")
    return Condition(name, "pass", "it was racked after it finished")


def _warm(facts: Facts, practice: ClearingPractice) -> tuple[Condition, ...]:
    low, high = practice.range_c
    name = f"{low:g} to {high:g} °C"
    do = f"bring it to {low:g} to {high:g} °C (common practice): in the cold the parts work slowly or not at all"
    stage = (
        Condition("not cold", "not", f"it is in stage {facts.stage}", "clear it first and cool it afterwards")
        if facts.stage in ("cold", "stored")
        else Condition("not cold", "pass", f"it is in stage {facts.stage}")
    )
    if facts.temperature_c is None:
        return (Condition(name, "unknown", "no probe tells how warm it is", "measure it and say so with --at"), stage)
    why = f"its liquid is at {facts.temperature_c:.1f} °C, {facts.temperature_from}"
    answer: Answer = "pass" if low <= facts.temperature_c <= high else "not"
    return Condition(name, answer, why, "" if answer == "pass" else do), stage


def _dose(volume_l: float | None, dose_ml: float | None, ml_per_l: float | None) -> Condition:
    name = "dose"
    wanted = suggested_dose(volume_l, ml_per_l)
    if wanted is None:
        missing = "its volume" if volume_l is None else "the packet's dose"
        do = "say how many mL the packet takes for a litre, with --per-litre or as practice.clearing.first_ml_per_l"
        return Condition(name, "unknown", f"{missing} is not known", do if volume_l is not None else "set volume_l")
    assert volume_l is not None
    why = f"the packet's {ml_per_l:g} mL a litre make {wanted:g} mL for {volume_l:g} L"
    if dose_ml is None or abs(dose_ml - wanted) <= DOSE_OFF * wanted:
        return Condition(name, "pass", why)
    return Condition(name, "not", f"{why}, not {dose_ml:g}", f"measure {wanted:g} mL: more does not clear it better")


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


def next_steps(found: Clearing, practice: ClearingPractice, settle_hours: float) -> tuple[str, ...]:
    """What there is to do now or next, in words; common practice, no source."""
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
        "then rack it off the sediment without stirring that up; what stays behind is no yeast for the shelf",
    )


def _hours(ms: float) -> str:
    return f"{ms / HOUR:.0f} h" if ms >= 2 * HOUR else f"{ms / 60_000:.0f} min"


def _h(hours: float) -> str:
    return "far longer" if math.isinf(hours) else f"{hours:.2g}" if hours < 10 else f"{hours:.0f}"
