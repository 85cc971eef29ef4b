"""Cooling vessels, and holds judged by the liquid."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import cooling, thermal

from .tables import rows, unhurried

HOUR = 3600.0


def test_the_textbook_s_spheres():
    """Lumped textbook examples come out to their printed digits, with a Biot number below 0.1."""
    for row in rows("lumped_examples"):
        number = {key: float(value) for key, value in row.items() if key != "case"}
        length = number["diameter_m"] / 6.0
        tau = number["rho"] * number["cp"] * length / number["h"]
        seconds = thermal.seconds_to_reach(number["start"], number["target"], number["surroundings"], tau)
        assert seconds == pytest.approx(number["answer_s"], rel=0.007)
        assert number["h"] * length / number["k"] < 0.1


def test_cooling_times_match_the_computed_vessels():
    """Jar, jug and bucket: usual, fast and slow hours and Biot numbers agree with the table within 4 %."""
    table = rows("thermal_time_constants")
    assert len(table) == 12
    for row in table:
        litres, film = float(row["V_L"]), row["h_W_m2K"]
        found = cooling.cooling(litres, 20.0, 4.0, 2.0)
        number = cooling.biot(litres, float(film))
        hours = float(row["hours_20C_to_4C_air_2C"])
        printed = float(row["Biot_hLc_over_k_static_water"])
        assert abs(number - printed) < 0.005 + 0.01 * printed
        if film == "7.5":
            assert found.hours.usual == pytest.approx(hours, rel=0.04)
            assert found.biot == pytest.approx(number, rel=0.03)
        elif film == "10":
            assert found.hours.low == pytest.approx(hours, rel=0.04)
        else:
            assert found.hours.high == pytest.approx(hours * (1.0 + number / 2.0), rel=0.04)


def test_a_still_core_lags_as_the_series_solution_says():
    """Half a Biot number is what the exact solution of a long cylinder adds to the lump, within 2 % to 0.5."""
    from scipy.optimize import brentq
    from scipy.special import j0, j1

    for number in (0.05, 0.1, 0.24, 0.42, 0.5):
        # Biot on the radius is twice that on volume over area; the first root rules after a short while.
        root = brentq(lambda x, bi=2.0 * number: x * j1(x) - bi * j0(x), 1e-6, 2.4)
        slower = 2.0 * 2.0 * number / root**2
        assert 1.0 + number / 2.0 == pytest.approx(slower, rel=0.02)


@unhurried
@given(
    st.floats(0.05, 2000.0), st.floats(-20.0, 50.0), st.floats(-20.0, 50.0), st.floats(0.02, 0.98),
    st.sampled_from(["plastic", "glass", "steel"]),
)  # fmt: skip
def test_cooling_is_in_order_and_slower_for_more(litres, start, air, share, material):
    """Ranges are in order, the half way takes less than the whole, and a bigger vessel takes longer."""
    if abs(start - air) < 0.5:
        return
    target = start + share * (air - start)
    found = cooling.cooling(litres, start, target, air, material)
    assert 0.0 < found.hours.low < found.hours.usual < found.hours.high
    half = cooling.cooling(litres, start, (start + target) / 2.0, air, material)
    assert half.hours.usual < found.hours.usual
    if litres < 1000.0:
        assert cooling.cooling(2.0 * litres, start, target, air, material).hours.usual > found.hours.usual


def test_already_there_takes_no_time():
    """A liquid at or past the target needs no hours."""
    assert cooling.cooling(4.0, 3.0, 4.0, 2.0).hours.high == 0.0


# --- holds -------------------------------------------------------------------------------------------------------


def test_a_hold_counts_the_liquid_s_cold_hours():
    """Hours begin where the straight line between samples crosses the target, and end the hold exactly."""
    liquid = [(0.0, 8.0), (HOUR, 4.0), (2 * HOUR, 2.0), (3 * HOUR, 2.0), (4 * HOUR, 2.0)]
    found = cooling.held(liquid, 3.0, 2.0)
    assert found.hours == pytest.approx(2.5)
    assert found.done_s == pytest.approx(3.5 * HOUR)
    assert found.unseen_hours == 0.0
    assert found.now_c == 2.0
    assert cooling.held(liquid, 3.0, 2.6).done_s is None


def test_a_warm_spell_stops_the_clock_and_does_not_set_it_back():
    """Three hours cold, one warm, one cold are four hours."""
    liquid = [(0.0, 3.0), (3 * HOUR, 3.0), (3.001 * HOUR, 9.0), (4 * HOUR, 9.0), (4.001 * HOUR, 3.0), (5 * HOUR, 3.0)]
    found = cooling.held(liquid, 4.0, 4.0, max_gap_s=4 * HOUR)
    assert found.hours == pytest.approx(4.0, abs=0.01)


def test_unseen_hours_are_not_cold():
    """A gap counts as unseen, however cold both its ends are."""
    liquid = [(0.0, 2.0), (HOUR, 2.0), (6 * HOUR, 2.0), (7 * HOUR, 2.0)]
    found = cooling.held(liquid, 4.0, 3.0)
    assert (found.hours, found.unseen_hours, found.done_s) == (2.0, 5.0, None)


def test_nothing_wanted_is_done_at_once():
    """A hold of no hours is done at the first sample, one of a single sample holds nothing."""
    assert cooling.held([(5.0, 9.0)], 4.0, 0.0).done_s == 5.0
    assert cooling.held([(5.0, 2.0)], 4.0, 1.0).hours == 0.0


@unhurried
@given(st.lists(st.floats(-5.0, 25.0), min_size=2, max_size=20), st.floats(0.0, 20.0), st.floats(0.1, 5.0))
def test_held_hours_agree_with_fine_counting(values, target, wanted):
    """Cold hours equal those counted in a thousand slices of the same straight lines; done lies within them."""
    samples = [(index * HOUR, value) for index, value in enumerate(values)]
    found = cooling.held(samples, target, wanted)
    slices = 1000
    counted = 0
    for a, b in pairwise(values):
        counted += sum(a + (b - a) * (k + 0.5) / slices <= target for k in range(slices))
    assert found.hours == pytest.approx(counted / slices, abs=len(values) / slices)
    assert (found.done_s is not None) == (found.hours >= wanted - 1e-9)
    if found.done_s is not None:
        assert cooling.held([s for s in samples if s[0] < found.done_s] or samples[:1], target, wanted).done_s is None


# --- by the air --------------------------------------------------------------------------------------------------


@unhurried
@given(st.floats(-5.0, 30.0), st.floats(0.0, 30.0), st.floats(600.0, 1e5), st.integers(1, 50))
def test_following_steady_air_is_the_lag(air, start, tau, pieces):
    """In air of one temperature the liquid follows `thermal.lag_step`, however it is cut."""
    samples = [(index * 600.0, air) for index in range(pieces + 1)]
    found = cooling.follow(samples, start, tau)
    assert found[-1][1] == pytest.approx(thermal.lag_step(start, air, pieces * 600.0, tau), abs=1e-9)


def test_following_a_ramp_is_exact():
    """Air that falls steadily is followed as many tiny steps would, with one step."""
    tau = 2 * HOUR
    coarse = cooling.follow([(0.0, 20.0), (HOUR, 2.0)], 20.0, tau)[-1][1]
    steps = 20_000
    fine = 20.0
    for index in range(steps):
        fine = thermal.lag_step(fine, 20.0 - 18.0 * (index + 0.5) / steps, HOUR / steps, tau)
    assert coarse == pytest.approx(fine, abs=1e-6)


def test_after_a_gap_the_warmer_is_believed():
    """A gap leaves the liquid at the warmer of its last estimate and the new air."""
    hours = [(0.0, 2.0), (HOUR, 2.0), (10 * HOUR, 12.0)]
    assert cooling.follow(hours, 4.0, HOUR)[-1][1] == 12.0
    hours[-1] = (10 * HOUR, 1.0)
    cold = cooling.follow(hours, 4.0, HOUR)
    assert cold[-1][1] == cold[-2][1] > 2.0


def test_the_liquid_not_the_air_ends_a_hold():
    """A bucket put from 20 °C into air of 2 °C is not held for 24 h after 24 h, but about half a day later."""
    air = [(index * 600.0, 2.0) for index in range(6 * 72 + 1)]
    found = cooling.held_by_air(air, 20.0, 19.0, 4.0, 24.0)
    start = cooling.cooling(19.0, 20.0, 4.0, 2.0).hours
    assert found.hours.low == pytest.approx(72.0 - start.high, abs=0.2)
    assert found.hours.usual == pytest.approx(72.0 - start.usual, abs=0.2)
    assert found.hours.high == pytest.approx(72.0 - start.low, abs=0.2)
    assert found.done_s == pytest.approx((24.0 + start.high) * HOUR, abs=0.2 * HOUR)
    assert cooling.held(air, 4.0, 24.0).done_s == 24 * HOUR
    assert cooling.held_by_air(air[: 6 * 40], 20.0, 19.0, 4.0, 24.0).done_s is None


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: cooling.cooling(0.5, 20.0, 1.0, 2.0), "between the start and the air"),
        (lambda: cooling.cooling(0.5, 20.0, 2.0, 2.0), "between the start and the air"),
        (lambda: cooling.cooling(0.5, 20.0, 4.0, math.nan), "-30 and 60 °C"),
        (lambda: cooling.cooling(0.01, 20.0, 4.0, 2.0), "0.05 and 2000 litres"),
        (lambda: cooling.cooling(0.5, 20.0, 4.0, 2.0, "wood"), "plastic, glass, steel"),
        (lambda: cooling.biot(0.5, 0.0), "0.1 and 1000"),
        (lambda: cooling.held([], 4.0, 1.0), "at least one sample"),
        (lambda: cooling.held([(0.0, math.nan)], 4.0, 1.0), "finite"),
        (lambda: cooling.held([(1.0, 3.0), (1.0, 3.0)], 4.0, 1.0), "order of time"),
        (lambda: cooling.held([(1.0, 3.0)], 4.0, -1.0), "0 and 10000 h"),
        (lambda: cooling.held([(1.0, 3.0)], 4.0, 1.0, 0.0), "above 0 s"),
        (lambda: cooling.follow([(1.0, 3.0)], 99.0, 60.0), "-30 and 60 °C"),
        (lambda: cooling.follow([(1.0, 3.0)], 9.0, 0.0), "above 0 s"),
    ],
)
def test_impossible_holds_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)


def test_a_hold_may_begin_and_end_between_two_samples():
    """Where the liquid passes the target and is held long enough before the next sample, the time is exact."""
    liquid = [(1000.0, 8.0), (1000.0 + 4 * HOUR, 0.0)]
    found = cooling.held(liquid, 4.0, 1.5, max_gap_s=5 * HOUR)
    assert found.hours == pytest.approx(2.0)
    assert found.done_s == pytest.approx(1000.0 + 3.5 * HOUR)


def test_nothing_is_done_in_a_stretch_that_is_not_cold():
    """A hold that is full to the second is done where it became so, not in a later warm stretch."""
    liquid = [(0.0, 2.0), (HOUR, 2.0), (HOUR + 1, 9.0), (2 * HOUR, 9.0)]
    found = cooling.held(liquid, 1.0, 1e-9)
    assert (found.hours, found.done_s) == (0.0, None)


def test_a_gap_of_an_hour_is_seen_and_a_longer_one_is_not():
    """By default samples up to an hour apart count."""
    assert cooling.held([(0.0, 2.0), (HOUR, 2.0)], 4.0, 1.0).hours == 1.0
    assert cooling.held([(0.0, 2.0), (HOUR + 1, 2.0)], 4.0, 1.0).unseen_hours == pytest.approx(1.0, abs=1e-3)


def test_order_is_judged_by_time_alone():
    """Falling temperatures are no disorder; times that go back are, though temperatures rise."""
    assert cooling.held([(0.0, 9.0), (60.0, 8.0)], 4.0, 1.0).hours == 0.0
    with pytest.raises(ValueError, match="order of time"):
        cooling.held([(60.0, 1.0), (0.0, 70.0)], 4.0, 1.0)


def test_following_keeps_the_times_of_the_air():
    """Each sample of the air has its estimate at the same time, from the first on."""
    air = [(500.0, 2.0), (1100.0, 2.0), (1700.0, 2.0)]
    found = cooling.follow(air, 20.0, HOUR)
    assert [time for time, _ in found] == [500.0, 1100.0, 1700.0]
    assert found[0][1] == 20.0


def test_a_hold_by_the_air_says_what_was_unseen_and_how_cold_it_is_now():
    """Unseen hours are those of the air, and the liquid's estimate has the range of its time constants."""
    air = [(index * 600.0, 2.0) for index in range(30)] + [(40 * HOUR + index * 600.0, 2.0) for index in range(6)]
    found = cooling.held_by_air(air, 20.0, 4.0, 4.0, 1.0, "glass")
    assert found.unseen_hours == pytest.approx(40.0 - 29 / 6)
    assert 2.0 < found.now_c.low < found.now_c.usual < found.now_c.high < 20.0
    tau = thermal.time_constant(4.0, "glass")
    usual = thermal.lag_step(20.0, 2.0, (29 + 5) * 600.0, tau.usual_s)
    assert found.now_c.usual == pytest.approx(usual, abs=1e-6)


def test_the_ends_of_the_ranges_are_allowed_and_no_more():
    """The largest vessel is answered, a larger one refused; so are films and temperatures."""
    assert cooling.biot(2000.0, 1000.0) > cooling.biot(0.05, 0.1)
    assert cooling.cooling(2000.0, 60.0, 0.0, -30.0).hours.usual > 0.0
    for call in (
        lambda: cooling.biot(2001.0, 7.5),
        lambda: cooling.biot(1.0, 1001.0),
        lambda: cooling.cooling(1.0, 60.5, 0.0, -30.0),
        lambda: cooling.cooling(1.0, 60.0, 0.0, -30.5),
    ):
        with pytest.raises(ValueError, match="must lie between"):
            call()
