"""Float angle and pressure pair to gravity, with the error carried through."""

import math
import random
import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import calibration, gravity, pressure, probes, sugar, water

from .tables import numbers, unhurried

POINTS = [(25.1, 1.000), (33.0, 1.020), (40.3, 1.040), (48.2, 1.066), (55.9, 1.094)]


def curve(points=POINTS, error=0.001):
    return calibration.fit(points, error)


def test_at_the_calibration_s_temperature_the_curve_speaks():
    """Nothing is corrected at the calibration's own temperature, and the error is at least the curve's."""
    found = probes.float_angle(curve(), 41.0, temperature_c=20.0)
    assert found.sg == pytest.approx(curve().value(41.0), abs=1e-7)
    assert found.error >= curve().error(41.0)
    assert not found.outside


def test_a_float_in_cold_wash_is_corrected_by_the_wash_s_expansion():
    """In wash at 5 °C a float reads high; the correction is the liquid's own, as for a hydrometer."""
    true = 1.040
    dense = gravity.density_at(sugar.true_from_apparent(true), 5.0)
    seen = sugar.apparent_from_true(dense / water.density(20.0))
    straight = calibration.fit([(0.0, 1.0), (100.0, 1.1)])
    found = probes.float_angle(straight, (seen - 1.0) * 1000.0, temperature_c=5.0)
    assert found.sg == pytest.approx(true, abs=2e-6)


def test_a_few_careless_points_widen_the_range():
    """Calibration errors, angle errors and an unknown temperature each widen the range, and are named."""
    sure = probes.float_angle(curve(), 41.0, temperature_c=20.0)
    rough = probes.float_angle(curve(error=0.003), 41.0, temperature_c=20.0)
    shaky = probes.float_angle(curve(), 41.0, temperature_c=20.0, angle_error_deg=1.0)
    blind = probes.float_angle(curve(), 41.0)
    for worse, name in ((rough, "calibration"), (shaky, "angle"), (blind, "temperature not known")):
        assert worse.error > sure.error
        assert worse.parts[0][0] == name


def test_beyond_the_points_it_says_so():
    """A reading beyond the calibration is marked as outside and is less sure."""
    inside, beyond = probes.float_angle(curve(), 54.0), probes.float_angle(curve(), 63.0)
    assert beyond.outside
    assert beyond.error > inside.error


def test_the_stated_error_is_the_scatter_of_many_calibrations():
    """Over 400 calibrations with errors of 0.001 the reading scatters as the calibration's part says, within 15 %."""
    chance = random.Random(4)
    found, stated = [], []
    for _ in range(400):
        points = [(angle, 1.0 + (angle - 25.0) * 0.003 + chance.gauss(0.0, 0.001)) for angle in (25, 33, 41, 49, 57)]
        fitted = calibration.fit(points, 0.001)
        found.append(fitted.value(45.0))
        stated.append(dict(probes.float_angle(fitted, 45.0, temperature_c=20.0).parts)["calibration"])
    assert statistics.stdev(found) == pytest.approx(statistics.fmean(stated), rel=0.15)


def test_a_pressure_pair_weighs_the_liquid_in_air():
    """Published pressure differences give the gravities, less the buoyancy of air."""
    for row in numbers("hydrostatic_dp"):
        found = probes.pressure_pair(row["dp_Pa"], row["dh_m"])
        assert found.sg == pytest.approx(sugar.apparent_from_true(row["SG20"]), abs=2e-6)


def test_water_calibrates_the_distance():
    """A pair 3 mm off its stated distance reads right once it was read in water, and surer than with a ruler."""
    distance, true = 0.203, 1.050
    in_water = (water.density(18.0) * pressure.STANDARD_GRAVITY * distance, 18.0)
    wash = gravity.density_at(sugar.true_from_apparent(true), 22.0) * pressure.STANDARD_GRAVITY * distance
    ruled = probes.pressure_pair(wash, 0.200, 22.0)
    weighed = probes.pressure_pair(wash, 0.200, 22.0, in_water=in_water, pressure_error_pa=1.0)
    assert abs(ruled.sg - true) > 0.01
    assert weighed.sg == pytest.approx(true, abs=1e-6)
    assert weighed.error < ruled.error
    assert pressure.distance_from_water(*in_water) == pytest.approx(distance)


def test_the_place_s_fall_cancels_with_water():
    """Near the equator a pair calibrated in water reads right though the standard fall is taken."""
    fall, distance, true = 9.780, 0.2, 1.050
    in_water = (water.density(20.0) * fall * distance, 20.0)
    wash = gravity.density_at(sugar.true_from_apparent(true), 20.0) * fall * distance
    assert probes.pressure_pair(wash, 0.2, 20.0, in_water=in_water).sg == pytest.approx(true, abs=1e-6)
    assert "fall acceleration of the place" in dict(probes.pressure_pair(wash, 0.2, 20.0).parts)


@unhurried
@given(st.floats(0.98, 1.12), st.floats(0.1, 0.5), st.floats(0.0, 40.0), st.one_of(st.none(), st.floats(0.0, 15.0)))
def test_a_pair_finds_any_liquid(sg, distance, t, abv):
    """Any liquid's own pressure difference, at any temperature, gives its gravity back with finite errors."""
    density = gravity.density_at(sugar.true_from_apparent(sg), t, abv)
    found = probes.pressure_pair(density * pressure.STANDARD_GRAVITY * distance, distance, t, abv=abv)
    assert found.sg == pytest.approx(sg, abs=1e-6)
    assert math.isfinite(found.error)
    assert found.low < found.sg < found.high


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: probes.float_angle(curve(), 500.0), "0.96 and 1.2"),
        (lambda: probes.float_angle(curve(), 40.0, temperature_c=50.0), "0 and 40 °C"),
        (lambda: probes.float_angle(curve(), 40.0, angle_error_deg=-1.0), "0 and 90 deg"),
        (lambda: probes.float_angle(curve(), math.nan), "finite"),
        (lambda: probes.pressure_pair(1000.0, 0.1, 41.0), "0 and 40 °C"),
        (lambda: probes.pressure_pair(-1.0, 0.1), "above 0 Pa"),
        (lambda: probes.pressure_pair(980.0, 0.1, pressure_error_pa=-1.0), "0 and 1e+06 Pa"),
        (lambda: pressure.distance_from_water(0.0, 20.0), "above 0 Pa"),
    ],
)
def test_readings_that_cannot_be_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)
