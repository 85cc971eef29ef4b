"""Heat of a vessel: one lump of liquid that loses heat through all its faces (Newton's law)."""

from __future__ import annotations

import math
from dataclasses import dataclass

ICE_J_PER_G = 334.0
"""Heat of freezing of water."""

_SLENDERNESS = {"bucket": 0.99, "jug": 1.37, "jar": 1.24}
"""Height over diameter of plain cylinders of 19 L, 4 L and 0.5 L (assumed geometry)."""


def shape_of(litres: float) -> str:
    """Bucket, jug or jar, by size."""
    if litres >= 8:
        return "bucket"
    return "jug" if litres >= 2 else "jar"


def loss_w_per_k(litres: float, film: float = 7.5) -> float:
    """Heat lost per kelvin (W/K) of a closed cylinder of `litres`.

    `film` is W/m²K: 5 to 10 in still air by convection and radiation (from memory), a few hundred in water.
    """
    ratio = _SLENDERNESS[shape_of(litres)]
    diameter = math.cbrt(litres / 1000 * 4 / (math.pi * ratio))
    faces = math.pi * diameter * (diameter * ratio + diameter / 2)
    return film * faces


@dataclass(slots=True)
class Warmth:
    """Temperature of a vessel's liquid, with ice if it comes to that."""

    celsius: float
    freezing_c: float = 0.0
    ice_g: float = 0.0

    def settle(self, seconds: float, around_c: float, loss: float, heat_w: float, capacity: float) -> None:
        """Let `seconds` pass in surroundings at `around_c`: exact for a constant surrounding.

        `loss` in W/K, `heat_w` set free inside, `capacity` in J/K.
        """
        rest = around_c + heat_w / loss
        self.gain(capacity * (rest - self.celsius) * -math.expm1(-seconds * loss / capacity), capacity)

    def gain(self, joules: float, capacity: float) -> None:
        """Take up (or give off) heat; ice forms and melts at the freezing point."""
        if self.ice_g > 0:
            melted = min(self.ice_g, joules / ICE_J_PER_G)
            self.ice_g -= melted
            joules -= melted * ICE_J_PER_G
        self.celsius += joules / capacity
        if self.celsius < self.freezing_c:
            self.ice_g += (self.freezing_c - self.celsius) * capacity / ICE_J_PER_G
            self.celsius = self.freezing_c
