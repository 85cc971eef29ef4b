"""A vessel on a scale: what has left it is carbon dioxide, and tells how much has fermented.

About 1.00 g a litre for a fall of 0.001. Three things blur it: the gas carries water and alcohol vapour with it,
a fresh wash first fills itself with gas before any leaves, and an open vessel dries out.
"""

from __future__ import annotations

from typing import Final

from monitor.science import alcohol, carbon, sugar, water
from monitor.science._checks import positive, within

VAPOUR_MASS_RATIO: Final = 18.015 / 44.0095
"""A mole of water over a mole of carbon dioxide, by mass."""


def lost_kg(litres: float, og: float, fg: float) -> float:
    """Mass of carbon dioxide that leaves so many litres of fresh wash (20 °C) from `og` to `fg`, kg.

    litres above 0, og 1.000–1.200, fg 0.960–1.200; ValueError outside.
    Source: Balling's balance, `carbon.made_g_l`; no evaporation, nothing held back.
    """
    return positive("volume", litres, "litres") * carbon.made_g_l(og, fg) / 1000.0


def sg_after(litres: float, og: float, lost: float) -> float:
    """Gravity (SG 20/20) once that many kg of carbon dioxide have left: the inverse of `lost_kg`.

    litres above 0, og 1.000–1.200, lost 0 or more and no more than takes the gravity to 0.960; ValueError
    outside. Source: Balling's balance, solved for the alcohol.
    """
    positive("volume", litres, "litres")
    within("original gravity", og, 1.0, sugar.SG_HIGH)
    most = lost_kg(litres, og, sugar.SG_LOW)
    within("mass lost", lost, 0.0, most, "kg")
    original = sugar.plato_from_sg(og)
    share = lost / (litres * sugar.kg_m3_from_sg(og) / 1000.0)
    yeast_and_gas = alcohol.EXTRACT_PER_ALCOHOL - 1.0
    by_mass = 100.0 * share / (alcohol.CO2_PER_ALCOHOL - yeast_and_gas * share)
    real = original - by_mass * (alcohol.EXTRACT_PER_ALCOHOL - 0.010665 * original)
    apparent = (real - alcohol.REAL_FROM_ORIGINAL * original) / (1.0 - alcohol.REAL_FROM_ORIGINAL)
    return sugar.sg_from_plato(max(apparent, sugar.plato_from_sg(sugar.SG_LOW)))


def vapour_share(temperature_c: float) -> float:
    """Water vapour that leaves with the gas, as a share of the gas's mass (0.010 at 20 °C); 0–40 °C.

    ValueError outside. Alcohol vapour comes to about as much again at 10 % by volume.
    Source: gas saturated at one atmosphere, `water.vapour_bar`.
    """
    vapour = water.vapour_bar(temperature_c)
    return VAPOUR_MASS_RATIO * vapour / (carbon.ATM_BAR - vapour)


def held_g_l(lost_g_l: float, temperature_c: float, abv: float = 5.0) -> tuple[float, float]:
    """Gas still dissolved, and its standard error, g/L, when so many g/L have left a wash that began flat.

    It begins to leave before the wash is full: taken as held is as much as has left, up to saturation under one
    atmosphere (common practice, no source; the error covers none to full at first, later 15 %).
    lost 0 or more, 0–40 °C, abv 0–25 %; ValueError outside. Source of the saturation: `carbon.dissolved_g_l`.
    """
    within("mass lost", lost_g_l, 0.0, 500.0, "g/L")
    full = carbon.dissolved_g_l(carbon.ATM_BAR - water.vapour_bar(temperature_c), temperature_c, abv=abv)
    held = min(full, lost_g_l)
    return held, full / 3.0 if lost_g_l < full else 0.15 * full
