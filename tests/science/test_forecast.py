"""What a mix should give, and where it can end."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import fermentables, forecast, sugar

from .tables import rows, unhurried


def test_gravity_of_sugars_in_a_volume_is_the_table_s():
    """Sucrose, glucose and dextrose raise the gravity as the computed table says, contraction included."""
    table = rows("gravity_contribution")
    for row in table:
        weight = 1.0 if row["case"].startswith("sucrose") else fermentables.GLUCOSE_WEIGHT
        found = 1000.0 * (forecast.og_from_g_l(weight * float(row["g_solute_per_L"])) - 1.0)
        assert found == pytest.approx(float(row["gravity_points_in_air"]), abs=0.06)
    assert len(table) == 8


def test_dextrose_is_weighed_with_its_water():
    """A pound of dextrose in a gallon gives what the table says for its water of crystallisation."""
    row = next(row for row in rows("gravity_contribution") if row["case"].startswith("dextrose"))
    found = forecast.original(3.785411784, {"dextrose": 0.45359237})
    assert 1000.0 * (found.og - 1.0) == pytest.approx(float(row["gravity_points_in_air"]), abs=0.06)


def test_the_weight_of_glucose_is_the_handbook_s():
    """Glucose against sucrose, gram for gram, by the handbook's densities at 10 % by mass."""
    density = {
        row["solute"]: float(row["rho20_g_cm3"]) for row in rows("crc_handbook_solutions") if row["mass_pct"] == "10.0"
    }
    ratio = (density["Glucose"] - 0.9982) / (density["Sucrose"] - 0.9982)
    assert ratio == pytest.approx(fermentables.GLUCOSE_WEIGHT, abs=2e-3)


def test_three_kilos_and_raw_corn():
    """3 kg sugar and raw corn in 19 litres: the corn adds a point at most, and it is said why."""
    sweet = forecast.original(19.0, {"sucrose": 3.0})
    mixed = forecast.original(19.0, {"sucrose": 3.0}, {"corn": 2.3}, "none")
    assert sweet.og == pytest.approx(sugar.sg_from_plato(sugar.plato_from_g_l(3000.0 / 19.0)))
    assert sweet.og == pytest.approx(1.0608, abs=1e-4)
    assert 0.0 < mixed.og - sweet.og < 0.0015
    assert mixed.from_grain_kg < 0.07
    assert any("starch, not sugar" in note for note in mixed.notes)
    assert mixed.og_low < sweet.og < mixed.og_high


def test_enzymes_free_the_corn():
    """With enzymes the same corn adds about 25 to 30 points; added ones more than malt's."""
    none, malt, added = (
        forecast.original(19.0, {"sucrose": 3.0}, {"corn": 2.3}, enzymes) for enzymes in ("none", "malt", "added")
    )
    assert none.og + 0.020 < malt.og < added.og < none.og + 0.032
    assert added.fg < malt.fg
    assert any("No malt is in the mix" in note for note in malt.notes)


@pytest.mark.parametrize("kilos", [3.0, 3.6, 4.2, 4.66])
def test_a_sugar_wash_ends_where_the_trade_says(kilos):
    """OG 1.060 to 1.094 from sugar: the expected end lies within 0.985 and 0.992, a range round it."""
    found = forecast.original(19.0, {"sucrose": kilos})
    assert 1.060 < found.og < 1.095
    assert 0.985 <= found.fg <= 0.992
    assert found.fg_low < found.fg < found.fg_high
    assert any("below 1.000" in note for note in found.notes)


def test_a_grain_wash_cannot_end_there():
    """Malt alone ends above 1.000, grain with added enzymes above 0.992; it is said why."""
    malt = forecast.original(19.0, {}, {"barley-malt": 5.0}, "malt")
    added = forecast.original(19.0, {}, {"corn": 4.5}, "added")
    assert malt.fg_low > 1.000
    assert added.fg > 0.992
    for found in (malt, added):
        assert any("cannot end at" in note for note in found.notes)


def test_malt_left_unmashed_is_told_so():
    """Malt without enzymes said is taken as unmashed: a tenth of it dissolves, and the note says what to do."""
    found = forecast.original(19.0, {}, {"barley-malt": 5.0}, "none")
    assert found.og < 1.015
    assert any("say malt" in note for note in found.notes)


def test_an_early_reading_is_low():
    """With part of the sugar on the bottom the reading is low by just that sugar, and the note says so."""
    found = forecast.original(19.0, {"sucrose": 3.0})
    assert found.early_reading == pytest.approx(forecast.og_from_g_l(0.7 * 3000.0 / 19.0))
    assert any("Stir until" in note for note in found.notes)
    assert forecast.original(19.0, {}, {"corn": 2.0}).early_reading is None


