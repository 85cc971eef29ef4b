"""From a float in a liquid to its gravity at 20 °C.

A hydrometer is a body of constant mass. At its calibration temperature t0 the mark R means a liquid of
density R · water(t0). Elsewhere its glass has grown, so the same mark means

    density(T) = R · water(t0) / (1 + 25e-6 (T - t0)),

and that liquid's own expansion, not water's, leads from T to 20 °C.

A hydrometer's gravity is of the kind its scale is marked in; a gravity got from a density is a ratio of densities
in vacuo (`sugar.apparent_from_true` makes it the apparent one, 0.0001 more at 1.090). Of wash with alcohol *and*
extract no measured expansion was found to check against: the two ways to put the parts together, ratios multiplied
as here or Tabarié's rule at each temperature, differ by 0.00011 at most for 0–16 % by volume, 0–15 °P and 0–40 °C.
"""

from __future__ import annotations

import math
from typing import Final

from monitor.science import ethanol, sugar, water
from monitor.science._checks import within

GLASS_EXPANSION: Final = 25e-6
"""Cubic expansion of hydrometer glass, 1/K (ISO 1768:1975; other glasses 23e-6 to 30e-6)."""

UNKNOWN_ABV: Final = 14.0
"""Without a word about alcohol the error allows for 0 to this many per cent by volume (a strong wash)."""


def _over_water(density_t: float, density_20: float, water_t: float, water_20: float) -> float:
    """How much more the solution shrinks or swells than the water of the same formula does."""
    return (density_t / density_20) / (water_t / water_20)


def _ethanol_part(abw: float, t: float) -> float:
    return _over_water(ethanol.density(abw, t), ethanol.density(abw), ethanol.density(0.0, t), ethanol.density(0.0))


def _extract_part(sg: float, t: float) -> float:
    plato = sugar.plato_from_true_sg(min(max(sg, sugar.SG_LOW), sugar.SG_HIGH))
    return _over_water(sugar.density(plato, t), sugar.density(plato), sugar.density(0.0, t), sugar.density(0.0))


def _expansion(sg: float, temperature_c: float, abv: float | None) -> float:
    """density(T) / density(20 °C) of the liquid whose gravity at 20 °C is `sg`."""
    pure = water.density(temperature_c) / water.RHO_20
    if abv is None and sg < 1.0:
        # Lighter than water, it holds at least the alcohol of ethanol-water with the same gravity.
        return pure * _ethanol_part(ethanol.abw_from_sg(sg), temperature_c)
    if not abv:
        return pure * _extract_part(sg, temperature_c)
    abw = ethanol.abw_from_abv(abv)
    # Tabarié: gravity = gravity of the alcohol alone + gravity of the extract alone - 1 (OIV-MA-AS2-03B).
    extract_sg = sg - ethanol.density(abw) / ethanol.density(0.0) + 1.0
    return pure * _ethanol_part(abw, temperature_c) * _extract_part(extract_sg, temperature_c)


def sg_at_20(density_kg_m3: float, temperature_c: float, abv: float | None = None) -> float:
    """Gravity (SG 20/20) at 20 °C of a liquid whose density was found at another temperature.

    `abv` is its alcohol in per cent by volume; None takes a sugar solution at or above 1.000 and plain
    ethanol-water below. Valid for 0–40 °C, 0–25 % and results of 0.960–1.200; ValueError outside.
    Source: expansions by ICUMSA SPS-4 (sugar) and OIML R 22 (alcohol), put together by Tabarié's rule.
    """
    within("temperature", temperature_c, 0.0, 40.0, "°C")
    if abv is not None:
        within("alcohol by volume", abv, 0.0, 25.0, "%")
    at_t = density_kg_m3 / water.RHO_20
    sg = at_t
    for _ in range(30):  # contracts: the expansion changes by less than 0.2 per unit of gravity
        nearer = at_t / _expansion(min(max(sg, sugar.SG_LOW), sugar.SG_HIGH), temperature_c, abv)
        done = abs(nearer - sg) < 1e-10
        sg = nearer
        if done:
            break
    return within("gravity at 20 °C", sg, sugar.SG_LOW, sugar.SG_HIGH)


