"""Ethanol–water: density, and strength by volume and by mass.

Strength by volume is always per cent at 20 °C ("ABV"), by mass per cent ("ABW").
"""

from __future__ import annotations

from typing import Final

from monitor.science._checks import solve, within

# OIML R 22 (1975), International Alcoholometric Tables; the same formula stands in the annex of
# Directive 76/766/EEC. Powers of the mass fraction, rising.
_AT_20: Final = (
    9.982012300e2,
    -1.929769495e2,
    3.891238958e2,
    -1.668103923e3,
    1.352215441e4,
    -8.829278388e4,
    3.062874042e5,
    -6.138381234e5,
    7.470172998e5,
    -5.478461354e5,
    2.234460334e5,
    -3.903285426e4,
)
# Row i belongs to (t - 20)^i; its first entry is the formula's B, the rest its C (rising mass fraction).
_BY_TEMPERATURE: Final = (
    (
        -2.0618513e-1,
        1.693443461530087e-1,
        -1.046914743455169e1,
        7.196353469546523e1,
        -7.047478054272792e2,
        3.924090430035045e3,
        -1.210164659068747e4,
        2.248646550400788e4,
        -2.605562982188164e4,
        1.852373922069467e4,
        -7.420201433430137e3,
        1.285617841998974e3,
    ),
    (
        -5.2682542e-3,
        -1.193013005057010e-2,
        2.517399633803461e-1,
        -2.170575700536993,
        1.353034988843029e1,
        -5.029988758547014e1,
        1.096355666577570e2,
        -1.422753946421155e2,
        1.080435942856230e2,
        -4.414153236817392e1,
        7.442971530188783,
    ),
    (
        3.6130013e-5,
        -6.802995733503803e-4,
        1.876837790289664e-2,
        -2.002561813734156e-1,
        1.022992966719220,
        -2.895696483903638,
        4.810060584300675,
        -4.672147440794683,
        2.458043105903461,
        -5.411227621436812e-1,
    ),
    (
        -3.8957702e-7,
        4.075376675622027e-6,
        -8.763058573471110e-6,
        6.515031360099368e-6,
        -1.515784836987210e-6,
    ),
    (7.1693540e-9, -2.788074354782409e-8, 1.345612883493354e-8),
    (-9.9739231e-11,),
)


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in reversed(coefficients):
        total = total * x + coefficient
    return total


RHO_ETHANOL_20: Final = _polynomial(_AT_20, 1.0)
"""Density of pure ethanol at 20 °C by the same formula, kg/m³ (789.24)."""


def density(mass_percent: float, temperature_c: float = 20.0) -> float:
    """Density of ethanol–water, kg/m³, from per cent ethanol by mass.

    Valid 0–100 % and -20–40 °C where the mixture is liquid; ValueError outside.
    Source: OIML R 22 (1975).
    """
    fraction = within("ethanol by mass", mass_percent, 0.0, 100.0, "%") / 100.0
    shift = within("temperature", temperature_c, -20.0, 40.0, "°C") - 20.0
    total = 0.0
    if shift != 0.0:
        for row in reversed(_BY_TEMPERATURE):
            total = (total + _polynomial(row, fraction)) * shift
    return _polynomial(_AT_20, fraction) + total


def abv_from_abw(abw: float) -> float:
    """Per cent by volume at 20 °C from per cent by mass, ethanol and water only (no extract).

    Valid 0–100 %; ValueError outside. Source: OIML R 22 (volume = mass × density / density of ethanol).
    """
    return abw * density(abw) / RHO_ETHANOL_20


def abw_from_abv(abv: float) -> float:
    """Per cent by mass from per cent by volume at 20 °C, ethanol and water only (no extract).

    Valid 0–100 %; ValueError outside. Source: the inverse of `abv_from_abw`.
    """
    return solve(abv_from_abw, within("alcohol by volume", abv, 0.0, 100.0, "%"), 0.0, 100.0)


def sg_from_abv(abv: float) -> float:
    """Gravity (SG 20/20) of ethanol–water of that strength, per cent by volume; 0–100 %, ValueError outside.

    Source: OIML R 22.
    """
    return density(abw_from_abv(abv)) / density(0.0)


def abw_from_sg(sg: float) -> float:
    """Per cent by mass of ethanol–water with that gravity (SG 20/20).

    Valid 0.791–1.000 (pure ethanol to water); ValueError outside. Source: the inverse of OIML R 22.
    """
    lowest = RHO_ETHANOL_20 / density(0.0)
    target = -within("gravity", sg, lowest, 1.0)
    return solve(lambda abw: -density(abw) / density(0.0), target, 0.0, 100.0)
