"""The past beside the rest of the daemon: what must wait for it, what it may cost, and what is asked for twice."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.app import Daemon
from monitor.control import socket_path
from monitor.model.clock import DAY, ManualClock
from monitor.model.inputs import BatchClosed
from monitor.relay import backfill
from monitor.relay.backfill import Job
from monitor.settings import parse_settings
from monitor.store.reader import Reader
from monitor.store.store import Store
from tests.cli.helpers import cellar, run_here, with_history

from .receiver import Receiver
from .tower import NOW, PLAIN, Tower


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


def test_the_nightly_thinning_waits_for_the_past_that_was_asked_for(tmp_path, receiver):
    """What is not queued yet would be gone; once it is queued, or without a relay, it is thinned as ever."""
    tower = Tower(tmp_path / "store.db", receiver.url, relaying=False)
    tower.say(40)
    tower.tell(BatchClosed(batch="amber-1"))
    backfill.want(tower.store)
    tower.close()
    relay = f'[relay]\nurl = "{receiver.url}"\n'
    for text, wanted, thinned in ((PLAIN + relay, True, False), (PLAIN, True, True), (PLAIN + relay, False, True)):
        if not wanted:
            with Store.open(tower.path) as store:
                store.put_meta(backfill.JOBS, "[]")
        daemon = Daemon(parse_settings(text), tower.path, ManualClock(NOW + DAY), calendar=False)
        assert bool(daemon._closed_spans()) == thinned
        daemon.store.close()


def test_a_journal_goes_out_once_however_many_batches_are_asked_for(tower, receiver):
    """Each job needs all of it; what the first has queued the second need not."""
    tower.wait(20)
    tower.do(lambda store: backfill.want(store, 0, NOW + 10_000))
    tower.do(lambda store: backfill.want(store, NOW + 20_000, NOW + 30_000))
    tower.wait(30)
    tower.do(lambda store: backfill.want(store, NOW + 12_000, NOW + 15_000))
    tower.wait(30)
    sent = Counter(line.rsplit(" ", 1)[1] for line in receiver.kept if line.startswith("leeswatch_journal,part=0,"))
    with Reader(tower.path) as reader:
        entries = {str(entry.received) for entry in reader.journal()}
        assert backfill.jobs(reader) == []
    assert set(sent) == entries
    assert set(sent.values()) == {1}


def test_to_ask_twice_for_all_of_it_looks_through_nothing(tower):
    """Where nothing is missing there is nothing to look for."""
    tower.wait(20)
    tower.do(backfill.want)
    tower.wait(30)
    tower.do(backfill.want)
    assert tower.do(lambda store: backfill.queue_piece(store, lambda *_: (None, None))).result() == 0
    with Reader(tower.path) as reader:
        assert backfill.jobs(reader) == []


def test_a_short_span_costs_the_same_in_a_long_past(tmp_path):
    """Steps of SQLite's machine for a span of ten readings, among few and among many."""

    def cost(count: int) -> int:
        with Store.open(tmp_path / f"{count}.db") as store:
            with store.transaction():
                for series in range(1, 5):
                    store._series_id(f"float-{series}", "temperature")
                    store._connection.executemany(
                        "INSERT INTO readings VALUES (?, ?, ?, 20.0, 0)",
                        [(series, NOW + 1_000 * number, NOW + 1_000 * number + series) for number in range(count)],
                    )
            steps: list[None] = []
            store._connection.set_progress_handler(lambda: steps.append(None), 1)
            found = store.outbox.readings_after((-1, -1), NOW + 10_000, NOW + 19_000, 1_000)
            store._connection.set_progress_handler(None, 0)
        assert [row[1] for row in found] == [NOW + 1_000 * number for number in range(10, 20)] * 4
        return len(steps)

    assert cost(20_000) < 2 * cost(100)


def test_pieces_of_readings_follow_each_other(tmp_path):
    """However long they are: each reading of the span once, series by series."""
    with Store.open(tmp_path / "store.db") as store:
        with store.transaction():
            for series in range(1, 4):
                store._series_id(f"float-{series}", "temperature")
                store._connection.executemany(
                    "INSERT INTO readings VALUES (?, ?, ?, 20.0, 0)",
                    [(series, NOW + number, NOW + number) for number in range(20)],
                )
        for limit in (1, 3, 7, 1_000):
            at, found = (-1, -1), []
            while piece := store.outbox.readings_after(at, NOW + 5, NOW + 14, limit):
                found += [row[:2] for row in piece]
                at = found[-1]
            assert found == [(series, NOW + number) for series in range(1, 4) for number in range(5, 15)]


def test_the_past_does_not_run_away_from_what_is_held(tower, monkeypatch):
    """No more is queued while very much is held: a server that starts anew would have all of it sent again at once."""
    tower.wait(20)
    monkeypatch.setattr("monitor.relay.sender.HELD_MOST", 5)
    tower.sender._status = replace(tower.sender._status, held=6)
    tower.do(backfill.want)
    tower.turn()
    with Reader(tower.path) as reader:
        assert backfill.jobs(reader)[0].queued == 0
    tower.wait(300)
    with Reader(tower.path) as reader:
        assert backfill.jobs(reader) == []


# --- the command -------------------------------------------------------------------------------------------------

RELAY = '[relay]\nurl = "http://127.0.0.1:9"\n'


@contextlib.contextmanager
def an_older_daemon(config: Path) -> Iterator[None]:
    """One of before there was a relay answers what it does not know like an empty request."""
    path = socket_path(config.parent / "store.db")
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()

        def answer() -> None:
            line, _ = listener.accept()
            with line:
                line.recv(65_536)
                line.sendall(json.dumps({"received": NOW}).encode() + b"\n")

        thread = threading.Thread(target=answer, daemon=True)
        thread.start()
        yield
        thread.join(5.0)
    path.unlink()


def test_a_daemon_that_knows_no_relay_has_noted_nothing(tmp_path, capsys):
    """It says so, instead of that it is noted."""
    config = cellar(tmp_path, more=RELAY)
    with_history(config)
    with an_older_daemon(config):
        code, out, err = run_here(capsys, "relay", "backfill", "--config", config)
    assert code != 0
    assert "Noted" not in out
    assert "start it anew" in err


def test_asking_without_a_daemon_and_twice(tmp_path, capsys):
    """It is noted once, and goes out when the daemon is started."""
    config = cellar(tmp_path, more=RELAY)
    code, _, err = run_here(capsys, "relay", "status", "--config", config)
    assert code == 1
    assert "there is no store" in err
    with_history(config)
    for _ in range(2):
        code, out, _ = run_here(capsys, "relay", "backfill", "--config", config)
        assert code == 0
        assert "it goes out when `leeswatch run` is started" in out
    with Reader(tmp_path / "store.db") as reader:
        assert [type(job) for job in backfill.jobs(reader)] == [Job]
    code, out, _ = run_here(capsys, "relay", "status", "--config", config)
    assert "No daemon runs" in out
    assert "on its way" in out
