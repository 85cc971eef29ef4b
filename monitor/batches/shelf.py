"""The shelf: jars of yeast, what is left in each, how much of it lives, and until when it is worth keeping.

Ages and generations are common practice, no source, and set by the person (`YeastPractice`). How fast stored yeast dies
is in `science/yeast.py`, with its sources; beyond some days it is extrapolated there, and the ranges are wide.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from monitor.batches.clearing import fined_by
from monitor.batches.record import Record, counting, when
from monitor.batches.washing import doubts, hours_words
from monitor.model.clock import DAY, HOUR, iso
from monitor.model.config import YeastPractice
from monitor.model.deeds import Harvested, JarCounted, JarDiscarded, JarLayer, Jarred, JarUsed, Noted
from monitor.model.inputs import BatchStarted, JournalEntry
from monitor.science import yeast
from monitor.science.limits import Estimate

Advice = Literal["pitch", "grows", "wake", "doubtful", "discard", "gone"]

KNOWN_DAYS: Final = 180.0  # as far as `yeast.stored` goes
START: Final = Estimate(95.0, 90.0, 98.0)  # per cent that live when it is put up: from memory
EMPTY_ML: Final = 0.05
WAKE_BELOW, DISCARD_BELOW = 80.0, 50.0  # per cent that live; common practice, no source
LAYER_SHARES: Final = Estimate(0.5, 0.25, 1.0)  # of a jar that is settled yeast, where nobody said: an assumption

CAUTIONS: Final = (
    "lids loose, never tight: yeast goes on making gas, and ordinary jars are not rated for pressure",
    "not below 0 °C: yeast under water freezes near 0 °C, which kills it and bursts glass; keep it off the cold plate",
)


@dataclass(frozen=True, slots=True)
class Jar:
    """A jar as it stands. mL (grams of dried yeast), Cel, per cent, times UTC ms; None: not known."""

    name: str
    made: Jarred
    source: Harvested | None
    now_ms: int
    left_ml: float
    used: tuple[JarUsed, ...]
    starters: tuple[Jarred, ...]
    """Starters that took of it."""
    unmeasured: tuple[str, ...]
    """Batches that were pitched from it without a word of how much."""
    layer_share: float | None
    """Share of the jar shaken up that is settled yeast, 0 to 1."""
    counted: JarCounted | None
    viability: Estimate | None
    viability_how: str
    extrapolated: bool
    per_ml: Estimate | None
    """Cells, dead ones too, in a mL of the jar shaken up; living ones of a packet or starter as it was put up."""
    per_ml_how: str
    living: Estimate | None
    """Living cells in what is left."""
    best_ms: int | None
    discard_ms: int | None
    advice: Advice
    because: tuple[str, ...]
    gone: str
    gone_ms: int | None
    notes: tuple[Noted, ...]

    @property
    def age_days(self) -> float:
        """Since it was put up."""
        return max(0.0, (self.now_ms - self.made.at) / DAY)

    @property
    def unit(self) -> str:
        """Of its amounts."""
        return "g" if self.made.grams is not None else "mL"

    @property
    def layer_left_ml(self) -> float | None:
        """Settled yeast in what is left."""
        return None if self.layer_share is None else self.layer_share * self.left_ml


def keeps(made: Jarred, practice: YeastPractice) -> tuple[int | None, int | None]:
    """Until when it is at its best, and when it is thrown out. A packet goes by its own date alone."""
    if made.origin == "packet":
        return made.best_before, None
    best, discard = (made.at + round(each * 1000) for each in (practice.best_within, practice.discard_after))
    return min(best, made.best_before or best), max(best, discard)


def jar(
    name: str,
    record: Iterable[JournalEntry],
    practice: YeastPractice,
    now_ms: int,
    source: Harvested | None = None,
    *,
    fined: bool = False,
) -> Jar | None:
    """The jar of a name from its record; None where nothing that counts says that it was put up.

    `source` is the harvest of the wash it came from, `fined` whether that batch was fined before it. Tolerates entries
    that make no sense.
    """
    done = counting(record)
    mine = [each for each in done if isinstance(each, Jarred) and each.jar == name]
    if not mine:
        return None
    made = mine[-1]
    since = [each for each in done if when(each) >= made.at and each is not made]
    used = tuple(each for each in since if isinstance(each, JarUsed) and each.jar == name)
    grown = [each for each in since if isinstance(each, Jarred) and each.origin == "starter" and each.jar != name]
    starters = tuple(each for each in grown if name in each.parents)
    left, emptied = _left(made, used, starters)
    told = {each.batch for each in used}
    pitched = [str(each.batch.get("name", "")) for each in done if isinstance(each, BatchStarted)]
    thrown = next((each for each in since if isinstance(each, JarDiscarded)), None)
    counts = [each for each in since if isinstance(each, JarCounted)]
    counted = counts[-1] if counts else None
    share = _layer_share(made, [each for each in since if isinstance(each, JarLayer)], used, starters)
    notes = tuple(each for each in since if isinstance(each, Noted))
    viability, how, extrapolated = _viability(made, counts, now_ms)
    per_ml, per_ml_how = _per_ml(made, counted, share)
    living = _living(made, counted, per_ml, viability, left)
    gone = (thrown.why or "discarded") if thrown is not None else "used up" if left == 0.0 else ""
    gone_ms = thrown.at if thrown is not None else emptied
    best, discard = keeps(made, practice)
    # Beyond what is published the middle of the range is a guess: only its best end may then speak against a jar.
    alive = None if viability is None else viability.high if extrapolated else viability.usual
    said = f"{'at most' if extrapolated else 'about'} {alive:.0f} % of it live" if alive is not None else ""
    advice, because = _advice(made, source, practice, now_ms, alive, said, notes, fined=fined)
    return Jar(
        name, made, source, now_ms, left, used, starters,
        tuple(each for each in dict.fromkeys(pitched) if each and each not in told),
        share, counted, viability, how, extrapolated, per_ml, per_ml_how, living, best, discard,
        "gone" if gone else advice, () if gone else because, gone, gone_ms, notes,
    )  # fmt: skip


def shelf(records: Mapping[str, Record], practice: YeastPractice, now_ms: int) -> tuple[Jar, ...]:
    """All jars, those that are there first, then by how old they are."""
    found = [one(records, key[4:], practice, now_ms) for key in records if key.startswith("jar:")]
    jars = [each for each in found if each is not None]
    return tuple(sorted(jars, key=lambda each: (bool(each.gone), each.made.at, each.name)))


def one(records: Mapping[str, Record], name: str, practice: YeastPractice, now_ms: int) -> Jar | None:
    """The jar of a name with the harvest it came from; None where there is none."""
    source = harvest_of(records, name)
    fined = source is not None and fined_by(records, source.batch, source.at)
    return jar(name, records.get(f"jar:{name}", ()), practice, now_ms, source, fined=fined)


def harvest_of(records: Mapping[str, Record], name: str) -> Harvested | None:
    """The harvest that a jar came from, through the starters between; None where none is on record."""
    waiting, seen = [name], set[str]()
    while waiting:
        jar_name = waiting.pop(0)
        if jar_name in seen:
            continue
        seen.add(jar_name)
        record = counting(records.get(f"jar:{jar_name}", ()))
        made = next((each for each in reversed(record) if isinstance(each, Jarred) and each.jar == jar_name), None)
        wash = counting(records.get(f"wash:{made.wash}", ())) if made is not None and made.wash else []
        found = next((each for each in reversed(wash) if isinstance(each, Harvested)), None)
        if found is not None:
            return found
        if made is not None and made.origin == "starter":
            waiting += made.parents
    return None


_PLAIN: Final = str.maketrans({"ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th"})


def slug(strain: str) -> str:
    """A strain's name as names of things are written: `Märzen Haus` is `marzen-haus`; empty where nothing is left."""
    plain = unicodedata.normalize("NFKD", strain.casefold().translate(_PLAIN))
    kept = "".join(each for each in plain if not unicodedata.combining(each))
    return re.sub(r"[^a-z0-9]+", "-", kept).strip("-")


