"""Robust slopes: against scipy and worked examples, and how often their verdicts are wrong."""

import math
import random
import time
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from monitor.science import trend

from .tables import rows, unhurried

values = st.floats(-10.0, 10.0).map(lambda v: round(v, 3))


def example(name: str) -> dict[str, str]:
    return {row["quantity"]: row["value"] for row in rows("trend_tests") if row["example"] == name}


def test_the_published_example_of_fourteen_values():
    """Slope and 95 % interval of the worked example come out as published."""
    published = example("HolyCross14")
    ys = [float(v) for v in published["data"].split()]
    found = trend.theil_sen(list(range(1, 15)), ys, 0.975, inflate=1.0)
    assert found.slope == pytest.approx(float(published["Sen_slope_per_step"]), abs=6e-6)
    assert found.low == pytest.approx(float(published["Sen_slope_95CI_low"]), abs=6e-6)
    assert found.high == pytest.approx(float(published["Sen_slope_95CI_high"]), abs=6e-6)
    assert found.intercept == pytest.approx(stats.theilslopes(ys, range(1, 15), method="joint").intercept)
    assert found.rising()
    assert not found.flat(0.3)


def test_one_wild_value_does_not_move_the_slope():
    """In the published example of seven, one wild value leaves the slope at 1 while least squares goes wild."""
    published = example("HelselHirsch7")
    xs = [float(v) for v in published["x"].split()]
    ys = [float(v) for v in published["y"].split()]
    found = trend.theil_sen(xs, ys)
    assert found.slope == pytest.approx(float(published["Theil_slope"]))
    assert found.at(0.0) == pytest.approx(float(published["intercept"]))
    assert float(published["OLS_slope"]) > 1.7


@pytest.mark.parametrize("quantum", [None, 3, 2])
@pytest.mark.parametrize("count", [11, 12, 25, 72, 120])
def test_slope_and_interval_equal_scipy_s(count, quantum):
    """On uneven, tied or smooth data slope and interval equal scipy's (which knows the normal one only)."""
    rng = random.Random(count)
    xs = sorted(rng.sample(range(4 * count), count))
    ys = [1.02 - 1e-4 * x + rng.gauss(0.0, 0.004) for x in xs]
    if quantum:
        ys = [round(y, quantum) for y in ys]
    for confidence in (0.9, 0.95, 0.975):
        theirs = stats.theilslopes(ys, xs, 2.0 * confidence - 1.0)
        ours = trend.theil_sen(xs, ys, confidence, inflate=1.0)
        assert ours.slope == pytest.approx(theirs.slope, abs=1e-15)
        assert ours.low == pytest.approx(theirs.low_slope, abs=1e-15)
        assert ours.high == pytest.approx(theirs.high_slope, abs=1e-15)


@pytest.mark.parametrize("count", [4, 5, 7, 10])
def test_few_points_use_the_exact_distribution(count):
    """With few points the interval leaves out as many slopes as scipy's exact Kendall test allows."""
    pairs = count * (count - 1) // 2
    for confidence in (0.7, 0.75, 0.8, 0.85, 0.9, 0.925, 0.95, 0.96, 0.97, 0.975, 0.98, 0.99):
        width = trend._exact_width(count, confidence)
        k = 0 if math.isinf(width) else int(pairs - width) // 2
        # P(at most k - 1 inversions) from the permutation of exactly that many, by scipy's exact tail
        assert tail(count, k - 1) <= 1.0 - confidence + 1e-9
        assert tail(count, k) > 1.0 - confidence


def tail(count: int, inversions: int) -> float:
    """Chance of at most so many inversions in a random order, by scipy's exact Kendall test."""
    if inversions < 0:
        return 0.0
    order = list(range(count))
    done = 0
    while done < inversions:  # adjacent swaps add one inversion each
        for i, (a, b) in enumerate(pairwise(order)):
            if a < b:
                order[i], order[i + 1] = b, a
                done += 1
                break
    return float(stats.kendalltau(range(count), order, method="exact", alternative="greater").pvalue)


def test_three_points_bound_nothing():
    """Three points can neither prove a slope nor its absence at 90 %: both bounds are infinite."""
    found = trend.theil_sen([0.0, 1.0, 2.0], [1.01, 1.01, 1.01])
    assert (found.low, found.high) == (-math.inf, math.inf)
    assert not found.flat(1.0)
    assert not found.falling()


