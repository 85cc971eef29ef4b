"""Platinum thermometers and thermistors, both ways."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import resistance

from .tables import numbers, unhurried

# Measured at 0, 25 and 50 °C of the tabulated thermistor.
POINTS = [(0.0, 32649.9), (25.0, 10000.0), (50.0, 3601.1)]


def test_platinum_matches_the_published_table():
    """Every published resistance comes out to its two printed digits, and leads back to its temperature."""
    checked = 0
    for row in numbers("pt100"):
        found = resistance.platinum_ohm(row["t_C"])
        assert found == pytest.approx(row["R_ohm_computed"], abs=6e-5)
        if "R_ohm_published_table" in row:
            assert found == pytest.approx(row["R_ohm_published_table"], abs=0.006)
            assert resistance.platinum_celsius(row["R_ohm_published_table"]) == pytest.approx(row["t_C"], abs=0.015)
            checked += 1
    assert checked == 11


def test_the_ends_of_the_standard():
    """The printed ends of the standard, 18.52 and 390.48 ohm, are -200 and 850 °C."""
    assert resistance.platinum_ohm(-200.0) == pytest.approx(18.52, abs=0.005)
    assert resistance.platinum_ohm(850.0) == pytest.approx(390.48, abs=0.005)
    assert resistance.platinum_celsius(18.52) == pytest.approx(-200.0, abs=0.01)
    assert resistance.platinum_celsius(390.48) == pytest.approx(850.0, abs=0.01)


@unhurried
@given(st.floats(-200.0, 850.0), st.sampled_from([100.0, 500.0, 1000.0]))
def test_platinum_goes_there_and_back(temperature, r0):
    """Temperature to resistance and back is the same to a microkelvin, over the joint at 0 °C too."""
    ohm = resistance.platinum_ohm(temperature, r0)
    assert resistance.platinum_celsius(ohm, r0) == pytest.approx(temperature, abs=1e-6)


@unhurried
@given(st.floats(-200.0, 849.0), st.floats(1e-3, 1.0))
def test_platinum_rises(temperature, more):
    """Warmer platinum always resists more."""
    assert resistance.platinum_ohm(temperature + more) > resistance.platinum_ohm(temperature)


def test_classes_widen_away_from_zero():
    """A class B sensor may be off by 0.3 K at 0 °C and 0.8 K at 100 °C; finer classes by less everywhere."""
    assert resistance.platinum_tolerance(0.0) == 0.3
    assert resistance.platinum_tolerance(100.0, "B") == pytest.approx(0.8)
    for t in (-40.0, 0.0, 20.0, 200.0):
        grades = [resistance.platinum_tolerance(t, grade) for grade in ("AA", "A", "B", "C")]
        assert grades == sorted(grades)


def test_the_thermistor_matches_its_published_table():
    """Published resistances give their temperatures within 2 mK, and temperatures their resistances within 0.02 %."""
    checked = 0
    for row in numbers("ntc_10k"):
        found = resistance.thermistor_ohm(row["t_C"])
        assert found == pytest.approx(row["R_ohm_from_inverse_SteinhartHart"], rel=1e-5)
        if "R_ohm_published_table" in row:
            assert found == pytest.approx(row["R_ohm_published_table"], rel=2e-4)
            back = resistance.thermistor_celsius(row["R_ohm_published_table"])
            assert back == pytest.approx(row["t_C"], abs=2e-3)
            assert back == pytest.approx(row["t_from_SteinhartHart_of_published_R"], abs=1e-4)
            checked += 1
    assert checked == 10


@unhurried
@given(st.floats(-55.0, 150.0))
def test_thermistors_go_there_and_back(temperature):
    """By three coefficients, by two (no cubic term) and by beta, there and back is the same."""
    for coefficients in (resistance.COMMON_10K, (1.0e-3, 2.5e-4, 0.0)):
        ohm = resistance.thermistor_ohm(temperature, coefficients)
        assert resistance.thermistor_celsius(min(ohm, ohm), coefficients) == pytest.approx(temperature, abs=1e-6)
    ohm = resistance.beta_ohm(temperature)
    assert resistance.beta_celsius(ohm) == pytest.approx(temperature, abs=1e-6)


@unhurried
@given(st.floats(-55.0, 149.0), st.floats(1e-2, 1.0))
def test_thermistors_fall(temperature, more):
    """A warmer thermistor always resists less."""
    assert resistance.thermistor_ohm(temperature + more) < resistance.thermistor_ohm(temperature)
    assert resistance.beta_ohm(temperature + more) < resistance.beta_ohm(temperature)


def test_three_points_give_the_coefficients():
    """From three points of the table the published coefficients come back, and with them the rest of it."""
    found = resistance.thermistor_coefficients(POINTS)
    assert found == pytest.approx(resistance.COMMON_10K, rel=2e-4)
    for row in numbers("ntc_10k"):
        if row["t_C"] >= 0.0:
            ohm = row["R_ohm_from_inverse_SteinhartHart"]
            assert resistance.thermistor_celsius(ohm, found) == pytest.approx(row["t_C"], abs=1e-3)


def test_beta_is_the_coarser_of_the_two():
    """Beta from 25 and 85 °C is right at 25 °C and off by what its description says in between and beyond."""
    warm = resistance.thermistor_ohm(85.0)
    beta = math.log(10_000.0 / warm) / (1.0 / 298.15 - 1.0 / 358.15)
    assert resistance.beta_celsius(10_000.0, 10_000.0, beta) == pytest.approx(25.0)
    for t in range(0, 51, 5):
        assert resistance.beta_celsius(resistance.thermistor_ohm(t), 10_000.0, beta) == pytest.approx(t, abs=0.75)
    cold = resistance.beta_celsius(resistance.thermistor_ohm(-20.0), 10_000.0, beta)
    assert 0.5 < abs(cold + 20.0) < 2.0


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: resistance.platinum_ohm(-201.0), "-200 and 850 °C"),
        (lambda: resistance.platinum_ohm(math.nan), "-200 and 850 °C"),
        (lambda: resistance.platinum_celsius(10.0), "18.52 and 390.49 ohm"),
        (lambda: resistance.platinum_celsius(1000.0), "18.52 and 390.49 ohm"),
        (lambda: resistance.platinum_celsius(100.0, 0.0), "1 and 10000 ohm"),
        (lambda: resistance.platinum_tolerance(20.0, "Z"), "AA, A, B, C"),
        (lambda: resistance.platinum_tolerance(500.0), "-50 and 250 °C"),
        (lambda: resistance.thermistor_celsius(0.0), "above 0 ohm"),
        (lambda: resistance.thermistor_celsius(1.0), "-55 and 150 °C"),
        (lambda: resistance.thermistor_ohm(200.0), "-55 and 150 °C"),
        (lambda: resistance.thermistor_ohm(20.0, (1e-3, 0.0, 1e-7)), "second above 0"),
        (lambda: resistance.thermistor_coefficients(POINTS[:2]), "three points"),
        (lambda: resistance.beta_celsius(10_000.0, 10_000.0, 100.0), "2000 and 6000 K"),
        (lambda: resistance.beta_celsius(1.0), "-55 and 150 °C"),
        (lambda: resistance.beta_ohm(math.inf), "-55 and 150 °C"),
    ],
)
def test_impossible_sensors_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError) as refused:
        call()
    assert allowed in str(refused.value)


@pytest.mark.parametrize(
    "call",
    [
        lambda: resistance.thermistor_celsius(1e-300),
        lambda: resistance.beta_celsius(1e-300),
        lambda: resistance.thermistor_coefficients([(0.0, 1e4), (0.0, 2e4), (5.0, 3e4)]),
        lambda: resistance.thermistor_coefficients([(0.0, 1e4), (25.0, 2e4), (50.0, 4e4)]),
    ],
)
def test_nonsense_has_no_temperature(call):
    """Resistances no temperature has, and points no thermistor has, are refused in words."""
    with pytest.raises(ValueError, match=r"no temperature|must"):
        call()


@pytest.mark.parametrize(
    ("grade", "at_zero", "at_hundred"), [("AA", 0.1, 0.27), ("A", 0.15, 0.35), ("B", 0.3, 0.8), ("C", 0.6, 1.6)]
)
def test_each_class_is_as_stated(grade, at_zero, at_hundred):
    """Each class at 0 and 100 °C, and the same 100 kelvin below as above as far as it goes."""
    assert resistance.platinum_tolerance(0.0, grade) == pytest.approx(at_zero)
    assert resistance.platinum_tolerance(100.0, grade) == pytest.approx(at_hundred)
    assert resistance.platinum_tolerance(-50.0, grade) == resistance.platinum_tolerance(50.0, grade)


def test_from_one_ohm_to_ten_thousand_at_zero():
    """Thermometers of 1 to 10,000 ohm at 0 °C are answered, others refused, both ways."""
    for r0 in (1.0, 10_000.0):
        assert resistance.platinum_celsius(resistance.platinum_ohm(20.0, r0), r0) == pytest.approx(20.0)
    for r0 in (0.99, 10_001.0):
        for call in (resistance.platinum_ohm, resistance.platinum_celsius):
            with pytest.raises(ValueError, match="1 and 10000 ohm"):
                call(20.0, r0)


def test_beta_is_taken_from_two_to_six_thousand():
    """Betas at both ends are answered, others refused, both ways."""
    for beta in (2000.0, 6000.0):
        assert resistance.beta_celsius(resistance.beta_ohm(5.0, 1e4, beta), 1e4, beta) == pytest.approx(5.0)
    for beta in (1999.0, 6001.0):
        for call in (resistance.beta_ohm, resistance.beta_celsius):
            with pytest.raises(ValueError, match="2000 and 6000 K"):
                call(20.0, 1e4, beta)


@pytest.mark.parametrize("temperature", [-55.1, 150.1])
def test_thermistors_end_where_stated(temperature):
    """A tenth of a kelvin beyond the range is refused, both ways and by both descriptions."""
    a, b, c = resistance.COMMON_10K
    kelvin = temperature + 273.15
    by_beta = 1e4 * math.exp(3950.0 * (1.0 / kelvin - 1.0 / 298.15))
    x = (a - 1.0 / kelvin) / (2.0 * c)
    y = math.hypot((b / (3.0 * c)) ** 1.5, x)
    by_three = math.exp(math.cbrt(y - x) - math.cbrt(y + x))
    for call in (
        lambda: resistance.thermistor_ohm(temperature),
        lambda: resistance.beta_ohm(temperature),
        lambda: resistance.thermistor_celsius(by_three),
        lambda: resistance.beta_celsius(by_beta),
    ):
        with pytest.raises(ValueError, match="-55 and 150 °C"):
            call()