# --- how much, and how alive -------------------------------------------------------------------------------------


def _left(made: Jarred, used: Sequence[JarUsed], starters: Sequence[Jarred]) -> tuple[float, int | None]:
    """What is left, and when nothing was any more."""
    left = made.volume_ml
    taken = [(each.at, each.ml) for each in used] + [(each.at, each.taken_ml or 0.0) for each in starters]
    for at, ml in sorted(taken):
        left -= ml
        if left < EMPTY_ML:
            return 0.0, at
    return left, None


def _viability(made: Jarred, counts: Sequence[JarCounted], now_ms: int) -> tuple[Estimate | None, str, bool]:
    if made.grams is not None:
        return None, "dried: by the date on its packet", False
    start, low, high, since = START.usual, START.low, START.high, made.at
    how = f"by age and temperature, from {START.usual:g} % as it was put up"
    told = [each for each in counts if each.viability is not None]
    if told:
        last = told[-1]
        start = last.viability or 0.0
        low = last.viability_low if last.viability_low is not None else start
        high = last.viability_high if last.viability_high is not None else start
        since, how = last.at, "by the count, and the age since"
    days = max(0.0, (now_ms - since) / DAY)
    if days > KNOWN_DAYS or not 0.0 <= made.stored_c <= 25.0:
        return None, "not known at this age or temperature: count it", True
    kept = yeast.stored(days, made.stored_c, 100.0)
    shares = kept.viability
    found = Estimate(start * shares.usual / 100.0, low * shares.low / 100.0, high * shares.high / 100.0)
    return found, how, kept.extrapolated


