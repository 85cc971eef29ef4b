"""Carbon dioxide: how much a batch makes, what it does to a room, how much a wash holds.

It has no smell, is half again as heavy as air, gathers in cellars, pits and chest freezers, and kills. The room
model is one well-mixed box: the floor and the inside of a vessel are always worse than it says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from monitor.science import alcohol, sugar
from monitor.science._checks import positive, solve, within

MOLAR_MASS: Final = 44.0095
"""g/mol."""

ATM_BAR: Final = 1.01325
_R: Final = 82.05746  # cm³ atm/(mol K)
_ZERO_K: Final = 273.15

CO2_PER_EXTRACT: Final = alcohol.CO2_PER_ALCOHOL / alcohol.EXTRACT_PER_ALCOHOL
"""Grams of carbon dioxide for a gram of fermented extract by Balling's balance (0.4629)."""

CO2_PER_SUCROSE: Final = 0.5143
"""The same by stoichiometry, all of it sucrose and no yeast grown: 4 × 44.0095 / 342.297. The upper limit."""

CO2_PER_POINT: Final = 1.00
"""Grams a litre for a fall of 0.001, rounded; 0.999–1.010 between OG 1.050 and 1.094 by Balling's balance."""

SOLUBILITY_ERROR: Final = 0.07
"""Relative error of `solubility_g_l_bar` in a wash: what it and published values for beer and wine differ by."""

OUTDOOR_PPM: Final = 420.0
"""Carbon dioxide outdoors, ppm by volume; from memory, about 2024."""


@dataclass(frozen=True, slots=True)
class Made:
    """Carbon dioxide from a batch."""

    grams: float
    grams_low: float
    """3 % less: what yeast and by-products may take."""
    grams_high: float
    """What plain chemistry gives from sucrose."""
    gas_litres: float
    """As dry gas at the temperature asked for and one atmosphere."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Carbon dioxide per hour."""

    grams_per_hour: float
    litres_per_hour: float


@dataclass(frozen=True, slots=True)
class Limit:
    """An occupational exposure limit or a level of harm, ppm by volume."""

    body: str
    name: str
    ppm: float
    minutes: float | None
    """Averaging time; None where the figure is a level of harm."""


LIMITS: Final = (
    Limit("NIOSH, OSHA, ACGIH", "average over a working day", 5_000.0, 480.0),
    Limit("HSE EH40 (Great Britain)", "average over 15 minutes", 15_000.0, 15.0),
    Limit("NIOSH, ACGIH", "average over 15 minutes", 30_000.0, 15.0),
    Limit("NIOSH", "immediately dangerous to life or health", 40_000.0, None),
    Limit("NIOSH documentation", "lowest concentration known to have killed within 5 minutes", 90_000.0, None),
)
"""Source: NIOSH IDLH documentation for CO2 (1994, revised 1996; read from public copies), HSE EH40/2005 (read in
public pages quoting it). Rules differ from place to place and change: the local ones count."""


@dataclass(frozen=True, slots=True)
class Room:
    """A room's carbon dioxide, ppm by volume."""

    ppm: float
    """At the time asked for, or in the long run."""
    ppm_steady: float | None
    """In the long run; None without ventilation, when it rises without end."""
    hours_to_limit: float | None
    """Hours until the working-day limit is passed; None if it never is."""
    passed: tuple[Limit, ...]
    """Limits below `ppm`."""
    cautions: tuple[str, ...]


def second_virial(temperature_c: float) -> float:
    """Second virial coefficient of carbon dioxide, cm³/mol.

    0–40 °C, ValueError outside. Source: Weiss 1974, Marine Chemistry 2:203, eq. 6.
    """
    t = within("temperature", temperature_c, 0.0, 40.0, "°C") + _ZERO_K
    return -1636.75 + t * (12.0408 + t * (-3.27957e-2 + t * 3.16528e-5))


def gas_density(temperature_c: float, pressure_bar: float = ATM_BAR) -> float:
    """Density of the dry gas, kg/m³ (grams a litre), at a pressure (absolute).

    0–40 °C and 0–60 bar; ValueError outside. Within 0.1 % at one atmosphere and 1 % at 10 bar; beyond that
    the formula is stretched (it knows no condensing).
    Source: virial equation of state, pressure form cut after the first term, coefficient as `second_virial`.
    """
    pressure = within("pressure", pressure_bar, 0.0, 60.0, "bar") / ATM_BAR
    volume = _R * (temperature_c + _ZERO_K) + second_virial(temperature_c) * pressure  # of a mole, times pressure
    return 1000.0 * MOLAR_MASS * pressure / volume


