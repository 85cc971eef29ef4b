"""What temperature does to a probe, learned from the days."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.rules.warmth import MOST, answer_of


def a_week(answer: float, fall: float, *, noise: float = 0.0003, swing: float = 2.0, seed: int = 1):
    """Five days of hours: a fall, a day-and-night swing, and the probe's answer to it."""
    chance = random.Random(seed)
    warmth = [20.0 + swing * math.sin(2.0 * math.pi * hour / 24.0) for hour in range(120)]
    points = [
        (hour + 0.5, 1.030 - fall * hour / 24.0 + answer * (warmth[hour] - 20.0) + chance.gauss(0.0, noise))
        for hour in range(120)
    ]
    return points, warmth


@settings(max_examples=30, deadline=None)
@given(answer=st.floats(-0.0004, 0.0004), fall=st.floats(0.0, 0.01), seed=st.integers(0, 1000))
def test_the_answer_is_found_whatever_the_fall(answer: float, fall: float, seed: int) -> None:
    """Within a tenth and four standard errors of its noise, on a plateau as on a fall of ten points a day."""
    points, warmth = a_week(answer, fall, seed=seed)
    assert answer_of(points, warmth, 0.0003) == pytest.approx(answer, abs=0.1 * abs(answer) + 1e-4)


def test_without_a_swing_nothing_is_made_of_noise() -> None:
    """A cellar that does not swing teaches nothing, and nothing is taken out."""
    points, warmth = a_week(0.0, 0.002, noise=0.001, swing=0.02)
    assert abs(answer_of(points, warmth, 0.001)) < 3e-5


def test_a_fall_that_goes_with_a_cooling_bucket_is_no_answer() -> None:
    """Gravity and temperature that fall together for days are a fermentation that ends, not a probe's answer."""
    warmth: list[float | None] = [26.0 - 4.0 * hour / 120 for hour in range(120)]
    points = [(hour + 0.5, 1.030 - 0.012 * hour / 120) for hour in range(120)]
    assert abs(answer_of(points, warmth, 0.0003)) < 5e-5


@pytest.mark.parametrize("hours", [0, 1, 35])
def test_too_little_is_nothing(hours: int) -> None:
    """Fewer hours than a day and a half, or none with a temperature, say nothing."""
    points, warmth = a_week(0.0003, 0.0)
    assert answer_of(points[:hours], warmth[:hours], 0.0003) == 0.0
    assert answer_of(points, [None] * len(points), 0.0003) == 0.0


def test_no_answer_is_beyond_what_probes_do() -> None:
    """However wild the hours, it is bounded."""
    points, warmth = a_week(0.005, 0.0)
    assert answer_of(points, warmth, 0.0003) == MOST
