"""The pitch planner: how much, from which jar, and what when none serves."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.batches import pitching, shelf
from monitor.model.clock import DAY
from monitor.model.config import YeastPractice
from monitor.model.deeds import Jarred, Noted
from monitor.science import growth, yeast

PRACTICE = YeastPractice()
START = 1_780_000_000_000


def jar(name: str, days: float = 2.0, *notes: Noted, **more: object) -> shelf.Jar:
    usual = {"strain": "ale", "origin": "wash", "wash": "w", "generation": 1, "volume_ml": 400.0, "layer_ml": 250.0}
    made = Jarred(at=START, jar=name, received=START, **(usual | more))
    found = shelf.jar(name, [made, *notes], PRACTICE, START + round(days * DAY))
    assert found is not None
    return found


def test_the_cells_are_the_rule_of_the_trade():
    """19 L at 14.7 °P and 0.75 million a mL and °P are 210 billion cells."""
    found = pitching.plan(19.0, 1.060, "ale", [])
    assert found.wanted.cells.usual == pytest.approx(0.75e6 * 19_000 * 14.74, rel=0.002)
    assert (found.best, found.starter, found.offers) == (None, None, ())
    assert found.fresh_g.usual == pytest.approx(found.aim / 1e10)


def test_slurry_agrees_with_the_calculator():
    """mL of settled yeast as `yeast.slurry_ml` reckons from viability and density; shaken up by the layer's share."""
    one = jar("a")
    (offer,) = pitching.plan(19.0, 1.060, "ale", [one]).offers
    assert one.viability is not None
    expected = yeast.slurry_ml(pitching.plan(19.0, 1.060, "ale", []).aim, one.viability, yeast.SLURRY["thick"])
    assert offer.layer_ml is not None
    assert offer.take is not None
    assert (offer.layer_ml.usual, offer.layer_ml.low, offer.layer_ml.high) == pytest.approx(
        (expected.usual, expected.low, expected.high)
    )
    assert offer.take.usual == pytest.approx(expected.usual * 400 / 250)


@pytest.mark.parametrize(
    ("litres", "enough"), [(19.0, "perhaps"), (10.0, "yes"), (60.0, "no")],
)  # fmt: skip
def test_how_sure_it_is_that_a_jar_is_enough(litres, enough):
    """By the whole of the range, by its middle, or not."""
    (offer,) = pitching.plan(litres, 1.060, "ale", [jar("a")]).offers
    assert offer.enough == enough


def test_the_best_jar_is_well_kept_full_and_young():
    """Fewer generations win among equals; an old one, or one that smells, comes after; gone ones are left out."""
    smell = Noted(about="jar:bad", text="sour", sort="off-smell", at=START + DAY, received=START + DAY)
    jars = [jar("bad", 2.0, smell), jar("old", 30.0), jar("third", generation=3), jar("first"),
            jar("small", volume_ml=20.0, layer_ml=10.0)]  # fmt: skip
    found = pitching.plan(10.0, 1.060, "ale", jars)
    assert [each.jar.name for each in found.offers] == ["first", "third", "small", "old", "bad"]
    assert found.best is not None
    assert found.best.jar.name == "first"
    assert "generation 1, 2 days old" in found.why
    assert found.starter is None


def test_an_old_jar_is_woken_first():
    """It may hold enough, but practice wakes it: a starter is advised, not the jar as it is."""
    found = pitching.plan(10.0, 1.060, "ale", [jar("old", 30.0)])
    assert found.best is None
    assert found.starter is not None
    assert found.starter.jar == "old"
    assert "wake it in a starter" in found.why


def test_the_starter_is_the_smallest_that_usually_reaches_it():
    """As `growth.starter` reckons; the next smaller size falls short."""
    found = pitching.plan(19.0, 1.060, "ale", [jar("small", layer_ml=40.0, volume_ml=100.0)])
    assert found.starter is not None
    assert found.starter.reaches
    assert found.starter.grows.cells.usual >= found.aim
    smaller = pitching.SIZES_L[pitching.SIZES_L.index(found.starter.litres) - 1]
    less = growth.starter(smaller, pitching.STARTER_SG, found.starter.start_cells, pitching.STARTER_C)
    assert less.cells.usual < found.aim
    assert found.starter.grows.cells.low < found.starter.grows.cells.usual < found.starter.grows.cells.high


