"""Sugar in steps, water, losses: what original gravity the whole of it amounts to.

Two masses are kept that fermenting does not change: that of the wash as it was before any fermented, and that of
the extract it had then. Every addition adds to both, every loss takes the same share of both; so it does not
matter when sugar goes in, and the original gravity of the whole is the ratio of the two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from monitor.science import alcohol, ethanol, fermentables, sugar
from monitor.science._checks import within

if TYPE_CHECKING:
    from collections.abc import Sequence

YEAST_AND_GAS: Final = alcohol.EXTRACT_PER_ALCOHOL - 1.0
"""What leaves the liquid for a gram of alcohol: 0.9565 g gas and 0.11 g yeast."""


@dataclass(frozen=True, slots=True)
class AddSugar:
    """Sugar or syrup, kg as weighed; kinds as in `fermentables.SUGARS`."""

    kg: float
    kind: str = "sucrose"


@dataclass(frozen=True, slots=True)
class AddWater:
    """Water, litres."""

    litres: float


@dataclass(frozen=True, slots=True)
class AddWash:
    """Another wash, wine or juice, litres, with its original and present gravity: its alcohol comes with it."""

    litres: float
    og: float
    fg: float


@dataclass(frozen=True, slots=True)
class AddSpirit:
    """Alcohol and water, litres, per cent by volume."""

    litres: float
    abv: float


@dataclass(frozen=True, slots=True)
class Lose:
    """Litres left behind or spilt (racking, sampling), with the gravity at that time if it is known."""

    litres: float
    gravity: float | None = None


Step = AddSugar | AddWater | AddWash | AddSpirit | Lose


@dataclass(frozen=True, slots=True)
class Balance:
    """What a wash amounts to after additions and losses. The ranges hold with 90 %."""

    og: float
    """Original gravity as if all had been mixed at the start."""
    og_low: float
    og_high: float
    og_error: float
    """Standard error."""
    litres: float
    """Volume now, at 20 °C."""
    strength: alcohol.Alcohol
    alcohol_kg: float
    """Pure alcohol in it now."""
    extract_kg: float
    """Extract that all sugars gave, less what was lost."""


@dataclass(frozen=True, slots=True)
class _Held:
    mass: float
    extract: float


def balance(
    litres: float,
    og: float,
    steps: Sequence[Step],
    gravity_now: float,
    *,
    og_error: float = 0.001,
    gravity_error: float = 0.001,
    litres_error: float = 0.02,
    weight_error: float = 0.01,
) -> Balance:
    """Original gravity, strength and volume of a wash that began as `litres` of `og` and took these steps.

    litres 0.1–100000, og 1.000–1.200, gravity now 0.960–1.200 (SG 20/20); `og_error` and `gravity_error` are
    standard errors, `litres_error` and `weight_error` shares of each volume and weight. ValueError outside,
    when more is lost than there is, or when the original gravity leaves 1.001–1.200.
    Source: Balling's balance as `alcohol.abv`: 1 g alcohol was 2.0665 g extract, and 1.0665 g have left.
    """
    within("volume", litres, 0.1, 100_000.0, "litres")
    within("gravity now", gravity_now, sugar.SG_LOW, sugar.SG_HIGH)
    for name, value in (("volume error", litres_error), ("weight error", weight_error)):
        within(name, value, 0.0, 0.5)
    held = _run(litres, og, steps, 0.0, 0.0)
    whole = _og(held)
    sides = [
        _og(_run(litres, min(sugar.SG_HIGH, og + og_error), steps, 0.0, 0.0)),
        _og(_run(litres, og, steps, litres_error, 0.0)),
        _og(_run(litres, og, steps, 0.0, weight_error)),
    ]
    error = math.hypot(*(side - whole for side in sides))
    strength = alcohol.alcohol(whole, gravity_now, og_error=error, fg_error=gravity_error)
    pure, now = _present(held, whole, gravity_now)
    return Balance(
        og=whole,
        og_low=whole - alcohol.Z_90 * error,
        og_high=whole + alcohol.Z_90 * error,
        og_error=error,
        litres=now / sugar.kg_m3_from_sg(gravity_now) * 1000.0,
        strength=strength,
        alcohol_kg=pure,
        extract_kg=held.extract,
    )


def _run(litres: float, og: float, steps: Sequence[Step], more_litres: float, more_weight: float) -> _Held:
    """The two masses after all steps; the wash's own litres stand fixed, those of the steps and weights are off."""
    mass = litres * sugar.kg_m3_from_sg(og) / 1000.0
    held = _Held(mass, mass * max(0.0, sugar.plato_from_sg(og)) / 100.0)
    for step in steps:
        held = _after(held, step, 1.0 + more_litres, 1.0 + more_weight)
    return held


