"""Pitching, counting and keeping yeast."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.science import sugar, yeast
from monitor.science.limits import Estimate

from .tables import rows, unhurried

SURE = Estimate(90.0, 86.0, 93.0)


def ordered(found):
    return found.low <= found.usual <= found.high


# --- pitching ----------------------------------------------------------------------------------------------------


def test_the_usual_rate_is_a_million_cells_per_ml_and_degree():
    """Cells wanted are litres × 1000 × °Plato × the published rule, and its range the published ale and lager."""
    published = {row["quantity"]: row["value"] for row in rows("yeast_kinetics_published")}
    assert yeast.PITCH_RATES["usual"].usual == float(published["pitching rate rule"])
    ale, lager = (float(each) for each in published["pitching ale;lager"].split(";"))
    assert (yeast.PITCH_RATES["ale"].usual, yeast.PITCH_RATES["lager"].usual) == (ale, lager)
    assert (yeast.PITCH_RATES["usual"].low, yeast.PITCH_RATES["usual"].high) == (ale, lager)
    wash = yeast.pitch(19.0, 1.094)
    assert wash.cells.usual == pytest.approx(19_000 * 1e6 * sugar.plato_from_sg(1.094))
    assert wash.cells.usual == pytest.approx(4.26e11, rel=2e-3)
    assert wash.per_ml == pytest.approx(1e6 * wash.plato)


@unhurried
@given(st.floats(0.05, 1e5), st.floats(1.001, 1.2), st.sampled_from(["usual", "ale", "lager"]))
def test_pitching_follows_volume_and_holds_its_range(litres, og, kind):
    """Cells are proportional to the volume, grow with gravity and lie inside their range."""
    found = yeast.pitch(litres, og, kind)
    assert ordered(found.cells)
    assert math.isfinite(found.cells.high)
    assert yeast.pitch(litres / 2 if litres >= 0.1 else litres, og, kind).cells.usual == pytest.approx(
        found.cells.usual / (2 if litres >= 0.1 else 1)
    )
    assert yeast.pitch(litres, min(1.2, og + 0.001), kind).cells.usual >= found.cells.usual


def test_thick_slurry_is_the_figure_from_memory():
    """Thick slurry holds 1.0 to 1.5 billion cells a mL, loose slurry less."""
    published = {row["quantity"]: row["value"] for row in rows("yeast_kinetics_published")}
    low, high = (float(each) for each in published["thick slurry"].replace("e9", "").split("-"))
    thick, loose = yeast.SLURRY["thick"], yeast.SLURRY["loose"]
    assert (thick.low / 1e9, thick.high / 1e9) == (low, high)
    assert ordered(thick)
    assert ordered(loose)
    assert loose.high <= thick.low


def test_slurry_volume_takes_the_worst_and_the_best():
    """426 billion living cells from thick slurry, 90 % alive, are about 395 mL, within its corners."""
    found = yeast.slurry_ml(4.264e11, SURE, yeast.SLURRY["thick"])
    assert found.usual == pytest.approx(4.264e11 / (1.2e9 * 0.9))
    assert found.low == pytest.approx(4.264e11 / (1.5e9 * 0.93))
    assert found.high == pytest.approx(4.264e11 / (1.0e9 * 0.86))


def test_dried_yeast_has_the_range_of_its_packets():
    """Grams of dried yeast span the factor of four that a gram's cells do."""
    found = yeast.dried_grams(1e11)
    assert (found.usual, found.low, found.high) == (10.0, 5.0, 20.0)


# --- counting ----------------------------------------------------------------------------------------------------


def test_chamber_counts_match_the_worked_examples():
    """Each worked example of a counting chamber gives its cells per mL and its viability."""
    checked = 0
    for row in rows("haemocytometer"):
        squares, volume = int(row["squares"]), float(row["volume_per_square_mL"])
        side = math.sqrt(volume * 1000.0 / 0.1)
        dead = int(row["stained_dead"]) if row["stained_dead"] else None
        found = yeast.count(int(row["counted_cells"]), squares, side, 0.1, dilution=float(row["dilution"]), dead=dead)
        assert found.cells_per_ml.usual == pytest.approx(float(row["cells_per_mL"]), rel=1e-9)
        if dead is None:
            assert found.viability is None
        else:
            assert found.viability.usual == pytest.approx(float(row["viability_pct"]))
            checked += 1
    assert checked == 1


