"""Freezing points and the lag of a vessel behind its air."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import ethanol, freezing, thermal

from .tables import numbers, rows, unhurried


def test_freezing_points_match_the_handbook():
    """Ethanol and water alone freeze where the handbook's table says, to its rounding."""
    for row in numbers("ethanol_freezing_crc"):
        found = freezing.freezing(row["pct_vol_20C"])
        assert found.point_c == pytest.approx(row["freezing_point_C"], abs=0.006)


def test_the_range_holds_the_coolant_table_within_a_degree_of_its_rounding():
    """The trade's rule of thumb, rounded to whole degrees, lies within the range and half a degree."""
    checked = 0
    for row in numbers("ethanol_freezing_crc"):
        if "rule_of_thumb_C" in row:
            found = freezing.freezing(row["pct_vol_20C"])
            assert found.low_c - 0.5 <= row["rule_of_thumb_C"] <= found.high_c + 0.5
            checked += 1
    assert checked == 8


def test_embedded_figures_are_the_handbook_s():
    """Every embedded pair up to 50 % is a row of the copied handbook table, and none of its rows is missing."""
    ours = {
        **{("Ethanol", x): y for x, y in freezing._ETHANOL},
        **{("Sucrose", x): y for x, y in freezing._SUCROSE},
    }
    for row in rows("crc_handbook_solutions"):
        if row["solute"] in {"Ethanol", "Sucrose"} and row["freezing_depression_C"]:
            key = (row["solute"], float(row["mass_pct"]))
            assert ours[key] == float(row["freezing_depression_C"])
    for row in numbers("ethanol_density_by_masspct"):
        if "freezing_depression_CRC102_C" in row:
            assert ours["Ethanol", row["pct_mass"]] == row["freezing_depression_CRC102_C"]


def test_pure_water_freezes_at_zero_exactly():
    """Water alone freezes at 0 °C with no range, with and without a gravity, and the zero has no minus."""
    for found in (freezing.freezing(0.0), freezing.freezing(0.0, 1.0)):
        assert (found.point_c, found.low_c, found.high_c) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
        assert math.copysign(1.0, freezing.freezing(0.0).point_c) == 1.0


@unhurried
@given(st.floats(0.0, 79.9), st.floats(1e-3, 20.0))
def test_more_alcohol_freezes_later(abv, more):
    """The freezing point falls with every bit of alcohol, over joints of the table too."""
    stronger = min(80.0, abv + more)
    assert freezing.freezing(stronger).point_c < freezing.freezing(abv).point_c


@unhurried
@given(st.floats(0.0, 24.9), st.floats(1e-3, 5.0))
def test_the_cautious_end_falls_with_strength_too(abv, more):
    """Up to 25 % the cautious end of the range never rises with alcohol."""
    assert freezing.freezing(min(25.0, abv + more)).high_c <= freezing.freezing(abv).high_c


@unhurried
@given(st.floats(0.0, 16.0), st.floats(0.0, 0.08), st.floats(1e-3, 0.02))
def test_extract_lowers_the_freezing_point(abv, over, more):
    """With the same alcohol more gravity freezes later, and the range stays in order round the point."""
    lean = ethanol.sg_from_abv(abv) + over
    thin, thick = freezing.freezing(abv, lean), freezing.freezing(abv, lean + more)
    assert thick.point_c < thin.point_c
    for found in (thin, thick):
        assert found.low_c <= found.point_c <= found.high_c


def test_without_extract_the_gravity_changes_nothing():
    """A gravity equal to, or below, that of the alcohol alone gives the plain mixture's point."""
    for abv in (3.0, 8.0, 13.0):
        plain = freezing.freezing(abv)
        for sg in (ethanol.sg_from_abv(abv), ethanol.sg_from_abv(abv) - 0.002):
            assert freezing.freezing(abv, sg).point_c == pytest.approx(plain.point_c, abs=0.03)


def test_sugar_water_freezes_where_its_own_table_says():
    """Unfermented sugar water freezes by the sucrose table; glucose's lies inside the range."""
    for row in rows("crc_handbook_solutions"):
        if row["solute"] == "Ethanol" or not row["freezing_depression_C"] or float(row["mass_pct"]) > 30.0:
            continue
        depression = float(row["freezing_depression_C"])
        sg = float(row["rho20_g_cm3"]) / 0.9982
        found = freezing.freezing(0.0, sg)
        if row["solute"] == "Sucrose":
            assert -found.point_c == pytest.approx(depression, abs=0.02)
        assert found.low_c - 0.03 <= -depression <= found.high_c


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: freezing.freezing(-1.0), "0 and 80 %"),
        (lambda: freezing.freezing(80.5), "0 and 80 %"),
        (lambda: freezing.freezing(30.0, 1.0), "0 and 25 %"),
        (lambda: freezing.freezing(5.0, 1.2), "0.96 and 1.17"),
        (lambda: freezing.freezing(math.nan), "0 and 80 %"),
        (lambda: thermal.time_constant(0.0), "0.05 and 2000 litres"),
        (lambda: thermal.time_constant(5.0, "wood"), "plastic, glass, steel"),
        (lambda: thermal.lag_step(20.0, 4.0, -1.0, 60.0), "time step"),
        (lambda: thermal.lag_step(20.0, 4.0, 1.0, 0.0), "above 0 s"),
        (lambda: thermal.seconds_to_reach(20.0, 5.0, 4.0, math.nan), "above 0 s"),
    ],
)
def test_impossible_vessels_and_strengths_are_refused(call, allowed):
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
