"""Hydrometers, pressure pairs and the liquids' own expansion."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import ethanol, gravity, pressure, sugar, water

from .tables import numbers, unhurried

SIXTY_F = 15.555555555555555


def test_a_hydrometer_in_pure_water_always_means_water():
    """Marks computed from IAPWS-95 water at 1-40 °C are all corrected to 1.0000, on both scales."""
    for row in numbers("hydrometer_in_pure_water"):
        for scale, column in ((20.0, "reading_cal_20C"), (SIXTY_F, "reading_cal_60F")):
            found = gravity.hydrometer_sg(row[column], row["t_C"], scale)
            assert found == pytest.approx(1.0, abs=1.2e-5)  # the table has five decimals


@pytest.mark.parametrize("t", [0.0, 5.0, 15.0, 20.0, 30.0, 40.0])
@pytest.mark.parametrize("plato", [0.0, 5.0, 15.0, 25.0, 30.0])
@pytest.mark.parametrize("scale", [20.0, SIXTY_F])
def test_a_sugar_solution_is_corrected_by_its_own_expansion(plato, t, scale):
    """The mark that buoyancy gives in sugar solution comes back as the solution's gravity at 20 °C."""
    mark = sugar.density(plato, t) * (1.0 + 25e-6 * (t - scale)) / water.density(scale)
    expected = sugar.density(plato) / water.density(20.0)
    assert gravity.hydrometer_sg(mark, t, scale) == pytest.approx(expected, abs=8e-6)


@pytest.mark.parametrize("t", [0.0, 5.0, 15.0, 30.0])
@pytest.mark.parametrize("abv", [3.0, 8.0, 12.0, 16.0])
def test_plain_alcohol_is_corrected_by_its_own_expansion(abv, t):
    """In ethanol-water the correction uses alcohol's expansion, told the strength or left to find it."""
    abw = ethanol.abw_from_abv(abv)
    mark = ethanol.density(abw, t) * (1.0 + 25e-6 * (t - 20.0)) / water.density(20.0)
    expected = ethanol.density(abw) / water.density(20.0)
    assert gravity.hydrometer_sg(mark, t) == pytest.approx(expected, abs=1e-5)
    assert gravity.hydrometer_sg(mark, t, abv=abv) == pytest.approx(expected, abs=1e-5)


def test_the_correction_is_not_the_water_ratio():
    """For a strong sweet liquid read cold the water-ratio shortcut is off by a point; ours is not."""
    truth, t = sugar.density(22.5) / water.density(20.0), 5.0
    mark = sugar.density(22.5, t) * (1.0 + 25e-6 * (t - 20.0)) / water.density(20.0)
    shortcut = mark * water.density(20.0) / water.density(t)
    assert abs(shortcut - truth) > 0.001
    assert abs(gravity.hydrometer_sg(mark, t) - truth) < 1e-5


def test_at_its_own_temperature_a_hydrometer_is_believed():
    """A 20 °C scale in liquid at 20 °C needs no correction."""
    for mark in (0.97, 0.99, 1.0, 1.05, 1.12):
        assert gravity.hydrometer_sg(mark, 20.0) == pytest.approx(mark, abs=1e-9)


@unhurried
@given(st.floats(0.965, 1.18), st.floats(0.0, 40.0), st.one_of(st.none(), st.just(0.0), st.floats(0.1, 16.0)))
def test_gravity_survives_a_change_of_temperature(sg, t, abv):
    """To any temperature and back to 20 °C changes nothing, whatever the alcohol."""
    there = gravity.density_at(sg, t, abv)
    assert gravity.sg_at_20(there, t, abv) == pytest.approx(sg, abs=1e-8)


@unhurried
@given(st.floats(0.97, 1.17), st.floats(1e-4, 5e-3), st.floats(0.0, 40.0))
def test_a_higher_mark_is_a_higher_gravity(mark, more, t):
    """At one temperature the corrected gravity rises with the mark, through 1.000 too."""
    assert gravity.hydrometer_sg(mark + more, t) > gravity.hydrometer_sg(mark, t)


@unhurried
@given(st.floats(0.98, 1.15), st.floats(6.5, 38.0))
def test_a_warmer_liquid_with_the_same_mark_is_denser_at_20(mark, t):
    """The same mark in warmer liquid means more gravity at 20 °C (from where water outgrows glass, 6 °C)."""
    assert gravity.hydrometer_sg(mark, t + 1.0) > gravity.hydrometer_sg(mark, t)


def test_scales_of_60_f_and_20_c_convert():
    """A 60 °F scale shows 0.9993 where a 20 °C scale shows 1.0000, and the way back is exact."""
    assert gravity.rescale_hydrometer(1.0, 20.0, SIXTY_F) == pytest.approx(0.99930, abs=6e-6)
    for mark in (0.98, 1.0, 1.06, 1.12):
        there = gravity.rescale_hydrometer(mark, SIXTY_F, 20.0)
        assert gravity.rescale_hydrometer(there, 20.0, SIXTY_F) == pytest.approx(mark, abs=1e-7)


