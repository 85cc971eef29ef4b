"""Growth of yeast and of starters."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from monitor.science import growth, sugar

from .tables import numbers, rows, unhurried


def test_the_logistic_law_fits_the_counts_of_1913():
    """Fitted to Carlson's counts it gives the published constants, and follows them within 1.2 % of the limit."""
    data = numbers("yeast_growth_carlson1913")
    hours = np.array([row["t_h"] for row in data])
    biomass = np.array([row["biomass"] for row in data])

    def law(t, limit, rate, start):
        return np.array([growth.logistic(each, start, limit, rate) for each in t])

    (limit, rate, start), _ = curve_fit(law, hours, biomass, p0=(600.0, 0.5, 10.0))
    assert limit == pytest.approx(663.02, abs=0.05)
    assert rate == pytest.approx(0.54699, abs=1e-4)
    assert start == pytest.approx(9.136, abs=0.01)
    residuals = biomass - law(hours, limit, rate, start)
    assert math.sqrt(np.mean(residuals**2)) == pytest.approx(3.20, abs=0.01)
    assert np.max(np.abs(residuals)) < 0.012 * limit
    for row, residual in zip(data, residuals, strict=True):
        assert residual == pytest.approx(row["residual"], abs=0.02)


def test_growth_has_the_published_cardinal_temperatures_and_rates():
    """No growth at the published limits, the fastest at the published optimum, at the published rate."""
    published = {row["quantity"]: row["value"] for row in rows("yeast_kinetics_published")}
    assert float(published["Topt S. cerevisiae"]) == growth.T_BEST
    assert float(published["Tmax S. cerevisiae"]) == growth.T_MAX
    assert float(published["Tmin S. cerevisiae"]) == growth.T_MIN
    assert growth.growth_rate(growth.T_BEST).usual == pytest.approx(float(published["mu_max"]))
    assert float(published["max density in YPD"]) * 1000.0 == growth.CELL_DENSITY
    for still in (0.0, growth.T_MIN, growth.T_MAX, 60.0):
        assert growth.growth_rate(still).usual == 0.0


@unhurried
@given(st.floats(0.0, 60.0))
def test_growth_is_fastest_at_the_optimum(temperature):
    """At any temperature growth is no faster than at the best one, and its range is in order."""
    found = growth.growth_rate(temperature)
    assert 0.0 <= found.low <= found.usual <= found.high <= growth.growth_rate(growth.T_BEST).high
    nearer = growth.growth_rate(temperature + 0.1 * (growth.T_BEST - temperature))
    assert nearer.usual >= found.usual - 1e-12


def test_a_litre_at_1040_grows_about_a_hundred_thousand_million():
    """A litre of 1.040 grows about 92 billion cells by Balling's yield, and its range is a factor of two."""
    found = growth.starter(1.0, 1.040, 2e10)
    eaten_g = 0.0999 * 1038.3 * 0.67
    assert found.cells.usual == pytest.approx(2e10 + eaten_g * 0.0532 / 4e-11, rel=2e-3)
    assert found.limited_by == "sugar"
    assert found.cells.low < 0.75 * found.cells.usual
    assert found.cells.high > 1.7 * found.cells.usual


def test_what_stops_a_starter_is_named():
    """Few cells are stopped by their reserves, many by the room, those between by the sugar."""
    assert growth.starter(1.0, 1.040, 1e9).limited_by == "reserves"
    assert growth.starter(1.0, 1.040, 1e9).cells.usual == 8e9
    crowded = growth.starter(0.5, 1.040, 2e11)
    assert (crowded.limited_by, crowded.cells.usual, crowded.hours.usual) == ("room", 2e11, 0.0)
    assert growth.starter(1.0, 1.040, 5e10).limited_by == "sugar"


def test_hours_lead_to_95_per_cent():
    """After the stated hours the logistic law stands at 95 % of what the starter grows to."""
    found = growth.starter(2.0, 1.040, 5e10, 24.0)
    rate = growth.growth_rate(24.0)
    for hours, speed in ((found.hours.usual, rate.usual), (found.hours.low, rate.high), (found.hours.high, rate.low)):
        assert growth.logistic(hours, 5e10, found.cells.usual, speed) == pytest.approx(0.95 * found.cells.usual)
    assert growth.starter(2.0, 1.040, 5e10, 2.0).hours.usual == math.inf