def test_water_and_sugar_make_the_volume():
    """The water asked for, weighed with the sugar, is the mass of the volume at its gravity."""
    found = forecast.original(19.0, {"sucrose": 3.0, "honey": 1.0})
    mass = found.water_l * 0.9982 + 4.0
    assert mass == pytest.approx(19.0 * sugar.kg_m3_from_sg(found.og) / 1000.0, abs=0.001)
    assert found.water_l < 19.0 - 2.2


def test_a_yeast_with_a_limit_stops_there():
    """Where the sugar would make more alcohol than the yeast bears, the end is where its limit is."""
    free = forecast.original(19.0, {"sucrose": 5.0})
    held = forecast.original(19.0, {"sucrose": 5.0}, alcohol_limit_abv=12.0)
    assert held.abv == pytest.approx(12.0, abs=0.01)
    assert held.fg > free.fg
    assert any("may stop early" in note for note in free.notes)


def test_unfermentable_sugar_stays():
    """Lactose raises the start and the end alike, and gives no alcohol to speak of."""
    found = forecast.original(10.0, {"lactose": 0.5})
    assert found.og - found.fg < 0.001
    assert found.abv < 0.2


def test_water_alone_is_water():
    """Nothing in it: 1.000, no alcohol, no range, nothing to say."""
    found = forecast.original(19.0)
    assert (found.og, found.fg, found.abv) == pytest.approx((1.0, 1.0, 0.0), abs=1e-9)
    assert (found.og_low, found.og_high) == pytest.approx((1.0, 1.0))
    assert found.notes == ()


ingredients = st.dictionaries(st.sampled_from(sorted(fermentables.SUGARS)), st.floats(0.0, 1.5), max_size=3)
bill = st.dictionaries(st.sampled_from(sorted(fermentables.GRAINS)), st.floats(0.0, 1.5), max_size=3)


@unhurried
@given(ingredients, bill, st.sampled_from(["none", "malt", "added"]))
def test_any_mix_gives_ranges_in_order(sugars, grains, enzymes):
    """No NaN for any mix: starts, ends and strengths lie within their ranges, and the end below the start."""
    found = forecast.original(20.0, sugars, grains, enzymes)
    assert 1.0 - 1e-9 <= found.og_low <= found.og <= found.og_high
    assert found.fg_low <= found.fg <= found.fg_high <= found.og_high + 1e-9
    assert found.abv_low <= found.abv <= found.abv_high
    assert all(math.isfinite(value) for value in (found.water_l, found.extract_kg, found.plato))


@unhurried
@given(st.floats(0.1, 5.0), st.floats(0.05, 1.0), st.floats(5.0, 50.0))
def test_more_sugar_or_less_water_is_more_gravity(kilos, more, litres):
    """Gravity rises with sugar and falls with volume."""
    if kilos + more > 0.4 * litres:
        return
    here = forecast.original(litres, {"sucrose": kilos})
    assert forecast.original(litres, {"sucrose": kilos + more}).og > here.og
    assert forecast.original(litres * 1.1, {"sucrose": kilos}).og < here.og


def test_every_figure_of_the_ingredients_is_a_range_in_order():
    """Usual lies between low and high, and all are shares."""
    for kind in (*fermentables.SUGARS.values(), *fermentables.GRAINS.values()):
        for name in ("solids", "fermented", "moisture", "potential", "soluble"):
            usual, low, high = getattr(kind, name, (0.5, 0.5, 0.5))
            assert 0.0 <= low <= usual <= high <= 1.0
    for table in (fermentables.CONVERSION, fermentables.CONVERTED_FERMENTED):
        for usual, low, high in table.values():
            assert 0.0 < low < usual < high < 1.0


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: forecast.original(0.0, {"sucrose": 1.0}), "0.1 and 100000"),
        (lambda: forecast.original(19.0, {"salt": 1.0}), "sucrose"),
        (lambda: forecast.original(19.0, {}, {"wood": 1.0}), "corn"),
        (lambda: forecast.original(19.0, {"sucrose": -1.0}), "0 and 9.5 kg"),
        (lambda: forecast.original(19.0, {"sucrose": math.nan}), "0 and 9.5 kg"),
        (lambda: forecast.original(19.0, {"sucrose": 9.0}), "0 and 420 g"),
        (lambda: forecast.original(19.0, {}, {"corn": 2.0}, "magic"), "none, malt, added"),
        (lambda: forecast.original(19.0, alcohol_limit_abv=40.0), "5 and 25 %"),
        (lambda: forecast.og_from_g_l(541.0), "0 and 540 g/L"),
    ],
)
def test_mixes_that_cannot_be_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)
