"""Exact limits of counts."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from monitor.science import limits

from .tables import numbers, unhurried


def test_published_limits_of_counts():
    """Published exact limits come out to their printed digits."""
    for row in numbers("count_limits"):
        low, high = limits.poisson(int(row["count"]), row["confidence"])
        assert low == pytest.approx(row["low"], abs=0.006)
        assert high == pytest.approx(row["high"], abs=0.006)


@unhurried
@given(st.one_of(st.integers(0, 50), st.integers(0, limits.MOST)), st.floats(50.0, 99.9))
def test_poisson_limits_agree_with_scipy(count, confidence):
    """Limits equal the chi-square quantiles of a statistics library to nine digits, at any count."""
    tail = (1.0 - confidence / 100.0) / 2.0
    low, high = limits.poisson(count, confidence)
    assert low == pytest.approx(stats.chi2.ppf(tail, 2 * count) / 2.0 if count else 0.0, rel=1e-9)
    assert high == pytest.approx(stats.chi2.ppf(1.0 - tail, 2 * count + 2) / 2.0, rel=1e-9)


@unhurried
@given(st.one_of(st.integers(1, 50), st.integers(1, limits.MOST)), st.floats(0.0, 1.0), st.floats(50.0, 99.9))
def test_binomial_limits_agree_with_scipy(total, share, confidence):
    """Both kinds of limits of a share equal those of a statistics library, and enclose the share."""
    hits = round(share * total)
    reference = stats.binomtest(hits, total)
    for ours, method in ((limits.binomial, "exact"), (limits.wilson, "wilson")):
        low, high = ours(hits, total, confidence)
        theirs = reference.proportion_ci(confidence / 100.0, method)
        assert (low, high) == pytest.approx((theirs.low, theirs.high), abs=1e-9)
        assert 0.0 <= low <= hits / total + 1e-12
        assert hits / total - 1e-12 <= high <= 1.0


@pytest.mark.parametrize("mean", [0.5, 3.0, 12.0, 40.0])
def test_the_limits_cover_what_they_promise(mean):
    """Summed over the Poisson distribution itself, 90 % limits hold the mean at least 90 % of the time."""
    covered = sum(
        stats.poisson.pmf(k, mean) for k in range(200) if limits.poisson(k)[0] <= mean <= limits.poisson(k)[1]
    )
    assert covered >= 0.90


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: limits.poisson(-1), "0 and 100000"),
        (lambda: limits.poisson(5, 20.0), "50 and 99.9 %"),
        (lambda: limits.poisson(5, math.nan), "50 and 99.9 %"),
        (lambda: limits.binomial(0, 0), "1 and 100000"),
        (lambda: limits.binomial(6, 5), "0 and 5"),
        (lambda: limits.wilson(-1, 5), "0 and 5"),
        (lambda: limits.wilson(0, 0), "1 and 100000"),
    ],
)
def test_impossible_counts_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)
