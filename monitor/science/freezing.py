"""When ice begins: freezing points of a wash.

The figure is where the first ice forms on slow cooling. Washes often stay liquid a few kelvin below it and
then freeze at once, and a vessel's coldest corner decides. Ice bursts glass: use the cautious (high) end.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import Final

from monitor.science import ethanol, sugar
from monitor.science._checks import within

Table = tuple[tuple[float, float], ...]

# Per cent by mass of ethanol in water -> kelvin below water's freezing point.
# CRC Handbook of Chemistry and Physics, 102nd ed., Concentrative Properties of Aqueous Solutions. It ends at
# 68 %; 71.9 % is Lange's Handbook of Chemistry, 15th ed., table 5.13, and the last pair runs on from there.
_ETHANOL: Final[Table] = (
    *((0.0, 0.0), (1.0, 0.4), (2.0, 0.81), (3.0, 1.23), (4.0, 1.65), (5.0, 2.09), (6.0, 2.54), (7.0, 2.99)),
    *((8.0, 3.47), (9.0, 3.96), (10.0, 4.47), (11.0, 5.0), (12.0, 5.56), (13.0, 6.13), (14.0, 6.73)),
    *((15.0, 7.36), (16.0, 8.01), (17.0, 8.69), (18.0, 9.4), (19.0, 10.14), (20.0, 10.92), (22.0, 12.6)),
    *((24.0, 14.47), (26.0, 16.41), (28.0, 18.43), (30.0, 20.47), (32.0, 22.44), (34.0, 24.27)),
    *((36.0, 25.98), (38.0, 27.62), (40.0, 29.26), (42.0, 30.98), (44.0, 32.68), (46.0, 34.36)),
    *((48.0, 36.04), (50.0, 37.67), (52.0, 39.2), (54.0, 40.65), (56.0, 42.06), (58.0, 43.49)),
    *((60.0, 44.93), (62.0, 46.28), (64.0, 47.52), (66.0, 48.64), (68.0, 49.52), (71.9, 51.3), (73.5, 52.3)),
)

# Per cent by mass of sucrose in water -> kelvin, from the same pages.
_SUCROSE: Final[Table] = (
    *((0.0, 0.0), (1.0, 0.06), (2.0, 0.11), (4.0, 0.23), (5.0, 0.29), (6.0, 0.35), (8.0, 0.49), (10.0, 0.63)),
    *((12.0, 0.77), (14.0, 0.93), (15.0, 1.01), (16.0, 1.1), (18.0, 1.27), (20.0, 1.47), (22.0, 1.67)),
    *((24.0, 1.89), (26.0, 2.12), (28.0, 2.37), (30.0, 2.64), (40.0, 4.45)),
)

# Per cent by volume -> half-width, kelvin: what the two handbooks differ by, and at least the 0.3 K below 15 %
# and 1 K up to 30 % that tables of this kind scatter by. From 75 % on one figure bears the point alone.
_SPREAD: Final[Table] = (
    *((0.0, 0.0), (5.0, 0.3), (10.0, 0.4), (15.0, 0.6), (20.0, 0.85), (30.0, 1.0), (33.0, 1.3), (36.5, 1.6)),
    *((42.0, 1.2), (60.0, 1.2), (75.0, 1.5), (80.0, 3.0)),
)

SIMPLE_SUGARS: Final = 1.9
"""Molecules in a gram of glucose over those in a gram of sucrose (342.3 / 180.2)."""

DEXTRINS: Final = 0.25
"""The same for a residue of short dextrins of about eight glucose units; from memory, cautious."""


@dataclass(frozen=True, slots=True)
class Freezing:
    """A freezing point and the range handbooks and composition leave open, °C."""

    point_c: float
    low_c: float
    high_c: float
    """The cautious end: ice may begin here."""


def _interpolate(table: Table, x: float) -> float:
    index = min(max(bisect_right(table, (x, float("inf"))), 1), len(table) - 1)
    (x0, y0), (x1, y1) = table[index - 1], table[index]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def freezing(abv: float, sg: float | None = None) -> Freezing:
    """Freezing point of a wash from its strength and, if known, its gravity (SG 20/20).

    abv 0–80 % by volume at 20 °C. Without `sg`: ethanol and water only. With it (0.960–1.170, and abv at most
    25): the extract that the gravity betrays lowers the point further, each solute by its own table on its
    own share of the water, as sucrose for the point, as simple sugars for the low end and as dextrins for the
    high one. A gravity below that of the alcohol alone counts as no extract. ValueError outside.
    Source: CRC Handbook 102nd ed., interpolated linearly in mass per cent; above 75 % by volume Lange's
    Handbook, 15th ed., table 5.13; the range from the difference of the two. Adding depressions is the
    ideal-solution approximation.
    """
    within("alcohol by volume", abv, 0.0, 80.0, "%")
    half = _interpolate(_SPREAD, abv)
    if sg is None:
        point = -_interpolate(_ETHANOL, ethanol.abw_from_abv(abv)) + 0.0
        return Freezing(point, point - half, point + half)
    within("alcohol by volume", abv, 0.0, 25.0, "%")
    within("gravity", sg, sugar.SG_LOW, 1.170)
    alcohol_g, extract_g, water_g = _grams_per_litre(abv, sg)
    by_alcohol = _interpolate(_ETHANOL, 100.0 * alcohol_g / (alcohol_g + water_g))
    by_extract = _interpolate(_SUCROSE, 100.0 * extract_g / (extract_g + water_g))
    return Freezing(
        point_c=-by_alcohol - by_extract + 0.0,
        low_c=-by_alcohol - SIMPLE_SUGARS * by_extract - half,
        high_c=-by_alcohol - DEXTRINS * by_extract + half,
    )


def _grams_per_litre(abv: float, sg: float) -> tuple[float, float, float]:
    """Alcohol, extract and water in a litre at 20 °C; the extract by Tabarié's rule (OIV-MA-AS2-03B)."""
    alcohol_g = abv / 100.0 * ethanol.RHO_ETHANOL_20
    plato = max(0.0, sugar.plato_from_true_sg(max(1.0, sg - ethanol.sg_from_abv(abv) + 1.0)))
    extract_g = plato / 100.0 * sugar.density(plato)
    return alcohol_g, extract_g, sg * ethanol.density(0.0) - alcohol_g - extract_g


@dataclass(frozen=True, slots=True)
class RuleOfThumb:
    """A remembered figure beside the handbook's."""

    abv: float
    rule_c: float
    handbook: Freezing
    off_k: float
    """Rule less handbook: below zero the rule promises more frost than the liquid bears."""
    off_most_k: float
    """Rule less the cautious end of the handbooks' range."""
    unsafe: bool
    """Whether ice may form above the rule's figure: it lies below the cautious end."""


RULES: Final[Table] = ((20.0, -9.0), (40.0, -23.0), (80.0, -59.0))
"""20 %, 40 % and 80 % by volume as they are passed on; common practice, no source (coolant tables have them)."""


def rules_of_thumb() -> tuple[RuleOfThumb, ...]:
    """The remembered triple, each with how far it is off and whether to trust it costs a jar.

    Source: `RULES` against `freezing`.
    """
    found = []
    for abv, rule in RULES:
        handbook = freezing(abv)
        found.append(
            RuleOfThumb(
                abv=abv,
                rule_c=rule,
                handbook=handbook,
                off_k=rule - handbook.point_c,
                off_most_k=rule - handbook.high_c,
                unsafe=rule < handbook.high_c,
            )
        )
    return tuple(found)