def made_g_l(og: float, fg: float) -> float:
    """Grams of carbon dioxide for each litre of fresh wash (at 20 °C) while the gravity falls from `og` to `fg`.

    og 1.000–1.200, fg 0.960–1.200 (SG 20/20); ValueError outside. fg above og gives 0.
    Source: Balling's balance: 100 g of fermented wash were 100 + 1.0665 A g before, A its alcohol.
    """
    found = alcohol.abw(og, fg)
    before = 100.0 + (alcohol.EXTRACT_PER_ALCOHOL - 1.0) * found
    return alcohol.CO2_PER_ALCOHOL * found / before * sugar.kg_m3_from_sg(og)


def made(litres: float, og: float, fg: float, temperature_c: float = 20.0) -> Made:
    """Carbon dioxide from a batch, with its range, and the room it takes as gas.

    litres above 0; gravities as `made_g_l`; 0–40 °C; ValueError outside. Source: `made_g_l`, `gas_density`.
    """
    grams = positive("volume", litres, "litres") * made_g_l(og, fg)
    return Made(
        grams=grams,
        grams_low=0.97 * grams,
        grams_high=CO2_PER_SUCROSE / CO2_PER_EXTRACT * grams,
        gas_litres=grams / gas_density(temperature_c),
    )


def rate(litres: float, points_per_day: float, temperature_c: float = 20.0) -> Rate:
    """Carbon dioxide per hour from the fall of gravity: points (0.001) a day.

    litres above 0, 0–200 points a day, 0–40 °C; ValueError outside. Source: `CO2_PER_POINT`.
    """
    within("fall", points_per_day, 0.0, 200.0, "points a day")
    grams = positive("volume", litres, "litres") * points_per_day * CO2_PER_POINT / 24.0
    return Rate(grams_per_hour=grams, litres_per_hour=grams / gas_density(temperature_c))


def peak_points_per_day(og: float, fg: float) -> float:
    """How far the gravity falls on its fastest day, for planning: a third of the whole fall, in points.

    Common practice, no source; a warm, well-fed wash does more. Gravities as `made_g_l`.
    """
    within("original gravity", og, 1.0, sugar.SG_HIGH)
    within("final gravity", fg, sugar.SG_LOW, sugar.SG_HIGH)
    return 1000.0 * max(0.0, og - fg) / 3.0


def room(
    gas_l_per_h: float,
    room_m3: float,
    air_changes_per_h: float,
    *,
    hours: float | None = None,
    outdoor_ppm: float = OUTDOOR_PPM,
) -> Room:
    """Concentration in a room that gets so many litres of the gas an hour, starting from outdoor air.

    gas 0–1e6 L/h, room above 0 m³, air changes 0–100 an hour, hours 0–10000 (None: in the long run; then air
    changes must be above 0), outdoor 0–5000 ppm; ValueError outside. A closed ordinary room has 0.2 to 0.5
    air changes an hour, a tight cellar 0.1 or less (common practice, no source).
    Source: mass balance of one well-mixed box, dC/dt = G/V - N (C - C_outdoor) (textbook).
    """
    within("gas", gas_l_per_h, 0.0, 1e6, "L/h")
    positive("room", room_m3, "m³")
    within("air changes", air_changes_per_h, 0.0, 100.0, "per hour")
    within("outdoor concentration", outdoor_ppm, 0.0, 5_000.0, "ppm")
    if hours is not None:
        within("time", hours, 0.0, 10_000.0, "hours")
    elif air_changes_per_h == 0.0:
        raise ValueError("without air changes the time in hours must be given: the concentration rises without end")
    rise = 1000.0 * gas_l_per_h / room_m3  # ppm an hour, were it closed
    steady = outdoor_ppm + rise / air_changes_per_h if air_changes_per_h else None

    def after(time: float) -> float:
        changes = air_changes_per_h * time
        return outdoor_ppm + rise * (time if changes < 1e-12 else -math.expm1(-changes) / air_changes_per_h)

    level = min(1e6, after(hours) if hours is not None else (steady or 0.0))
    passed = tuple(limit for limit in LIMITS if level > limit.ppm)
    return Room(
        ppm=level,
        ppm_steady=None if steady is None else min(1e6, steady),
        hours_to_limit=_hours_to(LIMITS[0].ppm - outdoor_ppm, rise, air_changes_per_h),
        passed=passed,
        cautions=_room_cautions(level, passed),
    )


