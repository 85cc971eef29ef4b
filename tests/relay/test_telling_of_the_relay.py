"""When people are told that rows wait too long, when that it is over, and that a relay holds nothing else up."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest

from monitor.model.clock import DAY, HOUR, MINUTE, SystemClock
from monitor.model.errors import StoreTrouble
from monitor.model.inputs import Trouble
from monitor.relay import backfill
from monitor.relay.behind import Behind

from .receiver import NO_ANSWER, Answer, Receiver
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


def away(receiver: Receiver) -> None:
    receiver.judge = lambda _: Answer(503)


def back(receiver: Receiver) -> None:
    receiver.judge = lambda _: Answer()


def test_what_waited_while_we_did_not_run_is_no_alert_at_once(tower, receiver):
    """A machine that was off overnight, and whose network comes a minute late: the quarter of an hour is ours."""
    tower.say(3)
    tower.sender.close()
    tower.clock.advance(DAY)
    away(receiver)
    tower.sender = tower.sender_anew()
    tower.wait(120)
    assert tower.troubles == []
    tower.wait(900)
    assert [each.active for each in tower.troubles] == [True]
    assert "24 h" in tower.troubles[0].detail


def test_an_alert_of_the_run_before_stays_until_it_is_over(tower, receiver):
    """It stood when we ended: our start is no end of it."""
    tower.say(3)
    tower.sender.close()
    tower.clock.advance(DAY)
    away(receiver)
    tower.sender = tower.sender_anew()
    tower.sender.stood()
    tower.wait(300)
    assert tower.troubles == []
    back(receiver)
    tower.wait(300)
    assert [each.active for each in tower.troubles] == [False]


def test_a_relay_at_the_edge_of_being_behind_does_not_flap():
    """The oldest row is now somewhat more, now somewhat less than a quarter of an hour old: told once."""
    told: list[Trouble] = []

    def record(entry: Trouble) -> Future[int]:
        told.append(entry)
        answer: Future[int] = Future()
        answer.set_result(0)
        return answer

    behind = Behind(15 * MINUTE, 0, record)
    for number in range(100):
        behind.see(5, (14 + number % 3) * MINUTE, HOUR + number * MINUTE, None)
    assert [each.active for each in told] == [True]
    assert not behind.see(5, 7 * MINUTE, 3 * HOUR, None)
    assert [each.active for each in told] == [True, False]


def test_it_is_told_while_the_server_asks_for_an_hour(tower, receiver):
    """Whoever waits looks up every minute all the same."""
    tower.say()
    tower.turn()
    receiver.judge = lambda _: Answer(429, {"Retry-After": "3600"})
    tower.say()
    tower.clock.advance(10_000)
    asked = 0
    while asked < HOUR // 2:
        pause = max(tower.sender.turn(), 1_000)
        assert pause <= MINUTE
        tower.clock.advance(pause)
        asked += pause
    assert [each.active for each in tower.troubles] == [True]
    assert len(receiver.requests) == 2


@pytest.mark.parametrize("end", [False, True])
def test_what_the_store_could_not_keep_is_told_again(tower, receiver, end):
    """A full disk takes the word that it began, or that it is over, which would stand for ever: it is told again."""
    full = [end]

    def record(entry: Trouble) -> Future[int]:
        if full and entry.active != full[0]:
            full.clear()
            answer: Future[int] = Future()
            answer.set_exception(StoreTrouble("database or disk is full"))
            return answer
        return tower.record(entry)

    tower.sender.close()
    tower.sender = tower.sender_anew(record=record)
    away(receiver)
    tower.say()
    tower.wait(1_000)
    assert [each.active for each in tower.troubles] == [True]
    back(receiver)
    tower.wait(400)
    assert full == []
    assert [each.active for each in tower.troubles] == [True, False]
    assert not tower.ledger.state.book.standing


def test_the_past_is_never_behind(tmp_path, receiver):
    """What somebody asked for may take days."""
    tower = Tower(tmp_path / "store.db", receiver.url, relaying=False)
    tower.say(40)
    tower.starts(relaying=True)
    tower.wait(10)
    tower.do(backfill.want)
    away(receiver)
    for _ in range(6):
        tower.do(lambda store: backfill.queue_piece(store, lambda *_: (None, None)))
    tower.store._connection.execute("DELETE FROM outbox WHERE past = 0")  # what the rules said of that time
    tower.wait(2_000)
    assert tower.waiting()[0] >= 40
    assert tower.troubles == []
    tower.close()


def test_a_hanging_server_holds_the_end_up_for_a_moment_only(tmp_path, receiver):
    """Whatever `timeout` is: what it would have answered is asked again after the next start."""
    tower = Tower(tmp_path / "store.db", receiver.url, timeout=60.0)
    receiver.judge = lambda _: Answer(NO_ANSWER)
    tower.say(3)
    tower.sender = tower.sender_anew(SystemClock())
    tower.sender.start()
    end = time.monotonic() + 20.0
    while not receiver.requests:
        assert time.monotonic() < end
        time.sleep(0.02)
    begun = time.monotonic()
    tower.sender.stop()
    assert time.monotonic() - begun < 10.0
    receiver._release.set()
    tower.sender._thread.join(30.0)
    tower.store.close()