def _after(held: _Held, step: Step, volumes: float, weights: float) -> _Held:
    if isinstance(step, AddSugar):
        kind = fermentables.sugar_named(step.kind)
        kg = weights * within("sugar", step.kg, 0.0, 1e5, "kg")
        return _Held(held.mass + kg, held.extract + kg * kind.solids[0] * kind.weight)
    if isinstance(step, Lose):
        return _lost(held, step, volumes)
    litres = volumes * within("volume", step.litres, 0.0, 1e5, "litres")
    if isinstance(step, AddWater):
        return _Held(held.mass + litres * sugar.kg_m3_from_sg(1.0) / 1000.0, held.extract)
    if isinstance(step, AddWash):
        mass = litres * sugar.kg_m3_from_sg(step.fg) / 1000.0
        before = mass * (1.0 + YEAST_AND_GAS * alcohol.abw(step.og, step.fg) / 100.0)
        return _Held(held.mass + before, held.extract + before * sugar.plato_from_sg(step.og) / 100.0)
    abw = ethanol.abw_from_abv(step.abv)
    mass = litres * ethanol.density(abw) / 1000.0
    pure = mass * abw / 100.0
    return _Held(held.mass + mass + YEAST_AND_GAS * pure, held.extract + alcohol.EXTRACT_PER_ALCOHOL * pure)


def _lost(held: _Held, step: Lose, volumes: float) -> _Held:
    litres = volumes * within("loss", step.litres, 0.0, 1e5, "litres")
    whole = _og(held)
    at = whole if step.gravity is None else within("gravity at the loss", step.gravity, sugar.SG_LOW, sugar.SG_HIGH)
    present = _present(held, whole, at)[1] / sugar.kg_m3_from_sg(at) * 1000.0
    if litres >= present:
        raise ValueError(f"the loss must be less than there is, {present:.1f} litres; it is {litres:g}")
    kept = 1.0 - litres / present
    return _Held(held.mass * kept, held.extract * kept)


def _og(held: _Held) -> float:
    plato = 100.0 * held.extract / held.mass
    within("extract of the whole", plato, 0.0, sugar.plato_from_sg(sugar.SG_HIGH), "°P")
    return sugar.sg_from_plato(plato)


def _present(held: _Held, og: float, gravity_now: float) -> tuple[float, float]:
    """Kilograms of alcohol and of all liquid now."""
    share = alcohol.abw(og, min(gravity_now, og)) / 100.0
    now = held.mass / (1.0 + YEAST_AND_GAS * share)
    return now * share, now


def mixed_gravity(
    litres: float, gravity_now: float, abv: float, *, sugar_kg: float = 0.0, water_l: float = 0.0
) -> float:
    """What a hydrometer should show once sugar or water has been stirred into a fermenting wash.

    litres above 0.1, gravity 0.960–1.200, abv 0–20 % by volume now, sugar 0–0.3 kg and water 0–10 litres for
    each litre; ValueError outside, and where alcohol and gravity do not fit or 1.200 is passed. At first it
    shows less than that, as the sugar lies below.
    Source: masses add up, volumes do not; density of the mix by Tabarié's rule, `alcohol.gravity_of`.
    """
    within("volume", litres, 0.1, 100_000.0, "litres")
    within("alcohol by volume", abv, 0.0, 20.0, "%")
    within("sugar", sugar_kg, 0.0, 0.3 * litres, "kg")
    within("water", water_l, 0.0, 10.0 * litres, "litres")
    alcohol_g = litres * abv / 100.0 * ethanol.RHO_ETHANOL_20
    extract_g = litres * alcohol.extract_left_g_l(gravity_now, abv) + 1000.0 * sugar_kg
    mass_g = litres * sugar.kg_m3_from_sg(gravity_now) + 1000.0 * sugar_kg + water_l * sugar.kg_m3_from_sg(1.0)

    now = gravity_now
    for _ in range(40):  # the volume follows the gravity, which settles by a factor of five or more a round
        before, volume = now, mass_g / sugar.kg_m3_from_sg(now)
        now = alcohol.gravity_of(alcohol_g / volume, extract_g / volume)
        if abs(now - before) < 1e-10:
            break
    return now
