"""Sinking cells and flocs, and what they sink through."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from iapws import IAPWS95

from monitor.science import ethanol, settling, sugar, water

from .tables import numbers, rows, unhurried


@pytest.mark.parametrize("temperature", [0.01, 1, 4, 8, 15, 20, 25, 32, 40])
def test_water_viscosity_agrees_with_the_full_formulation(temperature):
    """The short formula lies within 0.05 % of the full IAPWS formulation."""
    full = IAPWS95(T=temperature + 273.15, P=0.101325).mu * 1000.0
    assert settling.water_viscosity(temperature) == pytest.approx(full, rel=5e-4)


def test_water_viscosity_agrees_with_the_old_tables():
    """Tables of 1928 agree within the 0.8 % that water was then taken too viscous by."""
    for row in numbers("water_viscosity_1928"):
        assert settling.water_viscosity(row["t_C"]) == pytest.approx(row["mPas"], rel=8e-3)


def test_ethanol_viscosity_at_20_is_the_handbook_s():
    """At 20 °C every handbook value to 20 % by mass comes out within 0.1 %, and none of them is missing."""
    checked = 0
    for row in numbers("ethanol_density_by_masspct"):
        if row["pct_mass"] > 19.5 or "viscosity20_CRC102_mPas" not in row:
            continue
        abv = ethanol.abv_from_abw(row["pct_mass"])
        assert settling.viscosity(20.0, abv) == pytest.approx(row["viscosity20_CRC102_mPas"], rel=1e-3)
        checked += 1
    assert checked == 20


def test_ethanol_viscosity_keeps_to_the_older_table_in_the_cold():
    """From 0 to 40 °C it stays within the 3 % by which the older table lies above the handbook."""
    for row in numbers("ethanol_viscosity_by_temperature"):
        for mass in (0, 10):
            found = settling.viscosity(row["t_C"], ethanol.abv_from_abw(mass))
            assert found == pytest.approx(row[str(mass)], rel=0.03)
        # 20 % by mass is 24.5 % by volume, past the end: extended by the last half per cent.
        found = settling.viscosity(row["t_C"], 24.0)
        assert 0.93 * row["20"] < found < row["20"]


def test_sugar_viscosity_keeps_to_its_sources():
    """Sucrose of 10 and 20 % within 1 % of the handbook (from memory), 40 % within 7 % of Bingham & Jackson."""
    assert settling.viscosity(20.0, 0.0, 10.0) == pytest.approx(1.336, rel=0.01)
    assert settling.viscosity(20.0, 0.0, 20.0) == pytest.approx(1.945, rel=0.01)
    for t in (0.0, 10.0, 20.0, 30.0, 40.0):
        # Their equation of 1918 (read): t = 0.597 y - 1438.6 / y + 38.24, y = fluidity in 1/poise + 20.
        y = (t - 38.24 + math.hypot(t - 38.24, 2.0 * math.sqrt(0.597 * 1438.6))) / (2.0 * 0.597)
        assert settling.viscosity(t, 0.0, 39.99) == pytest.approx(100.0 / (y - 20.0), rel=0.07)


def test_settling_matches_the_computed_table():
    """Velocity, hours and Reynolds number agree with the table: to its digits in water, to 1.3 % in cold ethanol."""
    table = rows("stokes_settling")
    assert len(table) == 36
    for row in table:
        *name, temperature = row["fluid"].split()
        abv = 12.0 if "ethanol" in name else 0.0
        through = settling.liquid(float(temperature.removesuffix("C")), abv)
        exact = settling.Liquid(float(row["rho_fluid"]), float(row["mu_mPas"]))
        diameter, density = float(row["d_um"]), float(row["rho_particle"])
        assert through.density == pytest.approx(exact.density, abs=0.02)
        assert through.viscosity == pytest.approx(exact.viscosity, rel=0.015)
        excess = density - exact.density
        alone = settling.stokes(diameter, excess, exact.viscosity)
        # A floc's density is printed to a tenth of the few kg/m³ that carry it.
        printed = 1e-3 + 0.06 / excess
        assert alone == pytest.approx(float(row["v_m_s"]), rel=printed)
        assert settling.reynolds(alone, diameter, exact) == pytest.approx(float(row["Re"]), rel=4e-3 + printed)
        found = settling.settle(100.0, through, diameter_um=diameter, density_kg_m3=density)
        assert found.hours.usual == pytest.approx(100.0 / float(row["v_mm_h"]), rel=0.012 + printed)
        assert found.hours.usual == pytest.approx(float(row["hours_per_0.10m"]), rel=0.012 + printed, abs=0.005)


def test_the_worked_example_of_a_yeast_cell():
    """A cell of 4 µm in water sinks about a micrometre a second: 0.87, printed rounded to one digit."""
    for row in rows("stokes_examples"):
        excess = float(row["rho_particle"]) - float(row["rho_liquid"])
        found = settling.stokes(float(row["diameter_um"]), excess, float(row["mPas"]))
        assert found == pytest.approx(float(row["m_s"]), rel=0.15)


def test_a_single_cell_never_clears_a_jar_overnight():
    """A 5 µm cell needs 20 to 40 hours for 0.10 m of water, by its density and the cold; nothing is fitted."""
    quick = settling.settle(100.0, settling.liquid(20.0), diameter_um=5.0, density_kg_m3=1100.0)
    slow = settling.settle(100.0, settling.liquid(4.0), diameter_um=5.0, density_kg_m3=1080.0)
    assert quick.hours.usual == pytest.approx(20.0, abs=0.2)
    assert slow.hours.usual == pytest.approx(40.0, abs=0.2)
    floc = settling.settle(100.0, settling.liquid(4.0), "floc")
    assert floc.hours.high < 8.0 < quick.hours.usual


@unhurried
@given(st.floats(0.0, 40.0), st.floats(0.0, 24.0), st.floats(0.0, 40.0), st.floats(1e-3, 1.0), st.floats(1e-3, 0.9))
def test_viscosity_falls_with_warmth_and_rises_with_what_is_in_it(temperature, abv, extract, more, kelvin):
    """Warmer is thinner; more alcohol or extract is thicker; no NaN anywhere in the range."""
    here = settling.viscosity(temperature, abv, extract)
    assert here > 0.0
    assert settling.viscosity(min(40.0, temperature + kelvin), abv, extract) <= here
    assert settling.viscosity(temperature, min(24.0, abv + more), extract) >= here
    assert settling.viscosity(temperature, abv, min(40.0, extract + more)) >= here


@unhurried
@given(st.floats(0.0, 40.0), st.floats(0.0, 24.0), st.floats(0.0, 0.12))
def test_a_liquid_is_what_its_parts_are(temperature, abv, over):
    """With no extract, told and untold gravity give one liquid; with extract it is denser and thicker."""
    plain = settling.liquid(temperature, abv)
    alone = ethanol.sg_from_abv(abv)
    told = settling.liquid(temperature, abv, alone)
    assert told.density == pytest.approx(plain.density, abs=1e-6 if abv else 0.02)
    assert told.viscosity == pytest.approx(plain.viscosity, rel=1e-6)
    rich = settling.liquid(temperature, abv, min(1.13, alone + over))
    assert rich.density >= plain.density - 0.02
    assert rich.viscosity >= plain.viscosity * (1.0 - 1e-9)


@unhurried
@given(
    st.floats(1.0, 5000.0), st.floats(0.5, 100.0), st.floats(1005.0, 1200.0), st.floats(0.0, 40.0), st.floats(0.0, 0.5)
)
def test_settling_scales_as_stokes_says(depth, diameter, density, temperature, share):
    """Twice as deep takes twice as long, a crowd is slower, the range is in order."""
    through = settling.liquid(temperature)
    assume(settling.reynolds(settling.stokes(diameter, density - through.density, through.viscosity), diameter,
                             through) < settling.RE_MOST)  # fmt: skip
    one = settling.settle(depth, through, diameter_um=diameter, density_kg_m3=density)
    assert one.hours.low <= one.hours.usual <= one.hours.high
    half = settling.settle(max(1.0, depth / 2.0), through, diameter_um=diameter, density_kg_m3=density)
    assert half.hours.usual == pytest.approx(one.hours.usual * max(1.0, depth / 2.0) / depth)
    crowd = settling.settle(depth, through, diameter_um=diameter, density_kg_m3=density, volume_share=share)
    assert crowd.hours.usual >= one.hours.usual
    assert crowd.hours.usual == pytest.approx(one.hours.usual / (1.0 - share) ** 4.65)


def test_what_floats_never_settles():
    """A particle lighter than the liquid rises, and the hours are infinite."""
    found = settling.settle(100.0, settling.liquid(20.0), diameter_um=5.0, density_kg_m3=950.0)
    assert found.mm_per_hour.usual < 0.0
    assert found.hours.usual == math.inf


def test_the_slow_end_allows_for_the_next_term_of_drag():
    """Near a Reynolds number of 1 the slow end is slower by Oseen's three sixteenths of it."""
    found = settling.settle(100.0, settling.liquid(20.0), diameter_um=300.0, density_kg_m3=1018.0)
    assert 0.1 < found.reynolds < 1.0
    assert found.hours.high / found.hours.usual == pytest.approx(1.0 + 3.0 / 16.0 * found.reynolds)


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: settling.water_viscosity(-0.1), "0 and 40 °C"),
        (lambda: settling.viscosity(20.0, 25.0), "0 and 24 %"),
        (lambda: settling.viscosity(20.0, 5.0, 41.0), "0 and 40 %"),
        (lambda: settling.liquid(20.0, 5.0, 1.14), "0.96 and 1.13"),
        (lambda: settling.liquid(math.nan), "0 and 40 °C"),
        (lambda: settling.stokes(0.0, 100.0, 1.0), "0.1 and 5000 µm"),
        (lambda: settling.stokes(5.0, math.nan, 1.0), "-1000 and 10000 kg/m³"),
        (lambda: settling.stokes(5.0, 100.0, 0.0), "0.1 and 100000 mPa s"),
        (lambda: settling.reynolds(math.inf, 5.0, settling.liquid(20.0)), "-10 and 10 m/s"),
        (lambda: settling.crowding(0.6), "0 and 0.5"),
        (lambda: settling.settle(0.0, settling.liquid(20.0)), "1 and 5000 mm"),
        (lambda: settling.settle(100.0, settling.liquid(20.0), "sand"), "cell or floc"),
        (lambda: settling.settle(100.0, settling.liquid(20.0), diameter_um=0.1), "0.5 and 2000 µm"),
        (lambda: settling.settle(100.0, settling.liquid(20.0), density_kg_m3=800.0), "900 and 1500 kg/m³"),
        (lambda: settling.settle(100.0, settling.liquid(20.0), diameter_um=1000.0, density_kg_m3=1100.0), "at most 1"),
    ],
)
def test_impossible_settling_is_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)


