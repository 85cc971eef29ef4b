"""The wash as a mixture, against published densities of its parts."""

from __future__ import annotations

import pytest

from simulators.physics.liquid import Mixture


@pytest.mark.parametrize(
    ("percent", "gravity"),
    # CRC/ICUMSA sucrose density at 20 °C over water's, in vacuo.
    [(5, 1.01964), (10, 1.03998), (15, 1.06107), (20, 1.08292), (25, 1.10558)],
)
def test_sugar_in_water_has_its_published_gravity(percent: float, gravity: float) -> None:
    """Sucrose solutions agree with the ICUMSA table to 0.0002."""
    assert Mixture(100 - percent, dextrin=percent).gravity == pytest.approx(gravity, abs=2e-4)


@pytest.mark.parametrize(("grams", "density"), [(100.0, 1036.07), (119.826, 1043.58)])
def test_glucose_has_its_published_density(grams: float, density: float) -> None:
    """Glucose per litre (CRC 102nd ed.) gives its table's density to 0.0001."""
    assert Mixture(density - grams, hexose=grams).gravity == pytest.approx(density / 998.203, abs=1e-4)


@pytest.mark.parametrize(
    ("mass_percent", "volume_percent", "density"),
    # OIML R 22 (1975).
    [(1.586, 2.0, 995.233), (7, 8.747, 986.24), (9.641, 12.0, 982.355), (16.2135, 20.0, 973.557)],
)
def test_alcohol_in_water_has_its_published_density(mass_percent: float, volume_percent: float, density: float) -> None:
    """Ethanol in water agrees with OIML R 22 in density and in percent by volume."""
    mixture = Mixture(100 - mass_percent, ethanol=mass_percent)
    assert mixture.gravity == pytest.approx(density / 998.203, abs=2e-5)
    assert mixture.abv == pytest.approx(volume_percent, abs=3e-3)


@pytest.mark.parametrize(("celsius", "reading"), [(5, 1.00139), (10, 1.00125), (25, 0.99896), (35, 0.99619)])
def test_hydrometer_in_pure_water_reads_as_physics_says(celsius: float, reading: float) -> None:
    """In water a hydrometer of 20 °C reads water's density times the glass's swelling (IAPWS-95, ISO 1768)."""
    assert Mixture(1000.0).hydrometer(celsius) == pytest.approx(reading, abs=3e-5)


@pytest.mark.parametrize(
    ("mixture", "celsius", "ratio"),
    [
        (Mixture(85, dextrin=15), 4, 1.002994),  # ICUMSA
        (Mixture(77.5, dextrin=22.5), 30, 0.996792),  # ICUMSA
        (Mixture(90.359, ethanol=9.641), 4, 1.002715),  # OIML R 22
        (Mixture(90.359, ethanol=9.641), 30, 0.996868),  # OIML R 22
    ],
)
def test_a_wash_swells_as_published(mixture: Mixture, celsius: float, ratio: float) -> None:
    """Thermal expansion of sugar and alcohol solutions is right to 0.0002."""
    assert mixture.expansion(celsius) == pytest.approx(ratio, abs=2e-4)


def test_a_wash_freezes_below_water() -> None:
    """12 % by volume freezes near -4.3 °C (CRC 102nd ed.), plain water at 0."""
    assert Mixture(1000.0).freezing_c == 0.0
    assert Mixture(903.59, ethanol=96.41).freezing_c == pytest.approx(-4.29, abs=0.1)