def test_a_count_carries_its_limits():
    """250 cells are known to about 10 %, and 25 dead among them leave 86 to 93 % alive."""
    found = yeast.count(250, 5, 0.2, dilution=100, dead=25)
    assert found.cells_per_ml.low / found.cells_per_ml.usual == pytest.approx(224.6 / 250, abs=1e-3)
    assert found.cells_per_ml.high / found.cells_per_ml.usual == pytest.approx(277.6 / 250, abs=1e-3)
    assert (found.viability.low, found.viability.high) == pytest.approx((86.31, 92.95), abs=0.01)
    wider = yeast.count(250, 5, 0.2, dilution=100, dead=25, confidence=99.0)
    assert wider.cells_per_ml.low < found.cells_per_ml.low
    assert wider.viability.high > found.viability.high


def test_seeing_nothing_still_bounds_the_count():
    """No cell in the chamber is not no cell in the jar: the upper limit is that of three cells (at 90 %)."""
    found = yeast.count(0, 4, 1.0)
    assert (found.cells_per_ml.usual, found.cells_per_ml.low) == (0.0, 0.0)
    assert found.cells_per_ml.high == pytest.approx(-math.log(0.05) * 1e4 / 4)


@unhurried
@given(st.integers(1, 3000), st.integers(1, 100), st.floats(0.05, 1.0), st.floats(0.0, 1.0))
def test_counts_stay_in_order(cells, squares, side, share):
    """Limits enclose the estimate, shares stay between 0 and 100 %, nothing is NaN."""
    found = yeast.count(cells, squares, side, dead=round(share * cells))
    assert ordered(found.cells_per_ml)
    assert 0.0 <= found.viability.low <= found.viability.usual <= found.viability.high <= 100.0


# --- keeping -----------------------------------------------------------------------------------------------------


def test_storage_passes_through_what_was_published():
    """Six days at 1 and 5 °C lose the published 7 and 14 %; warmer, the worst published loss is the low end."""
    published = {row["temp_C"]: row["viability_change_pct"] for row in rows("yeast_storage_viability")}
    for temperature in ("1", "5"):
        found = yeast.stored(6.0, float(temperature), start=100.0)
        assert found.viability.usual == pytest.approx(100.0 + float(published[temperature]))
        assert not found.extrapolated
    worst = 100.0 + float(published["10-25"].removeprefix("up to "))
    assert yeast.stored(6.0, 25.0, start=100.0).viability.low == pytest.approx(worst)
    for temperature in (10.0, 15.0, 25.0):
        assert yeast.stored(6.0, temperature, start=100.0).viability.low >= worst - 1e-9


def test_storage_agrees_with_the_second_publication():
    """Three days at 1.6 °C from 96 % stay within the published 90 to 96 %."""
    row = next(each for each in rows("yeast_storage_viability") if each["days"] == "3")
    low, high = (float(each) for each in row["viability_change_pct"].split()[1].split("-"))
    found = yeast.stored(float(row["days"]), float(row["temp_C"]), start=high)
    assert low <= found.viability.usual <= high


def test_beyond_six_days_it_says_so_and_widens():
    """From the seventh day on the answer is marked, and the factor of its range grows from 2 to 4 by day 30."""
    assert not yeast.stored(yeast.PUBLISHED_DAYS, 4.0).extrapolated
    assert yeast.stored(6.1, 4.0).extrapolated

    def factor(days):
        left = yeast.stored(days, 4.0, start=100.0).viability
        return math.log(left.low / 100.0) / math.log(left.usual / 100.0)

    assert factor(6.0) == pytest.approx(2.0)
    assert factor(18.0) == pytest.approx(3.0)
    assert factor(30.0) == pytest.approx(4.0)
    assert factor(100.0) == pytest.approx(4.0)


@unhurried
@given(st.floats(0.0, 179.0), st.floats(0.0, 24.0), st.floats(1.0, 100.0), st.floats(1e-3, 1.0))
def test_storage_only_ever_loses(days, temperature, start, more):
    """Longer or warmer never leaves more alive, in any part of the range, and ranges are in order."""
    here = yeast.stored(days, temperature, start).viability
    assert 0.0 <= here.low <= here.usual <= here.high <= start
    for worse in (yeast.stored(days + more, temperature, start), yeast.stored(days, temperature + more, start)):
        assert worse.viability.usual <= here.usual + 1e-12
        assert worse.viability.low <= here.low + 1e-12


