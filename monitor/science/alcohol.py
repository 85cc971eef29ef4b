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


def _check(og: float, fg: float) -> tuple[float, float]:
    within("original gravity", og, 1.0, sugar.SG_HIGH)
    within("gravity now", fg, sugar.SG_LOW, sugar.SG_HIGH)
    # Noise may lift a reading a little over the original one: nothing has fermented then.
    return sugar.plato_from_sg(og), min(sugar.plato_from_sg(fg), sugar.plato_from_sg(og))


def _by_volume(abw: float, fg: float) -> float:
    return abw * fg * _RHO_WATER / ethanol.RHO_ETHANOL_20


def real_extract(og: float, fg: float) -> float:
    """Extract truly left, per cent by mass, from the original gravity and the present one (SG 20/20).

    og 1.000–1.200, fg 0.960–1.200; ValueError outside. Source: Balling's rule,
    real = 0.1808 original + 0.8192 apparent (in De Clerck, A Textbook of Brewing; constants from memory).
    """
    original, apparent = _check(og, fg)
    return 0.1808 * original + 0.8192 * apparent


def abw(og: float, fg: float) -> float:
    """Alcohol, per cent by mass; ranges as `abv`. Source: Balling, see `abv`."""
    original, _ = _check(og, fg)
    return max(0.0, original - real_extract(og, fg)) / (2.0665 - 0.010665 * original)


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

    def mix(fermented: float) -> tuple[float, float]:
        grams_alcohol = fermented / 2.0665
        mass = 100.0 - 1.0665 * grams_alcohol
        by_volume = _by_volume(100.0 * grams_alcohol / mass, target)
        per_litre = (original - fermented) / mass * target * _RHO_WATER
        plato = per_litre / 10.0
        for _ in range(8):  # grams a litre to per cent by mass
            plato = 100.0 * per_litre / sugar.density(plato)
        return ethanol.sg_from_abv(by_volume) + sugar.true_sg_from_plato(plato) - 1.0, by_volume

    fermented = solve(lambda x: -mix(x)[0], -target, 0.0, original)
    return mix(fermented)[1]


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


def alcohol(og: float, fg: float, *, og_error: float = 0.001, fg_error: float = 0.001) -> Alcohol:
    """All there is to say about strength; errors are standard errors of the gravities.

    og 1.001–1.200, fg 0.960–1.200; ValueError outside. The range covers the reading errors and
    `METHOD_ERROR`; it never reaches below zero and always holds the three balances.
    Source: `abv`, `abv_by_density`, `abv_by_fit`; "times 131.25" is common practice, no source.
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
        ),
    )