def test_densities_are_those_of_the_other_modules():
    """Water without alcohol has the density of `water.density`."""
    assert settling.liquid(4.0).density == water.density(4.0)


def test_what_is_not_told_has_the_range_of_its_kind():
    """A cell is 4 to 8 µm of 1080 to 1113 kg/m³, a floc 50 to 200 µm and 10 to 30 kg/m³ over the liquid."""
    published = {row["quantity"]: row["value"] for row in rows("yeast_kinetics_published")}
    diameter, density = published["yeast textbook cell"].split(";")
    assert settling.CELL_UM.usual == float(diameter.split()[0])
    assert settling.CELL_KG_M3.usual == 1000.0 * float(density.split()[0])
    assert settling.CELL_KG_M3.high == 1000.0 * float(published["cell density (buoyant)"].split("-")[1])
    through = settling.liquid(4.0, 12.0)

    def hours(micrometres, kilograms):
        alone = settling.settle(100.0, through, diameter_um=micrometres, density_kg_m3=kilograms)
        return alone.hours.usual

    cell = settling.settle(100.0, through).hours
    assert cell.usual == pytest.approx(hours(5.0, 1100.0))
    assert (cell.low, cell.high) == pytest.approx((hours(8.0, 1113.0), hours(4.0, 1080.0)), rel=1e-5)
    floc = settling.settle(100.0, through, "floc").hours
    assert floc.usual == pytest.approx(hours(100.0, through.density + 20.0))
    assert floc.low == pytest.approx(hours(200.0, through.density + 30.0))
    assert floc.high == pytest.approx(hours(50.0, through.density + 10.0), rel=1e-4)


