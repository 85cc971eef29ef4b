"""Sugar in steps, water, other washes and losses."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import additions, alcohol, ethanol, forecast, sugar
from monitor.science.additions import AddSpirit, AddSugar, AddWash, AddWater, Lose

from .tables import unhurried


def test_nothing_added_is_the_plain_strength():
    """Without steps the balance gives the original gravity and the strength of the plain method."""
    found = additions.balance(19.0, 1.060, [], 1.000)
    assert found.og == pytest.approx(1.060)
    assert found.strength.abv == pytest.approx(alcohol.abv(1.060, 1.000))
    assert found.og_error == pytest.approx(0.001, rel=0.01)


def test_sugar_in_steps_is_sugar_at_once():
    """Two kilos at the start, or one then and one later, in the same water, are the same original gravity."""
    litres_of_water = 17.0
    whole = additions.balance(litres_of_water, 1.0, [AddSugar(2.0)], 1.0)
    half = additions.balance(litres_of_water, 1.0, [AddSugar(1.0)], 1.0)
    stepwise = additions.balance(half.litres, half.og, [AddSugar(1.0)], 1.0)
    assert stepwise.og == pytest.approx(whole.og, abs=2e-4)
    plato = 200.0 / (2.0 + litres_of_water * 0.998203)
    assert whole.og == pytest.approx(sugar.sg_from_plato(plato), abs=2e-6)


def test_what_fermented_before_does_not_matter():
    """The original gravity of the whole does not depend on the gravity at which it is asked."""
    steps = [AddSugar(1.0), AddWater(1.0)]
    assert additions.balance(19.0, 1.050, steps, 1.040).og == pytest.approx(
        additions.balance(19.0, 1.050, steps, 0.992).og
    )


def test_water_thins_by_mass():
    """A litre of water in a litre of 20 °P wash makes 10.4 °P, by mass and not by volume."""
    found = additions.balance(1.0, sugar.sg_from_plato(20.0), [AddWater(1.0)], 1.0)
    expected = 20.0 * 1.080977 / (1.080977 + 0.998203)
    assert sugar.plato_from_sg(found.og) == pytest.approx(expected, abs=2e-3)


def test_racking_loses_volume_and_no_strength():
    """A loss takes its share of everything: same original gravity and strength, less of it."""
    whole = additions.balance(19.0, 1.080, [], 0.995)
    racked = additions.balance(19.0, 1.080, [Lose(2.0, 0.995)], 0.995)
    assert racked.og == pytest.approx(whole.og)
    assert racked.strength.abv == pytest.approx(whole.strength.abv)
    assert whole.litres - racked.litres == pytest.approx(2.0, abs=1e-6)
    assert racked.alcohol_kg / whole.alcohol_kg == pytest.approx(racked.litres / whole.litres)


def test_a_loss_before_feeding_counts_more():
    """Sugar in what was left after a loss makes a stronger wash than before it."""
    after = additions.balance(19.0, 1.050, [Lose(9.0, 1.050), AddSugar(1.0)], 1.0)
    before = additions.balance(19.0, 1.050, [AddSugar(1.0), Lose(9.0)], 1.0)
    assert after.og > before.og + 0.010


def test_another_wash_brings_its_alcohol():
    """Two equal washes mixed are the same wash; a finished and a fresh one keep all their alcohol."""
    same = additions.balance(10.0, 1.070, [AddWash(5.0, 1.070, 1.070)], 1.020)
    assert same.og == pytest.approx(1.070)
    mixed = additions.balance(10.0, 1.070, [AddWash(10.0, 1.070, 0.998)], 1.034)
    assert mixed.og == pytest.approx(1.070, abs=1e-6)
    pure = 10.0 * sugar.kg_m3_from_sg(0.998) / 1000.0 * alcohol.abw(1.070, 0.998) / 100.0
    assert mixed.alcohol_kg == pytest.approx(pure, rel=0.04)


def test_spirit_counts_as_the_extract_it_once_was():
    """A litre of 40 % in nine litres of water is 4 % by volume in ten litres, when its gravity says so."""
    found = additions.balance(9.0, 1.0, [AddSpirit(1.0, 40.0)], sugar.apparent_from_true(ethanol.sg_from_abv(4.0)))
    assert dict(found.strength.methods)["density balance"] == pytest.approx(4.0, abs=0.03)
    assert found.litres == pytest.approx(10.0, abs=0.02)
    assert found.alcohol_kg == pytest.approx(0.4 * 0.78924, rel=0.04)


def test_errors_of_each_step_reach_the_original_gravity():
    """A careless scale and a careless jug widen the original gravity's range, and the strength's with it."""
    steps = [AddSugar(2.0), AddWater(3.0)]
    sure = additions.balance(19.0, 1.040, steps, 1.0, weight_error=0.0, litres_error=0.0)
    rough = additions.balance(19.0, 1.040, steps, 1.0, weight_error=0.05, litres_error=0.05)
    assert rough.og_error > 1.3 * sure.og_error
    assert rough.strength.abv_high - rough.strength.abv_low > sure.strength.abv_high - sure.strength.abv_low
    assert rough.og_low < sure.og < rough.og_high


@unhurried
@given(
    st.floats(1.0, 1.09),
    st.lists(
        st.one_of(
            st.floats(0.0, 1.0).map(AddSugar),
            st.floats(0.0, 5.0).map(AddWater),
            st.floats(0.0, 2.0).map(Lose),
            st.floats(0.0, 5.0).map(lambda litres: AddWash(litres, 1.06, 1.01)),
            st.floats(0.0, 1.0).map(lambda litres: AddSpirit(litres, 40.0)),
        ),
        max_size=5,
    ),
)
def test_any_steps_give_a_sound_balance(og, steps):
    """Any plausible steps give finite figures, a range in order and no negative mass."""
    found = additions.balance(20.0, max(og, 1.002), steps, 1.0)
    assert math.isfinite(found.strength.abv)
    assert found.og_low <= found.og <= found.og_high
    assert found.litres > 0.0
    assert found.alcohol_kg >= 0.0
    assert found.extract_kg >= 0.0


def test_stirred_in_sugar_raises_the_reading_as_the_tables_say():
    """A kilo of sugar in 19 litres of water reads what the volume forecast gives for the grown volume."""
    shown = additions.mixed_gravity(19.0, 1.0, 0.0, sugar_kg=1.0)
    volume = (19.0 * 0.998203 + 1.0) / sugar.kg_m3_from_sg(shown) * 1000.0
    assert shown == pytest.approx(forecast.og_from_g_l(1000.0 / volume), abs=2e-6)
    assert volume == pytest.approx(19.0 + 0.62, abs=0.02)


@unhurried
@given(st.floats(0.99, 1.10), st.floats(0.0, 12.0), st.floats(0.001, 0.05), st.floats(0.01, 3.0))
def test_sugar_raises_and_water_evens(sg, abv, sugar_share, water_share):
    """Sugar always raises the reading; water always moves it towards 1.000 when there is no alcohol."""
    try:
        alone = additions.mixed_gravity(10.0, sg, abv)
    except ValueError:
        assert sg < ethanol.sg_from_abv(abv) - 0.02
        return
    assert alone == pytest.approx(sg, abs=2e-6)
    assert additions.mixed_gravity(10.0, sg, abv, sugar_kg=10.0 * sugar_share) > alone
    if sg > 1.0:
        thinner = additions.mixed_gravity(10.0, sg, 0.0, water_l=10.0 * water_share)
        assert 1.0 < thinner < sg


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: additions.balance(19.0, 1.05, [AddSugar(1.0, "salt")], 1.0), "sucrose"),
        (lambda: additions.balance(19.0, 1.05, [Lose(19.5)], 1.0), "less than there is"),
        (lambda: additions.balance(19.0, 1.05, [AddSugar(-1.0)], 1.0), "0 and 100000 kg"),
        (lambda: additions.balance(19.0, 1.05, [AddSugar(20.0)], 1.0), "°P"),
        (lambda: additions.balance(19.0, 1.0, [], 1.0), "1.001 and 1.2"),
        (lambda: additions.balance(19.0, 1.05, [AddSpirit(1.0, 101.0)], 1.0), "0 and 100 %"),
        (lambda: additions.balance(19.0, 1.05, [AddWash(1.0, 1.3, 1.0)], 1.0), "1 and 1.2"),
        (lambda: additions.balance(math.nan, 1.05, [], 1.0), "0.1 and 100000"),
        (lambda: additions.mixed_gravity(10.0, 1.0, 21.0), "0 and 20 %"),
        (lambda: additions.mixed_gravity(10.0, 1.0, 0.0, sugar_kg=4.0), "0 and 3 kg"),
    ],
)
def test_steps_that_cannot_be_are_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)
