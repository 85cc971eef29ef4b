"""What a server will not take: the search for the bad row, what is set aside, and what must never be."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.store.outbox import REFUSED_KEPT, Outbox
from monitor.store.reader import Reader
from monitor.store.store import Store

from .receiver import Answer, Receiver
from .tower import Tower


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    found = Receiver()
    yield found
    found.close()


@pytest.fixture
def tower(tmp_path: Path, receiver: Receiver) -> Iterator[Tower]:
    found = Tower(tmp_path / "store.db", receiver.url)
    yield found
    found.close()


def readings(receiver: Receiver) -> list[str]:
    return [line for line in receiver.kept if line.startswith("leeswatch_reading,")]


def bad(*numbers: int) -> Callable[[list[str]], Answer]:
    """A judge to whom these rows are bad."""
    signs = [f"seq={number}i" for number in numbers]
    return lambda lines: Answer(400 if any(sign in line for line in lines for sign in signs) else 204)


def refused(tower: Tower) -> set[int]:
    with Reader(tower.path) as reader:
        return {seq for seq, *_ in reader.refused(REFUSED_KEPT)}


@pytest.mark.parametrize("numbers", [(3,), (102,), (3, 4, 5), (10, 50, 90), tuple(range(40, 60))], ids=str)
def test_every_bad_row_is_found_and_no_good_one(tower, receiver, numbers):
    """Wherever they lie, the others arrive."""
    receiver.judge = bad(*numbers)
    tower.say(100)
    tower.wait(30)
    assert refused(tower) == set(numbers)
    assert len(set(readings(receiver))) == 100 - len(numbers)
    assert tower.waiting()[0] == 0


def test_a_token_that_ends_during_a_search_sets_nothing_aside(tower, receiver):
    """In its midst everything is answered with 400: the good line is tried again before any row is set aside."""
    asked: list[int] = []

    def judge(lines: list[str]) -> Answer:
        asked.append(len(lines))
        return Answer(400) if len(asked) > 4 else bad(40)(lines)

    receiver.judge = judge
    tower.say(100)
    tower.wait(30)
    assert len(asked) > 8
    assert refused(tower) == set()
    assert "refuses every line" in (tower.sender.status().error or "")
    receiver.judge = bad(40)
    tower.wait(120)
    assert refused(tower) == {40}
    assert len(set(readings(receiver))) == 99


def test_a_search_keeps_to_the_limit(tmp_path, receiver):
    """A whole batch of bad rows is no reason to send more requests than may be."""
    tower = Tower(tmp_path / "store.db", receiver.url, requests_per_minute=12.0, every=1.0)
    receiver.judge = bad(*range(10, 30))
    tower.say(60)
    tower.wait(120)
    assert len(receiver.requests) <= 12 * 2 + 4
    tower.wait(600)
    assert refused(tower) == set(range(10, 30))
    tower.close()


def test_what_is_new_does_not_wait_for_a_search_in_the_past(tower, receiver):
    """A row of today goes out between two steps of a search."""
    tower.say(60)
    tower.store._connection.execute("UPDATE outbox SET past = 1")
    receiver.judge = bad(30)
    for _ in range(4):
        tower.sender.turn()
    assert refused(tower) == set()
    tower.say(value=15.5)
    for _ in range(2):
        tower.sender.turn()
    assert any("value=15.5 " in line or "value=15.5," in line for line in readings(receiver))


def test_large_rows_in_the_midst_of_a_search_are_no_end_of_it(tower, receiver):
    """What came in meanwhile is too large at the size of the search: it goes in smaller requests, and all ends well."""
    tower.say(80)
    tower.store._connection.execute("UPDATE outbox SET past = 1")

    def judge(lines: list[str]) -> Answer:
        large = sum("value=15" in line for line in lines)
        return Answer(413) if large > 4 else bad(70)(lines)

    receiver.judge = judge
    for _ in range(2):
        tower.sender.turn()
    assert refused(tower) == set()
    tower.say(40, value=15.0)
    for _ in range(150):
        tower.clock.advance(max(1_000, tower.sender.turn()))
    assert refused(tower) == {70}
    assert len(set(readings(receiver))) == 119


def test_one_row_that_is_too_large_makes_the_others_no_slower(tower, receiver):
    """Once it is set aside, requests grow again at once."""
    receiver.judge = lambda lines: Answer(413 if any("seq=5i" in line for line in lines) else 204)
    tower.say(600)
    for _ in range(40):
        tower.clock.advance(max(1_000, tower.sender.turn()))
    assert refused(tower) == {5}
    assert len(set(readings(receiver))) == 599


def test_a_server_that_takes_thirty_lines_is_not_asked_for_more_each_time(tower, receiver):
    """One request in two would be in vain; larger ones are tried again later."""
    receiver.judge = lambda lines: Answer(413 if len(lines) > 30 else 204)
    tower.say(400)
    tower.wait(30)
    assert len(set(readings(receiver))) == 400
    asked = len(receiver.requests)
    for _ in range(10):
        tower.say(60)
        tower.wait(10)
    assert len(set(readings(receiver))) == 1_000
    since = receiver.requests[asked:]
    assert sum(len(each.lines) > 30 for each in since) < len(since) / 4


# --- damage ------------------------------------------------------------------------------------------------------

DAMAGE = {
    "its series is gone": "UPDATE outbox SET series = 99 WHERE seq = 5",
    "no value": "UPDATE outbox SET value = NULL WHERE seq = 5",
    "no number": "UPDATE outbox SET value = 'x' WHERE seq = 5",
    "infinite": "UPDATE outbox SET value = 9e999 WHERE seq = 5",
    "no time": "UPDATE outbox SET time = 'then' WHERE seq = 5",
    "received when": "UPDATE outbox SET of = 'then' WHERE seq = 5",
    "of another kind": "UPDATE outbox SET kind = 'tale' WHERE seq = 5",
    "its entry is gone": "UPDATE outbox SET kind = 'entry', of = 7 WHERE seq = 5",
    "its event is gone": "UPDATE outbox SET kind = 'event', of = 999999 WHERE seq = 5",
}


@pytest.mark.parametrize("damage", DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_row_stops_no_other(tower, receiver, damage):
    """What a salvaged store may hold: it is set aside with the reason, never sent as something else."""
    tower.say(10)
    tower.store._connection.execute(damage)
    tower.wait(10)
    assert refused(tower) == {5}
    assert tower.waiting()[0] == 0
    assert len(readings(receiver)) == 9
    assert not any("seq=5i" in line for line in receiver.kept)


@pytest.mark.parametrize(
    "record", ["[]", "{", '{"event": "alert"}', '{"event": "verdict", "verdict": []}', "[" * 5_000]
)
def test_an_event_that_is_none_stops_no_row(tower, receiver, record):
    """A record of another version, or garbage."""
    with tower.store.transaction():
        tower.store._connection.execute("INSERT INTO events VALUES (77, 1, 'alert', 'x', ?)", (record,))
        tower.store.outbox.add("event", 1, 77)
    tower.say(3)
    tower.wait(10)
    assert len(readings(receiver)) == 3
    assert refused(tower) == {3}


# --- what is set aside -------------------------------------------------------------------------------------------


def test_what_was_set_aside_is_counted_also_when_it_is_kept_no_longer(tmp_path):
    """Ten thousand rows are kept; that there were more is told."""
    with Store.open(tmp_path / "store.db") as store:
        with store.transaction():
            for number in range(2 * REFUSED_KEPT):
                store.outbox.refuse(number + 1, "a line", "a reason", 1)
        with Reader(tmp_path / "store.db") as reader:
            assert reader.backlog().refused == 2 * REFUSED_KEPT
            kept = [seq for seq, *_ in reader.refused(20_000)]
    assert kept == list(range(2 * REFUSED_KEPT, REFUSED_KEPT, -1))


def test_to_set_a_row_aside_costs_the_same_however_many_there_are(tmp_path):
    """Steps of SQLite's machine for a thousand rows, beside ten others and beside ten thousand."""
    with Store.open(tmp_path / "store.db") as store:

        def cost(outbox: Outbox, seq: int) -> int:
            steps: list[None] = []
            store._connection.set_progress_handler(lambda: steps.append(None), 1)
            with store.transaction():
                for number in range(seq, seq + 1_000):
                    outbox.refuse(number, "a line", "a reason", 1)
            store._connection.set_progress_handler(None, 0)
            return len(steps)

        with store.transaction():
            for number in range(10):
                store.outbox.refuse(number + 1, "a line", "a reason", 1)
        few = cost(store.outbox, 11)
        with store.transaction():
            for number in range(2_000, 2 * REFUSED_KEPT):
                store.outbox.refuse(number + 1, "a line", "a reason", 1)
        assert cost(store.outbox, 30_000) < 3 * few


def test_many_refusals_do_not_fill_the_log(tower, receiver, caplog):
    """A bucket that keeps a month refuses all of the past: a line a minute says how many."""
    receiver.judge = bad(*range(3, 43))
    tower.say(40)
    tower.wait(30)
    assert len(refused(tower)) == 40
    assert 1 <= caplog.text.count("set aside") <= 2
    tower.wait(60)
    receiver.judge = bad(*range(3, 60))
    tower.say()
    tower.wait(10)
    assert "(39 more since" in caplog.text