def test_a_starter_too_weak_for_it_is_told_so():
    """Few cells divide only so often: the advice says that it does not reach."""
    found = pitching.plan(200.0, 1.060, "lager", [jar("drop", layer_ml=1.0, volume_ml=5.0)])
    assert found.starter is not None
    assert not found.starter.reaches
    assert found.starter.limited == "how often a cell can divide without much air"


def test_what_is_thrown_out_is_no_start_for_a_starter():
    """Nothing is grown from a jar past its end: fresh yeast instead."""
    assert pitching.plan(10.0, 1.060, "ale", [jar("ancient", 130.0)]).starter is None


def test_unknown_cells_are_said_to_be_unknown():
    """A frozen jar, a liquid packet without a figure: no amounts, and never the best."""
    jars = [jar("cold", stored_c=-5.0), jar("packet", origin="packet", wash=None, layer_ml=None)]
    found = pitching.plan(1.0, 1.040, "usual", jars)
    assert {each.enough for each in found.offers} == {"unknown"}
    assert found.best is None
    assert "not known" in found.why or "says" in found.why


def test_a_strong_wash_takes_the_upper_end():
    """Above 1.080 by common practice, and it is told."""
    found = pitching.plan(19.0, 1.090, "usual", [])
    assert found.aim == found.wanted.cells.high
    assert "1.080" in found.notes[0]


@pytest.mark.parametrize(("litres", "og"), [(0.0, 1.060), (19.0, 0.990), (19.0, 1.4)])
def test_nonsense_is_refused(litres, og):
    """As the science refuses it."""
    with pytest.raises(ValueError):
        pitching.plan(litres, og, "ale", [])


def test_the_plan_as_json_holds_what_was_decided():
    """Numbers and names, unknown as null."""
    told = pitching.as_json(pitching.plan(10.0, 1.060, "ale", [jar("first")]))
    assert (told["best"], told["starter"], told["offers"][0]["enough"]) == ("first", None, "yes")
    assert told["cells"]["low"] < told["cells"]["usual"] < told["cells"]["high"]


# --- several jars ------------------------------------------------------------------------------------------------


def test_two_jars_serve_together_where_none_does_alone():
    """The fullest whole, of the next only what is still missing; together they hold what is wanted."""
    jars = [jar("a", volume_ml=200.0, layer_ml=120.0), jar("b", volume_ml=200.0, layer_ml=100.0, generation=3)]
    found = pitching.plan(19.0, 1.060, "ale", jars)
    assert found.best is None
    assert found.together is not None
    (first, whole), (second, part) = found.together.parts
    assert (first.name, whole, second.name) == ("a", 200.0, "b")
    assert found.together.cells.usual == pytest.approx(found.aim)
    assert first.living is not None
    assert second.living is not None
    assert part / 200.0 == pytest.approx((found.aim - first.living.usual) / second.living.usual)
    assert found.together.generation == 3
    assert found.starter is not None
    told = pitching.as_json(found)["together"]
    assert [each["jar"] for each in told["jars"]] == ["a", "b"]


def test_strains_are_not_mixed_nor_the_unfit_put_in():
    """Another strain, an old jar or one that smells is nobody's missing half; ways to write a name are one strain."""
    small = {"volume_ml": 200.0, "layer_ml": 120.0}
    smell = Noted(about="jar:bad", text="sour", sort="off-smell", at=START + DAY, received=START + DAY)
    jars = [jar("a", **small), jar("b", strain="lager", **small), jar("bad", 2.0, smell, **small),
            jar("old", 30.0, **small)]  # fmt: skip
    assert pitching.plan(19.0, 1.060, "ale", jars).together is None
    found = pitching.plan(
        19.0, 1.060, "ale", [jar("a", strain="House Ale", **small), jar("b", strain="house-ale", **small)]
    )
    assert found.together is not None


