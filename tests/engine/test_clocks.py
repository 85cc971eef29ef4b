"""Clocks of clearing, cold and sealing, on event time."""

from __future__ import annotations

import pytest

from monitor.engine import clocks, cold, ice
from monitor.engine.state import State
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.deeds import (
    Clarity,
    Fined,
    Held,
    HoldEnded,
    Jarred,
    Racked,
    SealedUp,
    Undone,
    Unsealed,
)
from monitor.model.inputs import BatchClosed, BatchStarted, StageChanged, Started
from tests.cost import calls_of

from .cellar import Cellar, wobble

TWO = """
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[[probe]]
name = "haze-b"
source = "mqtt"
topic = "haze-b"
[[probe]]
name = "larder-air"
source = "mqtt"
topic = "larder-air"
[[vessel]]
name = "bucket"
volume_l = 19
probes = ["float-a"]
[[vessel]]
name = "bucket-b"
volume_l = 19
probes = ["haze-b"]
[[fridge]]
name = "larder"
target_c = 3
probes = ["larder-air"]
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.070
expected_final = 0.994
[[batch]]
name = "amber-2"
vessel = "bucket-b"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.070
expected_final = 0.994
"""


@pytest.fixture
def shed() -> Cellar:
    """Two siblings and a fridge."""
    return Cellar(TWO)


def fine(shed: Cellar, part: int, batch: str = "amber-1") -> int:
    """A part goes in now; when it was received."""
    shed.tell(Fined(at=shed.now, batch=batch, part=part, what="silica sol" if part == 1 else "chitosan"))
    return shed.now


def look(shed: Cellar, clearness: str, batch: str = "amber-1") -> None:
    shed.tell(Clarity(at=shed.now, batch=batch, clearness=clearness))


def to_clearing(shed: Cellar) -> None:
    for batch in ("amber-1", "amber-2"):
        shed.tell(StageChanged(batch=batch, stage="clearing"))


# --- clearing ----------------------------------------------------------------------------------------------------


def test_the_second_part_is_due_an_hour_after_the_first(shed):
    """Medium, once, on the minute; it returns when the second part goes in."""
    to_clearing(shed)
    fine(shed, 1)
    shed.wait(59 * MINUTE)
    assert shed.alerts("clearing-due") == []
    shed.wait(2 * MINUTE)
    assert shed.alerts("clearing-due", "batch:amber-1") == ["raised"]
    said = shed.last("clearing-due")
    assert said.priority == "medium"
    assert "stir it in" in said.message
    fine(shed, 2)
    shed.wait(MINUTE)
    assert shed.alerts("clearing-due") == ["raised", "returned"]


@pytest.mark.parametrize("how", ["undone", "stage", "closed"])
def test_a_clock_that_lost_its_cause_returns(shed, how):
    """The first part was taken back, the batch went cold, or it is over."""
    to_clearing(shed)
    first = fine(shed, 1)
    shed.wait(2 * HOUR)
    assert "clearing-due" in shed.standing()
    shed.tell(
        {
            "undone": Undone(of=first),
            "stage": StageChanged(batch="amber-1", stage="cold"),
            "closed": BatchClosed(batch="amber-1"),
        }[how]
    )
    shed.wait(5 * MINUTE)
    assert "clearing-due" not in shed.standing()
    assert shed.alerts("clearing-due") == ["raised", "returned"]


def test_slow_by_practice_until_it_is_clear(shed):
    """Two days after the second part and still hazy: low; a look that says clear returns it."""
    to_clearing(shed)
    fine(shed, 1)
    shed.wait(HOUR)
    fine(shed, 2)
    shed.wait(46 * HOUR)
    look(shed, "hazy")
    shed.wait(90 * MINUTE)
    assert "clearing-slow" not in shed.standing()
    shed.wait(HOUR)
    assert shed.last("clearing-slow").priority == "low"
    assert "by practice" in shed.last("clearing-slow").message
    look(shed, "clear")
    shed.wait(MINUTE)
    assert shed.alerts("clearing-slow") == ["raised", "returned"]


def test_nobody_looked(shed):
    """When it should be clear and nobody has said, it asks to look; it does not call it slow."""
    to_clearing(shed)
    fine(shed, 1)
    shed.wait(HOUR)
    fine(shed, 2)
    shed.wait(49 * HOUR)
    assert shed.alerts("reading-due", "batch:amber-1") == ["raised"]
    assert shed.alerts("clearing-slow") == []
    look(shed, "clear")
    shed.wait(MINUTE)
    assert shed.alerts("reading-due", "batch:amber-1") == ["raised", "returned"]


