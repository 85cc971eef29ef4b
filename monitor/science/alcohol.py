"""How strong it is: alcohol and attenuation from two gravities."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.science import ethanol, sugar
from monitor.science._checks import solve, within

Z_90: Final = 1.6449
"""Standard errors in half of a 90 % range (normal distribution)."""

METHOD_ERROR: Final = 0.02
"""Relative standard error of strength from gravities.

About the scatter of 532 measured beers round such a formula: Cutaia, Reid & Speers 2009, J. Inst. Brew.
115:318, table VI (0.01 on a factor of about 0.42)."""

EXTRACT_PER_ALCOHOL: Final = 2.0665
CO2_PER_ALCOHOL: Final = 0.9565
"""Grams of extract used up, and of carbon dioxide made, for a gram of alcohol; the rest, 0.11 g, is yeast.

Balling's balance, constants from memory, as quoted by Cutaia, Reid & Speers 2009; the 0.9565 stands in
Balling's own book of 1865 ("1.0000 : 0.9565", read in a public scan)."""

REAL_FROM_ORIGINAL: Final = 0.1808
"""Share of the original extract in `real_extract`, the rest (0.8192) being the apparent one's; Balling."""

_RHO_WATER: Final = ethanol.density(0.0)


@dataclass(frozen=True, slots=True)
class Alcohol:
    """Strength of a wash. Percentages throughout, attenuations too; the range holds with 90 %."""

    abv: float
    abv_low: float
    abv_high: float
    abw: float
    real_extract: float
    """°Plato left when the alcohol is taken out of account."""
    apparent_attenuation: float
    real_attenuation: float
    methods: tuple[tuple[str, float], ...]
    """ABV by each method tried, the chosen one first."""

    @property
    def spread(self) -> tuple[float, float]:
        """Lowest and highest ABV of all methods, rules of thumb included: what two people may argue about."""
        found = [abv for _, abv in self.methods]
        return min(found), max(found)


def _check(og: float, fg: float) -> tuple[float, float]:
    within("original gravity", og, 1.0, sugar.SG_HIGH)
    within("gravity now", fg, sugar.SG_LOW, sugar.SG_HIGH)
    # Noise may lift a reading a little over the original one: nothing has fermented then.
    original = max(0.0, sugar.plato_from_sg(og))  # water's own rounding is no extract
    return original, min(sugar.plato_from_sg(fg), original)


def _by_volume(abw: float, fg: float) -> float:
    return abw * fg * _RHO_WATER / ethanol.RHO_ETHANOL_20


def real_extract(og: float, fg: float) -> float:
    """Extract truly left, per cent by mass, from the original gravity and the present one (SG 20/20).

    og 1.000–1.200, fg 0.960–1.200; ValueError outside. Source: Balling's rule,
    real = 0.1808 original + 0.8192 apparent (in De Clerck, A Textbook of Brewing; constants from memory).
    """
    original, apparent = _check(og, fg)
    return REAL_FROM_ORIGINAL * original + (1.0 - REAL_FROM_ORIGINAL) * apparent


def abw(og: float, fg: float) -> float:
    """Alcohol, per cent by mass; ranges as `abv`. Source: Balling, see `abv`."""
    original, _ = _check(og, fg)
    return max(0.0, original - real_extract(og, fg)) / (EXTRACT_PER_ALCOHOL - 0.010665 * original)


def abv(og: float, fg: float) -> float:
    """Alcohol, per cent by volume at 20 °C, from two gravities (SG 20/20) by the extract balance.

    og 1.000–1.200, fg 0.960–1.200; ValueError outside. fg above og gives 0.
    Source: Balling's balance (2.0665 g extract give 1 g alcohol, 0.9565 g carbon dioxide and 0.11 g yeast;
    constants from memory, as quoted by Cutaia, Reid & Speers 2009), volume by OIML R 22.
    """
    return _by_volume(abw(og, fg), min(fg, og))