@unhurried
@given(st.floats(0.98, 1.15), st.floats(0.0, 40.0))
def test_two_scales_in_one_liquid_agree(mark, t):
    """Correcting a mark, or first carrying it to another scale, ends at the same gravity."""
    direct = gravity.hydrometer_sg(mark, t, SIXTY_F)
    carried = gravity.hydrometer_sg(gravity.rescale_hydrometer(mark, SIXTY_F, 20.0), t, 20.0)
    assert carried == pytest.approx(direct, abs=2e-7)


def test_the_error_is_the_reading_s_at_20_and_grows_away_from_it():
    """At 20 °C the error is the reading's and a little thermometer; cold, warm and unknown alcohol add."""
    at_20 = gravity.hydrometer_error(1.010, 20.0)
    assert 0.001 <= at_20 < 0.0011
    assert gravity.hydrometer_error(1.010, 35.0) > gravity.hydrometer_error(1.010, 25.0) > at_20
    assert gravity.hydrometer_error(1.010, 2.0) > at_20
    assert gravity.hydrometer_error(1.010, 35.0, abv=8.0) < gravity.hydrometer_error(1.010, 35.0)
    assert gravity.hydrometer_error(1.0, 20.0, reading_error=0.0, temperature_error_k=0.0) < 1e-9


def test_the_error_covers_a_wash_whose_alcohol_was_not_told():
    """A fermented wash read at 5 °C as if it were sugar water stays within two stated errors of the truth."""
    for abv in (0.0, 5.0, 9.0, 13.0):
        for sg in (1.0, 1.01, 1.03):
            mark = gravity.density_at(sg, 5.0, abv) * (1.0 - 25e-6 * 15.0) / water.density(20.0)
            found = gravity.hydrometer_sg(mark, 5.0)
            error = gravity.hydrometer_error(mark, 5.0, reading_error=0.0, temperature_error_k=0.0)
            assert abs(found - sg) <= 2.0 * error


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: gravity.hydrometer_sg(1.3, 20.0), "0.95 and 1.21"),
        (lambda: gravity.hydrometer_sg(1.05, 41.0), "0 and 40 °C"),
        (lambda: gravity.hydrometer_sg(1.05, 20.0, 60.0), "0 and 40 °C"),
        (lambda: gravity.hydrometer_sg(0.951, 20.0), "0.96 and 1.2"),
        (lambda: gravity.hydrometer_sg(1.0, 20.0, abv=26.0), "0 and 25 %"),
        (lambda: gravity.hydrometer_sg(math.nan, 20.0), "0.95 and 1.21"),
        (lambda: gravity.rescale_hydrometer(1.0, 60.0, 20.0), "0 and 40 °C"),
        (lambda: gravity.density_at(1.3, 20.0), "0.96 and 1.2"),
        (lambda: gravity.density_at(1.0, 20.0, 30.0), "0 and 25 %"),
        (lambda: pressure.density(0.0, 0.1), "above 0 Pa"),
        (lambda: pressure.density(900.0, math.inf), "above 0 m"),
        (lambda: pressure.density(900.0, 0.1, fall_m_s2=1.6), "9.7 and 9.9"),
        (lambda: pressure.sg(500.0, 0.1), "0.96 and 1.2"),
        (lambda: pressure.sg_error(0.1, -1.0), "0 and 1e+06 Pa"),
    ],
)
def test_nonsense_is_refused_with_what_is_allowed(call, allowed):
    """A Fahrenheit number where °C belongs, or any other impossible value, is refused with the range."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)


def test_a_pressure_pair_weighs_the_liquid():
    """The published differences of pressure give back the gravities they were computed from."""
    for row in numbers("hydrostatic_dp"):
        found = pressure.sg(row["dp_Pa"], row["dh_m"])
        assert found == pytest.approx(row["SG20"], abs=2e-6)
        one_point = pressure.sg_error(row["dh_m"], row["Pa_per_0.001_SG"], 0.0)
        assert one_point == pytest.approx(0.001, abs=1e-6)


def test_a_pressure_pair_is_corrected_to_20():
    """A pair in liquid at 5 °C is corrected by the liquid's expansion, as a hydrometer is."""
    cold = sugar.density(20.0, 5.0)
    found = pressure.sg(cold * 9.80665 * 0.2, 0.2, 5.0)
    assert found == pytest.approx(sugar.density(20.0) / water.density(20.0), abs=8e-6)
    assert pressure.sg_error(0.2, 1.0, 0.0005) == pytest.approx(math.hypot(0.00051, 0.0025), rel=0.01)
