"""What can go wrong between the yes of a server and the moment when a row is let go, and beside it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.store.reader import Reader

from .receiver import CUT, Answer, Receiver
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


def rows_here(tower: Tower) -> set[int]:
    """Numbers of the rows that are in the store."""
    return {seq for (seq,) in tower.store._connection.execute("SELECT seq FROM outbox")}


# --- is it still the same server ---------------------------------------------------------------------------------


def test_rows_sent_again_are_held_as_long_as_any(tower, receiver):
    """The server started anew and is busy: what it takes again late is kept for a minute after that, too."""
    tower.say(5)
    tower.turn()
    tower.wait(30)
    receiver.restart()
    receiver.script.extend([Answer(), Answer(429, {"Retry-After": "40"})])
    tower.say(3)
    taken: dict[str, int] = {}  # when this server first took a line
    while tower.waiting()[1] or tower.waiting()[0]:
        taken |= {line: tower.clock.mono_ms() for line in readings(receiver) if line not in taken}
        before = rows_here(tower)
        tower.wait(1)
        gone = before - rows_here(tower)
        for line in readings(receiver):
            if any(f"seq={seq}i" in line for seq in gone):
                assert tower.clock.mono_ms() - taken[line] >= 60_000
    assert len(taken) == 8


def times_sent(receiver: Receiver) -> Counter[str]:
    """How often each reading was sent, whatever the answer."""
    return Counter(line for each in receiver.requests for line in each.lines if line.startswith("leeswatch_reading,"))


def test_the_servers_start_is_asked_for_twice_a_minute_at_most_and_packed(tower, receiver):
    """What a server says of itself is larger than all our rows of that time."""
    for _ in range(120):
        tower.say()
        tower.wait(4)
    assert 8 <= len(receiver.looks) <= 21
    assert all("gzip" in each for each in receiver.looks)
    assert tower.waiting()[1] <= 100


def test_several_servers_behind_one_address_are_not_taken_for_restarts_for_ever(tower, receiver):
    """Each tells its own start, in turn: after the first look back no more goes out again for that."""
    for number in range(240):
        receiver.started = f"179000000{number % 3}"
        tower.say()
        tower.wait(4)
    assert max(times_sent(receiver).values()) <= 6
    assert tower.waiting()[1] <= 100
    last = receiver.requests[-40].lines
    assert all(times_sent(receiver)[line] == 1 for line in last if line.startswith("leeswatch_reading,"))


def test_an_outage_counts_as_a_restart_also_where_the_start_is_the_same(tower, receiver):
    """A machine without a clock of its own comes up twice in the same second of its time."""
    tower.say(5)
    tower.turn()
    receiver.kept.clear()
    receiver.script.append(Answer(CUT))
    tower.say()
    tower.wait(20)
    assert len(readings(receiver)) == 6


@pytest.mark.parametrize("started", [None, "1790000000"])
def test_a_bad_line_to_the_server_does_not_send_everything_for_ever(tower, receiver, started):
    """An outage every half minute: rows are let go all the same, and none goes out more than some times."""
    receiver.started = started
    for number in range(360):
        if number % 6 == 0:
            receiver.script.append(Answer(CUT))
        tower.say()
        tower.wait(4)
    assert tower.waiting()[1] <= 150
    assert max(times_sent(receiver).values()) <= 8
    assert len(set(readings(receiver))) >= 355


@pytest.mark.parametrize("status", [429, 408, 401, 404])
def test_a_server_that_says_no_has_not_started_anew(tower, receiver, status):
    """Only one that was away may have."""
    receiver.started = None
    tower.say(5)
    tower.turn()
    receiver.script.append(Answer(status))
    tower.say()
    tower.wait(30)
    assert len(readings(receiver)) == 6
    assert tower.sender.status().sent_again == 0


# --- answers that are none, and set-ups that are wrong -------------------------------------------------------------

PAGE = "<!DOCTYPE html>\n<html><head><style>p {color: red}</style></head><body><h1>Guests</h1><p>Sign in.</p></html>"


@pytest.mark.parametrize("status", [200, 201, 202])
def test_a_yes_with_something_to_say_is_none(tower, receiver, status):
    """A guest network's page to sign in is no server that keeps rows; nor is one that took only some of them."""
    receiver.judge = lambda _: Answer(status, {}, PAGE)
    tower.say(3)
    tower.wait(20)
    assert tower.sender.status().sent == 0
    assert tower.waiting() == (5, 0, 0)
    assert f"it answered {status}: Guests Sign in." in (tower.sender.status().error or "")
    receiver.judge = lambda _: Answer()
    tower.wait(60)
    assert len(readings(receiver)) == 3


