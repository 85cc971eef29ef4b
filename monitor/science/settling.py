"""How fast cells and flocs sink: Stokes' law, and the density and viscosity of what they sink through.

Stokes and practice disagree, and nothing here is fitted to make them agree. A single cell of 5 µm needs 20 to
40 hours for 0.10 m of still water; yet a jar stands clear overnight. It does because most yeast sinks as flocs,
tens to hundreds of times faster, not because single cells do: what stays cloudy is single cells, and weak
warm-to-cold currents of a millimetre an hour are enough to keep them up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from monitor.science import ethanol, gravity, sugar, water
from monitor.science._checks import positive, within
from monitor.science.limits import Estimate
from monitor.science.pressure import STANDARD_GRAVITY

Particle = Literal["cell", "floc"]

CELL_UM: Final = Estimate(5.0, 4.0, 8.0)
"""Diameter of a yeast cell: 5 µm is a textbook's (Harrison et al., Bioseparations, problem 5.13), the range
from memory."""

CELL_KG_M3: Final = Estimate(1100.0, 1080.0, 1113.0)
"""Density of a yeast cell: 1100 in the same textbook; 1095–1113 on a secondary page; 1080 a cautious low end."""

FLOC_UM: Final = Estimate(100.0, 50.0, 200.0)
FLOC_EXCESS: Final = Estimate(20.0, 10.0, 30.0)
"""Diameter of flocs and their density above the liquid's, kg/m³: assumptions, as flocs are mostly liquid."""

RE_MOST: Final = 1.0
"""Stokes' law is refused beyond this Reynolds number; at it, the drag is 19 % larger (Oseen)."""

# IAPWS Supplementary Release on liquid water at 0.1 MPa (2008): µPa s as sum of a (T / 300 K)^b.
_WATER: Final = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))

# Viscosity of ethanol-water at 20 °C, mPa s, for 0, 1 ... 20 % by mass: CRC Handbook 102nd ed.
_ETHANOL_20: Final = (
    *(1.002, 1.046, 1.095, 1.14, 1.183, 1.228, 1.279, 1.331, 1.385, 1.442, 1.501),
    *(1.563, 1.627, 1.694, 1.761, 1.826, 1.89, 1.955, 2.019, 2.081, 2.142),
)

# The same for 0, 10 and 20 % by mass every 10 K from 0 °C, mPa s: Bingham & Jackson's table, as abridged in
# the Bureau of Standards' Circular 19. It is 2 % above the handbook at 20 °C, so only its course is used.
_BY_TEMPERATURE: Final = (
    (1.792, 3.311, 5.319),
    (1.308, 2.179, 3.165),
    (1.005, 1.538, 2.183),
    (0.801, 1.160, 1.553),
    (0.656, 0.907, 1.160),
)

# ln of relative viscosity by extract w (per cent by mass): a w / (1 - k w) at 20 °C (Mooney's form), and how
# much it grows per kelvin of cold. Laid through sucrose of 10 and 20 % (CRC Handbook, from memory) and 40 %
# (Bingham & Jackson 1918, Bull. Bur. Stand. 14:59).
_EXTRACT_A, _EXTRACT_K, _EXTRACT_COLD = 0.0261, 0.0106, 0.007


@dataclass(frozen=True, slots=True)
class Liquid:
    """What something sinks through: kg/m³ and mPa s."""

    density: float
    viscosity: float


@dataclass(frozen=True, slots=True)
class Settling:
    """How fast and how long; hours are infinite where the particle does not sink."""

    mm_per_hour: Estimate
    hours: Estimate
    reynolds: float
    """At the usual velocity: far below 1 wherever Stokes' law may be used."""


def water_viscosity(temperature_c: float) -> float:
    """Viscosity of water at one atmosphere, mPa s.

    Valid 0–40 °C here (uncertainty 1 %); ValueError outside.
    Source: IAPWS, Supplementary Release on Properties of Liquid Water at 0.1 MPa (2008).
    """
    ratio = (within("temperature", temperature_c, 0.0, 40.0, "°C") + 273.15) / 300.0
    return sum(a * math.pow(ratio, b) for a, b in _WATER) / 1000.0


