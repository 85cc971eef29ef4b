"""The lag of a vessel behind its air."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import thermal

from .tables import rows, unhurried


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: thermal.time_constant(0.0), "0.05 and 2000 litres"),
        (lambda: thermal.time_constant(5.0, "wood"), "plastic, glass, steel"),
        (lambda: thermal.lag_step(20.0, 4.0, -1.0, 60.0), "time step"),
        (lambda: thermal.lag_step(20.0, 4.0, 1.0, 0.0), "above 0 s"),
        (lambda: thermal.seconds_to_reach(20.0, 5.0, 4.0, math.nan), "above 0 s"),
    ],
)
def test_impossible_vessels_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)


def test_time_constants_match_the_computed_cylinders():
    """Plastic vessels agree with the computed cylinders for each film, save 4 % for wall and shape."""
    for row in rows("thermal_time_constants"):
        found = thermal.time_constant(float(row["V_L"]))
        film = {"5": found.high_s, "7.5": found.usual_s, "10": found.low_s}[row["h_W_m2K"]]
        assert film == pytest.approx(float(row["tau_s"]), rel=0.04)
        for name, (start, target, air) in {
            "hours_20C_to_5C_air_4C": (20.0, 5.0, 4.0),
            "hours_20C_to_4C_air_2C": (20.0, 4.0, 2.0),
        }.items():
            exact = thermal.seconds_to_reach(start, target, air, float(row["tau_s"])) / 3600.0
            assert exact == pytest.approx(float(row[name]), rel=2e-3)


@unhurried
@given(st.floats(0.05, 1000.0), st.floats(1.01, 3.0), st.sampled_from(["plastic", "glass", "steel"]))
def test_bigger_vessels_are_slower(litres, times, material):
    """Time constants rise with volume, and each range is in order."""
    small, big = thermal.time_constant(litres, material), thermal.time_constant(litres * min(times, 2.0), material)
    assert small.low_s < small.usual_s < small.high_s
    assert big.usual_s > small.usual_s


def test_walls_slow_a_vessel():
    """Glass holds more heat than plastic, and bright steel sheds it slower; both by the amounts stated."""
    plastic, glass, steel = (thermal.time_constant(4.0, m) for m in ("plastic", "glass", "steel"))
    assert glass.usual_s / plastic.usual_s == pytest.approx(1.10 / 1.02)
    assert steel.high_s / plastic.high_s == pytest.approx(1.03 / 1.02 * 5.0 / 3.5)
    assert steel.usual_s > glass.usual_s > plastic.usual_s


temperatures = st.floats(-10.0, 50.0)
taus = st.floats(60.0, 1e5)


@unhurried
@given(temperatures, temperatures, taus, st.lists(st.floats(0.0, 1e5), max_size=12))
def test_the_lag_is_exact_however_time_is_cut(start, air, tau, cuts):
    """Many uneven steps end where one long step does."""
    state = start
    for dt in cuts:
        state = thermal.lag_step(state, air, dt, tau)
    assert state == pytest.approx(thermal.lag_step(start, air, sum(cuts), tau), abs=1e-9)


@unhurried
@given(temperatures, temperatures, taus, st.floats(0.0, 1e6))
def test_the_lag_never_overshoots(start, air, tau, dt):
    """The liquid stays between where it was and the air, after any time."""
    low, high = min(start, air), max(start, air)
    assert low - 1e-12 <= thermal.lag_step(start, air, dt, tau) <= high + 1e-12


@unhurried
@given(temperatures, temperatures, st.floats(0.05, 0.95), taus)
def test_time_to_reach_is_the_inverse_of_the_lag(start, air, share, tau):
    """After the stated time the liquid is at the target."""
    target = start + share * (air - start)
    if abs(air - start) < 1e-3:
        return
    seconds = thermal.seconds_to_reach(start, target, air, tau)
    assert thermal.lag_step(start, air, seconds, tau) == pytest.approx(target, abs=1e-9)


def test_times_at_the_edges():
    """Already there is 0 s; at or beyond the air's temperature is never; standing still is 0 or never."""
    assert thermal.seconds_to_reach(3.0, 4.0, 2.0, 3600.0) == 0.0
    assert thermal.seconds_to_reach(4.0, 4.0, 2.0, 3600.0) == 0.0
    assert thermal.seconds_to_reach(20.0, 2.0, 2.0, 3600.0) == math.inf
    assert thermal.seconds_to_reach(20.0, 1.0, 2.0, 3600.0) == math.inf
    assert thermal.seconds_to_reach(5.0, 5.0, 5.0, 3600.0) == 0.0
    assert thermal.seconds_to_reach(5.0, 6.0, 5.0, 3600.0) == math.inf
    assert thermal.seconds_to_reach(2.0, 8.0, 20.0, 3600.0) == pytest.approx(3600.0 * math.log(1.5))
