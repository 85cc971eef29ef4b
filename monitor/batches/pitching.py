"""The pitch planner: how much yeast a batch wants, which jar on the shelf serves, and a starter where none does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from monitor.batches import shelf
from monitor.batches.shelf import SAID, Jar, slug
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
class Usual:
    """A batch as they usually are here, to say what a jar would pitch."""

    litres: float
    og: float
    how: str
    """Whose that is, or what was taken."""


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
class Together:
    """Jars of one strain that are enough together though none of them is alone."""

    strain: str
    parts: tuple[tuple[Jar, float], ...]
    """Each jar and how much of it (mL of the jar shaken up, grams of dried yeast)."""
    cells: Estimate
    """Living ones in all of it."""
    sure: bool
    """Whether even the worst of its range is enough."""
    generation: int
    """The oldest among them: what is harvested later counts from it."""


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
    together: Together | None
    starter: StarterAdvice | None
    fresh_g: Estimate
    """Grams of fresh dried yeast that would do instead."""
    notes: tuple[str, ...]


def plan(
    litres: float, og: float, kind: yeast.Kind, jars: Sequence[Jar], strain: str | None = None, *, only: bool = False
) -> PitchPlan:
    """A plan from the jars of the shelf; those that are gone are left out. ValueError as `yeast.pitch`.

    Where the strain is told, and jars of it stand there, it is chosen from those alone; with `only` even if none do.
    """
    wanted, aim = _wanted(litres, og, kind)
    there = [each for each in jars if not each.gone]
    alike = [each for each in there if strain is not None and _key(each.made.strain) == _key(strain)]
    offers = sorted((_offer(each, aim) for each in (alike if alike or only else there)), key=_rank)
    best = offers[0] if offers and _serves(offers[0]) else None
    together = _together(offers, aim) if best is None else None
    starter = None
    if best is None:
        usable = [each for each in offers if each.jar.advice in ("pitch", "wake") and each.jar.living]
        fit = max(usable, key=lambda each: each.jar.living.low if each.jar.living else 0.0, default=None)
        starter = _starter(fit.jar, aim) if fit is not None else None
    notes = []
    if strain is not None and there and (alike or not only):
        notes.append(f"only jars of {strain}, as told" if alike else f"no jar of {strain} stands on the shelf")
    if og > HIGH_OG:
        notes.append(f"above {HIGH_OG:.3f} the upper end of the rule is taken (common practice, no source)")
    if any(each.jar.extrapolated and each.take is not None for each in offers):
        notes.append(
            f"what is published on storage ends at {yeast.PUBLISHED_DAYS:.0f} days: older jars are extrapolated, widely"
        )
    return PitchPlan(
        litres, og, kind, wanted, aim, tuple(offers), best, _because(best, offers, strain if there else None), together,
        starter, yeast.dried_grams(aim), tuple(notes),
    )  # fmt: skip


def _wanted(litres: float, og: float, kind: yeast.Kind) -> tuple[yeast.Pitch, float]:
    """The rule, and the cells aimed at: above `HIGH_OG` the upper end of it."""
    wanted = yeast.pitch(litres, og, kind)
    return wanted, wanted.cells.high if og > HIGH_OG else wanted.cells.usual


def reach(jar: Jar, usual: Usual) -> Estimate | None:
    """How much of the cells that a usual batch wants a jar holds, as a share; None: not known."""
    if jar.living is None:
        return None
    _, aim = _wanted(usual.litres, usual.og, "usual")
    return Estimate(jar.living.usual / aim, jar.living.low / aim, jar.living.high / aim)


def do(jar: Jar, usual: Usual | None) -> str:
    """What to do with a jar, and why, in one sentence without its stop; of one to pitch, how far it would reach."""
    said = shelf.do(jar)
    if jar.advice != "pitch" or usual is None:
        return said
    share, batch = reach(jar, usual), f"{usual.litres:g} L at {usual.og:.3f} ({usual.how})"
    if share is None:
        return f"{said}: how many living cells it holds is not known"
    if share.usual >= 1.0:
        return f"{said}: {'enough' if share.low >= 1.0 else 'usually enough, if not surely,'} for {batch}"
    of = " to ".join(_per_cent(each) for each in (share.low, share.high))
    much = f"about {_per_cent(share.usual)} % ({of}) of {batch}"
    how = "with more of it" if jar.unit == "g" else "through a starter first, or with others"
    return f"{how}: alone it would pitch {much}"


def _per_cent(share: float) -> str:
    return f"{100.0 * share:.0f}" if share >= 0.01 else f"{100.0 * share:.1g}"


def reach_json(jar: Jar, usual: Usual | None) -> dict[str, Any] | None:
    """The same as JSON-able values; None where nothing can be said."""
    share = reach(jar, usual) if usual is not None else None
    if usual is None or share is None:
        return None
    told = {"usual": round(share.usual, 3), "low": round(share.low, 3), "high": round(share.high, 3)}
    return {"share": told, "litres": usual.litres, "og": usual.og, "how": usual.how}


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


_ADVICE = {"pitch": 0, "grows": 1, "wake": 2, "doubtful": 3, "discard": 4, "gone": 5}
_ENOUGH = {"yes": 0, "perhaps": 1, "no": 2, "unknown": 3}


def _rank(offer: Offer) -> tuple[bool, int, int, int, float, str]:
    """Those that serve first; then the better kept, the fuller, the fewer generations, the fresher."""
    jar = offer.jar
    return (
        not _serves(offer), _ADVICE[jar.advice], _ENOUGH[offer.enough], jar.made.generation, jar.age_days, jar.name
    )  # fmt: skip


def _serves(offer: Offer) -> bool:
    return offer.jar.advice == "pitch" and offer.enough in ("yes", "perhaps")


def _because(best: Offer | None, offers: Sequence[Offer], strain: str | None) -> str:
    if not offers:
        return "nothing stands on the shelf" if strain is None else f"no jar of {strain} stands on the shelf"
    if best is None:
        first = offers[0]
        if first.jar.advice == "pitch":
            lack = "how many cells it holds is not known" if first.enough == "unknown" else "it does not hold enough"
            return f"none serves alone as it is: the best is {first.jar.name}, and {lack}"
        return f"none serves as it is: even of {first.jar.name}, the best kept, practice says: {SAID[first.jar.advice]}"
    why = f"generation {best.jar.made.generation}, {best.jar.age_days:.0f} days old"
    if best.jar.viability is not None:
        why += f", about {best.jar.viability.usual:.0f} % alive"
    sure = "and even the worst of its range is enough" if best.enough == "yes" else "and usually enough, if not surely"
    return f"{why}, {sure}"


def _key(strain: str) -> str:
    """The same for all ways to write a strain's name."""
    return slug(strain) or strain.casefold()