def density_at(sg: float, temperature_c: float, abv: float | None = None) -> float:
    """Density at a temperature, kg/m³, of a liquid with that gravity (SG 20/20): the inverse of `sg_at_20`.

    Valid for 0.960–1.200, 0–40 °C and 0–25 % by volume; ValueError outside. Source: as `sg_at_20`.
    """
    within("gravity", sg, sugar.SG_LOW, sugar.SG_HIGH)
    within("temperature", temperature_c, 0.0, 40.0, "°C")
    if abv is not None:
        within("alcohol by volume", abv, 0.0, 25.0, "%")
    return sg * water.RHO_20 * _expansion(sg, temperature_c, abv)


def hydrometer_sg(
    reading: float,
    temperature_c: float,
    calibrated_c: float = 20.0,
    *,
    abv: float | None = None,
    glass: float = GLASS_EXPANSION,
) -> float:
    """Gravity (SG 20/20) from a hydrometer's mark, the liquid's temperature and the scale's own.

    `reading` is the mark on the scale (0.950–1.210), `temperature_c` the liquid's (0–40 °C), `calibrated_c`
    the scale's (0–40 °C; 15.56 for a 60 °F scale). `abv` as in `sg_at_20`. ValueError outside these.
    Source: the buoyancy of a body of constant mass, see the top of this module.
    """
    within("reading", reading, 0.950, 1.210)
    within("temperature", temperature_c, 0.0, 40.0, "°C")
    within("calibration temperature", calibrated_c, 0.0, 40.0, "°C")
    density = reading * water.density(calibrated_c) / (1.0 + glass * (temperature_c - calibrated_c))
    return sg_at_20(density, temperature_c, abv)


def hydrometer_error(
    reading: float,
    temperature_c: float,
    calibrated_c: float = 20.0,
    *,
    abv: float | None = None,
    reading_error: float = 0.001,
    temperature_error_k: float = 0.5,
) -> float:
    """Standard error of `hydrometer_sg`, in gravity.

    Root of the summed squares of: reading the scale (`reading_error`, one graduation by default), the
    thermometer (`temperature_error_k`, kelvin), the glass (20 % of its expansion) and, if `abv` is None, the
    unknown alcohol, taken as evenly likely between 0 and `UNKNOWN_ABV` per cent. Ranges as `hydrometer_sg`.
    """
    sg = hydrometer_sg(reading, temperature_c, calibrated_c, abv=abv)
    step = 0.5 if temperature_c <= 39.0 else -0.5
    nearby = hydrometer_sg(reading, temperature_c + step, calibrated_c, abv=abv)
    parts = [
        reading_error,
        (nearby - sg) / step * temperature_error_k,
        0.2 * GLASS_EXPANSION * (temperature_c - calibrated_c),
    ]
    if abv is None:
        told = (hydrometer_sg(reading, temperature_c, calibrated_c, abv=abv) for abv in (0.0, UNKNOWN_ABV))
        # What was assumed lies at one end, so the root mean square about it is width / sqrt 3, not / sqrt 12.
        parts.append(max(abs(other - sg) for other in told) / math.sqrt(3.0))
    return math.hypot(*parts)


def rescale_hydrometer(reading: float, from_c: float, to_c: float) -> float:
    """What a scale calibrated at `to_c` shows in the liquid in which one calibrated at `from_c` shows `reading`.

    For instance a 20 °C scale shows 1.0000 where a 60 °F (15.56 °C) scale shows 0.9993.
    Reading 0.950–1.210, temperatures 0–40 °C; ValueError outside. Source: both scales express one density;
    the glass matters to second order only (below 1e-6), so the liquid's temperature is not needed.
    """
    within("reading", reading, 0.950, 1.210)
    within("calibration temperature", from_c, 0.0, 40.0, "°C")
    within("calibration temperature", to_c, 0.0, 40.0, "°C")
    glass = 1.0 + GLASS_EXPANSION * (from_c - to_c)
    return reading * water.density(from_c) / water.density(to_c) * glass