def test_extract_is_found_from_strength_and_gravity():
    """Ten grams of sugar in 100 g of water-and-alcohol thicken it as ten per cent of extract do."""
    abv = 8.0
    sg = ethanol.sg_from_abv(abv) + sugar.true_sg_from_plato(10.0) - 1.0
    assert settling.liquid(20.0, abv, sg).viscosity == pytest.approx(settling.viscosity(20.0, abv, 10.0), rel=1e-6)
    assert settling.viscosity(20.0, abv, 10.0) / settling.viscosity(20.0, abv) == pytest.approx(1.336 / 1.002, rel=0.01)


def test_extract_thickens_more_in_the_cold():
    """Sugar's share in the viscosity is that of the handbook at 20 °C itself, and 14 % more of its log at 0 °C."""
    at_20, at_0 = (math.log(settling.viscosity(t, 0.0, 20.0) / settling.viscosity(t)) for t in (20.0, 0.0))
    assert at_20 == pytest.approx(math.log(1.945 / 1.002), abs=0.004)
    assert at_0 == pytest.approx(1.14 * at_20, rel=1e-9)


def test_every_per_cent_of_alcohol_is_followed():
    """Between the handbook's whole per cents, and to the end at 24 % by volume, viscosity runs straight in its log."""
    for mass in (0.5, 9.5, 18.5, 19.4):
        low, high = (settling._ETHANOL_20[int(mass) + step] for step in (0, 1))
        share = mass - int(mass)
        expected = math.exp((1.0 - share) * math.log(low) + share * math.log(high)) / 1.002
        found = settling.viscosity(20.0, ethanol.abv_from_abw(mass)) / settling.water_viscosity(20.0)
        assert found == pytest.approx(expected, rel=1e-6)


