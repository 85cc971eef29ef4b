"""Fermentation as a system of rate equations, stepped with the classical Runge-Kutta method.

Built from published parts, none of which the monitor uses:

- growth on sugar with product inhibition: Warren, Hill & Macdonald 1990 (Biotechnol. Prog. 6:319);
- growth ends when nitrogen does, and what yeast there is then works on and wears out: the structure of
  Coleman, Fish & Block 2007 (Appl. Environ. Microbiol. 73:5875), with sugar transport decaying once
  nitrogen is gone (Salmon 1989, Appl. Environ. Microbiol. 55:953, from memory);
- temperature: cardinal model of Rosso et al. 1993 with the cardinal temperatures of Salvado et al. 2011
  (Appl. Environ. Microbiol. 77:2292);
- lag: physiological state of Baranyi & Roberts 1994 (Int. J. Food Microbiol. 23:277, from memory);
- a second sugar taken late and slowly, held back by the first: after Gee & Ramirez 1988.

Every gram of sugar taken becomes ethanol, carbon dioxide, by-products or yeast: mass is kept exactly.
Amounts are grams in the whole vessel, rates are per hour, temperature is °C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from simulators.physics.liquid import ETHANOL_DENSITY_20, Mixture

ETHANOL_PER_HEXOSE = 0.5114
"""g/g, stoichiometric: 2·46.068/180.156."""
CO2_PER_HEXOSE = 0.4886
"""g/g, stoichiometric: 2·44.0095/180.156."""
BY_PRODUCT_SHARE = 0.0442
"""g of glycerol and lesser products per g glucose (PMC7906595, 2021)."""
HEXOSE_PER_SUCROSE = 1.0526
"""g/g: table sugar takes up water as it splits. Yeast splits it within hours; here it comes split."""
HEAT_J_PER_G = 560.0
"""Heat set free per gram of hexose fermented, about 100 kJ/mol (from memory)."""

Vector = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Yeast:
    """What a strain can do. Defaults: S. cerevisiae as published; where not, the comment says so."""

    topt: float = 32.3
    tmax: float = 45.4
    tmin: float = 2.8
    growth: float = 0.427
    """1/h at the optimum (Warren 1990)."""
    growth_limit: float = 101.6
    """g/L of ethanol where growth ends (Warren 1990)."""
    uptake: float = 0.78
    """g hexose per g dry yeast per hour at the optimum, yeast short of nitrogen (chosen: a 19 L bucket then
    takes 3 to 8 days, as common practice has it)."""
    affinity: float = 6.0
    """g/L of hexose at half uptake (order of magnitude of Coleman 2007)."""
    yield_nitrogen: float = 28.0
    """g dry yeast per g assimilable nitrogen (chosen within what wine trials give, from memory)."""
    alcohol_limit: float = 14.5
    """ABV at which uptake stops."""
    slow_uptake: float = 0.14
    """Uptake of the second sugar, as a part of the first's."""
    slow_affinity: float = 15.0
    repression: float = 4.0
    """g/L of the first sugar that halves uptake of the second."""
    wear: float = 0.001
    """1/h: loss of sugar transport once it can grow no more, at 20 °C and 40 g/L of ethanol; it goes with the
    square of the ethanol (Coleman 2007 has yeast die in proportion to it). 0.001 is a well-fed wash; a bare
    one up to 0.2."""
    settles_below: float = 9.0
    """°C: colder than this the yeast clumps and falls within hours."""
    settling: float = 0.5
    """1/h at full chill."""
    buds: float = math.inf
    """How many times its pitched mass it can grow to without air."""
    settled_activity: float = 0.002
    """What yeast on the bottom still does: sugar reaches it through a still layer."""


def cardinal(celsius: float, yeast: Yeast) -> float:
    """Rate at `celsius` as a part of the rate at the optimum, 0 to 1 (Rosso et al. 1993)."""
    if celsius <= yeast.tmin or celsius >= yeast.tmax:
        return 0.0
    rise = yeast.topt - yeast.tmin
    top = (celsius - yeast.tmax) * (celsius - yeast.tmin) ** 2
    bottom = rise * (
        rise * (celsius - yeast.topt) - (yeast.topt - yeast.tmax) * (yeast.topt + yeast.tmin - 2 * celsius)
    )
    return top / bottom


