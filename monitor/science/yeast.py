"""How much yeast, how many cells are there, how many of them live, and how long a jar of it keeps.

Yeast numbers are soft: a factor of two is ordinary. Every answer but a count's therefore carries a range that
is wide on purpose, and what rests on habit alone is marked "common practice, no source".
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from monitor.science import limits, sugar
from monitor.science._checks import positive, within
from monitor.science.limits import Estimate

Kind = Literal["usual", "ale", "lager"]
Thickness = Literal["thick", "loose"]

PITCH_RATES: Final[dict[str, Estimate]] = {
    "usual": Estimate(1.0e6, 0.75e6, 1.5e6),
    "ale": Estimate(0.75e6, 0.5e6, 1.0e6),
    "lager": Estimate(1.5e6, 1.0e6, 2.0e6),
}
"""Cells per mL and °Plato. The general rule is one million; 0.75 for ales and 1.5 for lagers are a brewing
textbook's (Fix), read second-hand. The ranges round ales and lagers are common practice, no source."""

SLURRY: Final[dict[str, Estimate]] = {
    "thick": Estimate(1.2e9, 1.0e9, 1.5e9),
    "loose": Estimate(0.7e9, 0.4e9, 1.0e9),
}
"""Cells in a mL of slurry: settled hard, or still pouring freely. Common practice, no source (from memory)."""

DRIED: Final = Estimate(1.0e10, 0.5e10, 2.0e10)
"""Living cells in a gram of dried yeast. Common practice, no source (from memory)."""

PUBLISHED_DAYS: Final = 6.0
"""What is published about cold storage ends here; beyond, everything is extrapolation."""

# Rates of dying in storage, 1/day, at 1 and 5 °C and the worst seen at 10-25 °C.
# McCaig & Bendiak 1985, MBAA Technical Quarterly (abstract): 7, 14 and up to 68 % lost in six days.
_RATE_1: Final = -math.log(1.0 - 0.07) / 6.0
_RATE_5: Final = -math.log(1.0 - 0.14) / 6.0
_RATE_WORST: Final = -math.log(1.0 - 0.68) / 6.0


# --- how much to pitch -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pitch:
    """Living cells wanted, and the range that common practice covers."""

    cells: Estimate
    per_ml: float
    plato: float


def pitch(litres: float, og: float, kind: Kind = "usual") -> Pitch:
    """Living cells that a batch wants: rate × volume × °Plato.

    0.05–100,000 litres, og 1.001–1.200 (SG 20/20), kind usual, ale or lager; ValueError outside.
    Source: the rule of a million cells per mL and °Plato (general rule; see `PITCH_RATES`). It was made for
    worts to about 1.080; above, common practice takes the upper end, without a source.
    """
    within("volume", litres, 0.05, 100_000.0, "litres")
    within("original gravity", og, 1.001, sugar.SG_HIGH)
    if kind not in PITCH_RATES:
        raise ValueError(f"the kind must be one of {', '.join(PITCH_RATES)}; it is {kind!r}")
    rate, plato = PITCH_RATES[kind], sugar.plato_from_sg(og)
    millilitres = 1000.0 * litres * plato
    cells = Estimate(*(each * millilitres for each in (rate.usual, rate.low, rate.high)))
    return Pitch(cells=cells, per_ml=rate.usual * plato, plato=plato)


def slurry_ml(cells: float, viability: Estimate, cells_per_ml: Estimate) -> Estimate:
    """Millilitres of slurry that hold so many living cells.

    cells above 0; viability in per cent (0–100, its low end above 0); cells_per_ml above 0, from `SLURRY` or a
    count. ValueError outside. The range takes both at their worst and their best. Source: arithmetic.
    """
    positive("cells", cells)
    for percent in (viability.usual, viability.low, viability.high):
        within("viability", positive("viability", percent, "%"), 0.0, 100.0, "%")
    for density in (cells_per_ml.usual, cells_per_ml.low, cells_per_ml.high):
        positive("cells per mL", density)

    def volume(percent: float, density: float) -> float:
        return cells / (density * percent / 100.0)

    return Estimate(
        usual=volume(viability.usual, cells_per_ml.usual),
        low=volume(viability.high, cells_per_ml.high),
        high=volume(viability.low, cells_per_ml.low),
    )


