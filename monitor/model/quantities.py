"""What a probe can tell: each quantity, its unit, and which values are possible at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

QuantityName = Literal[
    "temperature", "gravity", "hydrometer", "extract", "float_angle", "pressure", "mass", "turbidity", "level",
    "ph", "battery", "humidity", "signal", "co2", "gas_flow", "bubbles", "contact", "power",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity in its canonical unit (SenML symbol where RFC 8428 has one).

    `possible` bounds what is taken at all: a value outside is refused with its reason.
    `plausible` bounds what a rule believes: outside, the reading is kept but out of specification.
    """

    name: str
    unit: str
    possible: tuple[float, float]
    plausible: tuple[float, float]
    decimals: int
    title: str


def _table(*rows: Quantity) -> Mapping[str, Quantity]:
    return MappingProxyType({row.name: row for row in rows})


# Possible: what the physics or the instrument class can say. Plausible for gravity and temperature: a dry strong
# wash is below 0.98, a heavy one near 1.15; a cellar is below 50 Cel, and a freezer for food at -18 Cel or some degrees
# less (common practice, no source): half as cold again is believed of it.
QUANTITIES: Mapping[str, Quantity] = _table(
    Quantity("temperature", "Cel", (-80.0, 150.0), (-40.0, 50.0), 2, "temperature"),
    Quantity("gravity", "1", (0.7, 1.6), (0.960, 1.200), 4, "gravity"),
    Quantity("hydrometer", "1", (0.7, 1.6), (0.960, 1.200), 4, "hydrometer reading"),
    Quantity("extract", "%P", (-60.0, 90.0), (-12.0, 45.0), 2, "extract"),
    Quantity("float_angle", "deg", (-360.0, 360.0), (0.0, 90.0), 2, "float angle"),
    Quantity("pressure", "Pa", (-1e7, 1e7), (-2e5, 1e6), 1, "pressure"),
    Quantity("mass", "kg", (-1e4, 1e5), (0.0, 1e4), 3, "mass"),
    Quantity("turbidity", "NTU", (-10.0, 1e5), (0.0, 1e4), 1, "turbidity"),
    Quantity("level", "mm", (-1e5, 1e5), (0.0, 5e3), 1, "level"),
    Quantity("ph", "pH", (-2.0, 16.0), (2.0, 9.0), 2, "pH"),
    Quantity("battery", "V", (-50.0, 100.0), (0.0, 60.0), 3, "battery voltage"),
    Quantity("humidity", "%RH", (-5.0, 110.0), (0.0, 100.0), 1, "humidity"),
    Quantity("signal", "dBm", (-200.0, 60.0), (-130.0, 20.0), 0, "signal strength"),
    Quantity("co2", "ppm", (-1e3, 1e6), (0.0, 1e6), 0, "carbon dioxide in the air"),
    Quantity("gas_flow", "L/min", (-1e3, 1e3), (0.0, 100.0), 4, "gas flow"),
    Quantity("bubbles", "1/min", (-1.0, 1e5), (0.0, 1e4), 2, "bubble rate"),
    Quantity("contact", "0/1", (0.0, 1.0), (0.0, 1.0), 0, "door contact"),
    Quantity("power", "W", (-1e5, 1e5), (0.0, 1e5), 1, "power"),
)  # fmt: skip

assert tuple(QUANTITIES) == get_args(QuantityName)
