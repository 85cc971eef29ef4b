"""What came in before there was a relay goes out when somebody asks, once, and after what is of today."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.clock import HOUR
from monitor.relay import backfill
from monitor.store.reader import Reader
from monitor.store.relayed import gaps, joined, stretches

from .receiver import Answer, Receiver
from .tower import NOW, Tower


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    found = Receiver()
    yield found
    found.close()


@pytest.fixture
def tower(tmp_path: Path, receiver: Receiver) -> Iterator[Tower]:
    """Forty readings before the relay, and ten after it was configured."""
    found = Tower(tmp_path / "store.db", receiver.url, relaying=False)
    found.say(40)
    found.starts(relaying=True)
    found.say(10)
    yield found
    found.close()


def times(receiver: Receiver) -> list[int]:
    return sorted(int(line.rsplit(" ", 1)[1]) for line in receiver.kept if line.startswith("leeswatch_reading,"))


def everything(tower: Tower) -> list[int]:
    with Reader(tower.path) as reader:
        return sorted(at for at, _ in reader.curve("float-a", "temperature", 0, 2**60))


def test_only_what_comes_after_goes_out_by_itself(tower, receiver):
    """Nobody asked for the past: it stays here."""
    tower.wait(20)
    assert times(receiver) == everything(tower)[40:]


def test_the_past_goes_out_when_it_is_asked_for_and_nothing_twice(tower, receiver):
    """Readings, events and journal of before; what the relay had sent already is passed over."""
    tower.wait(20)
    tower.do(backfill.want)
    tower.wait(30)
    assert times(receiver) == everything(tower)
    with Reader(tower.path) as reader:
        entries = {entry.received for entry in reader.journal()}
    parts = [line for line in receiver.kept if line.startswith("leeswatch_journal,part=0,")]
    assert sorted(int(line.rsplit(" ", 1)[1]) for line in parts) == sorted(entries)
    tower.do(backfill.want)
    tower.wait(30)
    assert len(times(receiver)) == 50
    with Reader(tower.path) as reader:
        assert backfill.jobs(reader) == []


def test_a_span_alone(tower, receiver):
    """Only what was measured then; asked for all later, no row of today goes out twice."""
    some = everything(tower)[5:15]
    tower.wait(20)
    tower.do(lambda store: backfill.want(store, some[0], some[-1]))
    tower.wait(30)
    assert times(receiver) == [*some, *everything(tower)[40:]]


def test_what_is_of_today_goes_first(tower, receiver):
    """A year of the past holds no reading up, and does not count as being behind."""
    tower.say(200)
    receiver.judge = lambda _: Answer(503)
    tower.do(backfill.want)
    tower.turn()
    receiver.judge = lambda _: Answer()
    tower.wait(30)
    order = [int(line.rsplit(" ", 1)[1]) for line in receiver.kept if line.startswith("leeswatch_reading,")]
    assert order[:210] == everything(tower)[40:]
    assert order[210:] == everything(tower)[:40]
    assert tower.troubles == []


def test_a_restart_goes_on_where_it_was(tower, receiver, monkeypatch):
    """How far each job has come is kept with each piece."""
    monkeypatch.setattr(backfill, "PIECE", 7)
    tower.wait(20)
    tower.do(backfill.want)
    for _ in range(6):
        tower.do(lambda store: backfill.queue_piece(store, lambda *_: (None, None)))
    tower.sender.close()
    tower.sender = tower.sender_anew()
    tower.wait(60)
    assert times(receiver) == everything(tower)


def test_a_time_without_relay_is_known(tmp_path, receiver):
    """Switched on, off and on again: what came in between is found, and only that."""
    tower = Tower(tmp_path / "store.db", receiver.url, relaying=True)
    tower.say(5)
    tower.starts(relaying=False)
    tower.say(5)
    tower.starts(relaying=True)
    tower.say(5)
    tower.wait(20)
    assert len(times(receiver)) == 10
    tower.do(backfill.want)
    tower.wait(20)
    assert times(receiver) == everything(tower)
    assert len(everything(tower)) == 15
    tower.close()


def test_a_commit_that_fails_opens_no_gap(tower):
    """What was rolled back was not queued; what comes after it is."""
    with pytest.raises(RuntimeError), tower.ledger.commit():
        raise RuntimeError
    tower.say(3)
    last = tower.store.last_received()
    assert stretches(tower.store)[-1][1] >= last
    assert gaps(stretches(tower.store), last)[1:] == []


def test_a_place_and_a_batch_stand_with_what_is_old(tower, receiver):
    """Where the probe sat then, as it is known now."""
    tower.wait(20)
    tower.do(backfill.want)
    tower.wait(20)
    assert all(
        "place=vessel:bucket-a" in each and "batch=amber-1" in each for each in receiver.kept if "reading" in each
    )


@given(st.lists(st.tuples(st.integers(0, 50), st.integers(0, 20)).map(lambda each: (each[0], each[0] + each[1]))))
def test_gaps_are_all_that_lies_outside(found):
    """Each moment is in a stretch or in a gap, never in both."""
    inside = {at for since, until in found for at in range(since, until + 1)}
    outside = {at for since, until in gaps(found, 60) for at in range(since, until + 1)}
    assert inside & outside == set()
    assert {at for at in range(61) if at not in inside} == outside
    assert {at for since, until in joined(found) for at in range(since, until + 1)} == inside


def test_the_span_of_a_request():
    """Left out is open; one that ends before it begins is refused."""
    assert backfill.span_of({"from": None}) == (backfill.EARLIEST, backfill.LATEST)
    assert backfill.span_of({"from": NOW, "to": NOW + HOUR}) == (NOW, NOW + HOUR)
    with pytest.raises(ValueError, match="ends before"):
        backfill.span_of({"from": NOW, "to": NOW - 1})
