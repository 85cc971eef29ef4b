"""Arrived or stalled: by height, by how well the end is known, and by how it came to rest."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from monitor.rules.arrival import STALLS, glide_of, stall_probability


def braking(left: float, hours: float) -> list[tuple[float, float]]:
    """A logistic fall from 1.060 to 1.010 that is cut off with a share left, dying over some hours."""
    points, value = [], 1.060
    for hour in range(260):
        x = 0.08 * (hour - 60)
        pace = 0.05 * 0.08 * math.exp(-x) / (1.0 + math.exp(-x)) ** 2
        cut = 60 + math.log((1.0 - left) / left) / 0.08
        value -= pace * (math.exp(-(hour - cut) / hours) if hour > cut else 1.0)
        points.append((hour + 0.5, value))
    return points


@given(over=st.floats(-0.02, 0.05), spread=st.floats(0.0005, 0.02), fall=st.floats(0.01, 0.12))
def test_it_is_a_probability_that_grows_with_height(over: float, spread: float, fall: float) -> None:
    """Always between 0 and 1, and never smaller higher up."""
    here = stall_probability(over, spread, fall, None)
    assert 0.0 <= here <= 1.0
    assert stall_probability(over + 0.002, spread, fall, None) >= here - 1e-12


def test_it_is_bayes_rule() -> None:
    """Against the two densities written down with a library's normal distribution (scipy.stats.norm)."""
    over, spread, fall = 0.006, 0.0033, 0.05
    arrived = (1 - STALLS) * norm.pdf(over, 0.0, spread)
    stalled = STALLS / fall * norm.cdf(over, 0.003, spread)
    assert stall_probability(over, spread, fall, None) == pytest.approx(stalled / (stalled + arrived), rel=1e-9)


def test_a_well_known_end_makes_four_points_a_stall_and_a_loose_one_does_not() -> None:
    """Four points above an end known to half a point is likelier a stall; above one known to three it is not."""
    assert stall_probability(0.004, 0.0012, 0.05, None) > 0.5
    assert stall_probability(0.004, 0.0033, 0.05, None) < 0.1


def test_a_natural_end_glides_and_a_stall_brakes() -> None:
    """The same logistic: run to its end, a tenth comes after two fifths of its pace; cut off, hardly anything does."""
    natural = glide_of(braking(0.0001, 5.0), 0.024, 1.060, 1.010)
    cut = braking(0.25, 3.0)
    stalled = glide_of(cut, 0.024, 1.060, cut[-1][1])
    assert natural is not None
    assert stalled is not None
    assert natural > 0.08
    assert stalled < 0.05


def test_how_it_came_to_rest_moves_the_verdict() -> None:
    """At the same height, braking within hours speaks for a stall and gliding against it."""
    unsure = stall_probability(0.007, 0.0033, 0.05, None)
    assert (
        stall_probability(0.007, 0.0033, 0.05, 0.01) > 0.6 > unsure > 0.1 > stall_probability(0.007, 0.0033, 0.05, 0.12)
    )


@pytest.mark.parametrize("points", [[], [(1.0, 1.05)], [(float(hour), 1.050) for hour in range(50)]])
def test_what_cannot_be_seen_is_none(points: list[tuple[float, float]]) -> None:
    """No points, too few, or none that fell at such a pace: the glide is not known."""
    assert glide_of(points, 0.02, 1.060, 1.050) is None
