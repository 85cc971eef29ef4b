"""Any deeds about batches, nonsense too, leave no trace in what is so of a batch once they are taken back."""

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.facts import facts_of
from monitor.engine.lives import life_of
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.deeds import Held, Merged, Noted, Racked, Reopened, Split, Undone
from monitor.model.inputs import Added, BatchClosed, BatchStarted, ForcedFinal, JournalEntry, StageChanged

from .cellar import PITCHED, PLAIN, Cellar, wobble

TOLD = PLAIN.replace("expected_final", "original_gravity = 1.060\nexpected_final")
NAMES = st.sampled_from(["amber-1", "b", "c"])
VESSELS = st.sampled_from(["bucket", "jug", "nowhere"])
TIMES = st.integers(-30, 300).map(lambda minutes: PITCHED + minutes * MINUTE)
RISES = st.sampled_from([None, 0.010, 0.0033, -0.007, 3.0])
LITRES = st.sampled_from([0.5, 4.0, 19.0])


def _start(name: str, vessel: str, original: float | None, pitched: int) -> BatchStarted:
    told: dict[str, Any] = {"name": name, "vessel": vessel, "pitched": pitched}
    return BatchStarted(batch=told if original is None else {**told, "original_gravity": original})


DEEDS: st.SearchStrategy[JournalEntry] = st.one_of(
    st.builds(_start, NAMES, VESSELS, st.sampled_from([None, 1.070, 5.0]), TIMES),
    st.builds(Added, batch=NAMES, what=st.sampled_from(["sugar", "water", "acid"]), at=TIMES, gravity_rise=RISES),
    st.builds(StageChanged, batch=NAMES, stage=st.sampled_from(["fermenting", "clearing", "cold"])),
    st.builds(BatchClosed, batch=NAMES),
    st.builds(Reopened, batch=NAMES, at=TIMES),
    st.builds(Racked, batch=NAMES, to=VESSELS, at=TIMES),
    st.builds(Split, batch=NAMES, name=NAMES, vessel=VESSELS, volume_l=LITRES, at=TIMES),
    st.builds(Merged, batch=NAMES, into=NAMES, at=TIMES, gravity_rise=st.sampled_from([None, 0.004])),
    st.builds(ForcedFinal, batch=NAMES, hydrometer=st.sampled_from([None, 1.008, 9.0]), at=TIMES),
    st.builds(Noted, about=NAMES.map("batch:{}".format), text=st.just("it smells of bread"), at=TIMES),
)


def _told(cellar: Cellar, entry: JournalEntry) -> int:
    """Tell it; when it was received."""
    cellar.tell(entry)
    return cellar.now


def _so(cellar: Cellar) -> dict[str, Any]:
    return {
        name: (facts_of(batch), batch.homes, batch.forced, batch.thinned, batch.fed_ms, batch.closed_ms, batch.rises)
        for name, batch in cellar.state.batches.items()
    }


def _restored_is_the_same(cellar: Cellar) -> None:
    cellar.commit()
    again = State.restore(cellar.pieces)
    assert again.batches == cellar.state.batches
    assert list(again.batches) == list(cellar.state.batches)
    assert again.records == cellar.state.records


@settings(max_examples=150, deadline=None)
@given(deeds=st.lists(DEEDS, max_size=9), told=st.booleans())
def test_deeds_undone_in_reverse_leave_everything_as_it_was(deeds: list[JournalEntry], told: bool) -> None:
    """Whatever was done, in whichever order and of whichever batch: undone in reverse, all is as before."""
    cellar = Cellar(TOLD if told else PLAIN)
    before = _so(cellar)
    received = [_told(cellar, deed) for deed in deeds]
    _restored_is_the_same(cellar)
    for of in reversed(received):
        cellar.tell(Undone(of=of))
        _restored_is_the_same(cellar)
    assert _so(cellar) == before


@settings(max_examples=100, deadline=None)
@given(deeds=st.lists(DEEDS, min_size=1, max_size=7), data=st.data())
def test_an_undoing_undone_leaves_everything_as_it_was(deeds: list[JournalEntry], data: st.DataObject) -> None:
    """A deed taken back and then counted again is as if nobody had touched it, as long as its batch was kept."""
    cellar = Cellar(TOLD)
    received = [_told(cellar, deed) for deed in deeds]
    before, names = _so(cellar), set(cellar.state.batches)
    of = data.draw(st.sampled_from(received))
    undone = _told(cellar, Undone(of=of))
    kept = set(cellar.state.batches) == names
    cellar.tell(Undone(of=undone))
    _restored_is_the_same(cellar)
    assert set(cellar.state.batches) == names
    if kept:
        assert _so(cellar) == before


