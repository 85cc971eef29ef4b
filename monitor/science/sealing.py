"""What a closed vessel comes to: sugar that still ferments, and gas that a cold wash holds and a warm one does not.

Ordinary jugs, jars and demijohns are made for no pressure at all. Everything here errs on the side of more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from monitor.science import alcohol, carbon, gravity, sugar, water
from monitor.science._checks import solve, within

MATTERS_BAR: Final = 0.1
"""Gauge pressure from which on an ordinary jug or jar is in danger: a judgement, no source."""

UNKNOWN_ABV: Final = 10.0
"""Alcohol taken when none is told, % by volume, give or take 5."""

_Z_90: Final = alcohol.Z_90
_LEAST_GAS: Final = 0.001  # of the liquid: a vessel full to the brim bursts by the liquid's own swelling


@dataclass(frozen=True, slots=True)
class Sealed:
    """A closed vessel, long after. Pressures are above the air outside (gauge), bar; the range holds with 90 %."""

    co2_g: float
    """All carbon dioxide in the vessel: what was there when it was closed and what the yeast still makes."""
    co2_from_sugar_g: float
    co2_already_g: float
    pressure_bar_gauge: float
    pressure_low_bar: float
    """Air flushed out of the headspace by the gas, and a wash that took up no more than it holds at 20 °C."""
    pressure_high_bar: float
    warming_only_bar: float
    """If nothing fermented any more: of the gas that was dissolved cold, and of the air, by standing warm."""
    dangerous: bool
    """Whether the top of the range passes `MATTERS_BAR`."""
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Case:
    gravity: float
    final: float
    litres: float
    headspace_l: float
    sealed_at_c: float
    stored_at_c: float
    abv: float
    saturated_at_c: float
    yield_: float = 1.0
    solubility: float = 1.0
    air: bool = True


def seal(
    gravity_now: float,
    final: float,
    litres: float,
    headspace_l: float,
    sealed_at_c: float,
    stored_at_c: float,
    *,
    abv: float | None = None,
    gravity_error: float = 0.001,
    final_error: float = 0.001,
    shared_error: float = 0.0,
) -> Sealed:
    """Gas and pressure in a vessel that is closed at one temperature and stands at another until all is over.

    `final` is the lowest gravity it could come to. Gravities 0.960–1.200 (SG 20/20), litres 0.01–10000 of wash,
    headspace 0–10 times that, temperatures 0–40 °C, abv 0–20 % now (None: 10, give or take 5); ValueError outside.
    Errors are standard errors, 0–0.05: of each gravity by itself, and what one scale has both wrong by, which
    leaves the fall between them as it is. The wash counts as saturated at sealing under one atmosphere, the
    headspace as air (ends of the range: flushed with the gas, saturated at 20 °C). Stirring the gas out is no reason
    to count less: bubbles rise only as long as a wash holds more than that.
    Source: fermented extract and Balling's gas as `alcohol.fermented_g_l`, Henry's law and fugacity as
    `carbon.dissolved_g_l`, the air as ideal gas, water vapour by `water.vapour_bar`; all that gas is shared between
    liquid and headspace until both balance, the liquid swelling as `gravity.density_at` says.
    """
    case = _case(gravity_now, final, litres, headspace_l, sealed_at_c, stored_at_c, abv)
    within("gravity error", gravity_error, 0.0, 0.05)
    within("final gravity error", final_error, 0.0, 0.05)
    within("shared error", shared_error, 0.0, 0.05)
    made, already, pressure = _outcome(case)
    low, high = _range(case, pressure, (gravity_error, final_error, shared_error), 5.0 if abv is None else 0.5)
    still = _outcome(_with(case, final=gravity_now))[2]
    return Sealed(
        co2_g=made + already,
        co2_from_sugar_g=made,
        co2_already_g=already,
        pressure_bar_gauge=pressure,
        pressure_low_bar=low,
        pressure_high_bar=high,
        warming_only_bar=still,
        dangerous=high > MATTERS_BAR,
        cautions=_cautions(case, pressure, high, still),
    )


def pressure(
    gravity_now: float,
    final: float,
    litres: float,
    headspace_l: float,
    sealed_at_c: float,
    stored_at_c: float,
    *,
    abv: float | None = None,
) -> float:
    """The `pressure_bar_gauge` of `seal` alone, without its range; arguments as there. Source: as `seal`."""
    return _outcome(_case(gravity_now, final, litres, headspace_l, sealed_at_c, stored_at_c, abv))[2]


def _case(
    gravity_now: float,
    final: float,
    litres: float,
    headspace_l: float,
    sealed_at_c: float,
    stored_at_c: float,
    abv: float | None,
) -> _Case:
    within("gravity", gravity_now, sugar.SG_LOW, sugar.SG_HIGH)
    within("final gravity", final, sugar.SG_LOW, sugar.SG_HIGH)
    within("volume", litres, 0.01, 10_000.0, "litres")
    within("headspace", headspace_l, 0.0, 10.0 * litres, "litres")
    within("temperature at sealing", sealed_at_c, 0.0, 40.0, "°C")
    within("temperature in store", stored_at_c, 0.0, 40.0, "°C")
    told = UNKNOWN_ABV if abv is None else within("alcohol by volume", abv, 0.0, 20.0, "%")
    return _Case(gravity_now, final, litres, headspace_l, sealed_at_c, stored_at_c, told, sealed_at_c)


def _with(case: _Case, **changes: float | bool) -> _Case:
    fields = {name: getattr(case, name) for name in _Case.__slots__}
    return _Case(**(fields | changes))


def _outcome(case: _Case) -> tuple[float, float, float]:
    """Grams made, grams already there, and gauge pressure."""
    used = _fermented(case.gravity, case.final, case.abv)
    made = case.litres * used * carbon.CO2_PER_EXTRACT * case.yield_
    extract = min(250.0, max(0.0, _extract(case.gravity, case.abv)))
    over = carbon.ATM_BAR - water.vapour_bar(case.saturated_at_c)
    already = (
        case.litres
        * case.solubility
        * carbon.dissolved_g_l(over, case.saturated_at_c, abv=case.abv, extract_g_l=extract)
    )
    # Warm, the liquid has swollen into the headspace.
    cold = _density(case.gravity, case.sealed_at_c, case.abv)
    liquid = case.litres * cold / _density(case.gravity, case.stored_at_c, case.abv)
    gas = max(_LEAST_GAS * case.litres, case.headspace_l + case.litres - liquid)
    closed_over = carbon.ATM_BAR - water.vapour_bar(case.sealed_at_c)
    if case.air:
        kelvin = (case.stored_at_c + 273.15) / (case.sealed_at_c + 273.15)
        other = closed_over * case.headspace_l / gas * kelvin
    else:
        already += case.headspace_l * carbon.gas_density(case.sealed_at_c, closed_over)
        other = 0.0
    after_abv = min(25.0, case.abv + 100.0 * used / alcohol.EXTRACT_PER_ALCOHOL / 789.24)
    after_extract = max(0.0, extract - used)
    other += water.vapour_bar(case.stored_at_c)

    def held(pressure: float) -> float:
        in_liquid = case.solubility * carbon.dissolved_g_l(
            pressure, case.stored_at_c, abv=after_abv, extract_g_l=after_extract, other_gas_bar=min(10.0, other)
        )
        return liquid * in_liquid + gas * carbon.gas_density(case.stored_at_c, pressure)

    return made, already, solve(held, made + already, 0.0, 60.0) + other - carbon.ATM_BAR


# Most cases of one vessel share gravity and alcohol, and these are what takes time in a case: equations in equations.
_fermented = lru_cache(64)(alcohol.fermented_g_l)
_extract = lru_cache(64)(alcohol.extract_left_g_l)
_density = lru_cache(64)(gravity.density_at)


def _range(
    case: _Case, centre: float, gravity_errors: tuple[float, float, float], abv_error: float
) -> tuple[float, float]:
    """Each cause is tried both ways, one at a time; its push up and its push down add up as squares."""
    now, end, both = (_Z_90 * each for each in gravity_errors)
    tries: list[tuple[_Case, ...]] = [
        (_with(case, gravity=_kept(case.gravity + now)), _with(case, gravity=_kept(case.gravity - now))),
        (_with(case, final=_kept(case.final - end)), _with(case, final=_kept(case.final + end))),
        (_with(case, yield_=carbon.CO2_PER_SUCROSE / carbon.CO2_PER_EXTRACT), _with(case, yield_=0.97)),
        (
            _with(case, solubility=1.0 - carbon.SOLUBILITY_ERROR),
            _with(case, solubility=1.0 + carbon.SOLUBILITY_ERROR),
        ),
        (_with(case, abv=min(20.0, case.abv + abv_error)), _with(case, abv=max(0.0, case.abv - abv_error))),
        (_with(case, headspace_l=0.9 * case.headspace_l), _with(case, headspace_l=1.1 * case.headspace_l)),
        (_with(case, air=False),),
        (_with(case, saturated_at_c=max(20.0, case.sealed_at_c)),),
    ]
    if both:
        tries.append(tuple(_with(case, gravity=_kept(case.gravity + by), final=_kept(case.final + by))
                           for by in (both, -both)))  # fmt: skip
    up = down = 0.0
    for pair in tries:
        pushes = [_outcome(other)[2] - centre for other in pair]
        up += max(0.0, *pushes) ** 2
        down += min(0.0, *pushes) ** 2
    return centre - math.sqrt(down), centre + math.sqrt(up)


def _kept(sg: float) -> float:
    return min(max(sg, sugar.SG_LOW), sugar.SG_HIGH)


def _cautions(case: _Case, pressure: float, high: float, still: float) -> tuple[str, ...]:
    said = []
    fall = case.gravity - case.final
    if high > MATTERS_BAR:
        said.append(
            f"Do not close it. {pressure:.1f} bar above the air outside, perhaps {high:.1f}: ordinary jugs, jars "
            "and demijohns are made for no pressure at all, and glass bursts without warning and throws splinters."
        )
        said.append("Keep the lid loose or an airlock on. If it is closed already: cool it, cover it, and let it off.")
    if fall > 0.0005:
        said.append(
            f"At {case.gravity:.3f} it could still fall to {case.final:.3f}: that sugar is enough to make the gas. "
            "A gravity of 1.000 is not the end of a sugar wash."
        )
    if still > MATTERS_BAR:
        said.append(
            f"Even if nothing ferments any more, gas that it holds at {case.sealed_at_c:g} °C makes {still:.1f} bar "
            f"when it stands at {case.stored_at_c:g} °C."
        )
    if high > 10.0:
        said.append("Above 10 bar the formula is stretched; the figure only says that nothing would hold it.")
    if case.headspace_l < 0.02 * case.litres:
        said.append("With so little headspace the liquid's own swelling can burst a vessel that stands warmer.")
    said.append("Vessels under pressure come under local rules; only those rated for it, and tested, may be used.")
    return tuple(said)
