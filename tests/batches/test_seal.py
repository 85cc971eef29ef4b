"""The seal check: safe only where three things are so."""

from __future__ import annotations

import pytest

from monitor.batches import seal
from monitor.batches.seal import Closing, Facts
from monitor.model.deeds import SealedUp, Undone, Unsealed
from monitor.science import sealing
from tests.science.tables import numbers

DONE = Facts("finished", 0.990, 0.0003, 0.0008, 0.990, 0.0003, 12.0)
STRONG = Closing(18.0, 1.0, 20.0, 25.0, "steel", 8.0)
JUG = Closing(4.0, 0.3, 20.0, 25.0)


def facts(**changes: object) -> Facts:
    fields = {name: getattr(DONE, name) for name in Facts.__slots__}
    return Facts(**(fields | changes))


def test_safe_needs_all_three():
    """Finished, nothing left to fall, and a vessel rated for what the gas makes; even then not silent."""
    found = seal.judge(DONE, STRONG)
    assert found.safe
    assert all(check.so for check in found.checks)
    assert found.warnings
    assert any("local rules" in each for each in found.warnings)


@pytest.mark.parametrize(
    ("known", "name"),
    [
        (facts(verdict="slowing"), "finished"),
        (facts(verdict="unknown"), "finished"),
        (facts(verdict=None), "finished"),
        (facts(fall_most=0.0011), "nothing left to fall"),
        (facts(fall_most=None), "nothing left to fall"),
    ],
)
def test_each_lack_makes_it_unsafe(known, name):
    """One that is not so is enough, and its reason is said."""
    found = seal.judge(known, STRONG)
    assert not found.safe
    assert name in [check.name for check in found.checks if not check.so]
    assert found.warnings[0].startswith("Do not close it tight")


def test_unknown_gravity_is_not_safe():
    """No gravity: no pressure is made up, nothing is safe, and it is still said plainly."""
    found = seal.judge(Facts("finished", None), STRONG)
    assert not found.safe
    assert found.pressure_bar is None
    assert "not known" in " ".join(found.reasons())
    assert found.warnings


def test_ordinary_glass_is_never_rated():
    """With nothing left to ferment the gas that a wash holds is too much for a jug, which is called unrated."""
    for cold in (4.0, 20.0):
        found = seal.judge(DONE, Closing(4.0, 0.3, cold, 25.0))
        assert not found.safe
        assert found.rating == "glass, not rated for pressure"
        assert any("not rated for pressure" in each for each in found.warnings)
        assert found.warming_bar is not None
        assert found.warming_bar > sealing.MATTERS_BAR


def test_a_rating_is_taken_as_told_and_may_be_too_low():
    """The same wash in a vessel rated for less than what may come is not safe."""
    assert not seal.judge(DONE, Closing(18.0, 1.0, 4.0, 30.0, "steel", 1.0)).safe


def test_the_highest_pressure_knows_the_whole_fall():
    """The top of the range is never below what the upper bound of the fall would make."""
    known = facts(fall_most=0.006)
    found = seal.judge(known, JUG)
    alone = sealing.seal(0.990, 0.984, 4.0, 0.3, 20.0, 25.0, abv=12.0, gravity_error=0.0, final_error=0.0)
    assert found.pressure_range is not None
    assert found.pressure_range[1] >= alone.pressure_bar_gauge
    assert f"up to {found.pressure_range[1]:.1f} bar" in found.warnings[0]


def test_what_one_scale_has_wrong_is_not_counted_twice():
    """A scale that is off by 0.001 in the batch is so in the sample too: the fall between them is known better."""
    alone = seal.judge(facts(gravity_error=0.001), STRONG)
    shared = seal.judge(facts(gravity_error=0.0004, scale_error=0.001), STRONG)
    assert alone.pressure_range is not None
    assert shared.pressure_range is not None
    assert shared.pressure_range[1] < alone.pressure_range[1] - 0.5
    surest = seal.judge(facts(gravity_error=0.0004), STRONG)
    assert surest.pressure_range is not None
    assert shared.pressure_range[1] >= surest.pressure_range[1]  # how much sugar there is in all is no better known


@pytest.mark.parametrize(
    ("known", "words"),
    [
        (facts(gravity=0.990, final_expected=0.990, fall_most=0.0008), "it is most likely at its end, and with 95 %"),
        (facts(gravity=0.992, final_expected=0.990, fall_most=0.0040), "it most likely ends 0.0020 below where it is"),
        (
            facts(gravity=0.996, final_expected=0.988, fall_most=0.0008),
            "what was expected of its end that would be 0.0080",
        ),
        (facts(final_expected=None, fall_most=0.0008), "with 95 % it falls by no more than 0.0008"),
    ],
)
def test_each_figure_of_what_is_left_is_named(known, words):
    """The likely fall and its upper bound stand in one sentence, and nowhere is a third."""
    found = seal.judge(known, STRONG)
    (check,) = [each for each in found.checks if each.name == "nothing left to fall"]
    assert words in check.why
    assert f"no more than {known.fall_most:.4f}" in check.why
    assert not any("could still fall" in each for each in found.warnings)