def _layer_share(
    made: Jarred, seen: Sequence[JarLayer], used: Sequence[JarUsed], starters: Sequence[Jarred]
) -> float | None:
    """By the layer as it was last seen, of what was left then."""
    if seen:
        last = seen[-1]
        left, _ = _left(made, [each for each in used if each.at <= last.at], [s for s in starters if s.at <= last.at])
        return min(1.0, last.layer_ml / left) if left > 0.0 else None
    return None if made.layer_ml is None else min(1.0, made.layer_ml / made.volume_ml)


def _per_ml(made: Jarred, counted: JarCounted | None, share: float | None) -> tuple[Estimate | None, str]:
    """Cells in a mL of the jar shaken up, and how that is known."""
    if share is not None:
        layer, said = Estimate(share, share, share), ""
    else:
        layer, said = LAYER_SHARES, "; its layer was not measured, so a quarter to all of it is taken as yeast"
    if counted is not None:
        usual = counted.cells_per_ml
        low = counted.cells_low if counted.cells_low is not None else usual
        high = counted.cells_high if counted.cells_high is not None else usual
        return _times(layer, Estimate(usual, min(low, usual), max(high, usual))), f"counted{said}"
    if made.cells is not None:
        cells = Estimate(made.cells, made.cells_low or made.cells, made.cells_high or made.cells)
        each = Estimate(*(value / made.volume_ml for value in (cells.usual, cells.low, cells.high)))
        return each, "as its packet says" if made.origin == "packet" else "as it was reckoned when put up"
    if made.grams is not None:
        return yeast.DRIED, "dried yeast, common practice"
    if made.origin == "packet":
        return None, "the packet's cells were not told"
    return _times(layer, yeast.SLURRY["thick"]), f"settled yeast, common practice{said}"


def _times(one_: Estimate, other: Estimate) -> Estimate:
    return Estimate(one_.usual * other.usual, one_.low * other.low, one_.high * other.high)


def _living(
    made: Jarred, counted: JarCounted | None, per_ml: Estimate | None, viability: Estimate | None, left: float
) -> Estimate | None:
    if per_ml is None:
        return None
    whole = Estimate(per_ml.usual * left, per_ml.low * left, per_ml.high * left)
    if made.grams is not None and counted is None:
        return whole
    if viability is None:
        return None
    # What a packet or a starter told were living cells as it was put up; a count tells dead ones, too.
    of = START if made.cells is not None and counted is None else Estimate(100.0, 100.0, 100.0)
    shares = (viability.usual / of.usual, viability.low / of.low, viability.high / of.high)
    return _times(whole, Estimate(*(min(1.0, each) for each in shares)))


# --- whether it is worth keeping ---------------------------------------------------------------------------------