def test_at_twenty_per_cent_by_mass_the_course_is_the_older_table_s():
    """From 20 °C to the cold the last column changes as the older table does, through 10 and 20 % alike."""
    for row in numbers("ethanol_viscosity_by_temperature"):
        for mass in (10.0, 19.0):
            ratio = settling.viscosity(row["t_C"], ethanol.abv_from_abw(mass)) / settling.water_viscosity(row["t_C"])
            ratio /= settling.viscosity(20.0, ethanol.abv_from_abw(mass)) / settling.water_viscosity(20.0)
            x = mass / 10.0

            def old(t_row, x=x):
                ten, twenty = (math.log(t_row[key] / t_row["0"]) for key in ("10", "20"))
                return x * (2.0 - x) * ten + x * (x - 1.0) / 2.0 * twenty

            at_20 = next(each for each in numbers("ethanol_viscosity_by_temperature") if each["t_C"] == 20.0)
            assert math.log(ratio) == pytest.approx(old(row) - old(at_20), abs=1e-9)


@pytest.mark.parametrize(
    "call",
    [
        lambda: settling.viscosity(40.0, 24.0, 40.0),
        lambda: settling.liquid(0.0, 24.0),
        lambda: settling.liquid(40.0, 0.0, 1.13),
        lambda: settling.reynolds(1e-6, 0.1, settling.liquid(20.0)),
        lambda: settling.reynolds(1e-6, 5000.0, settling.liquid(20.0)),
        lambda: settling.crowding(0.5),
        lambda: settling.settle(1.0, settling.liquid(0.0), diameter_um=0.5),
        lambda: settling.settle(5000.0, settling.liquid(40.0), density_kg_m3=1500.0),
    ],
)
def test_the_ends_of_the_ranges_are_allowed(call):
    """What stands at an end of a stated range is answered."""
    assert call() is not None


@pytest.mark.parametrize(
    "call",
    [
        lambda: settling.liquid(20.0, 24.5),
        lambda: settling.reynolds(1e-6, 0.099, settling.liquid(20.0)),
        lambda: settling.reynolds(1e-6, 5001.0, settling.liquid(20.0)),
        lambda: settling.crowding(0.51),
        lambda: settling.settle(100.0, settling.liquid(20.0), diameter_um=205.0, density_kg_m3=1055.0 + 200.0),
    ],
)
def test_just_beyond_the_ends_is_refused(call):
    """A little beyond an end of a stated range is refused."""
    with pytest.raises(ValueError, match="must"):
        call()


def test_stokes_law_is_refused_just_above_a_reynolds_number_of_one():
    """A sphere at 0.97 is answered, one at 1.05 refused."""
    through = settling.liquid(20.0)

    def number(density):
        excess = density - through.density
        return settling.reynolds(settling.stokes(200.0, excess, through.viscosity), 200.0, through)

    below, above = 1221.0, 1240.0
    assert 0.95 < number(below) < 1.0 < number(above) < 1.08
    settling.settle(100.0, through, diameter_um=200.0, density_kg_m3=below)
    with pytest.raises(ValueError, match="at most 1"):
        settling.settle(100.0, through, diameter_um=200.0, density_kg_m3=above)