# --- refusals ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "allowed"),
    [
        (lambda: yeast.pitch(0.0, 1.05), "0.05 and 100000 litres"),
        (lambda: yeast.pitch(19.0, 1.0), "1.001 and 1.2"),
        (lambda: yeast.pitch(19.0, math.nan), "1.001 and 1.2"),
        (lambda: yeast.pitch(19.0, 1.05, "stout"), "usual, ale, lager"),
        (lambda: yeast.slurry_ml(0.0, SURE, yeast.SLURRY["thick"]), "above 0"),
        (lambda: yeast.slurry_ml(1e11, Estimate(50.0, 0.0, 60.0), yeast.SLURRY["thick"]), "above 0 %"),
        (lambda: yeast.slurry_ml(1e11, Estimate(50.0, 40.0, 101.0), yeast.SLURRY["thick"]), "0 and 100 %"),
        (lambda: yeast.dried_grams(math.inf), "finite"),
        (lambda: yeast.count(-1, 5, 0.2), "0 and 100000"),
        (lambda: yeast.count(10, 0, 0.2), "1 and 10000"),
        (lambda: yeast.count(10, 5, 0.2, dilution=0.5), "1 and 1e+06"),
        (lambda: yeast.count(10, 5, 0.2, dead=11), "0 and 10"),
        (lambda: yeast.count(0, 5, 0.2, dead=0), "1 and 100000"),
        (lambda: yeast.count(10, 5, 0.2, confidence=100.0), "50 and 99.9 %"),
        (lambda: yeast.stored(181.0, 4.0), "0 and 180 days"),
        (lambda: yeast.stored(5.0, -1.0), "0 and 25 °C"),
    ],
)
def test_impossible_yeast_is_refused(call, allowed):
    """Out of range is refused, and the message says what is allowed."""
    with pytest.raises(ValueError, match="must") as refused:
        call()
    assert allowed in str(refused.value)


def test_common_practice_is_as_stated():
    """The figures without a source are those of the descriptions, so that nobody changes them unseen."""
    assert yeast.PITCH_RATES["ale"] == Estimate(0.75e6, 0.5e6, 1.0e6)
    assert yeast.PITCH_RATES["lager"] == Estimate(1.5e6, 1.0e6, 2.0e6)
    assert yeast.SLURRY["loose"] == Estimate(0.7e9, 0.4e9, 1.0e9)


def test_warm_storage_is_capped_at_half_the_worst_rate():
    """At 25 °C the usual loss in six days is the one whose square is the worst: 43 %, not all."""
    left = yeast.stored(6.0, 25.0, start=100.0).viability
    assert left.usual == pytest.approx(100.0 * math.sqrt(0.32))
    assert left.high == pytest.approx(100.0 * 0.32**0.25)


@pytest.mark.parametrize(
    "call",
    [
        lambda: yeast.count(10, 1, 0.01, 0.01),
        lambda: yeast.count(10, 10_000, 5.0, 1.0, dilution=1e6),
        lambda: yeast.stored(180.0, 0.0, 100.0),
        lambda: yeast.stored(0.0, 25.0, 1.0),
        lambda: yeast.pitch(0.05, 1.2),
        lambda: yeast.pitch(1e5, 1.001),
    ],
)
def test_the_ends_of_the_ranges_are_allowed(call):
    """What stands at an end of a stated range is answered."""
    assert call() is not None


@pytest.mark.parametrize(
    "call",
    [
        lambda: yeast.count(10, 5, 0.0099),
        lambda: yeast.count(10, 5, 5.1),
        lambda: yeast.count(10, 5, 0.2, 0.0099),
        lambda: yeast.count(10, 5, 0.2, 1.01),
        lambda: yeast.stored(5.0, 4.0, 101.0),
        lambda: yeast.stored(5.0, 4.0, 0.9),
    ],
)
def test_just_beyond_the_ends_is_refused(call):
    """A little beyond an end of a stated range is refused."""
    with pytest.raises(ValueError, match="must lie between"):
        call()
