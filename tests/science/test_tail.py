"""What remains of a slow tail: exactness of the algebra, calibration, and what other witnesses add."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.science import tail
from monitor.science.tail import SLOW_TAUS, Observed, Priors, fit

NOW = 400.0


def hours(rest: float, tau: float, span: int, *, noise: float = 0.0004, drift: float = 0.0, seed: int = 1):
    """Hourly gravities that end at `NOW` with `rest` still to fall."""
    chance = random.Random(seed)
    return [
        (
            NOW - span + i + 0.5,
            1.010 + rest * math.exp((span - i - 0.5) / tau) + drift * (i - span) / 24.0 + chance.gauss(0.0, noise),
        )
        for i in range(span)
    ]


def test_one_branch_is_a_bayesian_regression() -> None:
    """Against the posterior written down with numpy: mean and sd of the rest, each pair of time constants."""
    points = hours(0.003, 72.0, 84)
    found = fit(points, NOW, noise=0.0004, windows=(84.0,))
    assert found is not None
    assert found.misfit < 1.0
    prior = Priors()
    xs = np.array([sum(p[0] for p in points[i : i + 4]) / 4 - NOW for i in range(0, 84, 4)])
    ys = np.array([sum(p[1] for p in points[i : i + 4]) / 4 for i in range(0, 84, 4)])
    low = (ys[-3:] - ys[-1]).mean()
    high = np.clip(ys - ys[-1] - low - 0.001, 0.0, None)
    weight = 1.0 / (0.0004**2 / 4 + prior.roughness**2 + (prior.shape * high) ** 2)
    for branch in found.branches:
        if branch.tau == 0.0:
            continue
        design = np.stack(
            [np.ones_like(xs), xs / 24, np.exp(-(xs - xs[0]) / branch.fast_tau), np.exp(-xs / branch.tau)]
        )
        known = np.diag([1e-6, prior.drift**-2, prior.before**-2, prior.rest**-2])
        cover = np.linalg.inv((design * weight) @ design.T + known)
        mean = cover @ (design * weight) @ (ys - ys[-1])
        assert branch.mean == pytest.approx(mean[3], rel=1e-5, abs=1e-8)
        assert branch.sd == pytest.approx(math.sqrt(cover[3, 3]), rel=1e-5)


def test_weights_add_up_and_quantiles_are_in_order() -> None:
    """Weights are shares of one, and each quantile lies above the one before."""
    found = fit(hours(0.002, 60.0, 96), NOW)
    assert found is not None
    assert sum(each.weight for each in found.branches) == pytest.approx(1.0, abs=2e-3)
    for quantile in (found.rest, found.rate, found.hours):
        values = [quantile(share) for share in (0.05, 0.5, 0.95)]
        assert values == sorted(values)


def test_a_plateau_of_three_days_has_ended_and_a_tail_has_not() -> None:
    """The same noise: nothing left, and three points left that fall by one a day."""
    done, going = fit(hours(0.0, 60.0, 72), NOW), fit(hours(0.003, 72.0, 72), NOW)
    assert done is not None
    assert going is not None
    assert done.ended(6.0) > 0.95
    assert going.ended(6.0) < 0.4


def test_the_rest_is_covered() -> None:
    """Over 200 tails drawn from what the model believes, the 90 % range of the rest holds it in 83 to 97 %."""
    chance = random.Random(7)
    held = 0
    for seed in range(200):
        rest, tau = abs(chance.gauss(0.0, 0.005)), chance.choice(SLOW_TAUS)
        points = hours(rest, tau, 96, drift=chance.gauss(0.0, 0.00016), seed=seed)
        found = fit(points, NOW, noise=0.0004)
        assert found is not None
        held += found.rest(0.05) - 1e-4 <= rest <= found.rest(0.95) + 1e-4
    assert 166 <= held <= 194


def test_another_witness_of_the_rate_narrows_it() -> None:
    """Thirty-six hours of gravity leave it open; a witness that says it does not fall settles it, one that says it
    does keeps it open."""
    points = hours(0.0, 60.0, 40, noise=0.0008)
    alone = fit(points, NOW)
    still = fit(points, NOW, observed=[Observed(0.0, 0.0002, 24.0, 0.0)])
    falls = fit(points, NOW, observed=[Observed(-0.0015, 0.0002, 24.0, 0.0)])
    assert alone is not None
    assert still is not None
    assert falls is not None
    assert falls.ended() < alone.ended() < still.ended()
    assert falls.rest(0.5) > 0.001 > still.rest(0.5)


def test_a_level_at_its_end_leaves_little_and_does_not_touch_whether_it_stands() -> None:
    """Where it should end moves the rest, and never the question whether it falls at all."""
    points = hours(0.0, 60.0, 40, noise=0.0008)
    alone, there, far = (fit(points, NOW, rest=rest) for rest in (None, (0.0, 0.001), (0.012, 0.003)))
    assert alone is not None
    assert there is not None
    assert far is not None
    assert there.ended() > alone.ended() > far.ended()
    assert there.stands(0.001) == pytest.approx(alone.stands(0.001), abs=1e-9)
    assert far.stands(0.001) == pytest.approx(alone.stands(0.001), abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_hours_give_probabilities(data: st.DataObject) -> None:
    """Gaps, steps, equal values, no temperature: always a probability, or nothing with too few hours."""
    at = sorted(data.draw(st.sets(st.integers(1, 130), max_size=130)))
    points = [(NOW - 131.5 + hour, data.draw(st.sampled_from([1.01, 1.011, 1.02, 0.99, 1.1]))) for hour in at]
    warmth = [data.draw(st.sampled_from([None, 4.0, 20.0, 30.0])) for _ in at]
    found = fit(points, NOW, warmth)
    if found is None:
        return
    assert all(0.0 <= each <= 1.0 + 1e-9 for each in (found.ended(), found.ended(6.0), found.slower(0.0005)))
    assert math.isfinite(found.rest(0.95))


def test_the_end_is_near_or_slow() -> None:
    """A quick tail ends within 0.001, a slow one at half a point a day: at 48 h both are the same."""
    assert tail.end_rest(10.0) == tail.CLOSE
    assert tail.end_rest(48.0) == pytest.approx(0.001)
    assert tail.end_rest(200.0) == pytest.approx(0.0005 / 24.0 * 200.0)
    assert tail.fit is fit


def test_too_little_says_nothing() -> None:
    """No hours, or less than a day of them, say nothing."""
    assert fit([], NOW) is None
    assert fit(hours(0.0, 60.0, 16), NOW) is None


def test_an_hour_s_noise_is_told_on_a_fall() -> None:
    """Second differences see the noise of an hour, not the fall: within a third over a hundred hours."""
    chance = random.Random(3)
    values = [1.05 - 0.001 * i + chance.gauss(0.0, 0.0005) for i in range(120)]
    assert tail.hourly_noise(values) == pytest.approx(0.0005, rel=0.34)
    assert tail.hourly_noise([1.01]) == 0.001


def test_later_it_falls_slower_and_is_nearer_its_end() -> None:
    """What is asked of an hour to come follows the curve: a tail of 72 h falls at 1/e of its pace three days on."""
    found = fit(hours(0.0045, 72.0, 84), NOW, noise=0.0004)
    assert found is not None
    chances = [found.slower(0.0006, ahead) for ahead in (0.0, 24.0, 72.0, 144.0)]
    assert chances == sorted(chances)
    assert chances[0] < 0.2
    assert chances[-1] > 0.8
    assert found.stands(0.0006, 144.0) == pytest.approx(chances[-1])


def test_few_bins_are_enough_where_asked_for() -> None:
    """Readings by hand: three over three days are judged if `least` allows it, and tell little."""
    points = [(NOW - 72.0, 1.0102), (NOW - 36.0, 1.0100), (NOW, 1.0100)]
    assert fit(points, NOW, noise=0.001) is None
    found = fit(points, NOW, noise=0.001, least=2)
    assert found is not None
    assert 0.4 < found.ended(6.0) < 0.97
