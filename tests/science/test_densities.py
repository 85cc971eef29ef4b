"""Water, ethanol-water and sugar solutions against published tables."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95

from monitor.science import ethanol, sugar, water

from .tables import numbers, rows, unhurried


def test_water_matches_the_published_formula_and_iapws95():
    """Water's density agrees with Tanaka's table to its last digit and with IAPWS-95 to 0.002 kg/m³."""
    for row in numbers("water_density"):
        found = water.density(row["t_C"])
        assert found == pytest.approx(row["rho_Tanaka2001_kg_m3"], abs=6e-5)
        assert found == pytest.approx(row["rho_IAPWS95_kg_m3"], abs=2e-3)
        assert found == pytest.approx(row["rho_Kell1975_kg_m3"], abs=5e-3)


def test_water_matches_iapws95_computed_here():
    """Water's density agrees with the IAPWS-95 library between the table's whole degrees too."""
    for t in (0.5, 3.98, 15.5556, 27.3, 39.9):
        expected = IAPWS95(T=t + 273.15, P=0.101325).rho
        assert water.density(t) == pytest.approx(expected, abs=2e-3)


def test_the_reference_density_is_water_s_at_20():
    """The named reference is the formula's own value at 20 °C and the CIPM table's."""
    assert water.RHO_20 == water.density(20.0) == pytest.approx(998.2067, abs=1e-4)


@pytest.mark.parametrize("t", [-0.1, 40.1, math.nan, math.inf])
def test_water_refuses_what_the_formula_does_not_cover(t):
    """A temperature outside 0-40 °C is refused with the allowed range in the message."""
    with pytest.raises(ValueError, match="between 0 and 40 °C"):
        water.density(t)


def test_ethanol_density_matches_the_international_tables():
    """Ethanol-water agrees with the OIML R 22 tables over strength and temperature."""
    for row in numbers("ethanol_density_vs_temp"):
        found = ethanol.density(row["pct_mass"], row["t_C"])
        assert found == pytest.approx(row["rho_kg_m3"], abs=2e-3)  # strengths there have three decimals
    for row in numbers("ethanol_density_by_masspct"):
        found = ethanol.density(row["pct_mass"]) / 1000.0
        assert found == pytest.approx(row["rho20_R22_g_cm3"], abs=6e-6)
        # that handbook runs 0.0002 above the others between 45 and 80 %
        for other, tolerance in (("rho20_Perry7_g_cm3", 6e-5), ("rho20_CRC102_g_cm3", 2.5e-4)):
            if other in row:
                assert found == pytest.approx(row[other], abs=tolerance)
        if "rho20_NBS_old_table_g_cm3" in row:
            assert found == pytest.approx(row["rho20_NBS_old_table_g_cm3"], abs=1e-4)


def test_strength_by_volume_and_mass_match_the_tables():
    """Strength by volume and by mass convert as the international tables say."""
    for row in numbers("ethanol_density_by_volpct"):
        volume, mass = row["pct_vol_20C"], row["pct_mass"]
        assert ethanol.abw_from_abv(volume) == pytest.approx(mass, abs=6e-5)
        assert ethanol.abv_from_abw(mass) == pytest.approx(volume, abs=1e-4)
        assert ethanol.sg_from_abv(volume) == pytest.approx(row["SG20_20"], abs=6e-6)
        if "rho20_secondary_copy_of_pharmacopoeia_table_kg_m3" in row:
            expected = row["rho20_secondary_copy_of_pharmacopoeia_table_kg_m3"]
            assert ethanol.density(mass) == pytest.approx(expected, abs=6e-3)


def test_ethanol_agrees_with_an_older_independent_table():
    """Gravities at 25/25 and 60/60 °F follow from R 22 as an independent pharmacopoeia prints them."""
    sixty_f = 15.5556
    for row in numbers("usp_alcoholometric"):
        mass = row["pct_mass"]
        for t, column in ((25.0, "SG_air_25_25"), (sixty_f, "SG_air_15_56_15_56")):
            in_air = (ethanol.density(mass, t) - 1.2) / (ethanol.density(0.0, t) - 1.2)
            assert in_air == pytest.approx(row[column], abs=1.2e-4)
        by_volume = mass * ethanol.density(mass, sixty_f) / ethanol.density(100.0, sixty_f)
        assert by_volume == pytest.approx(row["pct_vol_15_56C"], abs=0.02)


def test_strong_spirit_hydrometer_follows_the_gauging_manual():
    """A strong spirit read warm gives the true proof that the gauging manual prints, glass included."""
    reference = 15.5556
    pure = ethanol.density(100.0, reference)

    def proof(mass: float) -> float:
        return 2.0 * mass * ethanol.density(mass, reference) / pure

    def mass_where(wanted, rising) -> float:
        low, high = 50.0, 100.0
        for _ in range(60):
            middle = (low + high) / 2.0
            low, high = (middle, high) if rising(middle) < wanted else (low, middle)
        return low

    checked = 0
    for row in numbers_of_gauging():
        t = (row["temp_F"] - 32.0) / 1.8
        marked = ethanol.density(mass_where(row["apparent_proof"], proof), reference)
        seen = marked / (1.0 + 25e-6 * (t - reference))
        found = proof(mass_where(-seen, lambda mass, t=t: -ethanol.density(mass, t)))
        assert found == pytest.approx(row["true_proof"], abs=0.06)
        checked += 1
    assert checked == 4


def numbers_of_gauging():
    """The gauging table, whose last row holds "interpolated -> rounded"."""
    return [
        {
            "apparent_proof": float(row["apparent_proof"]),
            "temp_F": float(row["temp_F"]),
            "true_proof": float(row["true_proof_published"].split(" -> ")[0]),
        }
        for row in rows("cfr27_30_23_check")
    ]


def test_sucrose_density_matches_the_tables():
    """Sucrose solutions agree with the ICUMSA table by temperature and with two other tables at 20 °C."""
    for row in numbers("sucrose_density_vs_temp"):
        found = sugar.density(row["mass_pct_sucrose"], row["t_C"])
        assert found == pytest.approx(row["rho_kg_m3"], abs=6e-4)
    for row in numbers("sucrose_sg2020"):
        found = sugar.density(row["mass_pct_sucrose_Plato"])
        assert found == pytest.approx(row["rho20_table_UMK_kg_m3"], abs=0.08)
        if "rho20_CRC102_g_cm3" in row:
            assert found / 1000.0 == pytest.approx(row["rho20_CRC102_g_cm3"], abs=1e-4)
        cool = sugar.density(row["mass_pct_sucrose_Plato"], 15.0)
        assert cool == pytest.approx(row["rho15_table_UMK_kg_m3"], abs=0.08)


def test_plato_and_gravity_match_the_tables_both_ways():
    """True and apparent gravities are kept apart, and each agrees with its column both ways."""
    for row in numbers("sucrose_sg2020"):
        plato = row["mass_pct_sucrose_Plato"]
        true, apparent = row["SG20_20_true_in_vacuo"], row["SG20_20_apparent_in_air"]
        assert sugar.true_sg_from_plato(plato) == pytest.approx(true, abs=6e-6)
        assert sugar.sg_from_plato(plato) == pytest.approx(apparent, abs=6e-6)
        assert sugar.plato_from_true_sg(true) == pytest.approx(plato, abs=2e-3)
        assert sugar.plato_from_sg(apparent) == pytest.approx(plato, abs=2e-3)
        # the brewing chemists' cubic was fitted to another table; it differs by 0.011 at most here
        assert sugar.plato_from_sg(apparent) == pytest.approx(row["degP_from_ASBC_cubic_at_apparent_SG"], abs=0.015)


@unhurried
@given(st.floats(-10.5, 43.0))
def test_plato_survives_the_round_trip(plato):
    """From Plato to gravity and back changes nothing, below 1.000 as above, true as apparent."""
    assert sugar.plato_from_sg(sugar.sg_from_plato(plato)) == pytest.approx(plato, abs=1e-7)
    assert sugar.plato_from_true_sg(sugar.true_sg_from_plato(plato)) == pytest.approx(plato, abs=1e-7)


@unhurried
@given(st.floats(0.960, 1.199))
def test_density_in_vacuo_survives_the_round_trip(sg):
    """Gravity to kg/m³ and back changes nothing; in vacuo is not in air (0.1 kg/m³ at 1.09)."""
    density = sugar.kg_m3_from_sg(sg)
    assert sugar.sg_from_kg_m3(density) == pytest.approx(sg, abs=1e-12)
    assert density == pytest.approx(1000.0 * sg * 0.998203, abs=0.26)


def test_kilograms_per_cubic_metre_are_the_table_s():
    """The apparent gravities of the table give back its densities in vacuo."""
    for row in numbers("sucrose_sg2020"):
        found = sugar.kg_m3_from_sg(row["SG20_20_apparent_in_air"])
        assert found == pytest.approx(row["rho20_ICUMSA_kg_m3"], abs=6e-3)


@unhurried
@given(st.floats(-11.9, 60.0))
def test_grams_a_litre_survive_the_round_trip(plato):
    """From Plato to grams a litre and back changes nothing, contraction included."""
    assert sugar.plato_from_g_l(sugar.g_l_from_plato(plato)) == pytest.approx(plato, abs=1e-7)


@unhurried
@given(st.floats(0.0, 100.0))
def test_strength_survives_the_round_trip(abv):
    """From volume to mass and back changes nothing."""
    assert ethanol.abv_from_abw(ethanol.abw_from_abv(abv)) == pytest.approx(abv, abs=1e-7)


@unhurried
@given(st.floats(0.960, 1.198), st.floats(1e-4, 2e-3))
def test_plato_rises_with_gravity(sg, more):
    """More gravity is always more Plato, through 1.000 without a kink that would turn it round."""
    assert sugar.plato_from_sg(min(sg + more, 1.2)) > sugar.plato_from_sg(sg)


@unhurried
@given(st.floats(0.0, 30.0), st.floats(0.01, 5.0), st.floats(0.0, 40.0))
def test_alcohol_always_lightens_and_sugar_always_weighs(amount, more, t):
    """At any temperature of use more alcohol is lighter and more sugar heavier."""
    assert ethanol.density(amount + more, t) < ethanol.density(amount, t)
    assert sugar.density(amount + more, t) > sugar.density(amount, t)


def test_plato_below_water_is_negative_and_smooth():
    """Below 1.000 Plato runs on below zero with the same slope."""
    assert sugar.plato_from_sg(1.0) == pytest.approx(0.0, abs=1e-9)
    below, above = sugar.plato_from_sg(0.999), sugar.plato_from_sg(1.001)
    assert below < 0.0 < above
    assert -below == pytest.approx(above, rel=0.01)


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: sugar.plato_from_sg(0.959), "0.96 and 1.2"),
        (lambda: sugar.plato_from_true_sg(1.21), "0.96 and 1.2"),
        (lambda: sugar.true_from_apparent(math.nan), "0.96 and 1.2"),
        (lambda: sugar.density(61.0), "-12 and 60 °P"),
        (lambda: sugar.density(10.0, 81.0), "0 and 80 °C"),
        (lambda: sugar.plato_from_g_l(800.0), "-114.5 and 772 g/L"),
        (lambda: sugar.kg_m3_from_sg(0.9), "0.96 and 1.2"),
        (lambda: ethanol.density(-0.1), "0 and 100 %"),
        (lambda: ethanol.density(10.0, 41.0), "-20 and 40 °C"),
        (lambda: ethanol.abw_from_abv(101.0), "0 and 100 %"),
        (lambda: ethanol.abw_from_sg(1.001), "1"),
    ],
)
def test_what_no_formula_covers_is_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must lie between") as refused:
        call()
    assert allowed in str(refused.value)
