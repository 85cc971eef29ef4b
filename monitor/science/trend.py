"""Is it still falling? Robust slopes with confidence, in the standard library and fast.

A slope is judged by *equivalence*: it is flat only when the whole confidence interval lies inside ±delta
(two one-sided tests; Dixon & Pechmann 2005, Ecology 86:1751). "No significant slope" proves nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import repeat
from operator import gt, sub, truediv
from statistics import NormalDist
from typing import TYPE_CHECKING, Final

from monitor.science._checks import within

if TYPE_CHECKING:
    from collections.abc import Sequence

MAD_TO_SD: Final = 1.4826
"""Median absolute deviation to standard deviation for normal noise."""

EXACT_UP_TO: Final = 10
"""Up to this many points the exact distribution of Kendall's S is used instead of the normal one."""


@dataclass(frozen=True, slots=True)
class Trend:
    """A Theil-Sen slope with its confidence interval, in value per unit of x."""

    slope: float
    low: float
    high: float
    """Each bound holds with the one-sided confidence asked for; infinite when the points cannot tell."""
    points: int

    def flat(self, delta: float) -> bool:
        """Whether the slope lies inside ±delta with the stated confidence on each side."""
        return -delta < self.low and self.high < delta

    def falling(self, delta: float = 0.0) -> bool:
        """Whether the slope lies below -delta with the stated confidence."""
        return self.high < -delta

    def rising(self, delta: float = 0.0) -> bool:
        """Whether the slope lies above delta with the stated confidence."""
        return self.low > delta
