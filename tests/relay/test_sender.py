"""The relay against a server by script: every answer that one may give, and what becomes of the rows."""

from __future__ import annotations

import email.utils
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.store.reader import Reader

from .receiver import CUT, NO_ANSWER, Answer, Receiver
from .tower import NOW, Tower


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


# --- what goes out -----------------------------------------------------------------------------------------------


def test_everything_goes_out_with_its_tags(tower, receiver):
    """Readings with place and batch, and the journal; gzipped, in milliseconds, to the bucket that was named."""
    tower.say(3)
    tower.turn()
    (first, *_) = readings(receiver)
    head, fields, time = first.rsplit(" ", 2)
    assert head == (
        r"leeswatch_reading,batch=amber-1,place=vessel:bucket-a,probe=float-a,quantity=temperature,site=North\ cellar"
    )
    assert int(time) == NOW + 1_000
    assert {part.partition("=")[0] for part in fields.split(",")} == {"value", "received_ms", "seq"}
    assert any(line.startswith("leeswatch_journal,part=0,") for line in receiver.kept)
    (request,) = receiver.requests
    assert request.query["bucket"] == ["leeswatch"]
    assert request.query["precision"] == ["ms"]
    assert request.headers["Content-Encoding"] == "gzip"


def test_a_sequence_has_no_gap(tower, receiver):
    """The numbers of all rows that went out follow each other, so that a gap at the server is a loss."""
    tower.say(20)
    tower.wait(20)
    found = sorted({int(line.split("seq=")[1].split("i")[0]) for line in receiver.rows()})
    assert found == list(range(1, len(found) + 1))


def test_what_comes_in_together_goes_out_together(tower, receiver):
    """One request every five seconds, however often it looks."""
    tower.turn()
    for _ in range(30):
        tower.say()
        tower.turn()
    assert 6 <= len(receiver.requests) <= 8


# --- sent, held, gone --------------------------------------------------------------------------------------------


def test_rows_are_held_for_a_minute_after_the_yes(tower, receiver):
    """Marked as sent at once, out of the store only when the same server has had them for sixty seconds."""
    tower.say(5)
    tower.turn()
    waiting, held, _ = tower.waiting()
    assert (waiting, held) == (0, 7)  # and two entries: started, configuration
    tower.wait(50)
    assert tower.waiting()[1] == 7
    tower.wait(15)
    assert tower.waiting() == (0, 0, 0)


def test_a_server_that_started_anew_gets_again_what_was_held(tower, receiver):
    """A yes is no promise that it lasts: what it took in its last minute goes out once more."""
    tower.say(5)
    tower.turn()
    before = sorted(receiver.rows())
    tower.wait(20)
    receiver.restart()
    tower.wait(45)
    assert sorted(receiver.rows()) == before
    assert tower.sender.status().sent_again == 7
    tower.wait(70)
    assert tower.waiting() == (0, 0, 0)


def test_a_server_that_tells_no_start_is_doubted_after_a_failure(tower, receiver):
    """Where nothing says whether it started anew, an outage counts as if it had."""
    receiver.started = None
    tower.say(5)
    tower.turn()
    receiver.script.append(Answer(503))
    tower.say(1)
    tower.wait(10)
    assert len(readings(receiver)) == 11
    tower.wait(75)
    assert tower.waiting() == (0, 0, 0)


def test_a_relay_that_ends_and_starts_again_holds_on(tower, receiver):
    """Rows that were sent by the run before are held anew, and go out again if the server has changed."""
    tower.say(5)
    tower.turn()
    tower.sender.close()
    tower.sender = tower.sender_anew()
    tower.wait(30)
    assert len(readings(receiver)) == 5
    assert tower.waiting()[1] == 7
    tower.wait(40)
    assert tower.waiting() == (0, 0, 0)

    tower.say(5)
    tower.turn()
    tower.sender.close()
    receiver.restart()
    tower.sender = tower.sender_anew()
    tower.wait(5)
    assert len(readings(receiver)) == 5


