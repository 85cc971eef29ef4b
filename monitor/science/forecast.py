"""What gravity a mix should give, and where it can end: before a drop is stirred."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from monitor.science import alcohol, fermentables, sugar
from monitor.science._checks import within

if TYPE_CHECKING:
    from collections.abc import Mapping

    from monitor.science.fermentables import Enzymes, Range

LITRES_ERROR: Final = 0.03
"""Relative error of a bucket's marks, 90 %; common practice, no source."""

SCALE_ERROR: Final = 0.01
"""Relative error of a kitchen scale, 90 %; common practice, no source."""

UNSTIRRED: Final = 0.3
"""Share of the sugar taken to lie on the bottom in `Forecast.early_reading`: an example, not a prediction."""

STRONG_ABV: Final = 14.0
"""Above this many per cent by volume many yeasts stop before the sugar does; common practice, no source."""

WATER_L_PER_KG: Final = 1000.0 / 998.2


@dataclass(frozen=True, slots=True)
class Forecast:
    """Gravities (SG 20/20) that a mix should start and end at; ranges hold with about 90 %."""

    og: float
    og_low: float
    og_high: float
    plato: float
    fg: float
    fg_low: float
    fg_high: float
    abv: float
    abv_low: float
    abv_high: float
    extract_kg: float
    """All that dissolves, as sucrose weighs."""
    from_grain_kg: float
    water_l: float
    """Water that fills up to the volume asked for (sugars and syrups take room too)."""
    early_reading: float | None
    """What a hydrometer shows if `UNSTIRRED` of the sugar still lies on the bottom; None without sugar."""
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Share:
    """What one ingredient brings: kg of extract, and the share that ferments."""

    extract: Range
    fermented: Range
    error: float


def og_from_g_l(grams: float) -> float:
    """Gravity (SG 20/20, apparent) of so many grams of sucrose in a litre of the finished mix, 0–540 g/L.

    ValueError outside. Contraction on dissolving is in the density. Source: ICUMSA SPS-4 and buoyancy in air.
    """
    within("sugar", grams, 0.0, 540.0, "g/L")
    return sugar.sg_from_plato(sugar.plato_from_g_l(grams))


def original(
    litres: float,
    sugars: Mapping[str, float] | None = None,
    grains: Mapping[str, float] | None = None,
    enzymes: Enzymes = "none",
    *,
    litres_error: float = LITRES_ERROR,
    alcohol_limit_abv: float | None = None,
) -> Forecast:
    """Original and final gravity from the volume after mixing, sugars and grains (kg by name) and enzymes.

    litres 0.1–100000 of wash, all in; kg 0 or more, of sugar at most 0.5 a litre; names as in `fermentables`;
    enzymes none, malt or added. `alcohol_limit_abv` (5–25 %) is the yeast's, if known: the range of the end
    then reaches up to it. ValueError outside.
    Source: extract in the volume, density of sucrose by ICUMSA SPS-4 (`og_from_g_l`); the end by
    `alcohol.gravity_at_real_attenuation`; yields and attenuations in `fermentables` (common practice).
    """
    within("volume", litres, 0.1, 100_000.0, "litres")
    within("volume error", litres_error, 0.0, 0.3)
    if alcohol_limit_abv is not None:
        within("alcohol limit", alcohol_limit_abv, 5.0, 25.0, "%")
    sugars, grains = dict(sugars or {}), dict(grains or {})
    for kind, weights in (("sugar", sugars), ("grain", grains)):
        for name, kg in weights.items():
            within(f"{kind} {name}", kg, 0.0, 0.5 * litres, "kg (half a kilogram a litre)")
    from_sugar = [_from_sugar(name, kg) for name, kg in sugars.items()]
    from_grain = [_from_grain(name, kg, enzymes) for name, kg in grains.items()]
    shares = from_sugar + from_grain
    extract = sum((share.extract[0] for share in shares), 0.0)
    grams = 1000.0 * extract / litres
    within("extract", grams, 0.0, 420.0, "g in a litre")
    og = og_from_g_l(grams)
    og_low, og_high = _og_range(grams, shares, litres_error, _taken_l(grains, enzymes) / litres)
    fermented = _fermented(shares)
    fg, fg_low, fg_high = _ends(og, og_low, og_high, fermented, alcohol_limit_abv)
    corners = [alcohol.abv(start, end) for start, end in ((og_low, fg_high), (og_high, fg_low))]
    sugar_kg = sum(share.extract[0] for share in from_sugar)
    early = og_from_g_l(grams - UNSTIRRED * 1000.0 * sugar_kg / litres) if sugar_kg else None
    solution = litres * sugar.kg_m3_from_sg(og) / 1000.0
    return Forecast(
        og=og,
        og_low=og_low,
        og_high=og_high,
        plato=max(0.0, sugar.plato_from_sg(og)),
        fg=fg,
        fg_low=fg_low,
        fg_high=fg_high,
        abv=alcohol.abv(og, fg),
        abv_low=min(corners),
        abv_high=max(corners),
        extract_kg=extract,
        from_grain_kg=extract - sugar_kg,
        water_l=max(0.0, solution - extract - _water_in(sugars)) * WATER_L_PER_KG,
        early_reading=early,
        notes=_notes(litres, sugars, grains, enzymes, shares, (og, fg, fg_low, early)),
    )


def _from_sugar(name: str, kg: float) -> _Share:
    kind = fermentables.sugar_named(name)
    usual, low, high = (kg * kind.weight * part for part in kind.solids)
    return _Share((usual, low, high), kind.fermented, SCALE_ERROR)


