"""A wash as a mixture: its density from the volume each ingredient takes up in solution.

The monitor goes from a gravity to sugar and alcohol by the trade's formulas. Here we go the other way
and by another road: every ingredient brings its mass and its apparent volume in solution (taken from
published density tables of binary solutions), and density is mass over volume. Nothing is fitted to
beer or wine, so agreement between the two is evidence and not an echo.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass

WATER_DENSITY_20 = 0.998203
"""g/mL at 20 °C (CRC Handbook of Chemistry and Physics, 102nd ed.)."""

ETHANOL_DENSITY_20 = 0.78924
"""g/mL at 20 °C, pure ethanol (OIML R 22, 1975)."""

# Density at 20 °C (g/mL) of ethanol in water by ethanol mass percent. Source: OIML R 22 (1975).
_ETHANOL_DENSITY: tuple[tuple[float, float], ...] = (
    (1, 0.99631),
    (2, 0.99449),
    (4, 0.99102),
    (6, 0.98778),
    (8, 0.98473),
    (10, 0.98185),
    (12, 0.97910),
    (14, 0.97644),
    (16, 0.97383),
    (18, 0.97124),
    (20, 0.96861),
)

# Density over density at 20 °C, by temperature. Water: Tanaka et al. 2001 (Metrologia 38:301).
_WATER_RATIO: tuple[tuple[float, float], ...] = (
    (0, 1.001640),
    (2, 1.001739),
    (4, 1.001771),
    (6, 1.001739),
    (8, 1.001647),
    (10, 1.001498),
    (12, 1.001296),
    (15, 1.000897),
    (18, 1.000392),
    (20, 1.000000),
    (22, 0.999566),
    (25, 0.998838),
    (28, 0.998025),
    (30, 0.997438),
    (35, 0.995819),
    (40, 0.993998),
)
# What sugar and alcohol add to that ratio, per unit mass fraction. Sugar: sucrose at 10 % (ICUMSA density
# polynomial); alcohol: ethanol at 8.015 % mass (OIML R 22). Both were linear in the fraction to 1e-4 there.
_SUGAR_RATIO: tuple[tuple[float, float], ...] = (
    (0, 0.01117),
    (4, 0.00826),
    (10, 0.00458),
    (15, 0.00206),
    (20, 0.0),
    (25, -0.00167),
    (30, -0.00300),
    (40, -0.00476),
)
_ALCOHOL_RATIO: tuple[tuple[float, float], ...] = (
    (0, 0.01005),
    (4, 0.00780),
    (10, 0.00477),
    (15, 0.00238),
    (20, 0.0),
    (25, -0.00245),
    (30, -0.00500),
)
# Freezing point (°C) of ethanol in water by volume percent (CRC Handbook, 102nd ed.).
_FREEZING: tuple[tuple[float, float], ...] = ((0, 0.0), (5, -1.64), (10, -3.48), (15, -5.61), (20, -8.16))


def interpolate(table: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight-line value of a table at `x`; held constant beyond its ends."""
    place = bisect_right(table, (x, float("inf")))
    if place == 0:
        return table[0][1]
    if place == len(table):
        return table[-1][1]
    (x0, y0), (x1, y1) = table[place - 1], table[place]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def _ethanol_volumes() -> tuple[tuple[float, float], ...]:
    """Apparent volume of a gram of ethanol in water (mL/g) by its mass fraction, from the density table."""
    rows = []
    for percent, density in _ETHANOL_DENSITY:
        share = percent / 100
        rows.append((share, (1 / density - (1 - share) / WATER_DENSITY_20) / share))
    return tuple(rows)


_ETHANOL_VOLUME = _ethanol_volumes()


@dataclass(frozen=True, slots=True)
class Mixture:
    """What a wash is made of, in grams. Yeast is left out: it hangs in the liquid or lies below it."""

    water: float
    hexose: float = 0.0
    """Fermentable sugar, counted as glucose and fructose."""
    dextrin: float = 0.0
    """Sugars and salts the yeast cannot take."""
    ethanol: float = 0.0
    glycerol: float = 0.0
    """Glycerol and the lesser by-products."""

    @property
    def mass(self) -> float:
        """Grams."""
        return self.water + self.hexose + self.dextrin + self.ethanol + self.glycerol

    @property
    def volume(self) -> float:
        """Litres at 20 °C.

        Apparent volumes: glucose 0.6225 mL/g at 9.65 % mass (CRC 102nd ed. density), rising with strength as
        sucrose does; dextrin as sucrose, 0.6166 mL/g at 10 %; glycerol 0.773 mL/g at 10 % (from memory).
        """
        solute = (self.hexose + self.dextrin) / self.mass
        share = self.ethanol / (self.ethanol + self.water)
        millilitres = (
            self.water / WATER_DENSITY_20
            + self.hexose * (0.6212 + 0.0135 * solute)
            + self.dextrin * (0.6153 + 0.0135 * solute)
            + self.glycerol * 0.773
            + self.ethanol * interpolate(_ETHANOL_VOLUME, share)
        )
        return millilitres / 1000

    @property
    def gravity(self) -> float:
        """Specific gravity 20/20."""
        return self.mass / (self.volume * 1000 * WATER_DENSITY_20)

    @property
    def abv(self) -> float:
        """Percent ethanol by volume at 20 °C."""
        return 100 * self.ethanol / ETHANOL_DENSITY_20 / (self.volume * 1000)

    @property
    def heat_capacity(self) -> float:
        """J/K. Water 4.19, sugar 1.25, ethanol 2.44 J/gK: an ideal mix (values from memory)."""
        solids = self.hexose + self.dextrin + self.glycerol
        return 4.19 * self.water + 1.25 * solids + 2.44 * self.ethanol

    @property
    def freezing_c(self) -> float:
        """Where ice would first form, °C: the alcohol as in water alone; sugar by molality, 1.86 K·kg/mol."""
        sugar = (self.hexose / 180.156 + self.glycerol / 92.09) / (self.water / 1000)
        return interpolate(_FREEZING, self.abv) - 1.86 * sugar

    def hydrometer(self, celsius: float, calibrated_c: float = 20.0) -> float:
        """What a glass hydrometer reads in this liquid at `celsius`.

        The float displaces its own mass: reading = density here over water's at the calibration temperature,
        times the glass's own swelling (25e-6 per K, ISO 1768:1975).
        """
        here = self.gravity * self.expansion(celsius)
        glass = 1 + 25e-6 * (celsius - calibrated_c)
        return here * glass / interpolate(_WATER_RATIO, calibrated_c)

    def expansion(self, celsius: float) -> float:
        """Density at `celsius` over density at 20 °C."""
        sugar = (self.hexose + self.dextrin + self.glycerol) / self.mass
        return (
            interpolate(_WATER_RATIO, celsius)
            + sugar * interpolate(_SUGAR_RATIO, celsius)
            + self.ethanol / self.mass * interpolate(_ALCOHOL_RATIO, celsius)
        )