# --- when it is away or busy -------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [500, 502, 503, 504, 429, 408, 401, 403, 404, 405, 301, CUT])
def test_nothing_is_lost_whatever_it_answers(tower, receiver, status):
    """The same rows go out later; none is set aside for an answer that says nothing about a row."""
    receiver.script.extend(Answer(status) for _ in range(3))
    tower.say(4)
    tower.wait(30)
    assert len(readings(receiver)) == 4
    assert tower.waiting()[0] == tower.waiting()[2] == 0


def test_one_that_hangs_is_given_up_after_the_timeout(tmp_path, receiver):
    """No answer within [relay].timeout is an answer, too."""
    tower = Tower(tmp_path / "store.db", receiver.url, timeout=0.3)
    receiver.script.append(Answer(NO_ANSWER))
    tower.say(2)
    tower.turn()
    assert "away" in (tower.sender.status().error or "")
    tower.wait(5)
    assert len(readings(receiver)) == 2
    tower.close()


def test_waits_grow_and_end_with_the_first_yes(tower, receiver):
    """A second, then twice as long each time, up to five minutes; counted on the monotonic clock."""
    receiver.judge = lambda _: Answer(503)
    tower.say()
    times = []
    for _ in range(1_500):
        tower.turn()
        if not times or len(receiver.requests) > times[-1][0]:
            times.append((len(receiver.requests), tower.clock.mono_ms()))
        tower.clock.advance(1_000)
        if len(times) == 8:
            tower.clock.step_wall(-86_400_000)
    gaps = [(after - before) / 1_000 for (_, before), (_, after) in pairwise(times)]
    assert gaps[0] <= 2.0
    assert all(later >= 1.5 * earlier for earlier, later in pairwise(gaps[1:8]))
    assert max(gaps) <= 331.0
    receiver.judge = lambda _: Answer()
    tower.wait(331)
    assert tower.sender.status().failures == 0


@pytest.mark.parametrize("form", ["seconds", "date"])
def test_it_waits_as_long_as_the_server_asks(tower, receiver, form):
    """Retry-After in seconds, and as a date."""
    asked = "40" if form == "seconds" else email.utils.formatdate((NOW + 41_000) / 1000, usegmt=True)
    receiver.script.append(Answer(429, {"Retry-After": asked}))
    tower.say()
    tower.turn()
    tower.wait(35)
    assert len(receiver.requests) == 1
    tower.wait(10)
    assert len(receiver.requests) == 2


def test_no_server_at_all(tmp_path):
    """A port where nobody listens: told in plain words, and tried again."""
    closed = Receiver()
    closed.close()
    tower = Tower(tmp_path / "store.db", closed.url)
    tower.say(3)
    tower.turn()
    error = tower.sender.status().error or ""
    assert "is away" in error
    assert "0x" not in error
    again = Receiver(closed.port)
    tower.wait(5)
    assert len(readings(again)) == 3
    again.close()
    tower.close()


# --- refusals ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("status", [400, 422])
def test_the_bad_row_is_found_and_set_aside_with_the_reason(tower, receiver, status):
    """One row among a hundred: the others arrive, that one is kept with what the server said of it."""

    def judge(lines: list[str]) -> Answer:
        bad = any("seq=40i" in line for line in lines)
        return Answer(status, {}, '{"code":"invalid","message":"unable to parse"}') if bad else Answer()

    receiver.judge = judge
    tower.say(100)
    tower.wait(10)
    assert tower.waiting()[0] == 0
    assert len(readings(receiver)) == 99
    with Reader(tower.path) as reader:
        ((seq, _, line, reason),) = reader.refused()
    assert seq == 40
    assert line.startswith("leeswatch_reading,")
    assert "unable to parse" in reason
    assert len(receiver.requests) <= 2 + 2 * 7, "halves, not each row by itself"