def test_a_batch_that_tells_its_yeast_is_offered_that_alone():
    """Where jars of it stand there; else all of them, and it is said."""
    jars = [jar("a", strain="Märzen Haus"), jar("b", strain="lager")]
    found = pitching.plan(10.0, 1.060, "ale", jars, "marzen-haus")
    assert [each.jar.name for each in found.offers] == ["a"]
    other = pitching.plan(10.0, 1.060, "ale", jars, "wine")
    assert len(other.offers) == 2
    assert other.notes == ("no jar of wine stands on the shelf",)


shelves = st.lists(
    st.tuples(st.floats(1.0, 500.0), st.floats(0.05, 1.0), st.integers(0, 9), st.floats(0.0, 200.0),
              st.sampled_from(["ale", "lager"])), max_size=6,
)  # fmt: skip


@given(shelves, st.floats(1.0, 60.0), st.floats(1.030, 1.120))
def test_no_plan_takes_more_than_a_jar_holds(told, litres, og):
    """Whatever stands there: one jar or several hold what is taken, of one strain, and usually reach the aim."""
    jars = [
        jar(f"j{number}", days, strain=strain, volume_ml=volume, layer_ml=max(0.1, share * volume), generation=gen)
        for number, (volume, share, gen, days, strain) in enumerate(told)
    ]
    found = pitching.plan(litres, og, "ale", jars)
    if found.best is not None:
        assert found.together is None
        assert found.best.take is not None
        assert found.best.take.usual <= found.best.jar.left_ml * (1 + 1e-9)
    if found.together is not None:
        assert len(found.together.parts) >= 2
        assert len({one.made.strain for one, _ in found.together.parts}) == 1
        assert all(0.0 < much <= one.left_ml * (1 + 1e-9) for one, much in found.together.parts)
        assert found.together.cells.usual == pytest.approx(found.aim)
        assert found.together.cells.low <= found.together.cells.usual <= found.together.cells.high


@pytest.mark.parametrize(
    ("more", "litres", "words"),
    [
        ({}, 4.0, "pitch it: enough for 4 L at 1.060 (as amber-1)"),
        ({}, 17.0, "pitch it: usually enough, if not surely, for 17 L at 1.060 (as amber-1)"),
        ({"layer_ml": 12.0, "volume_ml": 20.0}, 19.0, "through a starter first, or with others: alone it would pitch"),
        ({"origin": "packet", "wash": None, "grams": 9.0, "volume_ml": 9.0}, 19.0, "with more of it: alone it would"),
        ({"origin": "packet", "wash": None, "generation": 0}, 19.0, "pitch it: how many living cells it holds is not"),
    ],
)
def test_the_shelf_says_how_far_a_jar_would_reach(more, litres, words):
    """A jar is not to be pitched into a batch that it is much too small for."""
    assert pitching.do(jar("a", **more), pitching.Usual(litres, 1.060, "as amber-1")).startswith(words)


def test_the_share_is_that_of_the_planners_cells():
    """What a jar would pitch of a usual batch is what the plan for that batch says of it."""
    one, usual = jar("a"), pitching.Usual(40.0, 1.060, "as amber-1")
    (offer,) = pitching.plan(40.0, 1.060, "usual", [one]).offers
    share = pitching.reach(one, usual)
    assert share is not None
    assert share.usual == pytest.approx(offer.share)
    assert f"about {100 * share.usual:.0f} %" in pitching.do(one, usual)
    assert pitching.reach_json(one, usual)["share"]["usual"] == pytest.approx(share.usual, abs=1e-3)


def test_what_is_not_to_be_pitched_says_why_alone():
    """How far an old jar would reach is not the question."""
    old = jar("a", days=25)
    assert pitching.do(old, pitching.Usual(19.0, 1.060, "as amber-1")) == shelf.do(old)


def test_a_strain_that_is_asked_for_is_the_only_one():
    """Without a jar of it none is offered, and the plan says so; a batch's own yeast is only preferred."""
    jars = [jar("a", strain="wine"), jar("b", strain="ale", days=20)]
    asked = pitching.plan(10.0, 1.060, "ale", jars, "ale", only=True)
    assert [each.jar.name for each in asked.offers] == ["b"]
    none = pitching.plan(10.0, 1.060, "ale", jars, "lager", only=True)
    assert (none.offers, none.best, none.why) == ((), None, "no jar of lager stands on the shelf")
    assert pitching.plan(10.0, 1.060, "ale", jars, "lager").best.jar.name == "a"
