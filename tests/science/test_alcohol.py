"""Strength and attenuation from two gravities."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import alcohol, ethanol, sugar

from .tables import rows, unhurried

gravities = st.tuples(st.floats(1.02, 1.13), st.floats(0.0, 1.15)).map(
    lambda pair: (pair[0], max(0.962, 1.0 + (pair[0] - 1.0) * (1.0 - pair[1])))
)


def test_the_balance_by_hand():
    """12 °P down to 2 °P apparent is 3.808 °P real and 4.226 % by mass, worked out by hand."""
    og, fg = sugar.sg_from_plato(12.0), sugar.sg_from_plato(2.0)
    assert alcohol.real_extract(og, fg) == pytest.approx(3.808, abs=1e-6)
    assert alcohol.abw(og, fg) == pytest.approx(8.192 / (2.0665 - 0.010665 * 12.0), abs=1e-6)
    assert alcohol.apparent_attenuation(og, fg) == pytest.approx(100.0 * 10.0 / 12.0, abs=1e-4)
    assert alcohol.real_attenuation(og, fg) == pytest.approx(100.0 * 8.192 / 12.0, abs=1e-4)


def test_measured_beers_lie_within_the_stated_method_error():
    """Five sets of measured beers have, on average, the strength we compute within two method errors."""
    off = []
    for row in numbers_of_beers():
        og, fg = sugar.sg_from_plato(row["original"]), sugar.sg_from_plato(row["apparent"])
        off += [alcohol.abw(og, fg) / row["abw"] - 1.0, abw_of(alcohol.abv_by_fit(og, fg), fg) / row["abw"] - 1.0]
    assert len(off) == 10
    assert max(map(abs, off)) < 2.0 * alcohol.METHOD_ERROR


def abw_of(abv, fg):
    return abv * ethanol.RHO_ETHANOL_20 / (fg * ethanol.density(0.0))


def numbers_of_beers():
    return [
        {
            "original": float(row["original_extract_P"]),
            "apparent": float(row["apparent_extract_P"]),
            "abw": float(row["alcohol_pct_mass"]),
        }
        for row in rows("attenuation_means_2009")
    ]


def test_the_fit_uses_the_published_coefficients():
    """The fitted method's factor is the published straight line in original extract."""
    published = rows("attenuation_fit_2009")[0]
    og, fg = sugar.sg_from_plato(15.0), sugar.sg_from_plato(3.0)
    factor = float(published["b0"]) + float(published["b1"]) * 15.0
    assert abw_of(alcohol.abv_by_fit(og, fg), fg) == pytest.approx(factor * 12.0, rel=1e-6)


def test_a_sugar_wash_fermented_dry_to_water():
    """1.094 to 1.000 is between 12.2 and 13.3 % by every balance, and 100 % apparent attenuation."""
    found = alcohol.alcohol(1.094, 1.000)
    for method, abv in found.methods[:3]:
        assert 12.2 < abv < 13.3, method
    assert found.apparent_attenuation == pytest.approx(100.0, abs=0.01)
    assert 78.0 < found.real_attenuation < 85.0


def test_below_water_the_attenuation_passes_100_and_no_extract_is_negative_by_density():
    """A wash that ends at 0.986 has more than 100 % apparent, less than 100 % real attenuation."""
    found = alcohol.alcohol(1.090, 0.986)
    assert found.apparent_attenuation > 100.0 > found.real_attenuation
    assert found.abv > alcohol.abv(1.090, 1.0)


def test_the_density_balance_finds_what_was_mixed():
    """A wash mixed on paper from known alcohol and extract weighs what the density balance says."""
    original, fermented = 20.0, 17.0
    grams = fermented / 2.0665
    mass = 100.0 - 1.0665 * grams
    guess = alcohol.abv_by_density(
        sugar.sg_from_plato(original), fg := find_fg(grams / mass, (original - fermented) / mass)
    )
    assert guess == pytest.approx(100.0 * grams / mass * fg * ethanol.density(0.0) / 789.24, abs=0.01)


def find_fg(alcohol_share, extract_share):
    """Gravity of the mix by Tabarié's rule, found by repeated substitution."""
    sg = 1.0
    for _ in range(50):
        litre = sg * ethanol.density(0.0)
        abv = 100.0 * alcohol_share * litre / ethanol.RHO_ETHANOL_20
        plato = 5.0
        for _ in range(50):
            plato = 100.0 * extract_share * litre / sugar.density(plato)
        sg = ethanol.sg_from_abv(abv) + sugar.true_sg_from_plato(plato) - 1.0
    return sugar.apparent_from_true(sg)


@unhurried
@given(gravities)
def test_the_range_holds_every_balance(pair):
    """The stated range is in order, not negative, and holds all three balances."""
    found = alcohol.alcohol(*pair)
    assert 0.0 <= found.abv_low <= found.abv <= found.abv_high
    for _, abv in found.methods[:3]:
        assert found.abv_low <= abv <= found.abv_high


@unhurried
@given(gravities)
def test_the_balances_agree(pair):
    """The three balances differ by less than 5 % of the strength plus 0.15 % by volume."""
    balances = [abv for _, abv in alcohol.alcohol(*pair).methods[:3]]
    assert max(balances) - min(balances) < 0.05 * max(balances) + 0.15


@unhurried
@given(gravities, st.floats(5e-4, 5e-3))
def test_a_further_fall_is_more_alcohol(pair, fall):
    """Every balance and both attenuations rise as the gravity falls."""
    og, fg = pair
    lower = max(0.961, fg - fall)
    if lower >= min(fg, og):
        return
    for measure in (
        alcohol.abv,
        alcohol.abv_by_density,
        alcohol.abv_by_fit,
        alcohol.apparent_attenuation,
        alcohol.real_attenuation,
    ):
        assert measure(og, lower) > measure(og, fg)


@unhurried
@given(st.floats(1.02, 1.12), st.floats(0.0, 115.0))
def test_attenuation_gives_the_gravity_back(og, attenuation):
    """The gravity at an attenuation has that attenuation."""
    fg = alcohol.gravity_at_attenuation(og, attenuation)
    assert alcohol.apparent_attenuation(og, fg) == pytest.approx(attenuation, abs=1e-5)


def test_nothing_fermented_is_no_alcohol():
    """At or a little above the original gravity the strength is 0, not negative."""
    for fg in (1.050, 1.0504, 1.06):
        found = alcohol.alcohol(1.050, fg)
        assert found.abv == 0.0
        assert found.abv_low == 0.0
        assert 0.0 < found.abv_high < 0.5
        assert found.apparent_attenuation == 0.0


@pytest.mark.parametrize(("og", "fg"), [(0.99, 0.98), (1.21, 1.0), (1.05, 0.95), (1.0, 1.0)])
def test_gravities_that_cannot_be_are_refused(og, fg):
    """Gravities outside their ranges are refused with what is allowed."""
    with pytest.raises(ValueError, match="must lie between"):
        alcohol.alcohol(og, fg)


def test_reading_errors_widen_the_range():
    """A range from careless readings is wider than one from careful ones, and a 90 % one by the normal law."""
    careful = alcohol.alcohol(1.060, 1.010, og_error=0.0005, fg_error=0.0005)
    careless = alcohol.alcohol(1.060, 1.010, og_error=0.002, fg_error=0.002)
    assert careless.abv_high - careless.abv_low > 1.5 * (careful.abv_high - careful.abv_low)