def dried_grams(cells: float) -> Estimate:
    """Grams of dried yeast that hold so many living cells; cells above 0, ValueError outside.

    Common practice, no source: 5 to 20 billion (10⁹) living cells a gram (`DRIED`). The packet rules.
    """
    positive("cells", cells)
    return Estimate(cells / DRIED.usual, cells / DRIED.high, cells / DRIED.low)


# --- counting ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Count:
    """What a counting chamber says: cells in a mL of the undiluted sample, and how many per cent live."""

    cells_per_ml: Estimate
    viability: Estimate | None
    """Per cent; None when no dead cells were told."""
    volume_ml: float
    """Volume that was looked at."""


def count(
    cells: int,
    squares: int,
    square_mm: float,
    depth_mm: float = 0.1,
    *,
    dilution: float = 1.0,
    dead: int | None = None,
    confidence: float = limits.CONFIDENCE,
) -> Count:
    """Cells per mL and viability from a counting chamber.

    cells 0–100,000 counted in all (stained ones among them), squares 1–10,000 of side square_mm (0.01–5 mm)
    under depth_mm (0.01–1 mm) of liquid, diluted 1–1,000,000 fold; dead 0 to cells, the stained ones.
    ValueError outside. Source: geometry; limits by `limits.poisson` and `limits.binomial`. They hold the
    chance of counting alone: pipetting, clumps and the chamber's depth add some 10 % (from memory).
    """
    within("squares", squares, 1, 10_000)
    within("side of a square", square_mm, 0.01, 5.0, "mm")
    within("depth", depth_mm, 0.01, 1.0, "mm")
    within("dilution", dilution, 1.0, 1e6)
    low, high = limits.poisson(cells, confidence)
    volume = squares * square_mm**2 * depth_mm / 1000.0
    times = dilution / volume
    viability = None
    if dead is not None:
        within("dead cells", dead, 0, cells)
        within("cells", cells, 1, limits.MOST)
        alive_low, alive_high = limits.binomial(cells - dead, cells, confidence)
        viability = Estimate(100.0 * (cells - dead) / cells, 100.0 * alive_low, 100.0 * alive_high)
    return Count(Estimate(cells * times, low * times, high * times), viability, volume)


# --- keeping -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Stored:
    """Living share of stored yeast, per cent."""

    viability: Estimate
    extrapolated: bool
    """True beyond `PUBLISHED_DAYS`: then nothing published supports the figure, and the range is wide."""


def stored(days: float, temperature_c: float, start: float = 95.0) -> Stored:
    """Per cent of cells that live after days in the cold.

    0–180 days, 0–25 °C, start 1–100 % (what lived when it was put away; 90–98 % is usual, from memory);
    ValueError outside. Source: McCaig & Bendiak 1985 (abstract): 7 % lost in six days at 1 °C, 14 % at 5 °C,
    up to 68 % at 10–25 °C; a steady rate of dying through the first two, rising with temperature and capped
    at half the worst one. The range is a judgement, not a statistic: half to twice the rate to six days,
    a quarter to four times from thirty days on.
    """
    within("age", days, 0.0, 180.0, "days")
    within("temperature", temperature_c, 0.0, 25.0, "°C")
    within("viability at the start", start, 1.0, 100.0, "%")
    trend = _RATE_1 * (_RATE_5 / _RATE_1) ** ((temperature_c - 1.0) / 4.0)
    spread = 2.0 + 2.0 * min(1.0, max(0.0, days - PUBLISHED_DAYS) / 24.0)
    usual = min(trend, _RATE_WORST / 2.0)
    fast = min(trend * spread, _RATE_WORST * spread / 2.0)
    left = [start * math.exp(-rate * days) for rate in (usual, fast, usual / spread)]
    return Stored(Estimate(*left), extrapolated=days > PUBLISHED_DAYS)
