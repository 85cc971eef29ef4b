"""The forecast of the finish: orders, widths, and that it holds the end of a logistic."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.rules.finish import FACTORS, days_left, still_to_go


@given(
    gravity=st.floats(0.985, 1.12), rate=st.floats(-0.01, 0.08), original=st.floats(1.03, 1.12),
    final=st.floats(0.985, 1.03), sd=st.floats(0.0005, 0.02),
)  # fmt: skip
def test_soonest_is_first_and_nothing_is_past(
    gravity: float, rate: float, original: float, final: float, sd: float
) -> None:
    """Whatever the figures, the range is in order, not negative and finite."""
    soonest, middle, latest = days_left(gravity, rate, original, final, sd)
    assert 0.0 <= soonest <= middle <= latest < math.inf


def test_a_final_that_is_hardly_known_widens_the_range() -> None:
    """The same batch with an end known to ±0.010 instead of ±0.003."""
    known = days_left(1.030, 0.012, 1.060, 1.010, 0.003)
    loose = days_left(1.030, 0.012, 1.060, 1.010, 0.010)
    assert loose[0] < known[0]
    assert loose[2] > known[2]


@pytest.mark.parametrize("share", [0.1, 0.3, 0.5, 0.7, 0.85])
@pytest.mark.parametrize("steep", [0.04, 0.08])
def test_a_logistic_ends_inside_its_range(share: float, steep: float) -> None:
    """At each share of a logistic fall the range holds the hour in which it comes within 0.001 of its end."""
    fall = 0.050
    now = -math.log(1.0 / share - 1.0) / steep
    end = -math.log(1.0 / (1.0 - 0.001 / fall) - 1.0) / steep
    rate = fall * share * (1.0 - share) * steep * 24.0
    soonest, _, latest = days_left(1.060 - fall * share, rate, 1.060, 1.010, 0.003)
    assert soonest <= (end - now) / 24.0 <= latest


def test_the_factors_rise_in_share_and_are_ordered() -> None:
    """The table is one: shares rise, and each row has its three in order."""
    assert [row[0] for row in FACTORS] == sorted({row[0] for row in FACTORS})
    assert all(row[1] < row[2] < row[3] for row in FACTORS)


def test_the_chance_that_it_still_goes_falls_through_its_range() -> None:
    """Sure at first, even at the middle, one in twenty from the latest on, and never more later than earlier."""
    days = (1.0, 3.0, 8.0)
    assert [still_to_go(days, each) for each in (0.0, 1.0, 3.0, 8.0, 30.0)] == [1.0, 0.95, 0.5, 0.05, 0.05]
    chances = [still_to_go(days, 0.1 * each) for each in range(100)]
    assert chances == sorted(chances, reverse=True)
    assert still_to_go((0.0, 0.0, 0.0), 0.0) == 0.05