def viscosity(temperature_c: float, abv: float = 0.0, extract: float = 0.0) -> float:
    """Viscosity of a wash, mPa s, from alcohol (per cent by volume) and extract (per cent by mass).

    Valid 0–40 °C, 0–24 % and 0–40 %; ValueError outside. Error about 3 % with alcohol, 7 % with much extract.
    Source: CRC Handbook at 20 °C, its course with temperature by Bingham & Jackson; extract as sucrose, its
    relative viscosity multiplied on (an approximation).
    """
    pure = water_viscosity(temperature_c)
    mass = ethanol.abw_from_abv(within("alcohol by volume", abv, 0.0, 24.0, "%"))
    w = within("extract", extract, 0.0, 40.0, "%")
    by_extract = _EXTRACT_A * w / (1.0 - _EXTRACT_K * w) * (1.0 + _EXTRACT_COLD * (20.0 - temperature_c))
    return pure * math.exp(_by_alcohol(mass, temperature_c) + by_extract)


def _by_alcohol(mass: float, temperature_c: float) -> float:
    """Logarithm of the viscosity over that of water at the same temperature."""
    low = min(int(mass), len(_ETHANOL_20) - 2)
    share = mass - low
    at_20 = math.log(_ETHANOL_20[low]) * (1.0 - share) + math.log(_ETHANOL_20[low + 1]) * share
    tens = min(int(temperature_c / 10.0), len(_BY_TEMPERATURE) - 2)
    part = temperature_c / 10.0 - tens
    here = _course(mass, tens) * (1.0 - part) + _course(mass, tens + 1) * part
    return at_20 - math.log(_ETHANOL_20[0]) + here - _course(mass, 2)


def _course(mass: float, row: int) -> float:
    """Logarithm of the older table's relative viscosity at row x 10 °C: a parabola through 0, 10 and 20 %."""
    pure, ten, twenty = _BY_TEMPERATURE[row]
    at_10, at_20 = math.log(ten / pure), math.log(twenty / pure)
    x = mass / 10.0
    bend = (at_20 - 2.0 * at_10) / 2.0
    return x * (at_10 - bend) + x * x * bend


def liquid(temperature_c: float, abv: float = 0.0, sg: float | None = None) -> Liquid:
    """Density and viscosity of water, or of a wash of that strength and gravity (SG 20/20).

    0–40 °C, 0–24 % by volume; sg 0.960–1.130, None for no extract; ValueError outside.
    Source: `water.density`, `gravity.density_at`, `viscosity`; the extract by Tabarié's rule (OIV-MA-AS2-03B).
    """
    within("alcohol by volume", abv, 0.0, 24.0, "%")
    alone = ethanol.sg_from_abv(abv)
    if sg is None:
        density = gravity.density_at(alone, temperature_c, abv) if abv else water.density(temperature_c)
        return Liquid(density, viscosity(temperature_c, abv))
    within("gravity", sg, sugar.SG_LOW, 1.130)
    extract = max(0.0, sugar.plato_from_true_sg(max(1.0, sg - alone + 1.0)))
    return Liquid(gravity.density_at(sg, temperature_c, abv), viscosity(temperature_c, abv, extract))


def stokes(diameter_um: float, excess_kg_m3: float, viscosity_mpa_s: float) -> float:
    """Terminal velocity of a small sphere, m/s; negative where it is lighter than the liquid and rises.

    diameter 0.1–5000 µm, excess density over the liquid -1000–10,000 kg/m³, viscosity 0.1–100,000 mPa s;
    ValueError outside. It holds while `reynolds` stays well below 1: the caller checks.
    Source: Stokes 1851: v = excess g d² / (18 µ), g = 9.80665 m/s².
    """
    within("diameter", diameter_um, 0.1, 5000.0, "µm")
    within("excess density", excess_kg_m3, -1000.0, 10_000.0, "kg/m³")
    within("viscosity", viscosity_mpa_s, 0.1, 1e5, "mPa s")
    return excess_kg_m3 * STANDARD_GRAVITY * (diameter_um * 1e-6) ** 2 / (18.0 * viscosity_mpa_s * 1e-3)


