"""Every scenario: it loads, and the physics does what its file expects."""

from __future__ import annotations

import functools
from itertools import takewhile

import pytest

from simulators.scenario import FOLDER, Scenario, ScenarioError, load, names, parse
from simulators.truth import Found, truth
from simulators.world import World

BARE = """
name = "bare"
summary = "a bare one"
seed = 1
days = 1
start = 2026-03-02T18:00:00Z
[[room]]
name = "cellar"
[[vessel]]
name = "bucket"
litres = 19
place = "cellar"
[truth]
"""


@functools.cache
def lived(name: str) -> tuple[Scenario, World, Found]:
    """A scenario with its world and truth, once for all tests."""
    scenario = load(name)
    world = World(scenario)
    return scenario, world, truth(scenario, world)


@pytest.mark.parametrize("name", names())
def test_each_batch_becomes_what_its_scenario_expects(name: str) -> None:
    """Kind, cause, hour and last gravity of each batch lie in the stated brackets, and no batch is left out."""
    scenario, _, found = lived(name)
    assert set(found.batches) == set(scenario.truth.batch)
    for batch, expected in scenario.truth.batch.items():
        outcome = found.batches[batch]
        assert (outcome.kind, outcome.cause) == (expected.kind, expected.cause)
        assert expected.gravity[0] <= outcome.last <= expected.gravity[1]
        if expected.between_h is None:
            assert outcome.at_h is None
        else:
            assert outcome.at_h is not None
            assert expected.between_h[0] <= outcome.at_h <= expected.between_h[1]


@pytest.mark.parametrize("name", names())
def test_faults_and_cold_are_as_stated(name: str) -> None:
    """The faults come in the stated order, and vessels get as cold as stated."""
    scenario, _, found = lived(name)
    assert [f"{fault.about}:{fault.kind}" for fault in found.faults] == scenario.truth.faults
    for vessel, (low, high) in scenario.truth.coldest_c.items():
        assert low <= found.coldest_c[vessel][0] <= high


@pytest.mark.parametrize("name", names())
def test_each_scenario_opens_with_a_sentence(name: str) -> None:
    """The file starts with a comment that says the story, and the name in it is the file's."""
    lines = (FOLDER / f"{name}.toml").read_text(encoding="utf-8").splitlines()
    story = " ".join(line.removeprefix("# ") for line in takewhile(lambda line: line.startswith("# "), lines))
    assert len(story) > 40
    assert story.endswith(".")
    assert load(name).name == name


def test_there_are_enough_scenarios_with_seeds_of_their_own() -> None:
    """At least sixteen scenarios, no two with one seed."""
    seeds = [load(name).seed for name in names()]
    assert len(seeds) >= 16
    assert len(set(seeds)) == len(seeds)


def test_the_siblings_part_ways_in_the_warm() -> None:
    """In the demo both buckets stay in the yeast's range, so that the stall cannot be put down to cold."""
    scenario, world, found = lived("two-siblings")
    for batch in scenario.batch:
        low, high = batch.yeast_range_c or (0.0, 0.0)
        values = world.vessels[batch.vessel].celsius.values
        assert low < min(values) <= max(values) < high
    north, south = found.batches["meadow-north"], found.batches["meadow-south"]
    assert south.last - north.last > 0.03


def test_frost_takes_the_water_and_spares_the_wash() -> None:
    """In the fridge that gets too cold the jars of water freeze; the jug of 12 % does not."""
    _, _, found = lived("freezing-jars")
    assert set(found.freezes_h) == {"jar-1", "jar-2"}
    assert all(66 < hours < 90 for hours in found.freezes_h.values())


def test_a_roused_stall_is_told_as_a_pause() -> None:
    """The standstill between the chill and the stirring is in the truth, with its hours."""
    _, _, found = lived("roused-stall")
    ((began, ended),) = found.batches["lazarus"].pauses
    assert 45 < began < 60
    assert 165 < ended < 180


def test_a_chilled_batch_still_has_points_to_go() -> None:
    """Put in the cold early, it stands above where the same yeast would have ended in the warm."""
    _, _, found = lived("chilled-early")
    outcome = found.batches["early-1"]
    assert outcome.last - outcome.asymptote > 0.003


def test_the_defrosting_fridge_keeps_its_contents() -> None:
    """Fourteen days of automatic defrosts never warm or cool a jug out of the band."""
    scenario, world, _ = lived("auto-defrost")
    (fridge,) = scenario.fridge
    for kept in world.vessels.values():
        assert all(abs(celsius - fridge.target_c) < fridge.band_k for celsius in kept.celsius.values)
    assert max(world.fridges["larder"].air_c.values) > fridge.target_c + fridge.band_k


def test_the_same_seed_is_the_same_world() -> None:
    """A second life of a scenario is equal to the last digit; another seed is not."""
    scenario = load("two-siblings")
    first, again = World(scenario), World(scenario)
    other = World(scenario.model_copy(update={"seed": scenario.seed + 1}))
    curves = [world.vessels["north"].gravity.values for world in (first, again, other)]
    assert curves[0] == curves[1] != curves[2]


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (("days = 1", "days = -1"), "days"),
        (('place = "cellar"', 'place = "attic"'), "no place 'attic'"),
        (("seed = 1", "seeds = 1"), "seeds"),
        (("18:00:00Z", "18:00:00"), "offset"),
        (('name = "bucket"', 'name = "cellar"'), "named twice"),
        (("seed = 1", "seed = "), "bare.toml"),
        (
            (
                "[truth]",
                "[[fridge]]\nname='f'\nroom='cellar'\n[[fridge.fault]]\nkind='door'\nfrom_h=5\nto_h=4\n[truth]",
            ),
            "not after",
        ),
        (
            ("[truth]", "[[batch]]\nname='b'\nvessel='bucket'\nsucrose_kg=3\nyeast={mood=1}\n[truth]"),
            "no trait mood",
        ),
        (
            ("[truth]", "[[probe]]\nname='p'\nplace='bucket'\nquantities=['taste']\n[truth]"),
            "'taste' is not simulated",
        ),
    ],
)
def test_a_faulty_scenario_is_refused_with_the_reason(change: tuple[str, str], complaint: str) -> None:
    """The message names the file and what is wrong in it."""
    assert parse(BARE).name == "bare"
    with pytest.raises(ScenarioError, match=complaint) as refusal:
        parse(BARE.replace(*change), "bare.toml")
    assert "bare.toml" in str(refusal.value)


def test_an_unknown_scenario_lists_the_known_ones() -> None:
    """A wrong name is answered with the right ones."""
    with pytest.raises(ScenarioError, match="two-siblings"):
        load("three-cousins")