def abv_by_density(og: float, fg: float) -> float:
    """Alcohol, per cent by volume, from densities: what must have fermented for the mix to weigh `fg`.

    Mass balance as in `abv`; density of the mix by Tabarié's rule (OIV-MA-AS2-03B). It uses no fitted
    attenuation factor, so it stays sound for sugar washes that end below 1.000. Ranges as `abv`.
    """
    original, _ = _check(og, fg)
    target = sugar.true_from_apparent(min(fg, og))
    fermented = solve(lambda x: -_fermented_mix(original, x)[0], -target, 0.0, original)
    return _fermented_mix(original, fermented)[1]


def _fermented_mix(original: float, fermented: float) -> tuple[float, float]:
    """True gravity and ABV once `fermented` of 100 g of wash's `original` grams of extract are gone."""
    grams_alcohol = fermented / EXTRACT_PER_ALCOHOL
    mass = 100.0 - (EXTRACT_PER_ALCOHOL - 1.0) * grams_alcohol
    sg = 1.0
    by_volume = 0.0
    for _ in range(20):  # density, and with it grams a litre, settle by a factor of ten or more a round
        before = sg
        grams_l = sg * _RHO_WATER / mass
        by_volume = 100.0 * grams_l * grams_alcohol / ethanol.RHO_ETHANOL_20
        sg = _true_gravity_of(grams_l * grams_alcohol, grams_l * (original - fermented))
        if abs(sg - before) < 1e-10:
            break
    return sg, by_volume


def gravity_at_real_attenuation(og: float, attenuation: float) -> float:
    """The gravity (SG 20/20) once so many per cent of the extract are truly gone: what a wash ends at.

    og 1.000–1.160, attenuation 0–100 %; ValueError outside. Below 1.000 from about 82 % on.
    Source: mass balance and Tabarié's rule as `abv_by_density`, whose inverse it is.
    """
    original, _ = _check(within("original gravity", og, 1.0, 1.160), 1.0)
    within("real attenuation", attenuation, 0.0, 100.0, "%")
    return sugar.apparent_from_true(_fermented_mix(original, original * attenuation / 100.0)[0])


def abv_by_fit(og: float, fg: float) -> float:
    """The same by the straight-line fit to 532 beers: ABW = (0.372 + 0.00357 OE)(OE - AE).

    Ranges as `abv`. Source: Cutaia, Reid & Speers 2009, J. Inst. Brew. 115:318, table VI.
    """
    original, apparent = _check(og, fg)
    return _by_volume((0.372 + 0.00357 * original) * (original - apparent), min(fg, og))


def apparent_attenuation(og: float, fg: float) -> float:
    """Per cent of the extract that seems gone: 100 (OE - AE) / OE, in °Plato; over 100 below 1.000.

    og 1.001–1.200, fg 0.960–1.200; ValueError outside. Source: definition.
    """
    within("original gravity", og, 1.001, sugar.SG_HIGH)
    original, apparent = _check(og, fg)
    return 100.0 * (original - apparent) / original


def real_attenuation(og: float, fg: float) -> float:
    """Per cent of the extract that is truly gone: 100 (OE - RE) / OE; ranges as `apparent_attenuation`."""
    within("original gravity", og, 1.001, sugar.SG_HIGH)
    original, _ = _check(og, fg)
    return 100.0 * (original - real_extract(og, fg)) / original


def gravity_at_attenuation(og: float, attenuation: float) -> float:
    """The gravity at which the apparent attenuation (per cent) is reached: the inverse, for expectations.

    og 1.001–1.200, attenuation 0–130 %; ValueError outside or when the answer would be below 0.960.
    """
    within("original gravity", og, 1.001, sugar.SG_HIGH)
    within("apparent attenuation", attenuation, 0.0, 130.0, "%")
    return sugar.sg_from_plato(sugar.plato_from_sg(og) * (1.0 - attenuation / 100.0))


def _true_gravity_of(alcohol_g_l: float, extract_g_l: float) -> float:
    by_alcohol = ethanol.sg_from_abv(100.0 * alcohol_g_l / ethanol.RHO_ETHANOL_20)
    return by_alcohol + sugar.true_sg_from_plato(sugar.plato_from_g_l(extract_g_l)) - 1.0