def _advice(
    made: Jarred,
    source: Harvested | None,
    practice: YeastPractice,
    now_ms: int,
    alive: float | None,
    said: str,
    notes: Sequence[Noted],
    *,
    fined: bool,
) -> tuple[Advice, tuple[str, ...]]:
    """What practice would do with it, and why; `alive` per cent, as `said`."""
    best, discard = keeps(made, practice)
    gone, doubtful, tired = [], [], []
    if fined:
        gone.append("its lees were taken after finings, which are nothing for the shelf")
    if any(each.sort == "off-smell" for each in notes):
        gone.append("it smells off")
    if discard is not None and now_ms >= discard:
        gone.append(f"it is older than {practice.discard_after / 86400:.0f} days")
    elif best is not None and now_ms >= best:
        tired.append(
            "it is past its packet's date" if made.origin == "packet" or best == made.best_before
            else f"it is older than {practice.best_within / 86400:.0f} days"
        )  # fmt: skip
    if made.generation > practice.most_generations:
        gone.append(f"generation {made.generation} is past {practice.most_generations}")
    elif made.generation > practice.doubtful_generations:
        doubtful.append(f"generation {made.generation} is past {practice.doubtful_generations}: strains drift")
    if alive is not None and alive < DISCARD_BELOW:
        gone.append(f"{said}, fewer than {DISCARD_BELOW:g} %")
    elif alive is not None and alive < WAKE_BELOW:
        tired.append(f"{said}, fewer than {WAKE_BELOW:g} %")
    if source is not None:
        doubtful += doubts(source.abv, practice, stalled=source.stalled, off_smell=source.off_smell)
    low, high = practice.store_c
    if made.grams is None and not low <= made.stored_c <= high:
        cold = ": it freezes there" if made.stored_c < 0 else ""
        tired.append(f"it stands at {made.stored_c:g} °C, not at {low:g} to {high:g} °C{cold}")
    young = [] if made.ready is None or now_ms >= made.ready else [_grows(made.ready - now_ms)]
    advice: Advice = (
        "discard" if gone else "doubtful" if doubtful else "grows" if young else "wake" if tired else "pitch"
    )
    return advice, (*gone, *doubtful, *young, *tired)


def _grows(ms: int) -> str:
    return f"it was put on lately and has usually grown in {hours_words(ms / HOUR)} more, its lag left out"


SAID: Final[Mapping[Advice, str]] = {
    "pitch": "pitch it",
    "grows": "let it grow first",
    "wake": "wake it in a starter first",
    "doubtful": "fresh yeast is safer",
    "discard": "throw it out",
    "gone": "not there any more",
}


def do(jar_: Jar) -> str:
    """What to do with it, and why, in one sentence without its stop."""
    said = jar_.gone or SAID[jar_.advice]
    return f"{said}: {'; '.join(jar_.because)}" if jar_.because else said


def as_json(jar_: Jar) -> dict[str, Any]:
    """A jar as JSON-able values; unknown is null, times RFC 3339, amounts in mL (dried yeast: g)."""
    made = jar_.made
    return {
        "jar": jar_.name, "strain": made.strain, "origin": made.origin, "wash": made.wash,
        "parents": list(made.parents), "generation": made.generation, "made": iso(made.at),
        "age_days": round(jar_.age_days, 1), "unit": jar_.unit, "volume": made.volume_ml,
        "left": round(jar_.left_ml, 1), "layer_ml": made.layer_ml, "layer_left_ml": _round(jar_.layer_left_ml, 1),
        "ready": None if made.ready is None else iso(made.ready), "stored_c": made.stored_c, "fridge": made.fridge,
        "viability": _ranged(jar_.viability, 1), "viability_how": jar_.viability_how,
        "extrapolated": jar_.extrapolated, "cells_per_ml": _ranged(jar_.per_ml, 0), "cells_how": jar_.per_ml_how,
        "living_cells": _ranged(jar_.living, 0),
        "best_by": None if jar_.best_ms is None else iso(jar_.best_ms),
        "discard_by": None if jar_.discard_ms is None else iso(jar_.discard_ms),
        "advice": jar_.advice, "because": list(jar_.because), "gone": jar_.gone or None,
        "gone_at": None if jar_.gone_ms is None else iso(jar_.gone_ms),
        "used": [{"time": iso(each.at), "batch": each.batch, "amount": each.ml} for each in jar_.used],
        "starters": [each.jar for each in jar_.starters], "unmeasured": list(jar_.unmeasured),
    }  # fmt: skip


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _ranged(found: Estimate | None, digits: int) -> dict[str, float] | None:
    if found is None:
        return None
    return {"usual": round(found.usual, digits), "low": round(found.low, digits), "high": round(found.high, digits)}
