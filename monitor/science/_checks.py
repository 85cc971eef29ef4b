"""Range checks and one root finder, shared by the modules of this room."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


def within(name: str, value: float, low: float, high: float, unit: str = "") -> float:
    """Return `value`, or raise ValueError naming the allowed range; NaN is never within a range."""
    if not low <= value <= high:
        tail = f" {unit}" if unit else ""
        raise ValueError(f"{name} must lie between {low:g} and {high:g}{tail}; it is {value!r}")
    return value


def positive(name: str, value: float, unit: str = "") -> float:
    """Return `value`, or raise ValueError unless it is finite and above zero."""
    if not (value > 0.0 and math.isfinite(value)):
        tail = f" {unit}" if unit else ""
        raise ValueError(f"{name} must be a finite number above 0{tail}; it is {value!r}")
    return value


def solve(rising: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Where a rising function meets `target`; an end of [low, high] when the target lies beyond it.

    Regula falsi with the Illinois halving (textbook method): it keeps the bracket and needs no derivative.
    """
    f_low, f_high = rising(low) - target, rising(high) - target
    if f_low >= 0.0:
        return low
    if f_high <= 0.0:
        return high
    side = 0
    for _ in range(100):
        guess = (low * f_high - high * f_low) / (f_high - f_low)
        f_guess = rising(guess) - target
        if f_guess == 0.0 or high - low < 1e-12 * (1.0 + abs(high)):
            return guess
        if f_guess > 0.0:
            if abs(high - guess) < 1e-13:
                return guess
            high, f_high = guess, f_guess
            f_low, side = (f_low / 2.0, 1) if side == 1 else (f_low, 1)
        else:
            if abs(guess - low) < 1e-13:
                return guess
            low, f_low = guess, f_guess
            f_high, side = (f_high / 2.0, -1) if side == -1 else (f_high, -1)
    return guess
