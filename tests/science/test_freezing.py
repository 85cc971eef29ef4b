"""Freezing points of washes against two handbooks."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import ethanol, freezing

from .tables import numbers, rows, unhurried


def test_freezing_points_match_the_handbook():
    """Ethanol and water alone freeze where the handbook's table says, to its rounding."""
    for row in numbers("ethanol_freezing_crc"):
        found = freezing.freezing(row["pct_vol_20C"])
        assert found.point_c == pytest.approx(row["freezing_point_C"], abs=0.006)


def test_the_range_holds_a_second_handbook():
    """Every figure of another handbook, 3 to 78 % by volume, lies within the stated range and a tenth."""
    for row in numbers("ethanol_freezing_lange15"):
        found = freezing.freezing(ethanol.abv_from_abw(row["pct_mass"]))
        assert found.low_c - 0.1 <= row["freezing_point_C"] <= found.high_c + 0.1


def test_handbooks_differ_by_no_more_than_promised():
    """Below 15 % by volume the two handbooks agree within 0.3 K, up to 30 % within 1 K."""
    checked = 0
    for row in numbers("ethanol_freezing_lange15"):
        off = abs(freezing.freezing(row["pct_vol"]).point_c - row["freezing_point_C"])
        if row["pct_vol"] <= 30.0:
            assert off < (0.3 if row["pct_vol"] < 15.0 else 1.0)
            checked += 1
    assert checked == 11


def test_the_rules_of_thumb_and_how_far_they_are_off():
    """20 % at -9 °C promises up to 1.7 K too much, 40 % is near, 80 % at -59 °C is out by 7 K; all three unsafe."""
    twenty, forty, eighty = freezing.rules_of_thumb()
    assert (twenty.abv, twenty.rule_c) == (20.0, -9.0)
    assert twenty.off_k == pytest.approx(-0.84, abs=0.02)
    assert twenty.off_most_k == pytest.approx(-1.7, abs=0.05)
    assert forty.off_k == pytest.approx(0.63, abs=0.02)
    assert eighty.off_k == pytest.approx(-6.7, abs=0.3)
    assert twenty.unsafe
    assert eighty.unsafe


def test_the_coolant_table_is_near_up_to_half_strength():
    """The rules' parent table, in whole degrees, lies within the range and half a degree up to 50 %."""
    checked = 0
    for row in numbers("ethanol_freezing_crc"):
        if "rule_of_thumb_C" in row and row["pct_vol_20C"] <= 50.0:
            found = freezing.freezing(row["pct_vol_20C"])
            assert found.low_c - 0.5 <= row["rule_of_thumb_C"] <= found.high_c + 0.5
            checked += 1
    assert checked == 6


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
    ],
)
def test_impossible_strengths_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)
