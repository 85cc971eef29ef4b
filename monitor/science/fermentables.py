"""What sugars and grains bring: extract, and how much of it yeast can use.

Unless a line says otherwise the figures are common practice, no source; each is (usual, low, high), the range
meant to hold with 90 %. They are shares, not per cent.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Enzymes = Literal["none", "malt", "added"]
Range = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Sugar:
    """A sugar or syrup as it is weighed."""

    solids: Range
    """Sugar in a kilogram as weighed."""
    fermented: Range
    """How much of that extract is truly gone in the end (real attenuation): by-products stay behind."""
    weight: float = 1.0
    """How heavily a gram of it lies in solution, against a gram of sucrose."""


@dataclass(frozen=True, slots=True)
class Grain:
    """A grain as it is weighed."""

    moisture: Range
    potential: Range
    """Extract from a kilogram of its dry matter when all its starch is converted (laboratory mash)."""
    soluble: Range
    """Sugar in a kilogram of its dry matter that dissolves without any enzyme."""
    malted: bool = False


SUCROSE_FERMENTED: Final[Range] = (0.955, 0.91, 0.985)
"""Glycerol, acids and yeast keep a part: 3 to 6 % of the sugar (order of magnitude since Pasteur 1860). It puts
sugar washes of OG 1.060 to 1.094 at 0.990 to 0.985."""

GLUCOSE_WEIGHT: Final = 0.985
"""A gram of glucose against one of sucrose, by the densities of the CRC Handbook, 102nd ed. (37.94 and 38.52
points for 100 g/L)."""

SUGARS: Final[dict[str, Sugar]] = {
    "sucrose": Sugar((1.0, 0.995, 1.0), SUCROSE_FERMENTED),
    "glucose": Sugar((1.0, 0.99, 1.0), SUCROSE_FERMENTED, GLUCOSE_WEIGHT),
    # dextrose of the shops holds a molecule of water: 180.156 / 198.171
    "dextrose": Sugar((0.909, 0.90, 0.92), SUCROSE_FERMENTED, GLUCOSE_WEIGHT),
    "invert-syrup": Sugar((0.77, 0.70, 0.82), SUCROSE_FERMENTED),
    "raw-cane": Sugar((0.96, 0.92, 0.98), (0.93, 0.88, 0.97)),
    # Codex Alimentarius CXS 12-1981 allows 20 % water (from memory)
    "honey": Sugar((0.82, 0.80, 0.84), (0.94, 0.89, 0.97)),
    "molasses": Sugar((0.77, 0.70, 0.80), (0.60, 0.45, 0.75)),
    "malt-extract": Sugar((0.96, 0.94, 0.98), (0.62, 0.52, 0.70)),
    "malt-syrup": Sugar((0.80, 0.77, 0.83), (0.62, 0.52, 0.70)),
    # sold with one molecule of water: 342.297 / 360.312; ordinary yeast cannot use it
    "lactose": Sugar((0.95, 0.94, 1.0), (0.0, 0.0, 0.02)),
}

_RAW: Final[Range] = (0.12, 0.10, 0.15)
_MALT: Final[Range] = (0.045, 0.03, 0.06)

GRAINS: Final[dict[str, Grain]] = {
    "corn": Grain(_RAW, (0.82, 0.76, 0.87), (0.02, 0.01, 0.03)),
    "flaked-corn": Grain((0.10, 0.08, 0.13), (0.86, 0.80, 0.90), (0.02, 0.01, 0.04)),
    "rice": Grain(_RAW, (0.88, 0.82, 0.93), (0.007, 0.003, 0.012)),
    "wheat": Grain(_RAW, (0.78, 0.73, 0.82), (0.025, 0.015, 0.035)),
    "barley": Grain(_RAW, (0.74, 0.68, 0.78), (0.02, 0.01, 0.03)),
    "rye": Grain(_RAW, (0.74, 0.66, 0.79), (0.04, 0.02, 0.06)),
    "oats": Grain(_RAW, (0.62, 0.55, 0.70), (0.015, 0.01, 0.02)),
    "sorghum": Grain(_RAW, (0.78, 0.72, 0.83), (0.015, 0.01, 0.025)),
    "barley-malt": Grain(_MALT, (0.80, 0.76, 0.83), (0.10, 0.06, 0.14), malted=True),
    "wheat-malt": Grain(_MALT, (0.84, 0.79, 0.87), (0.10, 0.06, 0.14), malted=True),
    "rye-malt": Grain(_MALT, (0.82, 0.75, 0.86), (0.11, 0.07, 0.15), malted=True),
}

CONVERSION: Final[dict[str, Range]] = {
    "malt": (0.75, 0.60, 0.88),
    "added": (0.85, 0.70, 0.95),
}
"""Share of the potential that really ends in the wash, starch converted and grain drained, by enzymes."""

CONVERTED_FERMENTED: Final[dict[str, Range]] = {
    "malt": (0.68, 0.56, 0.80),
    "added": (0.89, 0.82, 0.95),
}
"""Real attenuation of converted grain: malt leaves dextrins; added amylases and glucoamylase leave few."""

SOLIDS_DENSITY: Final = 1.45
"""kg a litre of what does not dissolve of a grain, to reckon the room it takes; from memory (starch 1.5)."""


def sugar_named(name: str) -> Sugar:
    """The sugar of that name; ValueError naming those known."""
    if name not in SUGARS:
        raise ValueError(f"sugar must be one of {', '.join(SUGARS)}; it is {name!r}")
    return SUGARS[name]


def grain_named(name: str) -> Grain:
    """The grain of that name; ValueError naming those known."""
    if name not in GRAINS:
        raise ValueError(f"grain must be one of {', '.join(GRAINS)}; it is {name!r}")
    return GRAINS[name]


def conversion(grain: Grain, enzymes: Enzymes) -> tuple[Range, Range]:
    """Extract from a kilogram of dry grain, and the share of it that ferments, each usual, low, high.

    enzymes: none (raw flour or grits in water, warm or not), malt (mashed with malt's own), added (amylases,
    after the starch has been cooked loose); ValueError otherwise.
    """
    if enzymes == "none":
        return grain.soluble, SUCROSE_FERMENTED
    if enzymes not in CONVERSION:
        raise ValueError(f"enzymes must be one of none, malt, added; it is {enzymes!r}")
    usual, low, high = (p * c for p, c in zip(grain.potential, CONVERSION[enzymes], strict=True))
    return (usual, low, high), CONVERTED_FERMENTED[enzymes]
