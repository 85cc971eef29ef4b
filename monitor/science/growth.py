"""How fast yeast grows, and what a starter grows to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from monitor.science import sugar
from monitor.science._checks import positive, within
from monitor.science.limits import Estimate

Limit = Literal["sugar", "room", "reserves"]

CELL_DENSITY: Final = 2.0e11
"""Most cells that a litre of rich medium comes to hold (2e8 per mL: Sherman 2002, Methods Enzymol. 350:3)."""

# Growth's cardinal temperatures of S. cerevisiae, °C: Salvado et al. 2011, Appl. Environ. Microbiol. 77:2292
# (the lowest from memory; the abstract gives 1.3-4.3 over the genus).
T_MIN, T_BEST, T_MAX = 2.8, 32.3, 45.4

# Specific growth rate at its best temperature, 1/h: Warren, Hill & Macdonald 1990, Biotechnol. Prog. 6:319;
# the high end is the fit to Carlson's counts of 1913, the low end a judgement for poor media.
_BEST_RATE: Final = Estimate(0.427, 0.30, 0.547)

# Yeast per gram of extract fermented, g: Balling's 0.11 / 2.0665 unstirred; the range (from memory) is for
# still to stirred and aired starters. Dry mass of a cell, g: from memory.
_YIELD: Final = Estimate(0.0532, 0.04, 0.10)
_CELL_G: Final = Estimate(4.0e-11, 2.5e-11, 5.0e-11)

# How often a cell divides before its reserves of membrane stuff run out: without air about three times,
# two when tired, five when aired. Common practice, from memory.
_DOUBLINGS: Final = Estimate(3.0, 2.0, 5.0)


def growth_rate(temperature_c: float) -> Estimate:
    """Specific growth rate of S. cerevisiae in a rich medium, 1/h; zero outside 2.8–45.4 °C.

    Valid 0–60 °C; ValueError outside. Source: cardinal temperature model (Rosso et al. 1993, J. Theor. Biol.
    162:447) with the temperatures of Salvado et al. 2011 and rates of 0.30–0.547/h at 32.3 °C.
    """
    t = within("temperature", temperature_c, 0.0, 60.0, "°C")
    share = 0.0
    if T_MIN < t < T_MAX:
        rise, fall = T_BEST - T_MIN, T_BEST - T_MAX
        share = (t - T_MAX) * (t - T_MIN) ** 2 / (rise * (rise * (t - T_BEST) - fall * (T_BEST + T_MIN - 2.0 * t)))
    return Estimate(_BEST_RATE.usual * share, _BEST_RATE.low * share, _BEST_RATE.high * share)


def logistic(hours: float, start: float, limit: float, rate: float) -> float:
    """Size of a population that grows at `rate` (1/h) at first and stops at `limit`, after some hours.

    hours 0–10,000, start and limit above 0, rate 0–5 1/h; ValueError outside. Unit: that of start and limit.
    Source: Verhulst's logistic law (textbook); it follows Carlson's counts of 1913 within 1.2 % of the limit.
    """
    within("time", hours, 0.0, 10_000.0, "h")
    positive("start", start)
    positive("limit", limit)
    within("rate", rate, 0.0, 5.0, "1/h")
    return limit / (1.0 + (limit / start - 1.0) * math.exp(-rate * hours))


@dataclass(frozen=True, slots=True)
class Starter:
    """What a starter grows to."""

    cells: Estimate
    limited_by: Limit
    """What stops the usual course: food, crowding, or too few cells at the start."""
    hours: Estimate
    """Until 95 % of it is there, the lag before growth left out; 0 if it starts there, infinite if too cold."""


def starter(litres: float, sg: float, cells: float, temperature_c: float = 22.0, fermentable: float = 0.67) -> Starter:
    """Cells that a starter grows to from `cells` living ones, what stops it, and in how many hours.

    0.01–1000 litres at gravity sg 1.005–1.120, cells above 0, 0–45 °C, fermentable share of the extract
    0.3–1; ValueError outside. Sugar alone lacks what yeast is built from: meant for malt or fed sugar.
    Source: mass balance (Balling's 0.0532 g yeast per g extract fermented; 25–50 pg a cell, from memory), at
    most `CELL_DENSITY`, at most 2 to 5 doublings (common practice, from memory); hours by `logistic` with
    `growth_rate`. A factor of two either way is ordinary.
    """
    within("volume", litres, 0.01, 1000.0, "litres")
    within("gravity", sg, 1.005, 1.120)
    positive("cells", cells)
    within("temperature", temperature_c, 0.0, 45.0, "°C")
    within("fermentable share", fermentable, 0.3, 1.0)
    plato = sugar.plato_from_sg(sg)
    eaten_g = litres * plato / 100.0 * sugar.density(plato) * fermentable

    def limits_of(yield_g: float, cell_g: float, doublings: float) -> dict[str, float]:
        return {
            "sugar": cells + eaten_g * yield_g / cell_g,
            "room": max(cells, litres * CELL_DENSITY),
            "reserves": cells * 2.0**doublings,
        }

    usual = limits_of(_YIELD.usual, _CELL_G.usual, _DOUBLINGS.usual)
    low = min(limits_of(_YIELD.low, _CELL_G.high, _DOUBLINGS.low).values())
    high = min(limits_of(_YIELD.high, _CELL_G.low, _DOUBLINGS.high).values())
    stop: Limit = "sugar"
    for name in ("room", "reserves"):
        if usual[name] < usual[stop]:
            stop = name
    rate, grown = growth_rate(temperature_c), usual[stop]
    hours = Estimate(*(_hours_to_95(cells, grown, each) for each in (rate.usual, rate.high, rate.low)))
    return Starter(Estimate(grown, low, high), stop, hours)


def _hours_to_95(start: float, limit: float, rate: float) -> float:
    """Through the logistic law: from start / limit to 0.95."""
    if start >= 0.95 * limit:
        return 0.0
    if rate <= 0.0:
        return math.inf
    return math.log(19.0 * (limit / start - 1.0)) / rate