def test_slow_against_its_sibling_by_a_turbidity_probe(shed):
    """The sibling's probe told that it was clear after some hours; this one is hazy at more than twice that."""
    to_clearing(shed)
    fine(shed, 1)
    fine(shed, 1, "amber-2")
    shed.wait(HOUR)
    fine(shed, 2)
    fine(shed, 2, "amber-2")
    start = shed.now
    while shed.now - start < 10 * HOUR:
        shed.wait(10 * MINUTE)
        hours = (shed.now - start) / HOUR
        shed.say("haze-b", turbidity=round(max(4.0, 60.0 - 10.0 * hours) + (shed.now // MINUTE % 7) * 0.1, 2))
    look(shed, "hazy")
    shed.wait(5 * MINUTE)
    assert "clearing-slow" not in shed.standing()
    shed.wait(4 * HOUR)
    look(shed, "hazy")
    shed.wait(5 * MINUTE)
    said = shed.last("clearing-slow")
    assert said.about == "batch:amber-1"
    assert "than amber-2" in said.message
    assert any("amber-2 was clear" in each for each in said.because)
    took = clocks.clearing_of(shed.state, shed.state.batches["amber-2"]).took_ms()
    assert took is not None
    assert 5 * HOUR < took < 7 * HOUR  # it passes 8 NTU after 5.2 hours, and hours are kept
    shed.say("haze-b", turbidity=4.0)
    shed.wait(5 * HOUR)  # silence of the probe takes nothing back
    assert clocks.clearing_of(shed.state, shed.state.batches["amber-2"]).took_ms() == took


# --- cold --------------------------------------------------------------------------------------------------------


def air(shed: Cellar, hours: float, shape) -> None:
    """The fridge's air is heard each five minutes."""
    shed.live("larder-air", hours, 5 * MINUTE, temperature=shape)


COLD = wobble(2.0, 0.05)


def hold(shed: Cellar, about: str = "batch:amber-1", **more: object) -> Held:
    told = {"about": about, "fridge": "larder", "target_c": 4.0, "hours": 10.0, "from_c": 20.0, "at": shed.now}
    deed = Held(**(told | more))
    shed.tell(deed)
    return deed.model_copy(update={"received": shed.now})


def test_a_hold_of_a_bucket_takes_most_of_a_day_longer(shed):
    """Ten hours cold are full only after the liquid got there, even at the slow end; the notice is a sentence."""
    air(shed, 2, COLD)
    start = shed.now
    hold(shed)
    air(shed, 30, COLD)
    assert shed.alerts("cold-hold-done") == []
    own = shed.state.holds["batch:amber-1"]
    assert own.by == "air"
    assert 12 <= 30 - own.held_ms / HOUR <= 25
    while not shed.alerts("cold-hold-done"):
        air(shed, 1, COLD)
    assert 36 * HOUR < shed.now - start < 50 * HOUR
    assert "has been cold for long enough" in shed.last("cold-hold-done").message
    assert shed.alerts("freeze-risk") == []
    shed.tell(HoldEnded(at=shed.now, about="batch:amber-1"))
    shed.wait(MINUTE)
    assert shed.alerts("cold-hold-done") == ["raised", "returned"]
    assert "batch:amber-1" not in shed.state.holds


def test_a_hold_survives_a_kill(shed):
    """From the state as committed at any minute it goes on exactly as without."""
    other = Cellar(TWO)
    for each in (shed, other):
        air(each, 2, COLD)
        hold(each)
        each.commit()
    for number in range(1, 400):
        for each in (shed, other):
            air(each, 1 / 12, COLD)
            each.commit()
        if number % 53 == 0:
            other.state = State.restore(other.pieces)
            assert other.state.holds == shed.state.holds
    assert other.state.holds == shed.state.holds
    assert shed.state.holds["batch:amber-1"].held_ms > HOUR
    assert [event.record() for event in other.out.events] == [event.record() for event in shed.out.events]


def test_a_hold_that_is_done_is_written_once_an_hour(shed):
    """Until somebody ends it, for months perhaps: what it knows in between follows from the hour before."""
    air(shed, 2, COLD)
    hold(shed, litres=0.5, material="glass", from_c=3.0, hours=2.0)
    written = 0
    for number in range(1, 12 * 9):
        air(shed, 1 / 12, COLD)
        shed.commit()
        written += "hold:batch:amber-1" in shed.changed
        if number == 12 * 3:
            assert shed.alerts("cold-hold-done") == ["raised"]
            before = written
    assert 5 <= written - before <= 7


def test_a_hold_that_is_done_survives_a_kill(shed):
    """Nothing is lost with the minutes that were not written."""
    other = Cellar(TWO)
    for each in (shed, other):
        air(each, 2, COLD)
        hold(each, litres=0.5, material="glass", from_c=3.0, hours=2.0)
    for number in range(1, 200):
        for each in (shed, other):
            air(each, 1 / 12, COLD if number < 100 else wobble(-4.2, 0.05))
            each.commit()
        if number % 17 == 0:
            other.state = State.restore(other.pieces)
        assert other.state.holds == shed.state.holds
    assert shed.state.holds["batch:amber-1"].done
    assert shed.alerts("freeze-risk", "batch:amber-1") == ["raised"]
    assert [event.record() for event in other.out.events] == [event.record() for event in shed.out.events]


def test_a_hold_that_is_done_still_tells_of_ice_within_minutes(shed):
    """Between the hours too, by the probe in it and by the air round it."""
    shed.live("larder-air", 2, 5 * MINUTE, temperature=COLD)
    hold(shed, litres=0.5, material="glass", from_c=3.0, hours=1.0)
    shed.live("larder-air", 3, 5 * MINUTE, temperature=COLD)
    assert shed.state.holds["batch:amber-1"].done
    shed.wait_until(-(-shed.now // HOUR) * HOUR + 10 * MINUTE)
    shed.say("float-a", gravity=1.05, temperature=-0.5)
    shed.wait(2 * MINUTE)
    assert shed.now % HOUR < 15 * MINUTE
    assert shed.alerts("freeze-risk", "batch:amber-1") == ["raised"]


def test_unwatched_hours_are_said(shed):
    """An outage while it was cold is not counted, and where it stands says how long that was."""
    air(shed, 2, COLD)
    deed = hold(shed, litres=0.5, material="glass")
    air(shed, 12, COLD)
    before = shed.state.holds["batch:amber-1"].held_ms
    until = shed.now
    shed.off(6 * HOUR)
    shed.tell(Started(version="1", watched_until=until))
    air(shed, 1, COLD)
    found = cold.standing(shed.state, "batch:amber-1", deed)
    assert found is not None
    assert found.unseen_hours == pytest.approx(6.0, abs=0.3)
    own = shed.state.holds["batch:amber-1"]
    assert before < own.held_ms < before + 70 * MINUTE


def test_a_silent_air_stops_the_clock(shed):
    """No reading of the air for longer than is usual: nothing is counted until one comes."""
    air(shed, 2, COLD)
    hold(shed, litres=0.5, material="glass")
    air(shed, 12, COLD)
    shed.wait(16 * MINUTE)
    before = shed.state.holds["batch:amber-1"].held_ms
    shed.wait(3 * HOUR)
    assert shed.state.holds["batch:amber-1"].held_ms == before
    assert shed.state.holds["batch:amber-1"].by == "nothing"


def test_a_float_in_the_liquid_tells(shed):
    """A probe in the vessel's liquid beats the estimate: what is cold already counts from the start."""
    shed.say("larder-air", temperature=2.0)
    shed.say("float-a", gravity=1.05, temperature=3.8)
    hold(shed)
    for _ in range(30):
        shed.wait(5 * MINUTE)
        wave = shed.now // MINUTE % 7 / 100
        shed.say("float-a", gravity=1.05 + wave / 100, temperature=3.8 + wave)
        shed.say("larder-air", temperature=2.0 + wave)
    own = shed.state.holds["batch:amber-1"]
    assert own.by == "probe"
    assert own.held_ms > 2 * HOUR


def test_a_jar_near_freezing_is_told_of(shed):
    """Yeast under water freezes at 0.0 °C: near it there is an alert about the jar, and it returns warmer."""
    shed.tell(Jarred(at=shed.now, jar="a1", strain="house", origin="packet", volume_ml=400.0))
    air(shed, 2, COLD)
    hold(shed, "jar:a1", from_c=5.0)
    air(shed, 3, wobble(0.2, 0.05))
    air(shed, 10, wobble(0.2, 0.05))
    assert shed.alerts("freeze-risk", "jar:a1") == ["raised"]
    said = shed.last("freeze-risk")
    assert said.priority == "high"
    assert any("0.0 °C" in each for each in said.because)
    assert any("glass" in each for each in said.do)
    air(shed, 10, wobble(3.0, 0.05))
    assert shed.alerts("freeze-risk", "jar:a1") == ["raised", "returned"]


def test_the_most_tender_thing_in_a_fridge(shed):
    """A jar of yeast under water comes before a wash, whose strength counts by its lower end."""
    shed.say("float-a", gravity=1.000)
    shed.tell(Jarred(at=shed.now, jar="a1", strain="house", origin="packet", volume_ml=400.0))
    air(shed, 2, COLD)
    hold(shed)
    hold(shed, "jar:a1")
    shed.wait(5 * MINUTE)
    shed.state.batches["amber-1"].last_gravity = 0.996
    found = cold.tender(shed.state, shed.state.fridges["larder"], clocks.holds(shed.state))
    assert [each.name for each in found] == ["a1", "amber-1"]
    assert found[0].freezes_c == 0.0
    assert -4.0 < found[1].freezes_c < -2.5
    strong = ice.strength(shed.state, shed.state.batches["amber-1"])
    assert strong is not None
    assert strong[1] < strong[0]


# --- seals -------------------------------------------------------------------------------------------------------


def close(shed: Cellar, **more: object) -> int:
    told = {
        "at": shed.now, "batch": "amber-1", "litres": 18.0, "headspace_l": 1.0, "sealed_at_c": 20.0,
        "stored_at_c": 25.0,
    }  # fmt: skip
    shed.tell(SealedUp(**(told | more)))
    return shed.now


def finished(shed: Cellar, gravity: float = 0.9935) -> None:
    """As the verdict's own rule leaves it."""
    batch = shed.state.batches["amber-1"]
    batch.verdict = batch.rest = "finished"
    batch.last_gravity, batch.stage = gravity, "stored"


def test_an_unsafe_seal_is_told_until_it_is_opened(shed):
    """High, with what to do about gas under pressure; opening it returns the alert."""
    close(shed)
    shed.wait(MINUTE)
    said = shed.last("seal-unsafe")
    assert said.priority == "high"
    assert any("not rated for pressure" in each for each in said.because)
    assert any("eye protection" in each for each in said.do)
    shed.wait(DAY)
    assert shed.alerts("seal-unsafe")[0] == "raised"
    assert "returned" not in shed.alerts("seal-unsafe")
    shed.tell(Unsealed(at=shed.now, batch="amber-1"))
    shed.wait(MINUTE)
    assert "seal-unsafe" not in shed.standing()


def test_a_seal_that_was_undone_returns(shed):
    """It was noted by mistake."""
    at = close(shed)
    shed.wait(MINUTE)
    shed.tell(Undone(of=at))
    shed.wait(MINUTE)
    assert shed.alerts("seal-unsafe") == ["raised", "returned"]


def test_closing_the_batch_does_not_make_its_jug_safe(shed):
    """A batch that is over but stands closed is still told of."""
    close(shed)
    shed.wait(MINUTE)
    shed.tell(BatchClosed(batch="amber-1"))
    shed.wait(5 * MINUTE)
    assert "seal-unsafe" in shed.standing()


@pytest.mark.parametrize("entry", [StageChanged(batch="amber-1", stage="stored"), BatchClosed(batch="amber-1")])
def test_what_stands_closed_is_told_of_once_through_all_stages(shed, entry):
    """Moving to another stage, or closing the batch, does not say that the danger is over."""
    close(shed)
    shed.wait(MINUTE)
    shed.tell(entry)
    shed.wait(5 * MINUTE)
    assert shed.alerts("seal-unsafe") == ["raised"]


def test_a_safe_seal_is_judged_anew_when_it_falls(shed):
    """Rated steel, finished, next to nothing left: quiet, until a hand reading shows that it fell further."""
    finished(shed)
    close(shed, material="steel", rated_bar=6.0, gravity=0.9935, fall_most=0.0008, abv=10.0)
    shed.wait(3 * HOUR)
    assert shed.alerts("seal-unsafe") == []
    shed.say("hand:bucket", temperature=20.0)
    shed.say("hand:bucket", at=shed.now - 1, hydrometer=0.9900)
    shed.wait(5 * MINUTE)
    assert shed.alerts("seal-unsafe") == ["raised"]
    assert any("it has fallen by 0.00" in each for each in shed.last("seal-unsafe").because)


def test_a_verdict_that_leaves_makes_a_seal_unsafe(shed):
    """It was finished when it was closed, and is at work again."""
    finished(shed)
    close(shed, material="steel", rated_bar=6.0, gravity=0.9935, fall_most=0.0008, abv=10.0)
    shed.wait(HOUR)
    batch = shed.state.batches["amber-1"]
    batch.verdict, batch.rest = "working", None
    shed.wait(MINUTE)
    assert any("working, not finished" in each for each in shed.last("seal-unsafe").because)


# --- cost --------------------------------------------------------------------------------------------------------


def test_old_records_are_not_read_again_each_minute(shed):
    """What a record said is remembered until it grows."""
    fine(shed, 1)
    first = clocks.plans(shed.state)["batch:amber-1"]
    shed.wait(5 * MINUTE)
    assert clocks.plans(shed.state)["batch:amber-1"] is first
    shed.tell(Racked(at=shed.now, batch="amber-1", to="bucket-b", volume_l=17.0))
    assert clocks.plans(shed.state)["batch:amber-1"] is not first
    assert cold.volume_of(shed.state, shed.state.batches["amber-1"]) == 17.0


def test_nothing_is_written_while_nothing_runs(shed):
    """A minute without finings, holds and seals touches no piece of theirs."""
    shed.wait(HOUR)
    shed.commit()
    shed.wait(MINUTE)
    assert not [key for key in shed.state.drain() if key.startswith(("hold", "record", "batch"))]


def test_what_stands_closed_is_judged_again_only_when_something_of_it_is_new(shed, monkeypatch):
    """A judgement costs much, and a jug may stand closed for years: neither minutes nor hours ask for another."""
    finished(shed)
    close(shed, material="steel", rated_bar=6.0, gravity=0.9935, fall_most=0.0008, abv=10.0)
    asked = []
    judge = clocks.seal.judge
    monkeypatch.setattr(clocks.seal, "judge", lambda *told: asked.append(told) or judge(*told))
    shed.wait(5 * HOUR)
    assert len(asked) == 1
    shed.state.batches["amber-1"].rest = shed.state.batches["amber-1"].verdict = None
    shed.wait(MINUTE)
    assert len(asked) == 2


def test_what_stands_closed_costs_next_to_nothing_each_minute(shed):
    """No figure of it is reckoned anew while nothing changed: some dozens of calls each, not the thousands it was."""
    finished(shed)
    shed.wait(2 * MINUTE)
    none = calls_of(lambda: shed.wait(MINUTE))
    for number in range(40):
        name = f"keg-{number}"
        told = {"name": name, "vessel": name, "pitched": shed.now, "original_gravity": 1.05 + number / 1e4}
        shed.tell(BatchStarted(batch=told))
        batch = shed.state.batches[name]
        batch.verdict = batch.rest = "finished"
        batch.last_gravity, batch.stage = 0.9935, "stored"
        close(shed, batch=name, material="steel", rated_bar=6.0, gravity=0.9935, fall_most=0.0008, abv=10.0)
    shed.wait(2 * MINUTE)
    assert calls_of(lambda: shed.wait(MINUTE)) - none < 40 * 60


def test_many_batches_with_finings_cost_little_more_than_each(shed):
    """A batch is held against those fined at about its own time, each looked up once in a minute."""
    for number in range(60):
        name = f"small-{number}"
        told = {"name": name, "vessel": name, "pitched": shed.now, "original_gravity": 1.05, "volume_l": 4.0}
        shed.tell(BatchStarted(batch=told))
        shed.tell(StageChanged(batch=name, stage="clearing"))
        for part in (1, 2):
            shed.tell(Fined(batch=name, part=part, what="silica sol", at=shed.now))
        look(shed, "hazy", name)
    looked = 0

    def counted(*told: object) -> object:
        nonlocal looked
        looked += 1
        return stands(*told)

    stands = clocks._stands
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(clocks, "_stands", counted)
        shed.wait(MINUTE)
    assert 60 <= looked <= 2 * 60