@unhurried
@given(st.floats(0.01, 1000.0), st.floats(1.005, 1.12), st.floats(6.0, 14.0), st.floats(0.0, 45.0), st.floats(0.3, 1.0))
def test_a_starter_never_shrinks(litres, sg, power, temperature, fermentable):
    """It ends with at least the cells put in, in order, and more wort never gives fewer."""
    cells = 10.0**power
    found = growth.starter(litres, sg, cells, temperature, fermentable)
    assert cells <= found.cells.low <= found.cells.usual <= found.cells.high
    assert 0.0 <= found.hours.low <= found.hours.usual <= found.hours.high
    bigger = growth.starter(min(1000.0, 2.0 * litres), sg, cells, temperature, fermentable)
    assert bigger.cells.usual >= found.cells.usual


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: growth.starter(1.0, 1.2, 1e10), "1.005 and 1.12"),
        (lambda: growth.starter(1.0, 1.04, -1.0), "above 0"),
        (lambda: growth.starter(1.0, 1.04, 1e10, 50.0), "0 and 45 °C"),
        (lambda: growth.starter(1.0, 1.04, 1e10, 20.0, 0.1), "0.3 and 1"),
        (lambda: growth.starter(0.0, 1.04, 1e10), "0.01 and 1000 litres"),
        (lambda: growth.growth_rate(math.nan), "0 and 60 °C"),
        (lambda: growth.logistic(-1.0, 1.0, 2.0, 0.5), "0 and 10000 h"),
        (lambda: growth.logistic(1.0, 0.0, 2.0, 0.5), "above 0"),
        (lambda: growth.logistic(1.0, 1.0, 2.0, 9.0), "0 and 5 1/h"),
    ],
)
def test_impossible_starters_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)


def test_rates_span_what_was_published_and_poor_media():
    """At the optimum the range runs from a judgement of 0.30 to the 0.547 an hour of the counts of 1913."""
    found = growth.growth_rate(growth.T_BEST)
    assert (found.low, found.high) == pytest.approx((0.30, 0.547))


def test_a_starter_s_range_is_its_stated_corners():
    """Sugar-bound: 0.04 g of 50 pg cells to 0.10 g of 25 pg; reserve-bound: two to five doublings."""
    eaten_g = 10.0 * 0.0999 * 1038.3 * 0.67
    found = growth.starter(10.0, 1.040, 3e11)
    assert found.cells.low == pytest.approx(3e11 + eaten_g * 0.04 / 5e-11, rel=2e-3)
    # The best yield would pass what ten litres can hold, so room is the top.
    assert found.cells.high == growth.CELL_DENSITY * 10.0
    thin = growth.starter(10.0, 1.005, 2e11)
    eaten_g = 10.0 * sugar.g_l_from_plato(sugar.plato_from_sg(1.005)) * 0.67
    assert thin.cells.high == pytest.approx(2e11 + eaten_g * 0.10 / 2.5e-11, rel=1e-9)
    few = growth.starter(10.0, 1.040, 1e9)
    assert (few.cells.low, few.cells.usual, few.cells.high) == (4e9, 8e9, 32e9)


def test_a_starter_stands_at_22_degrees_and_two_thirds_unless_told():
    """Temperature and fermentable share have the stated defaults; all of the extract at most ferments."""
    assert growth.starter(1.0, 1.040, 5e10) == growth.starter(1.0, 1.040, 5e10, 22.0, 0.67)
    assert growth.starter(1.0, 1.040, 5e10, 22.0, 1.0).cells.usual > growth.starter(1.0, 1.040, 5e10).cells.usual
    with pytest.raises(ValueError, match=r"0\.3 and 1"):
        growth.starter(1.0, 1.040, 5e10, 22.0, 1.01)


def test_slow_is_not_never():
    """Just above the lowest temperature growth takes very long, at it for ever."""
    slow = growth.starter(1.0, 1.040, 5e10, growth.T_MIN + 2.0)
    assert 100.0 < slow.hours.usual < math.inf
    assert growth.starter(1.0, 1.040, 5e10, growth.T_MIN).hours.usual == math.inf
