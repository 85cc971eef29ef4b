"""Thermometers that are resistors: platinum (Pt100 and its kin) and thermistors, both ways.

Two wires add their own resistance to a Pt100's: 0.39 ohm of lead reads one kelvin too warm. Three or four
wires, or a Pt1000, take that away. A measuring current warms a small sensor; both are the reader's affair.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, Literal

from monitor.science._checks import positive, within

if TYPE_CHECKING:
    from collections.abc import Sequence

KELVIN: Final = 273.15

# IEC 60751: resistance of platinum relative to that at 0 °C, 1 + A t + B t² (+ C (t - 100) t³ below zero).
_A: Final = 3.9083e-3
_B: Final = -5.775e-7
_C: Final = -4.183e-12

Grade = Literal["AA", "A", "B", "C"]

# IEC 60751 classes, from memory: kelvin at 0 °C, and kelvin more for each kelvin away from it.
_TOLERANCE: Final[dict[str, tuple[float, float]]] = {
    "AA": (0.1, 0.0017),
    "A": (0.15, 0.002),
    "B": (0.3, 0.005),
    "C": (0.6, 0.01),
}

Coefficients = tuple[float, float, float]

COMMON_10K: Final[Coefficients] = (1.129241e-3, 2.341077e-4, 8.775468e-8)
"""Steinhart–Hart coefficients of a common thermistor of 10 kohm at 25 °C (a published manual's)."""

_COLDEST, _HOTTEST = -55.0, 150.0
_SLACK: Final = 1e-6  # what rounding may add on the way back from an end of the range


def platinum_ohm(temperature_c: float, r0: float = 100.0) -> float:
    """Resistance of a platinum thermometer, ohm; `r0` is that at 0 °C (100 for a Pt100, 1000 for a Pt1000).

    Valid -200–850 °C, r0 1–10,000 ohm; ValueError outside. Source: IEC 60751 (Callendar–Van Dusen).
    """
    t = within("temperature", temperature_c, -200.0, 850.0, "°C")
    within("resistance at 0 °C", r0, 1.0, 10_000.0, "ohm")
    return r0 * _ratio(t)


def platinum_celsius(ohm: float, r0: float = 100.0) -> float:
    """Temperature in °C from the resistance of a platinum thermometer: the inverse of `platinum_ohm`.

    Valid for resistances of -200–850 °C (18.52–390.49 ohm for a Pt100); ValueError outside.
    Source: IEC 60751, a quadratic above 0 °C, Newton's method below.
    """
    within("resistance at 0 °C", r0, 1.0, 10_000.0, "ohm")
    # The ends as tables round them: 18.52 and 390.49 ohm of a Pt100.
    ratio = within("resistance", ohm, r0 * 0.1852, r0 * 3.9049, "ohm") / r0
    t = (-_A + math.sqrt(_A * _A - 4.0 * _B * (1.0 - ratio))) / (2.0 * _B)
    if t >= 0.0:
        return t
    for _ in range(8):  # starts within 3 K at -200 °C and gains digits twofold
        slope = _A + 2.0 * _B * t + _C * (4.0 * t - 300.0) * t * t
        t -= (_ratio(t) - ratio) / slope
    return t


def platinum_tolerance(temperature_c: float, grade: Grade = "B") -> float:
    """How far a platinum thermometer of a class may be off, kelvin; without leads and electronics.

    -50–250 °C, the stretch all classes share; grade AA, A, B or C; ValueError outside.
    Source: IEC 60751 classes (from memory).
    """
    within("temperature", temperature_c, -50.0, 250.0, "°C")
    if grade not in _TOLERANCE:
        raise ValueError(f"the class must be one of {', '.join(_TOLERANCE)}; it is {grade!r}")
    at_zero, slope = _TOLERANCE[grade]
    return at_zero + slope * abs(temperature_c)


def thermistor_celsius(ohm: float, coefficients: Coefficients = COMMON_10K) -> float:
    """Temperature in °C from a thermistor's resistance by its three Steinhart–Hart coefficients.

    Valid for results of -55–150 °C; ValueError outside, or when the coefficients describe no thermistor.
    Source: Steinhart & Hart 1968, Deep-Sea Research 15:497: 1/T = a + b ln R + c (ln R)³.
    """
    a, b, c = _described(coefficients)
    logarithm = math.log(positive("resistance", ohm, "ohm"))
    inverse = a + b * logarithm + c * logarithm**3
    if inverse <= 0.0:
        raise ValueError(f"no temperature has a resistance of {ohm:g} ohm with these coefficients")
    return within("the thermistor's temperature", 1.0 / inverse - KELVIN, _COLDEST - _SLACK, _HOTTEST + _SLACK, "°C")


def thermistor_ohm(temperature_c: float, coefficients: Coefficients = COMMON_10K) -> float:
    """Resistance of a thermistor, ohm: the inverse of `thermistor_celsius`.

    Valid -55–150 °C; ValueError outside. Source: the cubic of `thermistor_celsius`, solved by Cardano's rule.
    """
    a, b, c = _described(coefficients)
    t = within("temperature", temperature_c, _COLDEST, _HOTTEST, "°C") + KELVIN
    if c == 0.0:
        return math.exp((1.0 / t - a) / b)
    x = (a - 1.0 / t) / (2.0 * c)
    y = math.sqrt((b / (3.0 * c)) ** 3 + x * x)
    return math.exp(math.cbrt(y - x) - math.cbrt(y + x))


def thermistor_coefficients(points: Sequence[tuple[float, float]]) -> Coefficients:
    """Steinhart–Hart coefficients from three measured points (°C, ohm).

    Points within -55–150 °C, apart in both; ValueError otherwise. They fit the points exactly, so their
    error is that of the points, and grows fast outside them. Source: three linear equations (textbook).
    """
    if len(points) != 3:
        raise ValueError(f"three points are needed; there are {len(points)}")
    rows = []
    for t, ohm in points:
        logarithm = math.log(positive("resistance", ohm, "ohm"))
        rows.append((logarithm, 1.0 / (within("temperature", t, _COLDEST, _HOTTEST, "°C") + KELVIN)))
    (l1, y1), (l2, y2), (l3, y3) = rows
    if len({l1, l2, l3}) < 3 or len({y1, y2, y3}) < 3:
        raise ValueError("the three points must differ in temperature and in resistance")
    g2, g3 = (y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1)
    c = (g3 - g2) / (l3 - l2) / (l1 + l2 + l3)
    b = g2 - c * (l1 * l1 + l1 * l2 + l2 * l2)
    return _described((y1 - (b + l1 * l1 * c) * l1, b, c))


def beta_celsius(ohm: float, ohm_25: float = 10_000.0, beta: float = 3950.0) -> float:
    """Temperature in °C from a thermistor's resistance by its value at 25 °C (ohm) and its beta (kelvin).

    Coarser than three coefficients: 0.3–0.7 K between 0 and 50 °C, 1–2 K at -20 °C. beta 2000–6000 K,
    results -55–150 °C; ValueError outside. Source: R = R25 exp(beta (1/T - 1/298.15)) (textbook).
    """
    within("beta", beta, 2000.0, 6000.0, "K")
    ratio = positive("resistance", ohm, "ohm") / positive("resistance at 25 °C", ohm_25, "ohm")
    inverse = 1.0 / (25.0 + KELVIN) + math.log(ratio) / beta
    if inverse <= 0.0:
        raise ValueError(f"no temperature has a resistance of {ohm:g} ohm with this beta")
    return within("the thermistor's temperature", 1.0 / inverse - KELVIN, _COLDEST - _SLACK, _HOTTEST + _SLACK, "°C")


def beta_ohm(temperature_c: float, ohm_25: float = 10_000.0, beta: float = 3950.0) -> float:
    """Resistance of a thermistor, ohm, by its value at 25 °C and its beta: the inverse of `beta_celsius`."""
    within("beta", beta, 2000.0, 6000.0, "K")
    t = within("temperature", temperature_c, _COLDEST, _HOTTEST, "°C") + KELVIN
    return positive("resistance at 25 °C", ohm_25, "ohm") * math.exp(beta * (1.0 / t - 1.0 / (25.0 + KELVIN)))


def _ratio(t: float) -> float:
    below = _C * (t - 100.0) * t**3 if t < 0.0 else 0.0
    return 1.0 + _A * t + _B * t * t + below


def _described(coefficients: Coefficients) -> Coefficients:
    a, b, c = coefficients
    if not (all(math.isfinite(each) for each in coefficients) and b > 0.0 and c >= 0.0):
        raise ValueError(
            f"coefficients must be finite, the second above 0 and the third 0 or more; they are {coefficients!r}"
        )
    return a, b, c
