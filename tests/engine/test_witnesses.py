"""The witnesses beside gravity in the engine: which are found, what they are taught, what is kept of it."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

import pytest

from monitor.engine import activity
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.inputs import Added, BatchClosed, BatchStarted, ContentsChanged, ForcedFinal, ProbeMoved
from monitor.rules import finals

from .cellar import PITCHED, Cellar

ROOMY = """
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
measures = "liquid"
[[probe]]
name = "scale"
source = "mqtt"
topic = "scale"
[[probe]]
name = "airlock"
source = "mqtt"
topic = "airlock"
[[probe]]
name = "air"
source = "mqtt"
topic = "air"
[[vessel]]
name = "bucket"
probes = ["float-a", "scale", "airlock"]
[[room]]
name = "cellar"
probes = ["air"]
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
expected_final = 1.010
fermentables = "grain"
recipe = "amber"
yeast = "ale-1"
"""


def gravity(hours: float) -> float:
    """Down from 1.060 to 1.010 about a middle of 60 h."""
    return 1.010 + 0.050 / (1.0 + math.exp(0.07 * (hours - 60.0)))


def rate(hours: float) -> float:
    """SG a day that it falls."""
    return (gravity(hours - 1.0) - gravity(hours + 1.0)) * 12.0


def trembling(shape: Callable[[float], float], by: float, seed: str) -> Callable[[float], float]:
    rng = random.Random(seed)
    return lambda hours: shape(hours) + rng.gauss(0.0, by)


def ferment(cellar: Cellar, hours: int, every: int = 20 * MINUTE) -> None:
    """A vat on a scale in a room at 18 °C: 21 kg, 4 mL bubbles, 100 K over the air for 1 SG a day."""
    shapes = {
        "float-a": {"gravity": trembling(gravity, 0.0004, "g"),
                    "temperature": trembling(lambda at: 18.0 + 95.0 * rate(at - 8.0), 0.05, "t")},
        "scale": {"mass": trembling(lambda at: 21.0 - 19.0 * (1.060 - gravity(at)), 0.001, "m")},
        "airlock": {"bubbles": trembling(lambda at: 10.3 * 1000.0 * rate(at) / 1440.0 / 0.004, 0.3, "b")},
        "air": {"temperature": trembling(lambda _: 18.0, 0.05, "a")},
    }  # fmt: skip
    end = cellar.now + hours * HOUR
    while cellar.now < end:
        cellar.wait(every)
        at = (cellar.now - PITCHED) / HOUR
        for probe, quantities in shapes.items():
            cellar.say(probe, cellar.now, **{name: max(0.0, shape(at)) for name, shape in quantities.items()})


def points(state: State) -> Callable[[int, int], list[tuple[float, float]]]:
    return state.tracks["vessel:bucket|float-a|gravity"].points


def kinds(cellar: Cellar) -> dict[str, float]:
    """What each witness says now, as a multiple of the true rate."""
    found = activity.activities(cellar.state, cellar.batch, points(cellar.state), cellar.now)
    middle = {each.kind: (each.from_ms + each.to_ms) / 2 for each in found}
    return {each.kind: -each.rate / rate((middle[each.kind] - PITCHED) / HOUR) for each in found}


@pytest.fixture(scope="module")
def taught() -> Cellar:
    """Four days of it."""
    cellar = Cellar(ROOMY)
    ferment(cellar, 90)
    return cellar


def test_every_witness_is_found_taught_and_near_the_truth(taught: Cellar) -> None:
    """Mass, bubbles and warmth each tell the rate of the day; the sentence says how it is known."""
    told = kinds(taught)
    assert set(told) == {"mass", "bubbles", "heat"}
    assert told["mass"] == pytest.approx(1.0, abs=0.1)
    assert told["bubbles"] == pytest.approx(1.0, abs=0.1)
    assert told["heat"] == pytest.approx(1.0, abs=0.35)
    words = [each.words for each in activity.activities(taught.state, taught.batch, points(taught.state), taught.now)]
    assert any("bubble counter airlock" in each and "as this batch taught it" in each for each in words)
    assert any("the scale (scale) lost" in each for each in words)


def test_what_was_taught_survives_a_restart_and_is_the_same(taught: Cellar) -> None:
    """The pieces in the store make the same state, and it says the same to the last digit."""
    taught.commit()
    again = State.restore(dict(taught.pieces))
    assert again.ratios == taught.state.ratios
    before = activity.activities(taught.state, taught.batch, points(taught.state), taught.now)
    after = activity.activities(again, again.batches["amber-1"], points(again), taught.now)
    assert before == after


def test_a_witness_that_was_taken_out_is_not_asked() -> None:
    """Nor is one in function check after a move."""
    cellar = Cellar(ROOMY)
    ferment(cellar, 66)
    assert "mass" in kinds(cellar)
    cellar.tell(ProbeMoved(probe="scale", to=None, at=cellar.now))
    cellar.tell(ProbeMoved(probe="air", to="vessel:bucket", at=cellar.now))
    told = kinds(cellar)
    assert "mass" not in told
    assert "heat" not in told


def test_in_a_fridge_the_room_is_not_its_air() -> None:
    """A vessel that stands in a fridge is not judged by the cellar's thermometer."""
    cellar = Cellar(ROOMY + '[[fridge]]\nname = "larder"\n')
    ferment(cellar, 72)
    assert "heat" in kinds(cellar)
    cellar.tell(ContentsChanged(fridge="larder", contents=["bucket"]))
    assert "heat" not in kinds(cellar)