@dataclass(slots=True)
class Brew:
    """The contents of one vessel: what changes, in grams."""

    water: float
    hexose: float
    slow: float
    """Sugar the yeast takes last and slowly."""
    dextrin: float
    yeast: float
    """Dry yeast hanging in the liquid."""
    nitrogen: float
    readiness: float
    """Physiological state; lag is over when it is large against 1."""
    ethanol: float = 0.0
    by_product: float = 0.0
    settled: float = 0.0
    transport: float = 1.0
    """What is left of the yeast's sugar transport, 0 to 1."""
    gas: float = 0.0
    """Carbon dioxide given off so far."""
    gas_rate: float = 0.0
    """g/h over the last step."""
    most_yeast: float = math.inf
    """Grams the pitched yeast can grow to: each budding halves the sterols it was grown with in air."""

    @property
    def mixture(self) -> Mixture:
        """The liquid without its yeast."""
        return Mixture(self.water, self.hexose + self.slow, self.dextrin, self.ethanol, self.by_product)

    @property
    def dry_mixture(self) -> Mixture:
        """The liquid as it would be were all sugar now fermented by the yeast there is."""
        sugar = self.hexose + self.slow
        ferment = sugar * (1 - BY_PRODUCT_SHARE)
        return Mixture(
            self.water,
            0.0,
            self.dextrin,
            self.ethanol + ferment * ETHANOL_PER_HEXOSE,
            self.by_product + sugar * BY_PRODUCT_SHARE,
        )

    @property
    def mass(self) -> float:
        """Everything that ever went in: liquid, yeast and the gas that left."""
        return self.mixture.mass + self.yeast + self.settled + self.gas

    def part(self, share: float) -> Brew:
        """This share of the liquid with all that is dissolved or hangs in it, drawn off what had settled."""
        amounts = ("water", "hexose", "slow", "dextrin", "yeast", "nitrogen", "ethanol", "by_product", "most_yeast")
        return replace(self, **{name: getattr(self, name) * share for name in amounts}, settled=0.0, gas=0.0)

    def step(self, hours: float, celsius: float, yeast: Yeast) -> float:
        """Move on by `hours` at `celsius`; return the heat set free (J)."""
        litres = self.mixture.volume
        start = self._vector()
        gas_before, sugar_before = self.gas, self.hexose + self.slow
        rates = _Rates(yeast, celsius, litres, self.most_yeast)
        k1 = rates(start)
        k2 = rates(_moved(start, k1, hours / 2))
        k3 = rates(_moved(start, k2, hours / 2))
        k4 = rates(_moved(start, k3, hours))
        self._take(
            tuple(
                max(0.0, s + hours / 6 * (a + 2 * b + 2 * c + d))
                for s, a, b, c, d in zip(start, k1, k2, k3, k4, strict=True)
            )
        )
        self.gas_rate = (self.gas - gas_before) / hours
        return HEAT_J_PER_G * (sugar_before - self.hexose - self.slow)

    def rouse(self, share: float = 0.9) -> None:
        """Stir the settled yeast up again."""
        self.yeast += share * self.settled
        self.settled *= 1 - share

    def _vector(self) -> Vector:
        return (
            self.hexose, self.slow, self.ethanol, self.by_product, self.yeast,
            self.nitrogen, self.readiness, self.settled, self.transport, self.gas,
        )  # fmt: skip

    def _take(self, vector: Vector) -> None:
        (
            self.hexose, self.slow, self.ethanol, self.by_product, self.yeast,
            self.nitrogen, self.readiness, self.settled, self.transport, self.gas,
        ) = vector  # fmt: skip


def _moved(start: Vector, slope: Vector, hours: float) -> Vector:
    return tuple(max(0.0, s + hours * k) for s, k in zip(start, slope, strict=True))


