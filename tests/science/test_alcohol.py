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


def test_the_strength_lies_where_the_trade_says():
    """1.094 to 1.000 is between 12.5 and 13 %; the rules of thumb spread from 12.3 to 13.3 round it."""
    found = alcohol.alcohol(1.094, 1.000)
    assert 12.5 <= found.abv <= 13.0
    low, high = found.spread
    assert low == pytest.approx(12.34, abs=0.05)
    assert high == pytest.approx(13.23, abs=0.05)


def test_real_extract_agrees_with_measured_beers():
    """Five sets of measured beers: strength by mass within 0.1 % by the fit, 0.12 % by Balling; extract within 0.2."""
    for row in rows("attenuation_means_2009"):
        og = sugar.sg_from_plato(float(row["original_extract_P"]))
        fg = sugar.sg_from_plato(float(row["apparent_extract_P"]))
        assert alcohol.real_extract(og, fg) == pytest.approx(float(row["real_extract_P"]), abs=0.2)
        published = float(row["alcohol_pct_mass"])
        assert abw_of(alcohol.abv_by_fit(og, fg), fg) == pytest.approx(published, abs=0.1)
        assert alcohol.abw(og, fg) == pytest.approx(published, abs=0.12)


def test_a_litre_weighs_what_its_alcohol_and_extract_say():
    """Alcohol alone gives the alcohol tables' gravity, extract alone the sugar tables', both by Tabarié's rule."""
    by_volume = 100.0 * 95.0 / ethanol.RHO_ETHANOL_20
    assert sugar.true_from_apparent(alcohol.gravity_of(95.0, 0.0)) == pytest.approx(ethanol.sg_from_abv(by_volume))
    assert alcohol.gravity_of(0.0, 103.8115) == pytest.approx(sugar.sg_from_plato(10.0), abs=1e-6)
    both = sugar.true_from_apparent(alcohol.gravity_of(95.0, 20.0))
    parts = ethanol.sg_from_abv(by_volume) + sugar.true_from_apparent(alcohol.gravity_of(0.0, 20.0)) - 1.0
    assert both == pytest.approx(parts, abs=1e-9)


@unhurried
@given(st.floats(0.0, 15.0), st.floats(0.0, 200.0))
def test_extract_left_is_the_inverse_of_gravity(abv, extract):
    """The extract of a mix is found again from its gravity and strength."""
    sg = alcohol.gravity_of(abv / 100.0 * ethanol.RHO_ETHANOL_20, extract)
    assert alcohol.extract_left_g_l(sg, abv) == pytest.approx(extract, abs=1e-4)


@unhurried
@given(st.floats(0.98, 1.12), st.floats(0.0, 0.03), st.floats(0.0, 12.0))
def test_about_two_grams_ferment_for_a_point(sg, fall, abv):
    """A fall of 0.001 takes 1.9 to 2.5 g of extract a litre, and no fall takes none."""
    used = alcohol.fermented_g_l(sg, max(0.96, sg - fall), abv)
    points = 1000.0 * (sg - max(0.96, sg - fall))
    assert 1.85 * points - 1e-6 <= used <= 2.5 * points + 1e-6
    assert alcohol.fermented_g_l(sg, sg + 0.001, abv) == 0.0


@unhurried
@given(st.floats(1.01, 1.15), st.floats(0.0, 100.0))
def test_real_attenuation_leads_to_the_strength_by_density(og, attenuation):
    """Where a wash ends at a real attenuation, the density balance finds the alcohol of that attenuation."""
    fg = alcohol.gravity_at_real_attenuation(og, attenuation)
    original = sugar.plato_from_sg(og)
    grams = original * attenuation / 100.0 / alcohol.EXTRACT_PER_ALCOHOL
    share = grams / (100.0 - 1.0665 * grams)
    expected = 100.0 * share * sugar.kg_m3_from_sg(fg) / ethanol.RHO_ETHANOL_20
    assert alcohol.abv_by_density(og, fg) == pytest.approx(expected, rel=1e-4, abs=1e-4)


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


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: alcohol.gravity_of(201.0, 0.0), "0 and 200 g/L"),
        (lambda: alcohol.gravity_of(0.0, 451.0), "-110 and 450 g/L"),
        (lambda: alcohol.extract_left_g_l(1.0, 26.0), "0 and 25 %"),
        (lambda: alcohol.fermented_g_l(1.0, 0.99, 21.0), "0 and 20 %"),
        (lambda: alcohol.fermented_g_l(1.0, 0.9, 10.0), "0.96 and 1.2"),
        (lambda: alcohol.gravity_at_real_attenuation(1.17, 80.0), "1 and 1.16"),
        (lambda: alcohol.gravity_at_real_attenuation(1.05, 101.0), "0 and 100 %"),
    ],
)
def test_mixes_that_cannot_be_are_refused(call, allowed):
    """Amounts outside their ranges are refused with what is allowed."""
    with pytest.raises(ValueError, match="must lie between") as refused:
        call()
    assert allowed in str(refused.value)


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
