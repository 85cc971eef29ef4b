"""Clocks of washing and the shelf, on event time."""

from __future__ import annotations

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from monitor.engine import yeast_clocks
from monitor.engine.state import State
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.deeds import (
    Fined,
    Harvested,
    JarDiscarded,
    Jarred,
    JarUsed,
    Noted,
    PouredOff,
    Split,
    Undone,
    WashDiscarded,
    WashRound,
)
from monitor.model.inputs import BatchStarted, Started, Ticked

from .cellar import PITCHED, Cellar

SHED = """
[[vessel]]
name = "bucket"
volume_l = 19
[[vessel]]
name = "bucket-b"
volume_l = 19
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.070
expected_final = 1.010
jars = ["first"]
[practice.yeast]
best_within = "3d"
discard_after = "6d"
"""


@pytest.fixture
def shed() -> Cellar:
    """A batch, and jars that are old within days."""
    cellar = Cellar(SHED)
    cellar.tell(Started(version="0", watched_until=None))
    return cellar


def harvest(shed: Cellar, wash: str = "w") -> None:
    shed.tell(Harvested(at=shed.now, wash=wash, batch="amber-1", strain="ale", generation=1, volume_ml=500))


def water(shed: Cellar, **more: object) -> None:
    shed.tell(WashRound(at=shed.now, wash="w", water_ml=500, **more))


def put_up(shed: Cellar, name: str = "ale-1", **more: object) -> int:
    shed.tell(Jarred(**{"at": shed.now, "jar": name, "strain": "ale", "origin": "wash", "wash": "w",
                        "generation": 1, "volume_ml": 200} | more))  # fmt: skip
    return shed.now


def tick_off(shed: Cellar, alert: str) -> None:
    shed.tell(Ticked(id=shed.last(alert).id))


# --- stands ------------------------------------------------------------------------------------------------------


