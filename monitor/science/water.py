"""Density of water, the yardstick of every gravity."""

from __future__ import annotations

import math
from typing import Final

from monitor.science._checks import within


def density(temperature_c: float) -> float:
    """Density of air-free water at one atmosphere, kg/m³.

    Valid 0–40 °C (uncertainty below 0.001 kg/m³); ValueError outside.
    Source: Tanaka, Girard, Davis, Peuto & Bignell 2001, Metrologia 38:301, the CIPM formula.
    """
    t = within("temperature", temperature_c, 0.0, 40.0, "°C")
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


RHO_20: Final = density(20.0)
"""Density of water at 20 °C by `density`, kg/m³ (998.2067)."""


def vapour_bar(temperature_c: float) -> float:
    """Pressure of water vapour over water, bar; 0–40 °C, ValueError outside.

    That of alcohol (below 0.04 bar) is left out. Source: Magnus formula, WMO No. 8 (constants from memory).
    """
    t = within("temperature", temperature_c, 0.0, 40.0, "°C")
    return 6.112e-3 * math.exp(17.62 * t / (243.12 + t))
