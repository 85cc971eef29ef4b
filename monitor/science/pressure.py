"""Gravity from pressure: two sensors at two depths weigh the liquid between them."""

from __future__ import annotations

from typing import Final

from monitor.science import gravity, water
from monitor.science._checks import positive, within

STANDARD_GRAVITY: Final = 9.80665
"""Fall acceleration, m/s² (standard value; 9.780 at the equator, 9.832 at the poles)."""


def density(difference_pa: float, distance_m: float, *, fall_m_s2: float = STANDARD_GRAVITY) -> float:
    """Density of the liquid between two sensors, kg/m³: difference / (fall × distance).

    difference_pa above 0 Pa (lower less upper), distance_m above 0 m (vertical), fall 9.7–9.9 m/s²;
    ValueError outside. Source: hydrostatics. Gas bubbles between the sensors count as lightness.
    """
    positive("pressure difference", difference_pa, "Pa")
    positive("distance", distance_m, "m")
    within("fall acceleration", fall_m_s2, 9.7, 9.9, "m/s²")
    return difference_pa / (fall_m_s2 * distance_m)


def sg(
    difference_pa: float,
    distance_m: float,
    temperature_c: float = 20.0,
    *,
    abv: float | None = None,
    fall_m_s2: float = STANDARD_GRAVITY,
) -> float:
    """Gravity (SG 20/20) at 20 °C from a pressure pair and the liquid's temperature (0–40 °C).

    A ratio of densities, not weighed in air; `probes.pressure_pair` gives the apparent one with its error.
    `abv` as in `gravity.sg_at_20`. ValueError outside the ranges of `density` and `gravity.sg_at_20`.
    """
    found = density(difference_pa, distance_m, fall_m_s2=fall_m_s2)
    return gravity.sg_at_20(found, temperature_c, abv)


def sg_error(distance_m: float, pressure_error_pa: float, distance_error_m: float = 0.0005) -> float:
    """Standard error of `sg`, near 1.0, from that of the difference (Pa) and of the distance (m).

    A pair 0.1 m apart needs about 1 Pa for 0.001. distance above 0, errors 0 or more; ValueError outside.
    Source: propagation of errors through `density`. The distance's part is the same at every reading, so
    calibrating in water removes it.
    """
    positive("distance", distance_m, "m")
    within("pressure error", pressure_error_pa, 0.0, 1e6, "Pa")
    within("distance error", distance_error_m, 0.0, distance_m, "m")
    by_pressure = pressure_error_pa / (STANDARD_GRAVITY * distance_m * water.RHO_20)
    by_distance: float = distance_error_m / distance_m
    return float((by_pressure**2 + by_distance**2) ** 0.5)


def distance_from_water(difference_pa: float, temperature_c: float, *, fall_m_s2: float = STANDARD_GRAVITY) -> float:
    """Distance between two sensors, m, from what they show in plain water: calibration without a ruler.

    difference_pa above 0 Pa, 0–40 °C, fall 9.7–9.9 m/s²; ValueError outside. A wrong fall acceleration
    cancels when the same one is used for the wash. Source: hydrostatics, density as `water.density`.
    """
    positive("pressure difference", difference_pa, "Pa")
    within("fall acceleration", fall_m_s2, 9.7, 9.9, "m/s²")
    return difference_pa / (fall_m_s2 * water.density(temperature_c))