def test_a_stand_is_told_once_when_its_time_has_come(shed: Cellar):
    """Not before four hours, then once, with physics beside practice; it returns when poured off."""
    harvest(shed)
    water(shed)
    shed.wait(4 * HOUR - 2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == []
    shed.wait(3 * MINUTE)
    assert shed.alerts("yeast-stand-done", "jar:w") == ["raised"]
    told = shed.last("yeast-stand-done")
    assert any("Stokes" in each for each in told.because)
    assert any("leave it overnight" in each for each in told.do)
    shed.wait(HOUR)
    shed.tell(PouredOff(at=shed.now, wash="w", kept_ml=400))
    shed.wait(2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == ["raised", "returned"]
    assert len([each for each in shed.out.notices if each.alert == "yeast-stand-done"]) == 2


@pytest.mark.parametrize(("more", "span"), [({"powdery": True}, 12 * HOUR), ({"stand": "short"}, 20 * MINUTE)])
def test_powdery_and_short_stands_have_their_own_time(shed: Cellar, more, span):
    """Overnight, and twenty minutes."""
    harvest(shed)
    water(shed, **more)
    shed.wait(span - 2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == []
    shed.wait(3 * MINUTE)
    assert shed.alerts("yeast-stand-done") == ["raised"]


def test_the_next_round_ends_the_word_and_begins_its_own(shed: Cellar):
    """Water put on anew returns it; four hours later it is told of the new stand, though the old one was ticked."""
    harvest(shed)
    water(shed)
    shed.wait(5 * HOUR)
    tick_off(shed, "yeast-stand-done")
    shed.wait(HOUR)
    assert shed.alerts("yeast-stand-done") == ["raised", "returned"]
    water(shed)
    shed.wait(4 * HOUR + 2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == ["raised", "returned", "raised"]


def test_a_stand_that_came_and_was_due_while_nobody_watched_is_told(shed: Cellar):
    """The word about the stand before it does not stand in its way."""
    harvest(shed)
    water(shed)
    shed.wait(5 * HOUR)
    tick_off(shed, "yeast-stand-done")
    shed.wait(MINUTE)
    shed.off(HOUR)
    began = shed.now
    shed.off(5 * HOUR)
    shed.tell(Started(version="0", watched_until=None))
    shed.tell(WashRound(at=began, wash="w", water_ml=500))
    shed.wait(2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == ["raised", "returned", "raised"]


def test_undoing_the_round_returns_the_word(shed: Cellar):
    """What was never put on does not stand."""
    harvest(shed)
    water(shed)
    told = shed.now
    shed.wait(5 * HOUR)
    shed.tell(Undone(of=told))
    shed.wait(2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == ["raised", "returned"]


def test_putting_it_up_ends_the_stand(shed: Cellar):
    """Filled into jars, nothing stands."""
    harvest(shed)
    water(shed)
    shed.wait(5 * HOUR)
    put_up(shed)
    shed.wait(2 * MINUTE)
    assert "yeast-stand-done" not in shed.standing()


def test_throwing_the_wash_out_ends_the_word(shed: Cellar):
    """Nobody is asked to pour off what went down the drain; taken back, it is told again."""
    harvest(shed)
    water(shed)
    shed.wait(5 * HOUR)
    shed.tell(WashDiscarded(at=shed.now, wash="w"))
    told = shed.now
    shed.wait(2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == ["raised", "returned"]
    shed.tell(Undone(of=told))
    shed.wait(2 * MINUTE)
    assert shed.alerts("yeast-stand-done") == ["raised", "returned", "raised"]


# --- the shelf ---------------------------------------------------------------------------------------------------


def test_an_old_jar_is_told_of_and_again_when_it_is_to_go(shed: Cellar):
    """Past its best once, and once when it is thrown out: two words to people, and none that the first is over."""
    put_up(shed)
    shed.wait(3 * DAY - HOUR)
    assert shed.alerts("yeast-old") == []
    shed.wait(2 * HOUR)
    assert shed.alerts("yeast-old", "jar:ale-1") == ["raised"]
    assert "past its best" in shed.last("yeast-old").message
    shed.wait(3 * DAY)
    assert [each for each in shed.alerts("yeast-old") if each != "reminded"] == ["raised", "returned", "raised"]
    assert "throw it out" in shed.last("yeast-old").message
    assert [each.reason for each in shed.out.notices if each.alert == "yeast-old" and each.reason != "reminder"] == [
        "first", "first",
    ]  # fmt: skip
    shed.tell(JarDiscarded(at=shed.now, jar="ale-1"))
    shed.wait(2 * MINUTE)
    assert "yeast-old" not in shed.standing()


def test_a_ticked_word_stays_away_until_the_next_one(shed: Cellar):
    """Ticked off, it is not told of again before it is to be thrown out."""
    put_up(shed)
    shed.wait(3 * DAY + HOUR)
    tick_off(shed, "yeast-old")
    shed.wait(2 * DAY)
    assert shed.alerts("yeast-old") == ["raised", "returned"]
    shed.wait(DAY)
    assert shed.alerts("yeast-old") == ["raised", "returned", "raised"]


@pytest.mark.parametrize("end", ["used", "discarded", "undone"])
def test_it_returns_when_the_jar_is_gone(shed: Cellar, end):
    """Used up, thrown out, or never put up."""
    told = put_up(shed)
    shed.wait(3 * DAY + HOUR)
    shed.tell(
        JarUsed(at=shed.now, jar="ale-1", ml=200) if end == "used"
        else JarDiscarded(at=shed.now, jar="ale-1") if end == "discarded"
        else Undone(of=told)
    )  # fmt: skip
    shed.wait(2 * MINUTE)
    assert [each for each in shed.alerts("yeast-old") if each != "reminded"] == ["raised", "returned"]


def test_a_packet_goes_by_its_date_alone(shed: Cellar):
    """No date, no word; past its date one word, and none to throw it out."""
    put_up(shed, "undated", origin="packet", wash=None)
    put_up(shed, "dated", origin="packet", wash=None, best_before=shed.now + 2 * DAY)
    shed.wait(9 * DAY)
    assert shed.alerts("yeast-old", "jar:undated") == []
    assert shed.alerts("yeast-old", "jar:dated").count("raised") == 1
    assert "past its date" in shed.last("yeast-old").message


# --- yeast as the records have it --------------------------------------------------------------------------------


def test_a_batch_as_a_source_tells_what_is_known_of_it(shed: Cellar):
    """Generation by the jar that the configuration names, off smells, and finings through a split."""
    put_up(shed, "first", origin="packet", wash=None, generation=0)
    shed.tell(Noted(at=shed.now, about="batch:amber-1", text="eggs", sort="off-smell"))
    before = shed.now
    shed.wait(MINUTE)
    shed.tell(Fined(at=shed.now, batch="amber-1", part=1, what="silica sol"))
    shed.tell(Split(at=shed.now + 1, batch="amber-1", name="amber-1b", vessel="bucket-b", volume_l=4))
    source = yeast_clocks.source_of(shed.state, "amber-1", shed.now + 2)
    assert source is not None
    assert (source.parents, source.generation, source.off_smell, source.fined) == (("first",), 1, True, True)
    part = yeast_clocks.source_of(shed.state, "amber-1b", shed.now + 2)
    assert part is not None
    assert part.fined
    earlier = yeast_clocks.source_of(shed.state, "amber-1", before)
    assert earlier is not None
    assert not earlier.fined
    assert yeast_clocks.source_of(shed.state, "nobody", shed.now) is None


def test_the_past_is_traced_through_state(shed: Cellar):
    """By the configuration's jars and the records together."""
    put_up(shed, "first", origin="packet", wash=None, generation=0)
    harvest(shed)
    put_up(shed)
    found = yeast_clocks.lineage_of(shed.state, "ale-1")
    assert [each.about for each in found.nodes] == ["jar:ale-1", "wash:w", "batch:amber-1", "jar:first"]


def test_undoing_all_empties_shelf_and_washes(shed: Cellar):
    """As if nothing had been told."""
    told = []
    harvest(shed)
    told.append(shed.now)
    water(shed)
    told.append(shed.now)
    told.append(put_up(shed))
    shed.tell(JarUsed(at=shed.now, jar="ale-1", ml=20))
    told.append(shed.now)
    for of in reversed(told):
        shed.tell(Undone(of=of))
    assert yeast_clocks.shelf_of(shed.state, shed.now) == ()
    assert yeast_clocks.washings_of(shed.state) == ()


# --- the same again ----------------------------------------------------------------------------------------------

deeds = st.lists(
    st.tuples(st.sampled_from(["harvest", "water", "short", "pour", "jar", "use", "discard", "undo", "off"]),
              st.integers(1, 40)), min_size=1, max_size=10,
)  # fmt: skip


def play(plan: list[tuple[str, int]], *, stop_after: int | None = None) -> Cellar:
    """Tell these deeds, hours apart; after some of them from the kept pieces alone, as after a restart."""
    shed = Cellar(SHED)
    shed.tell(Started(version="0", watched_until=None))
    told = []
    for number, (what, hours) in enumerate(plan):
        now = shed.now
        entry = {
            "harvest": Harvested(at=now, wash="w", batch="amber-1", strain="ale", generation=1, volume_ml=500),
            "water": WashRound(at=now, wash="w", water_ml=500),
            "short": WashRound(at=now, wash="w", water_ml=500, stand="short"),
            "pour": PouredOff(at=now, wash="w", kept_ml=100),
            "jar": Jarred(at=now, jar=f"j{hours % 2}", strain="ale", origin="wash", wash="w", volume_ml=100),
            "use": JarUsed(at=now, jar=f"j{hours % 2}", ml=60),
            "discard": JarDiscarded(at=now, jar=f"j{hours % 2}"),
            "undo": Undone(of=told[hours % len(told)] if told else 1),
            "off": BatchStarted(batch={"name": "x", "vessel": "bucket-b", "pitched": PITCHED, "jars": ["j0"]}),
        }[what]
        shed.tell(entry)
        told.append(shed.now)
        shed.wait(hours * HOUR)
        if number == stop_after:
            shed.commit()
            shed.state = State.restore(shed.pieces)
    return shed


@settings(deadline=None, max_examples=15, phases=(Phase.explicit, Phase.generate))  # days of ticks are slow to shrink
@given(deeds, st.integers(0, 9))
def test_a_restart_changes_nothing_and_each_word_is_said_once(plan, stop):
    """Live and restored the events are the same; no word is raised while it stands."""
    whole, cut = play(plan), play(plan, stop_after=stop)
    assert whole.out.events == cut.out.events
    standing: set[tuple[str, str]] = set()
    for event in whole.out.events:
        change, key = getattr(event, "change", ""), (getattr(event, "alert", ""), getattr(event, "about", ""))
        if change == "raised":
            assert key not in standing
            standing.add(key)
        elif change == "returned":
            standing.remove(key)