def test_a_proxy_that_refuses_everything_sets_nothing_aside(tower, receiver):
    """Some answer a wrong token with 400: where even a good line does not pass, no row is at fault."""
    receiver.judge = lambda _: Answer(400, {}, "bad request")
    tower.say(20)
    tower.wait(60)
    assert tower.waiting()[2] == 0
    assert "refuses every line" in (tower.sender.status().error or "")
    receiver.judge = lambda _: Answer()
    tower.wait(120)
    assert len(readings(receiver)) == 20


def test_a_request_that_is_too_large_is_made_smaller(tower, receiver):
    """Halved until it is taken, and larger again later."""
    receiver.judge = lambda lines: Answer(413 if len(lines) > 30 else 204)
    tower.say(200)
    tower.wait(20)
    assert len(readings(receiver)) == 200
    receiver.judge = lambda _: Answer()
    tower.say(300)
    tower.wait(60)
    assert len(readings(receiver)) == 500


def test_a_single_row_that_is_too_large_is_set_aside(tower, receiver):
    """It would stop all that follow."""
    receiver.judge = lambda lines: Answer(413 if any("seq=5i" in line for line in lines) else 204)
    tower.say(10)
    tower.wait(60)
    assert tower.waiting() == (0, tower.waiting()[1], 1)
    assert len(readings(receiver)) == 9


# --- limits ------------------------------------------------------------------------------------------------------


def test_requests_are_kept_to_the_limit(tmp_path, receiver):
    """Six a minute: not more, over ten minutes."""
    tower = Tower(tmp_path / "store.db", receiver.url, requests_per_minute=6.0, every=1.0)
    for _ in range(120):
        tower.say()
        tower.wait(4)
    assert len(receiver.requests) <= 62
    tower.wait(30)
    assert len(readings(receiver)) == 120
    tower.close()


def test_bandwidth_is_kept_to_the_limit(tmp_path, receiver):
    """One KiB a second before compression, a backlog included."""
    tower = Tower(tmp_path / "store.db", receiver.url, kib_per_second=1.0, every=1.0)
    tower.say(400)
    tower.wait(30)
    sent = sum(len("\n".join(request.lines)) for request in receiver.requests)
    assert sent <= (30 + 8) * 1024 + 8 * 1024
    tower.wait(120)
    assert len(readings(receiver)) == 400
    tower.close()


# --- telling -----------------------------------------------------------------------------------------------------


def test_far_behind_is_told_with_how_far_and_once(tower, receiver):
    """After a quarter of an hour the alert says how many rows wait, since when, and what the server answers."""
    receiver.judge = lambda _: Answer(503, {}, "shutting down")
    for _ in range(20):
        tower.say()
        tower.wait(59)
    (told,) = tower.troubles
    assert told.active
    assert told.detail.startswith("1")
    assert "503" in told.detail
    assert "Nothing is lost" in told.detail
    assert "relay-behind" in {alert.alert for alert in tower.ledger.state.book.standing.values()}
    receiver.judge = lambda _: Answer()
    tower.wait(400)
    assert [each.active for each in tower.troubles] == [True, False]
    assert not tower.ledger.state.book.standing


def test_an_alert_of_the_run_before_is_ended(tower, receiver):
    """The daemon was started again while the alert stood."""
    tower.sender.stood()
    tower.say()
    tower.wait(15)
    assert [each.active for each in tower.troubles] == [False]


# --- the store fails ---------------------------------------------------------------------------------------------


def test_a_mark_that_cannot_be_written_costs_a_repetition(tower, receiver):
    """A full disk while rows are sent: they go out again, and nothing is lost."""
    do, refuse = tower.do, [True]

    def failing(chore):
        answer = do(chore)
        if refuse and receiver.requests:
            refuse.pop()
            answer = type(answer)()
            answer.set_exception(OSError("database or disk is full"))
        return answer

    tower.sender._do = failing
    tower.say(3)
    tower.wait(10)
    assert set(readings(receiver)) == set(readings(receiver)[-3:])
    tower.wait(70)
    assert tower.waiting() == (0, 0, 0)
