"""Numbers of cells in words, the same on command line, page and paper: `271 (203 to 407) billion (10⁹)`.

A billion is not the same everywhere, so its power stands beside it. Yeast numbers are soft: three digits are plenty.
"""

from __future__ import annotations

from collections.abc import Iterable

from monitor.science.limits import Estimate

BILLION, MILLION = 1e9, 1e6


def cells(value: float) -> str:
    """`271 billion (10⁹)`, `45 million`, or a plain number below a million."""
    return _with_unit([value])[0]


def cells_range(found: Estimate) -> str:
    """A number of cells with its range, where it has one."""
    if found.low == found.high:
        return cells(found.usual)
    usual, low, high = (_split(each) for each in (found.usual, found.low, found.high))
    if usual[1] == low[1] == high[1]:
        return f"{usual[0]} ({low[0]} to {high[0]}){_unit(usual[1])}"
    return "{} ({} to {})".format(*_with_unit((found.usual, found.low, found.high)))


def between(low: float, high: float) -> str:
    """The two ends of a range: `203 – 407 billion (10⁹)`."""
    (first, one), (last, other) = _split(low), _split(high)
    return f"{first}{'' if one == other else _unit(one)} – {last}{_unit(other)}"


def _with_unit(values: Iterable[float]) -> list[str]:
    return [f"{number}{_unit(word)}" for number, word in map(_split, values)]


def _unit(word: str) -> str:
    return f" {word}" if word else ""


def _split(value: float) -> tuple[str, str]:
    for size, word in ((BILLION, "billion (10⁹)"), (MILLION, "million")):
        if value >= 0.9995 * size:  # as it is written: what rounds up to the next word is that word
            return _digits(value / size), word
    return _digits(value), ""


def _digits(value: float) -> str:
    return f"{value:.0f}" if value >= 99.95 else f"{value:.3g}"