def reynolds(velocity_m_s: float, diameter_um: float, through: Liquid) -> float:
    """Reynolds number of a sinking sphere: density × velocity × diameter / viscosity; no unit.

    velocity -10–10 m/s, diameter 0.1–5000 µm; ValueError outside. Source: definition.
    """
    within("velocity", velocity_m_s, -10.0, 10.0, "m/s")
    within("diameter", diameter_um, 0.1, 5000.0, "µm")
    return abs(velocity_m_s) * diameter_um * 1e-6 * through.density / (through.viscosity * 1e-3)


def crowding(volume_share: float) -> float:
    """By how much a crowd slows its members: 1 for a lone particle, less in slurry.

    volume_share 0–0.5 of the whole taken by particles; ValueError outside.
    Source: Richardson & Zaki 1954, Trans. Inst. Chem. Eng. 32:35: (1 - share)^4.65.
    """
    return math.pow(1.0 - within("share of volume", volume_share, 0.0, 0.5), 4.65)


def settle(
    depth_mm: float,
    through: Liquid,
    particle: Particle = "cell",
    *,
    diameter_um: float | None = None,
    density_kg_m3: float | None = None,
    volume_share: float = 0.0,
) -> Settling:
    """How long a cell or floc takes to sink through still liquid of some depth.

    depth 1–5000 mm; diameter 0.5–2000 µm and density 900–1500 kg/m³ of the particle, when known: what is
    left out has the range of its kind (`CELL_UM`, `FLOC_UM` …). ValueError outside, and when the Reynolds
    number passes `RE_MOST`. Source: `stokes`, `crowding`; the slow end allows for Oseen's extra drag.
    """
    positive("viscosity", through.viscosity, "mPa s")
    within("depth", depth_mm, 1.0, 5000.0, "mm")
    if particle not in {"cell", "floc"}:
        raise ValueError(f"the particle must be cell or floc; it is {particle!r}")
    sizes, excesses = _sizes(particle, diameter_um), _excesses(particle, density_kg_m3, through.density)
    slowed = crowding(volume_share)

    def velocity(diameter: float, excess: float) -> float:
        return stokes(diameter, excess, through.viscosity) * slowed

    usual, slow = velocity(sizes.usual, excesses.usual), velocity(sizes.low, excesses.low)
    fast = velocity(sizes.high, excesses.high)
    worst = reynolds(fast, sizes.high, through)
    if worst > RE_MOST:
        raise ValueError(
            f"Stokes' law must have a Reynolds number of at most {RE_MOST:g}; it is {worst:.2g}: "
            "so large or heavy a particle sinks within minutes"
        )
    slow /= 1.0 + 3.0 / 16.0 * reynolds(slow, sizes.low, through)
    speeds = Estimate(*(each * 3.6e6 for each in (usual, slow, fast)))
    return Settling(
        mm_per_hour=speeds,
        hours=Estimate(*(_hours(depth_mm, each) for each in (speeds.usual, speeds.high, speeds.low))),
        reynolds=reynolds(usual, sizes.usual, through),
    )


def _sizes(particle: Particle, diameter_um: float | None) -> Estimate:
    if diameter_um is None:
        return CELL_UM if particle == "cell" else FLOC_UM
    within("diameter", diameter_um, 0.5, 2000.0, "µm")
    return Estimate(diameter_um, diameter_um, diameter_um)


def _excesses(particle: Particle, density: float | None, around: float) -> Estimate:
    """Density above the liquid's: given, or a cell's own, or a floc's, which follows the liquid."""
    if density is not None:
        within("density of the particle", density, 900.0, 1500.0, "kg/m³")
        return Estimate(density - around, density - around, density - around)
    if particle == "floc":
        return FLOC_EXCESS
    return Estimate(*(each - around for each in (CELL_KG_M3.usual, CELL_KG_M3.low, CELL_KG_M3.high)))


def _hours(depth_mm: float, mm_per_hour: float) -> float:
    return depth_mm / mm_per_hour if mm_per_hour > 0.0 else math.inf