def gravity_of(alcohol_g_l: float, extract_g_l: float) -> float:
    """Gravity (SG 20/20, apparent) of a litre at 20 °C that holds so many grams of alcohol and of extract.

    alcohol 0–200 g/L, extract -110–450 g/L (below zero: the smooth extension of `sugar`); ValueError outside.
    Source: Tabarié's rule, OIV-MA-AS2-03B (what alcohol takes away and extract adds, each alone in water).
    """
    within("alcohol", alcohol_g_l, 0.0, 200.0, "g/L")
    within("extract", extract_g_l, -110.0, 450.0, "g/L")
    return sugar.apparent_from_true(_true_gravity_of(alcohol_g_l, extract_g_l))


def extract_left_g_l(sg: float, abv_now: float) -> float:
    """Grams of real extract in a litre at 20 °C, from the gravity now and the alcohol: `gravity_of` inverted.

    sg 0.960–1.200, alcohol 0–25 % by volume; ValueError outside. Below zero where alcohol and gravity do not
    fit each other (a reading error). Source: as `gravity_of`.
    """
    within("gravity now", sg, sugar.SG_LOW, sugar.SG_HIGH)
    within("alcohol by volume", abv_now, 0.0, 25.0, "%")
    alone = sugar.true_from_apparent(sg) - ethanol.sg_from_abv(abv_now) + 1.0
    return sugar.g_l_from_plato(sugar.plato_from_true_sg(min(max(alone, sugar.SG_LOW), sugar.SG_HIGH)))


def fermented_g_l(sg: float, final: float, abv_now: float) -> float:
    """Grams of extract a litre that must ferment for the gravity to fall from `sg` to `final`; 0 if it is there.

    Gravities 0.960–1.200, alcohol now 0–20 % by volume; ValueError outside. About 2.1 g a point (0.001).
    Source: `gravity_of` and Balling's balance.
    """
    within("alcohol by volume", abv_now, 0.0, 20.0, "%")
    within("final gravity", final, sugar.SG_LOW, sugar.SG_HIGH)
    extract = extract_left_g_l(sg, abv_now)
    alcohol_g = abv_now / 100.0 * ethanol.RHO_ETHANOL_20
    most = min(extract + 110.0, (190.0 - alcohol_g) * EXTRACT_PER_ALCOHOL)

    def fallen(used: float) -> float:
        return -_true_gravity_of(alcohol_g + used / EXTRACT_PER_ALCOHOL, extract - used)

    return solve(fallen, -sugar.true_from_apparent(final), 0.0, most)


def alcohol(og: float, fg: float, *, og_error: float = 0.001, fg_error: float = 0.001) -> Alcohol:
    """All there is to say about strength; errors are standard errors of the gravities.

    og 1.001–1.200, fg 0.960–1.200; ValueError outside. The range covers the reading errors and
    `METHOD_ERROR`; it never reaches below zero and always holds the three balances.
    Source: `abv`, `abv_by_density`, `abv_by_fit`; the two rules of thumb are common practice, no source.
    """
    best = abv(og, fg)
    balances = (best, abv_by_density(og, fg), abv_by_fit(og, fg))
    per_point = 131.25  # per cent by volume for a fall of 1.000; near enough for an error
    error = math.hypot(per_point * og_error, per_point * fg_error, METHOD_ERROR * best)
    return Alcohol(
        abv=best,
        abv_low=max(0.0, min(best - Z_90 * error, *balances)),
        abv_high=max(best + Z_90 * error, *balances),
        abw=abw(og, fg),
        real_extract=real_extract(og, fg),
        apparent_attenuation=apparent_attenuation(og, fg),
        real_attenuation=real_attenuation(og, fg),
        methods=(
            ("extract balance", balances[0]),
            ("density balance", balances[1]),
            ("fit to measured beers", balances[2]),
            ("fall times 131.25", 131.25 * max(0.0, og - fg)),
            ("quotient rule", 76.08 * max(0.0, og - fg) / (1.775 - og) * min(fg, og) / 0.794),
        ),
    )
