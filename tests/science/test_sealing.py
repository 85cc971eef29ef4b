"""What a closed vessel comes to."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from monitor.science import carbon, ethanol, gravity, sealing, water
from tests.cost import calls_of

from .tables import unhurried


def by_hand(made, already, litres, headspace, cold, warm, abv):
    """Gauge pressure by another solver, ideal gas and plain Henry's law, for a wash without extract."""
    sg = ethanol.sg_from_abv(abv)
    swollen = litres * gravity.density_at(sg, cold, abv) / gravity.density_at(sg, warm, abv)
    room = headspace + litres - swollen
    air = (1.01325 - water.vapour_bar(cold)) * headspace / room * (warm + 273.15) / (cold + 273.15)
    per_bar = carbon.solubility_g_l_bar(warm, abv)
    gas = 44.0095 * 1e5 / (8.314462618 * (warm + 273.15)) / 1000.0  # g/(L bar)
    grams = made + already
    pressure = brentq(lambda p: swollen * per_bar * p + room * gas * p - grams, 0.0, 100.0)
    return pressure + air + water.vapour_bar(warm) - 1.01325


def test_the_balance_agrees_with_another_solver():
    """A dry wash closed cold and kept warm: two solvers agree within 2 %, ideal gas against real."""
    sg = ethanol.sg_from_abv(12.0)
    found = sealing.seal(sg, sg, 4.0, 0.3, 4.0, 25.0, abv=12.0)
    held = 4.0 * carbon.solubility_g_l_bar(4.0, 12.0) * (1.01325 - water.vapour_bar(4.0))
    assert found.co2_from_sugar_g == 0.0
    assert found.co2_already_g == pytest.approx(held, rel=0.01)
    expected = by_hand(0.0, found.co2_already_g, 4.0, 0.3, 4.0, 25.0, 12.0)
    assert found.pressure_bar_gauge == pytest.approx(expected, rel=0.02)


def test_a_wash_at_0_996_that_can_still_fall_is_dangerous():
    """4 litres, 8 points to go: about 32 g from sugar and 9 g held cold; 6 to 11 bar, and it is said plainly."""
    found = sealing.seal(0.996, 0.988, 4.0, 0.3, 4.0, 25.0, abv=13.0)
    assert found.co2_from_sugar_g == pytest.approx(32.0, abs=1.5)
    assert found.co2_already_g == pytest.approx(9.3, abs=0.5)
    assert found.co2_g == pytest.approx(found.co2_from_sugar_g + found.co2_already_g)
    assert 5.0 < found.pressure_low_bar < found.pressure_bar_gauge < found.pressure_high_bar < 12.0
    assert found.dangerous
    said = " ".join(found.cautions)
    assert "Do not close it" in said
    assert "no pressure at all" in said
    assert "local rules" in said
    assert "still fall to 0.988" in said


def test_a_wash_at_1_000_is_not_done():
    """At 1.000 with 0.988 possible the pressure passes ten bar and the tool says that 1.000 is not the end."""
    found = sealing.seal(1.000, 0.988, 4.0, 0.3, 20.0, 25.0)
    assert found.pressure_high_bar > 10.0
    assert any("1.000 is not the end" in said for said in found.cautions)


def test_gas_that_was_dissolved_cold_makes_pressure_by_itself():
    """With nothing left to ferment a wash closed at 4 °C makes over a bar at 25 °C; closed warm far less."""
    cold = sealing.seal(0.990, 0.990, 4.0, 0.3, 4.0, 25.0, abv=12.0)
    warm = sealing.seal(0.990, 0.990, 4.0, 0.3, 25.0, 25.0, abv=12.0)
    assert cold.pressure_bar_gauge > 1.5
    assert warm.pressure_bar_gauge < 1.0
    assert cold.warming_only_bar == pytest.approx(cold.pressure_bar_gauge)
    assert any("Even if nothing ferments" in said for said in cold.cautions)


def test_a_full_vessel_is_warned_of_its_own_swelling():
    """Almost no headspace: the liquid's own swelling is named, and the number stays a number."""
    found = sealing.seal(0.990, 0.990, 4.0, 0.01, 4.0, 30.0, abv=12.0)
    assert math.isfinite(found.pressure_high_bar)
    assert any("swelling" in said for said in found.cautions)


def test_small_falls_are_a_bar_or_so_each():
    """Each further point adds between 0.4 and 1.2 bar in a jug with little headspace."""
    pressures = [
        sealing.seal(0.996, end, 4.0, 0.3, 20.0, 25.0, abv=10.0).pressure_bar_gauge
        for end in (0.996, 0.995, 0.994, 0.993)
    ]
    for before, after in pairwise(pressures):
        assert 0.4 < after - before < 1.2


gravities = st.floats(0.985, 1.06)


@unhurried
@given(gravities, st.floats(0.0, 0.04), st.floats(0.05, 1.0), st.floats(0.0, 35.0), st.floats(0.0, 40.0))
def test_ranges_are_in_order_for_any_vessel(sg, fall, share, cold, warm):
    """No NaN anywhere: the range holds the figure, nothing is below a vacuum, mass is conserved."""
    found = sealing.seal(sg, max(0.96, sg - fall), 4.0, 4.0 * share, cold, warm)
    assert -1.02 <= found.pressure_low_bar <= found.pressure_bar_gauge <= found.pressure_high_bar
    assert found.co2_g == pytest.approx(found.co2_from_sugar_g + found.co2_already_g)
    assert found.cautions


