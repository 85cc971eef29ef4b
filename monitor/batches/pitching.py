"""The pitch planner: how much yeast a batch wants, which jar on the shelf serves, and a starter where none does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from monitor.batches.shelf import SAID, Jar
from monitor.science import growth, yeast
from monitor.science.limits import Estimate

Enough = Literal["yes", "perhaps", "no", "unknown"]

STARTER_SG: Final = 1.036
STARTER_C: Final = 22.0
SIZES_L: Final = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0)
EXTRACT_G_PER_L: Final = 100.0
"""Dried malt extract for a litre of starter of about 1.036. Common practice, no source."""
HIGH_OG: Final = 1.080
"""The rule of cells per mL and °Plato was made for worts up to about here; see `yeast.pitch`."""

_LIMITED: Final = {
    "sugar": "its sugar", "room": "how crowded it gets", "reserves": "how often a cell can divide without much air",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Offer:
    """What a jar could give. mL of the jar shaken up (grams of dried yeast)."""

    jar: Jar
    take: Estimate | None
    """How much of the jar holds the cells; None: not known."""
    layer_ml: Estimate | None
    """The same as settled yeast, where its layer was measured."""
    enough: Enough
    why: tuple[str, ...]

    @property
    def share(self) -> float | None:
        """Of what is wanted, how much the jar holds, usually."""
        return None if self.take is None else self.jar.left_ml / self.take.usual


@dataclass(frozen=True, slots=True)
class StarterAdvice:
    """A starter for a jar that is not enough, or old."""

    jar: str
    take_ml: float
    litres: float
    sg: float
    extract_g: float
    temperature_c: float
    start_cells: float
    grows: growth.Starter
    reaches: bool
    """Whether it usually grows to what is wanted."""

    @property
    def limited(self) -> str:
        """What stops it, in words."""
        return _LIMITED[self.grows.limited_by]


@dataclass(frozen=True, slots=True)
class PitchPlan:
    """What to pitch. The best offer first; `best` None: none of them is worth pitching as it is."""

    litres: float
    og: float
    kind: yeast.Kind
    wanted: yeast.Pitch
    aim: float
    """Cells aimed at: the usual number, or the upper end for a strong wash."""
    offers: tuple[Offer, ...]
    best: Offer | None
    why: str
    starter: StarterAdvice | None
    fresh_g: Estimate
    """Grams of fresh dried yeast that would do instead."""
    notes: tuple[str, ...]


def plan(litres: float, og: float, kind: yeast.Kind, jars: Sequence[Jar]) -> PitchPlan:
    """A plan from the jars of the shelf; those that are gone are left out. ValueError as `yeast.pitch`."""
    wanted = yeast.pitch(litres, og, kind)
    aim = wanted.cells.high if og > HIGH_OG else wanted.cells.usual
    offers = sorted((_offer(each, aim) for each in jars if not each.gone), key=_rank)
    best = offers[0] if offers and _serves(offers[0]) else None
    starter = None
    if best is None:
        usable = [each for each in offers if each.jar.advice not in ("discard", "doubtful") and each.jar.living]
        fit = max(usable, key=lambda each: each.jar.living.low if each.jar.living else 0.0, default=None)
        starter = _starter(fit.jar, aim) if fit is not None else None
    notes = []
    if og > HIGH_OG:
        notes.append(f"above {HIGH_OG:.3f} the upper end of the rule is taken (common practice, no source)")
    if any(each.jar.extrapolated and each.take is not None for each in offers):
        notes.append(
            f"what is published on storage ends at {yeast.PUBLISHED_DAYS:.0f} days: older jars are extrapolated, widely"
        )
    return PitchPlan(
        litres, og, kind, wanted, aim, tuple(offers), best, _because(best, offers), starter, yeast.dried_grams(aim),
        tuple(notes),
    )  # fmt: skip


def _offer(jar: Jar, aim: float) -> Offer:
    take = layer = None
    if jar.living is not None and jar.left_ml > 0.0 and jar.living.low > 0.0:
        each = Estimate(*(value / jar.left_ml for value in (jar.living.usual, jar.living.low, jar.living.high)))
        take = Estimate(aim / each.usual, aim / each.high, aim / each.low)
        share = jar.layer_share
        if share is not None:
            layer = Estimate(take.usual * share, take.low * share, take.high * share)
    enough: Enough = (
        "unknown" if take is None
        else "yes" if take.high <= jar.left_ml
        else "perhaps" if take.usual <= jar.left_ml
        else "no"
    )  # fmt: skip
    return Offer(jar, take, layer, enough, jar.because)


_ADVICE = {"pitch": 0, "wake": 1, "doubtful": 2, "discard": 3, "gone": 4}
_ENOUGH = {"yes": 0, "perhaps": 1, "no": 2, "unknown": 3}


def _rank(offer: Offer) -> tuple[bool, int, int, int, float, str]:
    """Those that serve first; then the better kept, the fuller, the fewer generations, the fresher."""
    jar = offer.jar
    return (
        not _serves(offer), _ADVICE[jar.advice], _ENOUGH[offer.enough], jar.made.generation, jar.age_days, jar.name
    )  # fmt: skip


def _serves(offer: Offer) -> bool:
    return offer.jar.advice == "pitch" and offer.enough in ("yes", "perhaps")


def _because(best: Offer | None, offers: Sequence[Offer]) -> str:
    if not offers:
        return "nothing stands on the shelf"
    if best is None:
        first = offers[0]
        if first.jar.advice == "pitch":
            lack = "how many cells it holds is not known" if first.enough == "unknown" else "it does not hold enough"
            return f"none serves as it is: the best is {first.jar.name}, and {lack}"
        return f"none serves as it is: {first.jar.name} says {SAID[first.jar.advice]}"
    why = f"generation {best.jar.made.generation}, {best.jar.age_days:.0f} days old"
    if best.jar.viability is not None:
        why += f", about {best.jar.viability.usual:.0f} % alive"
    sure = "and even the worst of its range is enough" if best.enough == "yes" else "and usually enough, if not surely"
    return f"{why}, {sure}"


def _starter(jar: Jar, aim: float) -> StarterAdvice:
    """The smallest starter of the whole jar that usually grows to the aim; else the one that comes nearest."""
    assert jar.living is not None
    start = jar.living.usual
    grown = [(size, growth.starter(size, STARTER_SG, start, STARTER_C)) for size in SIZES_L]
    reached = [each for each in grown if each[1].cells.usual >= aim]
    most = max(found.cells.usual for _, found in grown)
    litres, found = reached[0] if reached else next(each for each in grown if each[1].cells.usual >= 0.99 * most)
    cells = Estimate(
        found.cells.usual,
        growth.starter(litres, STARTER_SG, max(1.0, jar.living.low), STARTER_C).cells.low,
        growth.starter(litres, STARTER_SG, jar.living.high, STARTER_C).cells.high,
    )
    grows = growth.Starter(cells, found.limited_by, found.hours)
    return StarterAdvice(
        jar.name, jar.left_ml, litres, STARTER_SG, litres * EXTRACT_G_PER_L, STARTER_C, start, grows, bool(reached)
    )


def as_json(found: PitchPlan) -> dict[str, Any]:
    """JSON-able; unknown is null, cells are numbers, amounts mL of the jar shaken up (dried yeast: g)."""
    starter = found.starter
    return {
        "litres": found.litres,
        "og": found.og,
        "kind": found.kind,
        "cells": _cells(found.wanted.cells),
        "aim": round(found.aim),
        "offers": [
            {"jar": each.jar.name, "left": round(each.jar.left_ml, 1), "unit": each.jar.unit,
             "generation": each.jar.made.generation, "advice": each.jar.advice, "enough": each.enough,
             "take": _ml(each.take), "slurry_ml": _ml(each.layer_ml), "because": list(each.why)}
            for each in found.offers
        ],
        "best": found.best.jar.name if found.best is not None else None,
        "why": found.why,
        "starter": None if starter is None else {
            "jar": starter.jar, "litres": starter.litres, "sg": starter.sg, "extract_g": starter.extract_g,
            "temperature_c": starter.temperature_c, "start_cells": round(starter.start_cells),
            "cells": _cells(starter.grows.cells), "reaches": starter.reaches, "limited_by": starter.grows.limited_by,
        },
        "fresh_g": _ml(found.fresh_g),
        "notes": list(found.notes),
    }  # fmt: skip


def _cells(found: Estimate) -> dict[str, int]:
    return {"usual": round(found.usual), "low": round(found.low), "high": round(found.high)}


def _ml(found: Estimate | None) -> dict[str, float] | None:
    if found is None:
        return None
    return {"usual": round(found.usual, 1), "low": round(found.low, 1), "high": round(found.high, 1)}