@settings(max_examples=15, deadline=None)
@given(deeds=st.lists(DEEDS, max_size=5))
def test_nor_do_they_with_a_probe_that_tells_the_gravity(deeds: list[JournalEntry]) -> None:
    """The original gravity that a probe taught before stands through all of it."""
    cellar = Cellar()
    cellar.live("float-a", 8, gravity=wobble(1.0600, 0.0001), temperature=wobble(20.0, 0.1))
    before = _so(cellar)
    assert before["amber-1"][0].original is not None
    received = []
    for deed in deeds:
        received.append(_told(cellar, deed))
        cellar.live("float-a", 1, gravity=wobble(1.0600, 0.0001), temperature=wobble(20.0, 0.1))
    for of in reversed(received):
        cellar.tell(Undone(of=of))
    cellar.live("float-a", 3, gravity=wobble(1.0600, 0.0001), temperature=wobble(20.0, 0.1))
    after = _so(cellar)
    assert after.keys() == before.keys()
    assert after["amber-1"][0][:3] == before["amber-1"][0][:3]
    assert after["amber-1"][0].original is not None
    assert abs(after["amber-1"][0].original - before["amber-1"][0].original) < 0.0003
    assert not cellar.state.batches["amber-1"].thinned or cellar.state.batches["amber-1"].thinned_seen


def test_an_entry_about_nothing_is_only_kept() -> None:
    """Undoing what was never received, or deeds about a batch nobody started, change nothing and break nothing."""
    cellar = Cellar()
    before = _so(cellar)
    cellar.tell(Undone(of=12345))
    cellar.tell(Racked(batch="ghost", to="jug", at=cellar.now))
    cellar.tell(Split(batch="ghost", name="ghost-2", vessel="jug", volume_l=2.0, at=cellar.now))
    cellar.wait(7 * HOUR)
    assert _so(cellar) == before
    assert "batch:ghost" in cellar.state.records


def test_a_journal_edited_by_hand_stops_nothing() -> None:
    """Jars that are no list, and splits that a start taken back leaves in a ring: minutes go on, and lives are told."""
    cellar = Cellar(PLAIN)
    for jars in (None, 5, "lees", {"lees": 1}):
        cellar.tell(BatchStarted(batch={"name": "x", "vessel": "jug", "pitched": PITCHED, "jars": jars}))
    start = _told(cellar, _start("y", "jug", 1.050, PITCHED))
    cellar.tell(Split(batch="y", name="z", vessel="jar", volume_l=1.0, at=cellar.now))
    cellar.tell(Split(batch="z", name="y", vessel="jug", volume_l=0.5, at=cellar.now))
    cellar.tell(Undone(of=start))
    cellar.tell(Held(about="batch:y", target_c=4.0, hours=1.0, at=cellar.now))
    cellar.wait(3 * MINUTE)
    assert life_of(cellar.state, "y", cellar.now) is not None
    assert life_of(cellar.state, "z", cellar.now) is not None
    assert not [key for key in cellar.state.records if key.startswith("jar:")]


def test_a_batch_that_comes_back_where_it_was_racked_to_is_judged_by_what_comes_from_there() -> None:
    """Its start counts again after it was racked: what a probe there said before is of something else, and no fault."""
    cellar = Cellar(PLAIN)
    cellar.tell(BatchClosed(batch="amber-1"))
    cellar.live("float-a", 6, gravity=wobble(1.050, 0.0005))
    start = _told(cellar, _start("b", "jug", None, PITCHED))
    undone = _told(cellar, Undone(of=start))
    assert "b" not in cellar.state.batches
    cellar.tell(Racked(batch="b", to="bucket", at=cellar.now))
    cellar.tell(Undone(of=undone))
    batch = cellar.state.batches["b"]
    assert (batch.vessel, batch.baseline) == ("bucket", None)
    cellar.live("float-a", 5, gravity=wobble(1.030, 0.0005))
    assert batch.baseline is not None
    assert batch.baseline < 1.04