@pytest.mark.parametrize("count", [5, 9, 14, 72])
def test_each_bound_is_wrong_as_rarely_as_promised(count):
    """With plain noise each 90 % bound misses the true slope in at most about 10 % of 600 trials."""
    rng = random.Random(7 * count)
    trials, below, above = 600, 0, 0
    for _ in range(trials):
        xs = [float(i) for i in range(count)]
        ys = [1.0 - 0.001 * x + rng.gauss(0.0, 0.002) for x in xs]
        found = trend.theil_sen(xs, ys, 0.90, inflate=1.0)
        below += found.high < -0.001
        above += found.low > -0.001
    for missed in (below, above):
        assert missed / trials < 0.10 + 3.0 * math.sqrt(0.09 / trials)
    if count > 10:  # few points are cautious by the coarse steps of the exact distribution
        assert (below + above) / trials > 0.12


@pytest.mark.parametrize("rho", [0.3, 0.6])
def test_autocorrelated_noise_is_widened_enough(rho):
    """With autocorrelated noise the estimated widening keeps each bound's misses near 10 %; none does not."""
    rng = random.Random(11)
    trials = 400
    missed = {"widened": 0, "plain": 0}
    for _ in range(trials):
        noise, ys = 0.0, []
        for _ in range(72):
            noise = rho * noise + rng.gauss(0.0, 0.001)
            ys.append(1.0 + noise)
        xs = [float(i) for i in range(72)]
        for kind, inflate in (("widened", None), ("plain", 1.0)):
            found = trend.theil_sen(xs, ys, 0.90, inflate=inflate)
            missed[kind] += found.low > 0.0 or found.high < 0.0
    assert missed["widened"] / trials < 0.28
    assert missed["plain"] / trials > 0.28


def test_a_slow_fall_is_not_called_flat():
    """A fall of 0.0008 a day under hourly noise of 0.0005 is flat at 0.0005 a day in under 1 % of trials."""
    rng = random.Random(5)
    xs = [i / 24.0 for i in range(72)]
    flats = sum(
        trend.theil_sen(xs, [1.01 - 0.0008 * x + rng.gauss(0.0, 0.0005) for x in xs]).flat(0.0005) for _ in range(300)
    )
    assert flats < 3


def test_a_finished_wash_is_called_flat():
    """No fall at all under hourly noise of 0.0005 is flat at 0.0005 a day in over 90 % of trials."""
    rng = random.Random(6)
    xs = [i / 24.0 for i in range(72)]
    flats = sum(trend.theil_sen(xs, [0.998 + rng.gauss(0.0, 0.0005) for _ in xs]).flat(0.0005) for _ in range(300))
    assert flats > 270


def test_verdicts_are_three_sided():
    """Falling, flat and rising exclude each other, and a noisy short window is none of them."""
    xs = [float(i) for i in range(24)]
    rng = random.Random(1)
    for slope, verdict in ((-0.01, "falling"), (0.0, "flat"), (0.01, "rising")):
        found = trend.theil_sen(xs, [1.0 + slope * x + rng.gauss(0.0, 0.002) for x in xs])
        said = {"falling": found.falling(0.002), "flat": found.flat(0.002), "rising": found.rising(0.002)}
        assert [name for name, is_so in said.items() if is_so] == [verdict]
    loose = trend.theil_sen(xs[:6], [1.0 + rng.gauss(0.0, 0.05) for _ in range(6)])
    assert not any((loose.falling(0.002), loose.flat(0.002), loose.rising(0.002)))


def test_identical_readings_prove_no_more_than_their_step():
    """Twelve equal hourly readings in steps of 0.001 are not flat at 0.0005 a day, seventy-two are."""
    for hours, flat in ((12, False), (72, True)):
        xs = [i / 24.0 for i in range(hours)]
        found = trend.theil_sen(xs, [1.012] * hours, quantum=0.001)
        assert found.slope == 0.0
        assert found.flat(0.0005) is flat


