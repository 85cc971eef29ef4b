"""From what a probe feels to gravity with its error: float angle, pressure pair, scale.

Each error is put together from the calibration's own and the reading's, as root of the summed squares; `parts`
says which is the largest, so that one knows what to mend.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from monitor.science import alcohol, carbon, gravity, massloss, pressure, sugar
from monitor.science._checks import within

if TYPE_CHECKING:
    from collections.abc import Mapping

    from monitor.science.calibration import Curve

FLOAT_EXPANSION: Final = 1.5e-4
"""Cubic expansion that a plastic float may have, 1/K; from memory (plastics 1e-4 to 3e-4), counted as error."""

UNKNOWN_K: Final = 5.0
"""Without a temperature the liquid may be this many kelvin off the calibration's."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A gravity (SG 20/20, apparent) and how sure it is."""

    sg: float
    error: float
    """Standard error."""
    low: float
    high: float
    """The 90 % range."""
    parts: tuple[tuple[str, float], ...]
    """What the error is made of: standard errors by cause, the largest first."""
    outside: bool = False
    """Whether the reading lies beyond the calibration, which then is only run on straight."""


def _estimate(sg: float, parts: Mapping[str, float], *, outside: bool = False) -> Estimate:
    error = math.hypot(*parts.values())
    half = alcohol.Z_90 * error
    ordered = tuple(sorted(((name, abs(part)) for name, part in parts.items()), key=lambda part: -part[1]))
    return Estimate(sg, error, sg - half, sg + half, ordered, outside)


def float_angle(
    curve: Curve,
    angle_deg: float,
    *,
    angle_error_deg: float = 0.2,
    temperature_c: float | None = None,
    calibrated_c: float = 20.0,
    abv: float | None = None,
    temperature_error_k: float = 0.5,
) -> Estimate:
    """Gravity from the tilt of a floating probe, by its calibration against gravities.

    `curve` is fitted in liquids at `calibrated_c` (0–40 °C); `temperature_c` is the wash's (0–40 °C; None: not
    known, nothing is corrected and the error allows for 5 K), `abv` as in `gravity.sg_at_20`. ValueError
    outside, or where the gravity would leave 0.960–1.200.
    Source: a float of constant mass feels density; expansions as `gravity.sg_at_20`.
    """
    within("angle error", angle_error_deg, 0.0, 90.0, "deg")
    within("calibration temperature", calibrated_c, 0.0, 40.0, "°C")
    found = within("gravity", curve.value(angle_deg), sugar.SG_LOW, sugar.SG_HIGH)
    step = max(angle_error_deg, 0.01)
    slope = (curve.value(angle_deg + step) - curve.value(angle_deg - step)) / (2.0 * step)
    parts = {"calibration": curve.error(angle_deg), "angle": slope * angle_error_deg}
    felt = gravity.density_at(sugar.true_from_apparent(found), calibrated_c)
    if temperature_c is None:
        warm = min(40.0, calibrated_c + UNKNOWN_K)
        parts["temperature not known"] = _at_20(felt, warm, abv) - _at_20(felt, calibrated_c, abv)
        parts["swelling of the float"] = FLOAT_EXPANSION * UNKNOWN_K
        return _estimate(found, parts, outside=curve.outside(angle_deg))
    away = within("temperature", temperature_c, 0.0, 40.0, "°C") - calibrated_c
    corrected = _at_20(felt, temperature_c, abv)
    parts["temperature"] = _by_temperature(felt, temperature_c, abv) * temperature_error_k
    parts["swelling of the float"] = FLOAT_EXPANSION * away
    return _estimate(corrected, parts, outside=curve.outside(angle_deg))


def _at_20(density: float, temperature_c: float, abv: float | None) -> float:
    return sugar.apparent_from_true(gravity.sg_at_20(density, temperature_c, abv))


def _by_temperature(density: float, temperature_c: float, abv: float | None) -> float:
    step = 0.5 if temperature_c <= 39.0 else -0.5
    return (_at_20(density, temperature_c + step, abv) - _at_20(density, temperature_c, abv)) / step