@pytest.mark.parametrize(("key", "heard"), [('room = "cellar"', True), ('room = "attic"', False), ("", False)])
def test_with_two_rooms_the_vessel_says_in_which_it_stands(key: str, heard: bool) -> None:
    """Its own room's air counts; where nobody said which, none does."""
    told = ROOMY.replace('probes = ["float-a", "scale", "airlock"]', f'probes = ["float-a"]\n{key}')
    cellar = Cellar(told + '[[room]]\nname = "attic"\n')
    ferment(cellar, 72, every=30 * MINUTE)
    assert ("heat" in kinds(cellar)) is heard


# --- where it should end -------------------------------------------------------------------------------------------


def finished(cellar: Cellar, final: float) -> None:
    """As a batch is once it was called finished."""
    cellar.batch.original, cellar.batch.rest, cellar.batch.last_gravity = 1.060, "finished", final


def test_a_batch_that_finished_teaches_the_next_of_its_recipe() -> None:
    """Closed, it is remembered; the next of the same recipe and yeast expects its attenuation, over a restart too."""
    cellar = Cellar(ROOMY)
    finished(cellar, 1.012)
    cellar.tell(BatchClosed(batch="amber-1"))
    told = {"name": "amber-2", "vessel": "bucket", "pitched": PITCHED, "recipe": "amber", "yeast": "ale-1"}
    cellar.tell(BatchStarted(batch=told))
    past = cellar.state.batches["amber-2"].past
    assert past is not None
    assert past[0] == pytest.approx(0.8)
    assert "same recipe and yeast" in past[2]
    cellar.commit()
    again = State.restore(cellar.pieces)
    assert again.finals == cellar.state.finals
    assert again.batches["amber-2"].past == past
    assert [each.batch for each in again.finals] == ["amber-1"]


def test_a_batch_that_did_not_finish_teaches_nothing() -> None:
    """Closed while it works, or thinned with water: where it stood says nothing of where it would have ended."""
    for spoil in ("rest", "thinned"):
        cellar = Cellar(ROOMY)
        finished(cellar, 1.012)
        if spoil == "rest":
            cellar.batch.rest = None
        else:
            cellar.batch.thinned = True
        cellar.tell(BatchClosed(batch="amber-1"))
        assert cellar.state.finals == []


def test_what_a_witness_was_taught_goes_with_its_batch(taught: Cellar) -> None:
    """Nothing of it is kept once the batch is closed."""
    taught.commit()
    cellar = Cellar(ROOMY)
    cellar.state = State.restore(dict(taught.pieces))
    cellar.now, cellar.pieces = taught.now, dict(taught.pieces)
    assert "ratios:amber-1" in cellar.pieces
    cellar.tell(BatchClosed(batch="amber-1"))
    cellar.commit()
    assert cellar.state.ratios == {}
    assert "ratios:amber-1" not in cellar.pieces


def test_a_forced_sample_is_corrected_kept_and_taken_back() -> None:
    """By temperature and scale, with its reading's error; sugar fed later makes it void, nutrient does not."""
    cellar = Cellar(ROOMY)
    at = cellar.now + HOUR
    cellar.wait(2 * HOUR)
    cellar.tell(ForcedFinal(batch="amber-1", hydrometer=1.009, temperature=25.0, calibrated=20.0, at=at))
    forced = cellar.batch.forced
    assert forced is not None
    assert forced[0] == pytest.approx(1.0101, abs=0.0004)
    assert 0.0009 < forced[1] < 0.002
    assert forced[2] == at
    cellar.tell(Added(batch="amber-1", what="nutrient", at=cellar.now))
    assert cellar.batch.forced == forced
    cellar.tell(Added(batch="amber-1", what="sugar", at=cellar.now))
    assert cellar.batch.forced is None
    cellar.tell(ForcedFinal(batch="amber-1", hydrometer=1.009, at=at))
    assert cellar.batch.forced == (1.009, 0.003, at)
    cellar.tell(ForcedFinal(batch="amber-1", hydrometer=None, at=at))
    assert cellar.batch.forced is None


def test_a_forced_sample_that_cannot_be_is_passed_over() -> None:
    """A journal edited by hand does not stop the engine."""
    cellar = Cellar(ROOMY)
    cellar.tell(ForcedFinal(batch="amber-1", hydrometer=9.0, temperature=25.0, at=cellar.now))
    cellar.tell(ForcedFinal(batch="nobody", hydrometer=1.009, at=cellar.now))
    assert cellar.batch.forced is None


def test_past_batches_are_kept_up_to_a_number() -> None:
    """However many are closed."""
    cellar = Cellar(ROOMY)
    for number in range(finals.KEPT + 3):
        told = {"name": f"b-{number}", "vessel": "bucket", "pitched": PITCHED, "recipe": "amber"}
        cellar.tell(BatchStarted(batch=told))
        batch = cellar.state.batches[f"b-{number}"]
        batch.original, batch.rest, batch.last_gravity = 1.060, "finished", 1.012
        cellar.tell(BatchClosed(batch=batch.name))
    assert len(cellar.state.finals) == finals.KEPT