def test_an_unknown_end_is_reckoned_as_dry():
    """Without an expected final gravity it is taken to fall as far as a dry sugar wash, and that is said."""
    found = seal.judge(Facts("finished", 1.000, 0.001), JUG)
    assert found.pressure_bar is not None
    assert found.pressure_bar > 5.0
    assert any("reckoned down to 0.988" in each for each in found.warnings)


def test_warming_agrees_with_a_published_table():
    """A bottle closed at 6 °C and kept at 20 °C: the gas's pressure rises as published, its air's as a gas.

    The table is of sparkling wine (Scientific Reports, 2017); what was saturated under one atmosphere rises alike.
    """
    cold, warm = (
        next(row["p_bar"] for row in numbers("sparkling_bottle_pressure") if row["t_C"] == t) for t in (6, 20)
    )
    gas, air = 1.013 * warm / cold, 1.013 * 293.15 / 279.15
    found = seal.judge(facts(abv=12.5), Closing(0.75, 0.0225, 6.0, 20.0))
    assert found.warming_bar == pytest.approx(gas + air - 1.013, rel=0.1)


def test_one_scale_can_show_that_nothing_is_left():
    """Batch and fermented-out sample read alike by one hydrometer: at most 0.0009 is left; half a point apart is too
    much for a seal."""
    assert seal.same_scale_fall(0.9900, 0.9900) == pytest.approx(0.00093, abs=0.00001)
    assert seal.same_scale_fall(0.9900, 0.9900) <= seal.FALL_MOST
    assert seal.same_scale_fall(0.9905, 0.9900) > seal.FALL_MOST
    assert seal.same_scale_fall(0.9890, 0.9900) == seal.same_scale_fall(0.9900, 0.9900)


def sealed(at: int, **more: object) -> SealedUp:
    return SealedUp(
        at=at, received=at, batch="amber-1", litres=4.0, headspace_l=0.3, sealed_at_c=20.0, stored_at_c=25.0, **more
    )


def test_what_stands_closed():
    """Each vessel that was closed counts until it is opened, or the deed undone."""
    record = [sealed(10), sealed(20)]
    assert [each.at for each in seal.closed(record)] == [10, 20]
    assert seal.closed([*record, Unsealed(at=30, batch="amber-1", received=30)]) == ()
    assert [each.at for each in seal.closed([*record, Undone(of=20, received=40)])] == [10]


def test_what_was_known_at_the_seal_holds_until_it_falls():
    """Noise changes nothing; a fall that is none is taken at its word, and its gas is in there."""
    entry = sealed(10, gravity=0.990, fall_most=0.0008)
    noise = seal.since_closed(entry, facts(gravity=0.9893, fall_most=0.005))
    assert (noise.gravity, noise.fall_most) == (0.990, 0.0008)
    fell = seal.since_closed(entry, facts(gravity=0.987, fall_most=0.005))
    assert (fell.gravity, fell.final_expected) == (0.990, 0.987)
    assert (fell.fall_most, fell.fell) == (pytest.approx(0.008), pytest.approx(0.003))


def test_what_fell_since_it_was_closed_is_never_safe():
    """However little is left by then: it was not at its end, and the gas of its fall stands in the vessel."""
    entry = sealed(10, gravity=0.992, fall_most=0.0008)
    later = seal.since_closed(entry, facts(gravity=0.990, final_expected=0.990, fall_most=0.0008))
    found = seal.judge(later, Closing(18.0, 1.0, 20.0, 25.0, "steel", 50.0))
    assert not found.safe
    assert "fallen by 0.0020 since it was closed" in found.reasons()[0]
    as_it_was = seal.judge(facts(gravity=0.992, final_expected=0.990, fall_most=0.0028), STRONG)
    assert found.pressure_bar == pytest.approx(as_it_was.pressure_bar)


def test_how_well_it_was_known_at_the_seal_holds_as_well():
    """A hand reading that grew old is no reason to call a keg unsafe that was safe and has not moved since."""
    entry = sealed(
        10, gravity=0.990, gravity_error=0.001, final_error=0.0004, fall_most=0.0008, material="steel", rated_bar=2.5
    )
    later = seal.since_closed(entry, facts(gravity=0.990, gravity_error=0.003, final_error=0.002, fall_most=0.005))
    assert (later.gravity_error, later.final_error) == (0.001, 0.0004)
    fell = seal.since_closed(entry, facts(gravity=0.987, gravity_error=0.003, fall_most=0.005))
    assert fell.gravity_error == 0.003


def test_a_sample_that_is_taken_back_takes_its_certainty_along():
    """What one scale had wrong in both counts again once nothing is left to cancel it."""
    entry = sealed(10, gravity=0.990, gravity_error=0.0004, scale_error=0.001, final_error=0.0004, fall_most=0.0009)
    kept = seal.since_closed(entry, facts(gravity_error=0.0004, scale_error=0.001))
    assert (kept.gravity_error, kept.scale_error) == (0.0004, 0.001)
    gone = seal.since_closed(entry, facts(gravity_error=0.001))
    assert (gone.gravity_error, gone.scale_error) == (pytest.approx(0.00108, abs=1e-5), None)