def test_a_yes_to_only_some_rows_is_searched_for_the_others(tower, receiver):
    """Some servers answer 201 and name what they dropped: that row is found as after a refusal."""
    said = '{"code": "invalid", "message": "partial write: 1 point dropped"}'
    receiver.judge = lambda lines: Answer(201, {}, said) if any("seq=4i" in line for line in lines) else Answer()
    tower.say(8)
    tower.wait(60)
    assert tower.waiting()[0] == 0
    with Reader(tower.path) as reader:
        ((seq, _, _, reason),) = reader.refused()
    assert seq == 4
    assert "partial write" in reason


@pytest.mark.parametrize("status", [200, 403, 500])
def test_a_page_in_another_encoding_is_an_answer_too(tower, receiver, status):
    """A proxy's words need be no UTF-8: they are no fault of ours, and no reason to end."""
    receiver.judge = lambda _: Answer(status, {}, "<p>Zugriff verweigert für alle</p>".encode("latin-1"))
    tower.say(3)
    tower.wait(3)
    error = tower.sender.status().error or ""
    assert "fault of ours" not in error
    assert "Zugriff verweigert" in error
    assert tower.waiting() == (5, 0, 0)
    receiver.judge = lambda _: Answer()
    tower.wait(60)
    assert len(readings(receiver)) == 3


WRONG_TOKENS = {
    "missing": None,
    "no text": b"\xff\xfe",
    "two lines": b"se\ncret",
    "no header": "s\u20accret".encode(),
    "empty": b" ",
}


@pytest.mark.parametrize("token", WRONG_TOKENS.values(), ids=WRONG_TOKENS.keys())
def test_a_token_that_cannot_be_used_is_told_and_read_again(tmp_path, receiver, caplog, token):
    """In plain words, never with what stands in the file; once it is mended it goes on by itself."""
    file = tmp_path / "token"
    if token is not None:
        file.write_bytes(token)
    tower = Tower(tmp_path / "store.db", receiver.url, token_file=file)
    tower.say(3)
    tower.wait(10)
    error = tower.sender.status().error or ""
    assert str(file) in error
    assert "fault of ours" not in error
    assert "cret" not in caplog.text
    assert "Traceback" not in caplog.text
    file.write_text("right\n", encoding="ascii")
    tower.wait(60)
    assert len(readings(receiver)) == 3
    assert receiver.requests[-1].headers["Authorization"] == "Token right"
    tower.close()


def test_a_token_that_is_changed_is_read_anew(tmp_path, receiver):
    """The old one is turned away with 401: the file is read again before the next try."""
    file = tmp_path / "token"
    file.write_text("old", encoding="ascii")
    tower = Tower(tmp_path / "store.db", receiver.url, token_file=file)
    tower.say()
    tower.turn()
    file.write_text("new", encoding="ascii")
    receiver.script.append(Answer(401))
    tower.say()
    tower.wait(15)
    assert [each.headers["Authorization"] for each in receiver.requests] == ["Token old", "Token old", "Token new"]
    tower.close()


@pytest.mark.parametrize("content", [None, "no certificate"])
def test_certificates_that_cannot_be_read_are_told(tmp_path, receiver, content):
    """A file that is not there, or holds something else."""
    file = tmp_path / "ca.pem"
    if content is not None:
        file.write_text(content, encoding="ascii")
    tower = Tower(tmp_path / "store.db", receiver.url.replace("http:", "https:"), ca_file=file)
    tower.say()
    tower.turn()
    assert str(file) in (tower.sender.status().error or "")
    assert "fault of ours" not in (tower.sender.status().error or "")
    tower.close()
