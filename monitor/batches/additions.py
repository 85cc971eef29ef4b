"""What went into a batch, in kilograms and litres, and what that makes of its original gravity."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.model.deeds import Merged, Racked, Split
from monitor.model.inputs import Added, JournalEntry
from monitor.science import additions, fermentables, forecast

KILOGRAMS = {"kg": 1.0, "g": 0.001}
LITRES = {"L": 1.0, "mL": 0.001}
BARE = ("nutrient", "acid", "yeast", "finings")  # brings no sugar to speak of
SUGAR_L_PER_KG = 0.62  # room that sugar takes once dissolved: sucrose by ICUMSA SPS-4, from memory


@dataclass(frozen=True, slots=True)
class Rise:
    """By how much an addition raises the original gravity (SG), and what the batch amounts to after it."""

    by: float
    og: float
    litres: float
    balance: additions.Balance


def sugar_of(what: str, sugar: str | None) -> str | None:
    """The fermentable that an addition is: as told, or by its own word; None for what is no known sugar."""
    if sugar is not None:
        return sugar
    word = what.split(maxsplit=1)[0].rstrip(",:").lower() if what.split() else ""
    return "sucrose" if word == "sugar" else word if word in fermentables.SUGARS else None


def step_of(entry: JournalEntry) -> additions.Step | None:
    """An addition or a merge as a step of the balance; None where what it was, or how much, is not known."""
    if isinstance(entry, Merged):
        known = entry.volume_l is not None and entry.original is not None and entry.gravity is not None
        if not known or entry.volume_l is None or entry.original is None or entry.gravity is None:
            return None
        return additions.AddWash(entry.volume_l, entry.original, min(entry.gravity, entry.original))
    if not isinstance(entry, Added) or entry.amount is None or entry.unit is None:
        return None
    if entry.unit in KILOGRAMS:
        kind = sugar_of(entry.what, entry.sugar)
        kilograms = entry.amount * KILOGRAMS[entry.unit]
        return additions.AddSugar(kilograms, kind) if kind in fermentables.SUGARS else None
    return additions.AddWater(entry.amount * LITRES[entry.unit]) if is_water(entry.what) else None


def parts_of(step: additions.AddSugar | additions.AddWater) -> tuple[float, float]:
    """Kilograms of sugar, as sucrose weighs, and litres of water in it: syrup and honey bring both."""
    if isinstance(step, additions.AddWater):
        return 0.0, step.litres
    kind = fermentables.sugar_named(step.kind)
    solids = kind.solids[0]
    return step.kg * solids * kind.weight, step.kg * (1.0 - solids) * forecast.WATER_L_PER_KG


def is_water(what: str) -> bool:
    """Whether water went in, by the first word."""
    return what.lower().startswith("water")


def is_bare(what: str) -> bool:
    """Whether it is known to bring no sugar and no water to speak of: nutrient, acid, yeast, finings."""
    return what.strip().partition(" ")[0].rstrip(",:").lower() in BARE


def volume_after(litres: float, entry: JournalEntry, name: str) -> float:
    """Litres of a batch after an entry of its record: as measured then, else by what came and went. Never below 0."""
    if isinstance(entry, Racked) and entry.batch == name:
        return entry.volume_l if entry.volume_l is not None else max(0.0, litres - (entry.loss_l or 0.0))
    if isinstance(entry, Split):
        return entry.volume_l if entry.name == name else max(0.0, litres - entry.volume_l)
    if isinstance(entry, Merged) and entry.into == name:
        return entry.into_volume_l or litres + (entry.volume_l or 0.0)
    if isinstance(entry, Added) and entry.volume_l is not None:
        return entry.volume_l
    if isinstance(entry, Added) and entry.amount is not None and entry.unit is not None:
        if entry.unit in LITRES:
            return litres + entry.amount * LITRES[entry.unit]
        sugar = sugar_of(entry.what, entry.sugar) is not None
        return litres + SUGAR_L_PER_KG * entry.amount * KILOGRAMS[entry.unit] * sugar
    return litres


def rise(
    litres: float,
    og: float,
    before: Sequence[additions.Step],
    step: additions.Step,
    gravity_now: float,
    og_error: float = 0.001,
) -> Rise:
    """What a step makes of a batch that began as `litres` of `og` and took `before`. ValueError as `additions.balance`.

    Source: `science.additions`: masses of wash and extract, which fermenting does not change.
    """
    was = additions.balance(litres, og, before, gravity_now, og_error=og_error)
    now = additions.balance(litres, og, [*before, step], gravity_now, og_error=og_error)
    return Rise(now.og - was.og, now.og, now.litres, now)