@unhurried
@given(st.lists(values, min_size=4, max_size=30), st.floats(-2.0, 2.0), st.floats(0.1, 50.0), values)
def test_slopes_follow_a_change_of_units(ys, tilt, scale, shift):
    """Scaling, shifting or tilting the values scales, keeps or tilts the slope and both bounds."""
    xs = [float(i) for i in range(len(ys))]
    plain = trend.theil_sen(xs, ys, inflate=1.0)
    moved = trend.theil_sen(xs, [scale * y + shift + tilt * x for x, y in zip(xs, ys, strict=True)], inflate=1.0)
    assert moved.slope == pytest.approx(scale * plain.slope + tilt, abs=1e-7 * (1.0 + scale))
    if len(set(ys)) == len(ys) and math.isfinite(plain.low):
        assert moved.low == pytest.approx(scale * plain.low + tilt, abs=1e-6 * (1.0 + scale))


@unhurried
@given(st.lists(values, min_size=2, max_size=40), st.floats(0.5, 0.98))
def test_the_interval_holds_the_slope_and_grows_with_confidence(ys, confidence):
    """The slope lies within its bounds; more confidence or more inflation never narrows them."""
    xs = [float(i) for i in range(len(ys))]
    found = trend.theil_sen(xs, ys, confidence, inflate=1.0)
    surer = trend.theil_sen(xs, ys, confidence + 0.015, inflate=1.0)
    wider = trend.theil_sen(xs, ys, confidence, inflate=1.5)
    for other in (surer, wider):
        assert other.low <= found.low <= found.slope <= found.high <= other.high


def test_median_and_spread():
    """Median and robust spread agree with the textbook, and quantised readings meet the floor."""
    assert trend.median([3.0, 1.0, 2.0]) == 2.0
    assert trend.median([4.0, 1.0, 2.0, 3.0]) == 2.5
    rng = random.Random(2)
    noise = [rng.gauss(5.0, 0.3) for _ in range(4001)]
    assert trend.robust_sd(noise, 1e-4) == pytest.approx(0.3, rel=0.05)
    assert trend.robust_sd([*noise, *[1e6] * 400], 1e-4) < 0.4
    assert trend.robust_sd([1.010] * 40 + [1.011] * 3, 1e-4) == 1e-4
    with pytest.raises(ValueError, match="at least one"):
        trend.median([])
    with pytest.raises(ValueError, match="floor must lie"):
        trend.robust_sd([1.0], -1.0)