class _Rates:
    """The right-hand side of the equations at one temperature and volume."""

    __slots__ = ("_heat", "_litres", "_most", "_settling", "_yeast")

    def __init__(self, yeast: Yeast, celsius: float, litres: float, most: float) -> None:
        self._most = most
        self._yeast = yeast
        self._litres = litres
        self._heat = cardinal(celsius, yeast)
        chill = 1 / (1 + math.exp((celsius - yeast.settles_below) / 0.8))
        self._settling = yeast.settling * chill if chill > 1e-4 else 0.0

    def __call__(self, state: Vector) -> Vector:
        hexose, slow, ethanol, _, cells, nitrogen, readiness, settled, transport, _ = state
        yeast, litres = self._yeast, self._litres
        sugar, late, alcohol = hexose / litres, slow / litres, ethanol / litres
        awake = readiness / (1 + readiness)
        limit = yeast.alcohol_limit / 100 * ETHANOL_DENSITY_20 * 1000
        # Growth: food, nitrogen and sterols, not too much alcohol (exponent of Warren 1990).
        food = sugar / (0.245 + sugar)
        feed = nitrogen / (0.010 * litres + nitrogen) * max(0.0, 1 - (cells + settled) / self._most)
        calm = max(0.0, 1 - (alcohol / yeast.growth_limit) ** 1.95)
        born = yeast.growth * self._heat * awake * food * feed * calm * cells
        # Uptake: what hangs in the liquid works in full, what lies below hardly at all.
        workers = (cells + yeast.settled_activity * settled) * transport * awake * self._heat
        sober = max(0.0, 1 - (alcohol / limit) ** 2)
        pace = yeast.uptake * sober * workers
        first = pace * sugar / (yeast.affinity + sugar)
        held = yeast.repression / (yeast.repression + sugar)
        second = pace * yeast.slow_uptake * held * late / (yeast.slow_affinity + late)
        # New yeast is built from the first sugar, gram for gram, beside what is fermented.
        fermented = first + second
        falling = self._settling * cells
        made = fermented * (1 - BY_PRODUCT_SHARE)
        return (
            -first - born,
            -second,
            made * ETHANOL_PER_HEXOSE,
            fermented * BY_PRODUCT_SHARE,
            born - falling,
            -born / yeast.yield_nitrogen,
            yeast.growth * self._heat * readiness if readiness < 1e6 else 0.0,
            falling,
            -yeast.wear * self._heat / 0.6 * (alcohol / 40) ** 2 * (1 - feed) * transport,
            made * CO2_PER_HEXOSE,
        )


def pitched(
    *,
    litres: float,
    sucrose_kg: float,
    dextrin_kg: float = 0.0,
    slow_share: float = 0.0,
    yeast_g: float = 10.0,
    nitrogen_mg_l: float = 170.0,
    lag_h: float = 8.0,
    yeast: Yeast | None = None,
    at_c: float = 20.0,
) -> Brew:
    """A vessel just pitched, filled to `litres` at 20 °C.

    `slow_share` of the sugar is of the slow kind; `lag_h` is the lag at `at_c`; `yeast_g` is live dry yeast.
    """
    strain = yeast or Yeast()
    sugar = sucrose_kg * 1000 * HEXOSE_PER_SUCROSE
    dextrin = dextrin_kg * 1000
    water = litres * 1000.0
    for _ in range(20):  # fill up with water to the line
        water += (litres - Mixture(water, sugar, dextrin).volume) * 998.2
    wake = strain.growth * cardinal(at_c, strain) * lag_h
    return Brew(
        water=water,
        hexose=sugar * (1 - slow_share),
        slow=sugar * slow_share,
        dextrin=dextrin,
        yeast=yeast_g,
        nitrogen=nitrogen_mg_l / 1000 * litres,
        readiness=1 / math.expm1(wake) if wake > 1e-6 else 1e6,
        most_yeast=yeast_g * strain.buds if yeast_g > 0 else math.inf,
    )
