"""How a vessel follows the air round it: one lump of liquid behind one film of air.

A lump is crude for tall vessels of still liquid (their middle lags the wall), so every time constant comes
with a range, and a probe in the liquid beats it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from monitor.science._checks import positive, within

Material = Literal["plastic", "glass", "steel"]

WATER_HEAT: Final = 999.0 * 4190.0
"""Heat capacity of water by volume, J/(m³ K)."""

AREA_FACTOR: Final = 5.55
"""Area of a vessel over volume to the 2/3: 5.54 for the most compact cylinder, 5.59 for a slim jug."""

# Heat passed by natural convection and radiation together, W/(m² K): low, usual, high; then the heat the wall
# holds as a share of the liquid's. Figures from memory: 5-10 for painted, plastic and glass faces; bright
# metal radiates little, hence less. The wall's own resistance is below 5 % of the film's and left out.
_FILM: Final[dict[str, tuple[float, float, float, float]]] = {
    "plastic": (5.0, 7.5, 10.0, 0.02),
    "glass": (5.0, 7.5, 10.0, 0.10),
    "steel": (3.5, 5.5, 8.0, 0.03),
}


@dataclass(frozen=True, slots=True)
class TimeConstant:
    """Seconds in which a difference to the air shrinks to 37 %, and the range it may have."""

    usual_s: float
    low_s: float
    high_s: float


def time_constant(litres: float, material: Material = "plastic") -> TimeConstant:
    """Time constant of a vessel standing in still air, by its contents and its wall.

    0.05–2000 litres of watery liquid, all faces free; material plastic, glass or steel. A vessel wedged in
    between others is slower, one under a fan two to three times faster. ValueError outside.
    Source: lumped capacitance, tau = rho V c (1 + wall share) / (h A) (textbook); film figures from memory.
    """
    within("volume", litres, 0.05, 2000.0, "litres")
    if material not in _FILM:
        raise ValueError(f"material must be one of {', '.join(_FILM)}; it is {material!r}")
    low, usual, high, wall = _FILM[material]
    # V / A = V^(1/3) / factor
    heat = WATER_HEAT * (1.0 + wall) * (litres / 1000.0) ** (1.0 / 3.0) / AREA_FACTOR
    return TimeConstant(usual_s=heat / usual, low_s=heat / high, high_s=heat / low)


def lag_step(state: float, surroundings: float, dt_s: float, tau_s: float) -> float:
    """Temperature after `dt_s` seconds in constant surroundings (any one unit of temperature).

    Exact for any step, so gaps and uneven sampling are harmless. dt_s 0 or more, tau_s above 0; ValueError
    outside. Source: solution of dT/dt = (surroundings - T) / tau.
    """
    positive("time constant", tau_s, "s")
    within("time step", dt_s, 0.0, math.inf, "s")
    return state - (surroundings - state) * math.expm1(-dt_s / tau_s)


def seconds_to_reach(start: float, target: float, surroundings: float, tau_s: float) -> float:
    """Seconds until a lagging temperature passes `target`, in constant surroundings.

    0 when it is already there or past it on the way to the surroundings, infinity when it never gets there.
    tau_s above 0; ValueError outside. Source: as `lag_step`.
    """
    positive("time constant", tau_s, "s")
    away, left = start - surroundings, target - surroundings
    if away == 0.0:
        return 0.0 if left == 0.0 else math.inf
    share = left / away
    if share >= 1.0:
        return 0.0
    return math.inf if share <= 0.0 else -tau_s * math.log(share)


def seconds_to_pass(start: float, target: float, air: float, far: float, air_tau_s: float, tau_s: float) -> float:
    """Seconds until a lagging temperature passes `target` while its surroundings themselves go from `air` to `far`.

    The surroundings approach `far` with the time constant `air_tau_s`. 0 when it is past the target already as seen
    from `start` towards `far`, infinite when it never gets there (or not within 100 of the slower time constants).
    Both time constants above 0; ValueError outside. Source: solution of dT/dt = (A(t) - T) / tau for exponential A(t),
    crossed by bisection; two equal time constants are set apart by a thousandth.
    """
    positive("time constant of the air", air_tau_s, "s")
    positive("time constant", tau_s, "s")
    if far == start or (target - start) * (far - start) <= 0.0:
        return 0.0 if target == start or (target - start) * (far - start) < 0.0 else math.inf
    if air_tau_s == tau_s:
        air_tau_s *= 1.001
    share = (air - far) * air_tau_s / (air_tau_s - tau_s)

    def beyond(seconds: float) -> bool:
        own = (start - far - share) * math.exp(-seconds / tau_s)
        now = far + share * math.exp(-seconds / air_tau_s) + own
        return (now - target) * (far - start) >= 0.0

    low, high = 0.0, 100.0 * max(air_tau_s, tau_s)
    if not beyond(high):
        return math.inf
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (low, middle) if beyond(middle) else (middle, high)
    return high