@unhurried
@given(gravities, st.floats(0.0, 0.02), st.floats(0.5, 3.0), st.floats(2.0, 20.0))
def test_more_sugar_less_room_and_more_warmth_make_more_pressure(sg, fall, headspace, cold):
    """Pressure rises with what can ferment, with warmth in store, and as the headspace shrinks."""
    end = max(0.962, sg - fall)
    here = sealing.seal(sg, end, 4.0, headspace, cold, cold + 5.0, abv=8.0).pressure_bar_gauge
    assert sealing.seal(sg, end - 0.001, 4.0, headspace, cold, cold + 5.0, abv=8.0).pressure_bar_gauge > here
    assert sealing.seal(sg, end, 4.0, headspace, cold, cold + 10.0, abv=8.0).pressure_bar_gauge > here
    if end < sg - 0.002:
        assert sealing.seal(sg, end, 4.0, headspace * 0.8, cold, cold + 5.0, abv=8.0).pressure_bar_gauge > here


def test_careless_readings_widen_the_range():
    """The range grows with the errors of both gravities."""
    sure = sealing.seal(0.996, 0.990, 4.0, 0.3, 4.0, 25.0, abv=12.0, gravity_error=0.0002, final_error=0.0002)
    vague = sealing.seal(0.996, 0.990, 4.0, 0.3, 4.0, 25.0, abv=12.0, gravity_error=0.003, final_error=0.003)
    assert vague.pressure_high_bar > sure.pressure_high_bar + 1.0
    assert vague.pressure_low_bar < sure.pressure_low_bar


@pytest.mark.parametrize(
    ("vessel", "low", "likely", "high", "warming"),
    [
        ((0.996, 0.988, 4.0, 0.3, 4.0, 25.0), 5.62278228362481, 7.887368275477454, 9.85986402205682, 1.957671237582468),
        (
            (0.9923, 0.9919, 0.75, 0.03, 18.0, 30.0),
            0.6262142371131467, 1.8094876550410144, 3.797237357459097, 1.4714877110451072,
        ),
        (
            (1.0082, 1.0082, 18.0, 1.5, 20.0, 24.0),
            0.11507585172512247, 1.0300363721664623, 2.7298638386776526, 1.0300363721664623,
        ),
    ],
)  # fmt: skip
def test_what_is_reckoned_once_for_all_cases_changes_no_figure(vessel, low, likely, high, warming):
    """The figures of each case by itself, as they were before cases shared what they have in common."""
    found = sealing.seal(*vessel, abv=9.0)
    assert found.pressure_low_bar == pytest.approx(low, abs=1e-9)
    assert found.pressure_bar_gauge == pytest.approx(likely, abs=1e-9)
    assert found.pressure_high_bar == pytest.approx(high, abs=1e-9)
    assert found.warming_only_bar == pytest.approx(warming, abs=1e-9)
    assert sealing.pressure(*vessel, abv=9.0) == found.pressure_bar_gauge


def test_a_range_costs_little_more_than_its_figures():
    """Its fifteen cases share gravities and alcohol, so they cost no more than seven by themselves (it was 17)."""
    one = calls_of(lambda: sealing.pressure(0.98911, 0.98877, 18.0, 1.0, 20.0, 25.0, abv=10.11))
    assert calls_of(lambda: sealing.seal(0.99123, 0.99101, 18.0, 1.0, 20.0, 25.0, abv=10.37)) < 7 * one


def test_flat_and_open_to_the_air_at_one_temperature_is_no_danger():
    """Water that holds no sugar still counts as saturated: the caution stands, the range reaches to nothing."""
    found = sealing.seal(1.000, 1.000, 1.0, 1.0, 20.0, 20.0, abv=0.0, gravity_error=0.0, final_error=0.0)
    assert found.pressure_low_bar == pytest.approx(0.0, abs=0.02)
    assert 0.2 < found.pressure_bar_gauge < 0.6


@pytest.mark.parametrize(
    ("change", "allowed"),
    [
        ({"gravity_now": 1.3}, "0.96 and 1.2"),
        ({"final": 0.9}, "0.96 and 1.2"),
        ({"litres": 0.0}, "0.01 and 10000"),
        ({"headspace_l": -0.1}, "0 and 40"),
        ({"sealed_at_c": -1.0}, "0 and 40 °C"),
        ({"stored_at_c": math.nan}, "0 and 40 °C"),
        ({"abv": 21.0}, "0 and 20 %"),
        ({"gravity_error": -0.1}, "0 and 0.05"),
    ],
)
def test_vessels_that_cannot_be_are_refused(change, allowed):
    """Out of range is refused, and the message says what is allowed."""
    told = {
        "gravity_now": 0.996,
        "final": 0.988,
        "litres": 4.0,
        "headspace_l": 0.3,
        "sealed_at_c": 4.0,
        "stored_at_c": 25.0,
    }
    with pytest.raises(ValueError, match="must lie between") as refused:
        sealing.seal(**(told | change))
    assert allowed in str(refused.value)
