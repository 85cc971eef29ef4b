"""Sugar solutions: density, and gravity against degrees Plato (per cent sucrose by mass).

Two gravities are kept apart. *True* SG 20/20 is the plain ratio of densities. *Apparent* SG 20/20 is what
weighing in air gives, (density - air) / (water - air); Plato tables and the gravities of this program are
apparent. They differ by 0.0001 at 1.090, so the choice matters for round trips more than for brewing.

Below 1.000 there is no sugar solution: Plato is then the same polynomials run on smoothly below zero, as a
fermented wash needs an "apparent extract" that can be negative.
"""

from __future__ import annotations

from typing import Final

from monitor.science._checks import solve, within

AIR_DENSITY: Final = 1.2
"""Density of air used for apparent gravities, kg/m³ (ordinary laboratory air at 20 °C)."""

SG_LOW: Final = 0.960
SG_HIGH: Final = 1.200
PLATO_LOW: Final = -12.0
PLATO_HIGH: Final = 60.0

# ICUMSA Specification and Standard SPS-4 (1998), density of sucrose solutions: row i belongs to
# ((t - 20) / 100)^i, entries to rising powers (from 1) of the mass fraction.
_SUCROSE: Final = (
    (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890),
    (-46.2720, -7.1720, 1.1597, 5.1126, 17.5254),
    (59.7712, 7.2491, 12.3630, -35.4791),
    (-47.2207, -21.6977, 27.6301),
    (18.3184, 12.3081),
)


def _water(t: float) -> float:
    # Kell's equation on the ITS-90 scale (Bettin & Spieweck 1990), to which the sucrose polynomial is tied.
    top = 999.83952 + t * (
        16.952577 + t * (-7.9905127e-3 + t * (-46.241757e-6 + t * (105.84601e-9 - 281.03006e-12 * t)))
    )
    return top / (1.0 + 16.887236e-3 * t)


def _density(fraction: float, temperature_c: float) -> float:
    scaled = (temperature_c - 20.0) / 100.0
    total = 0.0
    for row in reversed(_SUCROSE) if scaled else _SUCROSE[:1]:  # at 20 °C the other rows come to nothing
        part = 0.0
        for coefficient in reversed(row):
            part = (part + coefficient) * fraction
        total = total * scaled + part
    return (_water(temperature_c) if scaled else _WATER_20) + total


_WATER_20: Final = _water(20.0)


def density(plato: float, temperature_c: float = 20.0) -> float:
    """Density of sucrose in water, kg/m³, from per cent by mass (°Plato).

    Valid 0–60 °P and 0–80 °C; -12–0 °P is the smooth extension described at the top. ValueError outside.
    Source: ICUMSA SPS-4.
    """
    within("extract", plato, PLATO_LOW, PLATO_HIGH, "°P")
    within("temperature", temperature_c, 0.0, 80.0, "°C")
    return _density(plato / 100.0, temperature_c)


def true_sg_from_plato(plato: float) -> float:
    """True gravity (SG 20/20, ratio of densities) from °Plato; -12–60 °P, ValueError outside.

    Source: ICUMSA SPS-4.
    """
    return density(plato) / _WATER_20


def plato_from_true_sg(sg: float) -> float:
    """°Plato from true gravity (SG 20/20); 0.960–1.200, ValueError outside.

    Source: the inverse of ICUMSA SPS-4.
    """
    within("gravity", sg, SG_LOW, SG_HIGH)
    return 100.0 * solve(lambda x: _density(x, 20.0), sg * _WATER_20, PLATO_LOW / 100.0, PLATO_HIGH / 100.0)


def apparent_from_true(sg: float) -> float:
    """Apparent gravity (in air) from true gravity, both SG 20/20; 0.960–1.200, ValueError outside.

    Source: buoyancy in air of 1.2 kg/m³.
    """
    within("gravity", sg, SG_LOW, SG_HIGH)
    return (sg * _WATER_20 - AIR_DENSITY) / (_WATER_20 - AIR_DENSITY)


def true_from_apparent(sg: float) -> float:
    """True gravity from apparent gravity (in air), both SG 20/20; 0.960–1.200, ValueError outside.

    Source: buoyancy in air of 1.2 kg/m³.
    """
    within("gravity", sg, SG_LOW, SG_HIGH)
    return (sg * (_WATER_20 - AIR_DENSITY) + AIR_DENSITY) / _WATER_20


def sg_from_plato(plato: float) -> float:
    """Gravity (SG 20/20, apparent in air) from °Plato; -10–43 °P (0.960–1.200), ValueError outside.

    Source: ICUMSA SPS-4 and buoyancy in air.
    """
    return apparent_from_true(true_sg_from_plato(plato))


def plato_from_sg(sg: float) -> float:
    """°Plato from gravity (SG 20/20, apparent in air); 0.960–1.200, ValueError outside.

    Below 1.000 the answer is negative: an apparent extract, not a sugar content.
    Source: the inverse of ICUMSA SPS-4, and buoyancy in air.
    """
    return plato_from_true_sg(true_from_apparent(sg))


def kg_m3_from_sg(sg: float) -> float:
    """Density in vacuo at 20 °C, kg/m³, from gravity (SG 20/20, apparent in air); 0.960–1.200, else ValueError.

    Source: buoyancy in air, density of water by the ICUMSA polynomial's own formula (998.203 kg/m³).
    """
    return true_from_apparent(sg) * _WATER_20


def sg_from_kg_m3(density_kg_m3: float) -> float:
    """Gravity (SG 20/20, apparent in air) from density in vacuo at 20 °C, kg/m³: the inverse.

    958.3–1197.9 kg/m³ (0.960–1.200); ValueError outside.
    """
    return apparent_from_true(density_kg_m3 / _WATER_20)


def g_l_from_plato(plato: float) -> float:
    """Grams of sucrose in a litre at 20 °C from °Plato; -12–60 °P, ValueError outside. Source: ICUMSA SPS-4."""
    return plato / 100.0 * density(plato)


def plato_from_g_l(grams: float) -> float:
    """°Plato from grams of sucrose in a litre at 20 °C: the inverse of `g_l_from_plato`.

    -114.5–772 g/L, ValueError outside; contraction on dissolving is in the density.
    """
    within("sugar", grams, -114.5, 772.0, "g/L")
    return 100.0 * solve(lambda x: x * _density(x, 20.0), grams, PLATO_LOW / 100.0, PLATO_HIGH / 100.0)