def test_autocorrelation_is_estimated_across_gaps():
    """The estimate is near the truth, 0 for white noise, and a gap's two sides are not neighbours."""
    rng = random.Random(3)
    noise, series = 0.0, []
    for _ in range(4000):
        noise = 0.6 * noise + rng.gauss(0.0, 1.0)
        series.append(noise)
    xs = [float(i) for i in range(len(series))]
    assert trend.lag1(xs, series) == pytest.approx(0.6, abs=0.05)
    assert trend.lag1(xs, [rng.gauss(0.0, 1.0) for _ in xs]) < 0.06
    assert trend.lag1(xs[:30], [(-1.0) ** i for i in range(30)]) == 0.0
    assert trend.lag1(xs[:5], series[:5]) == 0.0
    assert trend.lag1(xs[:9], [0.0] * 9) == 0.0
    # blocks of three that each fall from 1 to -1: only across a gap are neighbours opposed
    blocks = [1.0 - (i % 3) for i in range(30)]
    assert trend.lag1(xs[:30], blocks) == 0.0
    assert trend.lag1([x + 100.0 * (x // 3) for x in xs[:30]], blocks) > 0.0
    with pytest.raises(ValueError, match="same length"):
        trend.lag1([1.0], [])


@pytest.mark.parametrize("rho", [0.3, 0.5])
def test_the_estimate_makes_up_for_the_fitted_line(rho):
    """Over 300 windows of 24 points about their own fitted line the mean estimate is the truth within 0.06."""
    rng = random.Random(13)
    xs = [float(i) for i in range(24)]
    estimates = []
    for _ in range(300):
        noise, ys = rng.gauss(0.0, 1.0) / math.sqrt(1.0 - rho * rho), []
        for _ in xs:
            noise = rho * noise + rng.gauss(0.0, 1.0)
            ys.append(noise)
        fitted = stats.linregress(xs, ys)
        estimates.append(trend.lag1(xs, [y - fitted.slope * x - fitted.intercept for x, y in zip(xs, ys, strict=True)]))
    assert sum(estimates) / len(estimates) == pytest.approx(rho, abs=0.06)


def test_inflation_is_the_textbook_factor():
    """Autocorrelation 0 widens nothing, 0.6 doubles the error, 1 and negative are refused."""
    assert trend.inflation(0.0) == 1.0
    assert trend.inflation(0.6) == pytest.approx(2.0)
    for rho in (-0.1, 1.0):
        with pytest.raises(ValueError, match="autocorrelation"):
            trend.inflation(rho)


def test_a_bend_is_seen_and_a_line_is_not():
    """A slowing fall bends; a steady one does not, in 97 of 100 trials and more."""
    rng = random.Random(4)
    xs = [i / 24.0 for i in range(72)]
    bends = lines = 0
    for _ in range(300):
        noise = [rng.gauss(0.0, 0.0005) for _ in xs]
        curved = [0.01 * math.exp(-x) + e for x, e in zip(xs, noise, strict=True)]
        straight = [1.02 - 0.004 * x + e for x, e in zip(xs, noise, strict=True)]
        bends += trend.curvature(xs, curved).bends(2.5)
        lines += trend.curvature(xs, straight).bends(2.5)
    assert bends == 300
    assert lines < 15


@unhurried
@given(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), st.integers(4, 40))
def test_a_parabola_gives_its_own_coefficient(a, b, c, count):
    """On an exact parabola the coefficient is its own and the error vanishes."""
    xs = [0.5 * i + 0.1 * (i % 3) for i in range(count)]
    found = trend.curvature(xs, [a + b * x + c * x * x for x in xs])
    assert found.value == pytest.approx(c, abs=1e-8)
    assert found.error < 1e-6


def test_the_curvature_s_error_is_least_squares():
    """Coefficient and standard error equal those of a general least-squares solver."""
    import numpy as np

    rng = random.Random(8)
    xs = [0.0, 0.7, 1.1, 2.0, 3.5, 4.0, 6.2, 7.0]
    ys = [rng.gauss(0.0, 1.0) for _ in xs]
    coefficients, covariance = np.polyfit(xs, ys, 2, cov=True)
    found = trend.curvature(xs, ys)
    assert found.value == pytest.approx(coefficients[0])
    assert found.error == pytest.approx(math.sqrt(covariance[0][0]))
    assert trend.curvature(xs, ys, inflate=2.0).error == pytest.approx(2.0 * found.error)


@pytest.mark.parametrize(
    ("call", "reason"),
    [
        (lambda: trend.theil_sen([1.0], [1.0]), "two or more"),
        (lambda: trend.theil_sen([1.0, 2.0], [1.0]), "same length"),
        (lambda: trend.theil_sen([1.0, 1.0], [1.0, 2.0]), "rise strictly"),
        (lambda: trend.theil_sen([2.0, 1.0], [1.0, 2.0]), "rise strictly"),
        (lambda: trend.theil_sen([1.0, 2.0], [1.0, 2.0], 1.0), "confidence"),
        (lambda: trend.theil_sen([1.0, 2.0], [1.0, 2.0], inflate=0.5), "inflation"),
        (lambda: trend.theil_sen([1.0, 2.0], [1.0, 2.0], quantum=-1.0), "step of the readings"),
        (lambda: trend.curvature([1.0, 2.0, 3.0], [1.0, 2.0, 3.0]), "four or more"),
        (lambda: trend.curvature([1.0] * 4, [1.0, 2.0, 3.0, 4.0]), "three points"),
        (lambda: trend.curvature([1.0, 1.0, 2.0, 2.0], [1.0, 2.0, 3.0, 4.0]), "three points"),
    ],
)
def test_what_has_no_slope_is_refused(call, reason):
    """Too few points, unordered points or impossible settings are refused with the reason."""
    with pytest.raises(ValueError, match=reason):
        call()


def test_seventy_two_points_are_cheap():
    """Three days of hourly points take well under 10 ms at best, so a tick stays cheap on a small computer."""
    rng = random.Random(9)
    xs = [float(i) for i in range(72)]
    best = math.inf
    for _ in range(20):
        ys = [1.01 + rng.gauss(0.0, 0.0005) for _ in xs]
        started = time.thread_time()
        trend.theil_sen(xs, ys)
        best = min(best, time.thread_time() - started)
    assert best < 0.010