def pressure_pair(
    difference_pa: float,
    distance_m: float,
    temperature_c: float = 20.0,
    *,
    pressure_error_pa: float = 2.0,
    distance_error_m: float = 0.0005,
    in_water: tuple[float, float] | None = None,
    abv: float | None = None,
    temperature_error_k: float = 0.5,
    fall_m_s2: float = pressure.STANDARD_GRAVITY,
) -> Estimate:
    """Gravity from two pressures at two depths (lower less upper, Pa).

    `in_water` is what the pair showed in plain water, (difference in Pa, temperature in °C): it then sets the
    distance, and the place's own fall acceleration with it. Errors are standard errors; other ranges as
    `pressure.sg`; ValueError outside. Foam and bubbles between the sensors count as lightness: wait for calm.
    Source: hydrostatics, `pressure.density`; expansions as `gravity.sg_at_20`.
    """
    within("pressure error", pressure_error_pa, 0.0, 1e6, "Pa")
    if in_water is not None:
        distance_m = pressure.distance_from_water(*in_water, fall_m_s2=fall_m_s2)
        distance_error_m = distance_m * pressure_error_pa / in_water[0]
    density = pressure.density(difference_pa, distance_m, fall_m_s2=fall_m_s2)
    within("distance error", distance_error_m, 0.0, distance_m, "m")
    found = _at_20(density, temperature_c, abv)
    parts = {
        "pressures": found * pressure_error_pa / difference_pa,
        "calibration in water" if in_water else "distance": found * distance_error_m / distance_m,
        "temperature": _by_temperature(density, temperature_c, abv) * temperature_error_k,
    }
    if in_water is None:
        parts["fall acceleration of the place"] = found * 0.001  # 9.78 to 9.83 m/s², 9.807 taken
    return _estimate(found, parts)


def mass_loss(
    litres: float,
    og: float,
    lost_kg: float,
    *,
    temperature_c: float = 20.0,
    scale_error_kg: float = 0.005,
    litres_error: float = 0.02,
    og_error: float = 0.001,
    evaporated_kg: float = 0.0,
    evaporated_error_kg: float = 0.0,
) -> Estimate:
    """Gravity from what a vessel has become lighter by since it was pitched, kg.

    litres 0.1 or more of fresh wash (`litres_error`: a share of it), og 1.001–1.200, lost -1 kg or more (less
    than nothing counts as nothing), 0–40 °C. `evaporated_kg` is what an open vessel lost to the air by itself:
    weigh a like one with water; under an airlock it is 0. All that was taken out of the vessel must be added
    to the scale's reading first. ValueError outside, and where more has left than the sugar can give.
    Source: `massloss.sg_after`; vapour in the gas and gas held back as `massloss.vapour_share` and
    `massloss.held_g_l`.
    """
    within("volume", litres, 0.1, 1e6, "litres")
    within("original gravity", og, 1.001, sugar.SG_HIGH)
    within("mass lost", lost_kg, -1.0, 1e6, "kg")
    within("volume error", litres_error, 0.0, 0.5)
    within("original gravity's error", og_error, 0.0, 0.05)
    within("evaporated", evaporated_kg, 0.0, 1e6, "kg")
    vapour = massloss.vapour_share(temperature_c)
    gas = max(0.0, lost_kg - evaporated_kg) / (1.0 + vapour)
    rough = massloss.sg_after(litres, og, gas)
    held, held_error = massloss.held_g_l(1000.0 * gas / litres, temperature_c, min(25.0, alcohol.abv(og, rough)))
    found = massloss.sg_after(litres, og, gas + held * litres / 1000.0)
    per_kg = carbon.CO2_PER_POINT * litres  # points for a kilogram: 1000 g over (g a point)
    fall = og - found
    parts = {
        "scale": scale_error_kg / per_kg,
        "volume": fall * litres_error,
        "original gravity": og_error,
        "vapour": gas * vapour / alcohol.Z_90 / per_kg,
        "gas held back": held_error / 1000.0 / carbon.CO2_PER_POINT,
        "evaporation": evaporated_error_kg / per_kg,
        "yeast and by-products": 0.02 * fall,
    }
    return _estimate(found, parts)