def _together(offers: Sequence[Offer], aim: float) -> Together | None:
    """The fewest jars of one strain, each fit to pitch, that are usually enough; None where no strain has so many."""
    fit = [each for each in offers if each.jar.advice == "pitch" and each.share and each.jar.living is not None]
    found: list[Together] = []
    for strain in dict.fromkeys(_key(each.jar.made.strain) for each in fit):
        parts: list[tuple[Jar, float]] = []
        cells, lack = [0.0, 0.0, 0.0], 1.0
        for each in sorted((each for each in fit if _key(each.jar.made.strain) == strain), key=_fullest):
            share, living = each.share or 0.0, each.jar.living
            assert living is not None
            part = min(1.0, lack / share)  # of what is left in the jar
            parts.append((each.jar, part * each.jar.left_ml))
            for number, value in enumerate((living.usual, living.low, living.high)):
                cells[number] += part * value
            lack -= part * share
            if lack < 1e-9:
                total = Estimate(*cells)
                oldest = max(jar.made.generation for jar, _ in parts)
                found.append(Together(parts[0][0].made.strain, tuple(parts), total, total.low >= aim, oldest))
                break
    return min(found, key=lambda each: (len(each.parts), each.generation, each.strain), default=None)


def _fullest(offer: Offer) -> tuple[float, int, float, str]:
    jar = offer.jar
    return -(offer.share or 0.0), jar.made.generation, jar.age_days, jar.name


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
    starter, together = found.starter, found.together
    return {
        "litres": found.litres,
        "og": found.og,
        "kind": found.kind,
        "cells": _cells(found.wanted.cells),
        "aim": round(found.aim),
        "offers": [
            {"jar": each.jar.name, "strain": each.jar.made.strain, "left": round(each.jar.left_ml, 1),
             "unit": each.jar.unit, "generation": each.jar.made.generation, "advice": each.jar.advice,
             "enough": each.enough, "take": _ml(each.take), "slurry_ml": _ml(each.layer_ml), "because": list(each.why)}
            for each in found.offers
        ],
        "together": None if together is None else {
            "strain": together.strain, "generation": together.generation, "cells": _cells(together.cells),
            "sure": together.sure,
            "jars": [{"jar": jar.name, "take": round(much, 1), "unit": jar.unit} for jar, much in together.parts],
        },
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