def _hours_to(by_ppm: float, rise: float, air_changes: float) -> float | None:
    if by_ppm <= 0.0:
        return 0.0
    if rise <= air_changes * by_ppm:
        return None
    if air_changes < 1e-9:
        return by_ppm / rise
    return -math.log1p(-air_changes * by_ppm / rise) / air_changes


def _room_cautions(level: float, passed: tuple[Limit, ...]) -> tuple[str, ...]:
    always = (
        "The gas is heavier than air: near the floor, in pits and over open vessels there is more than this "
        "average says. Never lean into a vessel or go down into one.",
        "These are limits at work elsewhere; the rules of your place count.",
    )
    if not passed:
        return always
    worst = passed[-1]
    first = f"About {level:,.0f} ppm is more than {worst.ppm:,.0f} ppm ({worst.body}: {worst.name})."
    if worst.ppm >= 30_000.0:
        act = "Do not enter. Air the room from outside, and go in only with a meter and somebody watching."
    else:
        act = "Open the room to the outside before you work in it, or lead the gas out through a hose."
    return (first, act, *always)


def solubility_g_l_bar(temperature_c: float, abv: float = 0.0, extract_g_l: float = 0.0) -> float:
    """Grams a litre of wash holds for each bar of the gas over it (low pressures).

    0–40 °C, alcohol 0–25 % by volume, extract 0–250 g/L; ValueError outside. Error: 3 % in water,
    `SOLUBILITY_ERROR` in a wash.
    Source: water by Weiss 1974, Marine Chemistry 2:203 (fresh water); alcohol and sugar lower it by the factors
    of the wine formula in Regulation (EEC) 2676/90, chapter 37, (0.86 - 0.01 A)(1 - 0.00144 S), meant for
    20 °C and taken as the same at other temperatures.
    """
    t = within("temperature", temperature_c, 0.0, 40.0, "°C") + _ZERO_K
    within("alcohol by volume", abv, 0.0, 25.0, "%")
    within("extract", extract_g_l, 0.0, 250.0, "g/L")
    in_water = math.exp(-58.0931 + 90.5069 * (100.0 / t) + 22.2940 * math.log(t / 100.0))  # mol/(L atm)
    return in_water * MOLAR_MASS / ATM_BAR * (1.0 - 0.01 * abv / 0.86) * (1.0 - 0.00144 * extract_g_l)


def dissolved_g_l(
    pressure_bar: float,
    temperature_c: float,
    *,
    abv: float = 0.0,
    extract_g_l: float = 0.0,
    other_gas_bar: float = 0.0,
) -> float:
    """Grams a litre of wash holds in balance with the gas at a partial pressure (absolute).

    pressure 0–60 bar (checked against measurements up to 30), other gas (air, vapour) 0–10 bar, the rest as
    `solubility_g_l_bar`; ValueError outside.
    Source: Henry's law with the gas's fugacity and the pressure on the liquid after Weiss 1974, eq. 5 to 9.
    """
    within("pressure", pressure_bar, 0.0, 60.0, "bar")
    within("other gas", other_gas_bar, 0.0, 10.0, "bar")
    rt = _R * (temperature_c + _ZERO_K)
    total = (pressure_bar + other_gas_bar) / ATM_BAR
    shift = (total * second_virial(temperature_c) + (1.0 - total) * 32.3) / rt
    return pressure_bar * math.exp(shift) * solubility_g_l_bar(temperature_c, abv, extract_g_l)


def pressure_bar(grams_l: float, temperature_c: float, *, abv: float = 0.0, extract_g_l: float = 0.0) -> float:
    """Partial pressure (absolute) with which so many dissolved grams a litre are in balance; 60 bar at most.

    0–100 g/L; the rest as `dissolved_g_l`, whose inverse it is.
    """
    within("dissolved gas", grams_l, 0.0, 100.0, "g/L")
    return solve(lambda p: dissolved_g_l(p, temperature_c, abv=abv, extract_g_l=extract_g_l), grams_l, 0.0, 60.0)