def _from_grain(name: str, kg: float, enzymes: Enzymes) -> _Share:
    kind = fermentables.grain_named(name)
    wet, dry, soaked = kind.moisture
    (usual, low, high), fermented = fermentables.conversion(kind, enzymes)
    return _Share(
        (kg * (1.0 - wet) * usual, kg * (1.0 - soaked) * low, kg * (1.0 - dry) * high), fermented, SCALE_ERROR
    )


def _water_in(sugars: Mapping[str, float]) -> float:
    return sum(kg * (1.0 - fermentables.sugar_named(name).solids[0]) for name, kg in sugars.items())


def _taken_l(grains: Mapping[str, float], enzymes: Enzymes) -> float:
    """Litres that grain takes up if it stays in the vessel and the mark counts it."""
    total = 0.0
    for name, kg in grains.items():
        kind = fermentables.grain_named(name)
        dissolved = fermentables.conversion(kind, enzymes)[0][0]
        total += kg * (1.0 - kind.moisture[0]) * (1.0 - dissolved) / fermentables.SOLIDS_DENSITY
    return total


def _og_range(grams: float, shares: list[_Share], litres_error: float, taken: float) -> tuple[float, float]:
    """Each cause's push up and push down, added up as squares; the grain's room only pushes up."""
    total = sum(share.extract[0] for share in shares)
    if total == 0.0:
        return 1.0, 1.0
    up = [litres_error, taken / max(0.2, 1.0 - taken)]
    down = [litres_error]
    for share in shares:
        usual, low, high = share.extract
        up += [(high - usual) / total, share.error * usual / total]
        down += [(usual - low) / total, share.error * usual / total]
    lowest, highest = max(0.0, 1.0 - math.hypot(*down)), 1.0 + math.hypot(*up)
    return og_from_g_l(grams * lowest), og_from_g_l(min(535.0, grams * highest))


def _fermented(shares: list[_Share]) -> Range:
    total = sum(share.extract[0] for share in shares)
    if total == 0.0:
        return 0.0, 0.0, 0.0
    usual, low, high = (sum(share.extract[0] * share.fermented[i] for share in shares) / total for i in range(3))
    return usual, low, high


def _ends(og: float, og_low: float, og_high: float, fermented: Range, limit: float | None) -> Range:
    usual, low, high = (100.0 * share for share in fermented)
    top = 1.160  # beyond, no yeast would finish
    fg = alcohol.gravity_at_real_attenuation(min(og, top), usual)
    starts = [min(start, top) for start in (og_low, og, og_high)]
    ends = [alcohol.gravity_at_real_attenuation(start, share) for start in starts for share in (low, high)]
    fg_low, fg_high = min(fg, *ends), max(fg, *ends)
    if limit is not None:
        stopped = _gravity_at_abv(og, limit)
        fg, fg_high = max(fg, stopped), max(fg_high, stopped, _gravity_at_abv(og_high, limit))
    return fg, fg_low, fg_high


def _gravity_at_abv(og: float, abv: float) -> float:
    """Where a wash stands when its alcohol reaches `abv`; 0.960 if it never can."""
    low, high = sugar.SG_LOW, og
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if alcohol.abv(og, middle) > abv else (low, middle)
    return max(sugar.SG_LOW, low)


def _notes(
    litres: float,
    sugars: Mapping[str, float],
    grains: Mapping[str, float],
    enzymes: Enzymes,
    shares: list[_Share],
    gravities: tuple[float, float, float, float | None],
) -> tuple[str, ...]:
    og, fg, fg_low, early = gravities
    said = []
    raw = {name: kg for name, kg in grains.items() if kg}
    if raw and enzymes == "none":
        brought = sum(share.extract[0] for share in shares[len(sugars) :])
        names = " and ".join(raw)
        said.append(
            f"Without enzymes {names} gives starch, not sugar: {brought:.2f} kg of extract from "
            f"{sum(raw.values()):.1f} kg. Yeast cannot use starch; it makes the wash cloudy and settles."
        )
        if any(fermentables.grain_named(name).malted for name in raw):
            said.append("Malt has enzymes of its own: if it is mashed warm (about 65 °C for an hour), say malt.")
    elif raw:
        malted = [fermentables.grain_named(name).malted for name in raw]
        if not all(malted):
            said.append("Starch must be cooked loose before enzymes can work on it (maize and rice above all).")
        if enzymes == "malt" and not any(malted):
            said.append("No malt is in the mix: its enzymes are taken for granted, its own extract is not counted.")
        said.append("Dextrins and proteins stay behind: grain alone cannot end at 0.985 to 0.992 as sugar does.")
    if raw:
        taken = _taken_l(raw, enzymes)
        said.append(
            f"The volume is that of the liquid. If the grain stays in and the mark counts it, {taken:.1f} of the "
            f"{litres:g} litres are grain, and the gravity is higher; the range allows for it."
        )
    if early is not None:
        said.append(
            f"Stir until nothing grates on the bottom. With {UNSTIRRED:.0%} of the sugar undissolved, or lying as "
            f"syrup below, a reading shows {early:.3f} instead of {og:.3f}; it rises later by itself."
        )
    if fg_low < 1.0:
        said.append(f"It can end below 1.000 ({fg_low:.3f} at the lowest): 1.000 is not the end.")
    strength = alcohol.abv(og, fg)
    if strength > STRONG_ABV + 0.05:
        said.append(f"{strength:.0f} % is more than many yeasts bear: it may stop early and stay sweet.")
    return tuple(said)
