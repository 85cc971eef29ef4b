"""What is known of a batch that is closed tight, from its readings and deeds."""

from __future__ import annotations

import pytest

from monitor.batches import seal
from monitor.engine import clocks, seals
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.deeds import SealedUp
from monitor.model.inputs import ForcedFinal, StageChanged

from .cellar import Cellar, wobble

KEG = """
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[[vessel]]
name = "keg"
volume_l = 19
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "keg"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.070
expected_final = 0.990
"""
RATED = {"litres": 18.0, "headspace_l": 1.0, "sealed_at_c": 20.0, "stored_at_c": 25.0, "material": "steel"}


@pytest.fixture
def shed() -> Cellar:
    """One batch that has finished and stands in store."""
    shed = Cellar(KEG)
    shed.wait(DAY)
    shed.tell(StageChanged(batch="amber-1", stage="stored"))
    shed.batch.verdict = shed.batch.rest = "finished"
    return shed


def read(shed: Cellar, scale: float, at_c: float = 20.0) -> None:
    """A hydrometer reading with its temperature."""
    shed.wait(MINUTE)
    at = shed.now
    shed.say("hand:keg", at, temperature=at_c)
    shed.say("hand:keg", at, hydrometer=scale)


def sample(shed: Cellar, scale: float, at_c: float | None = 20.0) -> None:
    """A sample that was fermented out is read."""
    shed.tell(ForcedFinal(batch="amber-1", hydrometer=scale, temperature=at_c, at=shed.now))


def checked(shed: Cellar, bar: float) -> seal.Judgement:
    """The check before closing."""
    closing = seal.Closing(18.0, 1.0, 20.0, 25.0, "steel", bar)
    return seal.judge(seals.seal_facts(shed.state, shed.batch, shed.now), closing)


def close(shed: Cellar, bar: float) -> None:
    """It is closed, with what is known of it."""
    known = seals.as_known(seals.seal_facts(shed.state, shed.batch, shed.now))
    shed.tell(SealedUp(at=shed.now, batch="amber-1", rated_bar=bar, **RATED, **known))


def test_a_bottle_rated_for_two_bar_is_safe_where_one_hydrometer_read_batch_and_sample(shed):
    """What that scale is off by is off in both: the fall is known to a thousandth, and 1.9 bar is the most."""
    sample(shed, 0.9925)
    read(shed, 0.9925)
    found = checked(shed, 2.0)
    assert found.safe, found.reasons()
    assert found.pressure_range is not None
    assert found.pressure_range[1] == pytest.approx(1.85, abs=0.1)
    assert not seal.judge(seals.seal_facts(shed.state, shed.batch, shed.now), seal.Closing(4.0, 0.3, 20.0, 25.0)).safe


@pytest.mark.parametrize(("batch_c", "sample_c"), [(20.0, None), (8.0, 20.0), (20.0, 33.0)])
def test_one_scale_says_little_where_it_stood_at_an_unknown_or_far_temperature(shed, batch_c, sample_c):
    """How a wash of unknown strength swells is then as large as what may be left to fall."""
    sample(shed, 0.9925, sample_c)
    read(shed, 0.9925, batch_c)
    assert seals.one_scale(shed.batch, shed.now) is None
    assert not checked(shed, 6.0).safe


def test_what_was_safe_when_it_was_closed_is_so_when_its_reading_is_old(shed):
    """Nothing moved: that the batch was read more than a week ago is no reason to call a bottle a danger."""
    sample(shed, 0.9925)
    read(shed, 0.9925)
    close(shed, 2.0)
    shed.wait(9 * DAY)
    assert shed.alerts("seal-unsafe") == []
    sample(shed, 0.9895)
    shed.wait(MINUTE)
    assert shed.alerts("seal-unsafe") == ["raised"]


def test_a_fall_that_a_probe_sees_counts_from_the_first_hours(shed):
    """A hand reading from before it was closed does not stand before what a float in it says since."""
    shed.live("float-a", 5, gravity=wobble(0.9925, 0.0001), temperature=wobble(20.0, 0.1))
    sample(shed, 0.9925)
    read(shed, 0.9925)
    close(shed, 6.0)
    shed.live("float-a", 5, gravity=wobble(0.9925, 0.0001), temperature=wobble(20.0, 0.1))
    assert shed.alerts("seal-unsafe") == []
    shed.live("float-a", 12, gravity=wobble(0.9895, 0.0001), temperature=wobble(20.0, 0.1))
    assert shed.alerts("seal-unsafe") == ["raised"]
    assert "since it was closed" in shed.last("seal-unsafe").because[0]
    (_, found), *_ = clocks.judged(shed.state, shed.batch, shed.now + HOUR)
    assert not found.safe
