"""The disk fills up, is locked, or is damaged under the whole daemon: it goes on, keeps what is in, and tells."""

import contextlib
import json
import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Self

import pytest

from monitor.alerts.routes import MemoryRoute
from monitor.app import Daemon
from monitor.control import as_request, ask
from monitor.ledger import Ledger
from monitor.model.clock import MINUTE, SystemClock, iso
from monitor.model.config import Mqtt, RuleSettings, Settings, StoreSettings, Vessel, Web
from monitor.model.config import Probe as ProbeSettings
from monitor.model.errors import StoreError
from monitor.model.inputs import Added, Message, Sample
from monitor.store.reader import Reader
from monitor.store.store import Store
from monitor.writer import Writer
from simulators.wires import Broker, BrokerLink, private_broker

ROOT = Path(__file__).parents[2]
TOPIC = "cellar/float-a"


def until(true: Callable[[], object], patience_s: float = 20.0) -> None:
    """Wait until something is so; fail when it is not in time."""
    end = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with private_broker(tmp_path / "broker") as broker:
        yield broker


def gravity(number: int) -> bytes:
    return b'[{"n":"gravity","v":%.5f}]' % (1.0 + number / 100_000)


def stored(path: Path) -> list[int]:
    """Numbers of the messages that are in, in the order received."""
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        rows = connection.execute("SELECT value FROM readings ORDER BY received").fetchall()
    return [round((value - 1.0) * 100_000) for (value,) in rows]


def alerts(path: Path) -> list[str]:
    """What was said about the store."""
    with Reader(path) as reader:
        return [event["change"] for _, event in reader.events() if event.get("alert") == "store-trouble"]


# --- in one process, with a route that can be looked at --------------------------------------------------------------


@contextlib.contextmanager
def watching(path: Path, port: int, *routes: MemoryRoute) -> Iterator[Daemon]:
    settings = Settings(
        store=StoreSettings(path=path), mqtt=Mqtt(port=port), web=Web(enabled=False),
        probe=[ProbeSettings(name="float-a", source="mqtt", topic=TOPIC)],
        vessel=[Vessel(name="bucket-a", probes=["float-a"])],
    )  # fmt: skip
    daemon = Daemon(settings, path, SystemClock(), routes=routes, calendar=False, group_ms=20)
    daemon.start()
    try:
        until(lambda: daemon.sources[0].status().connected)
        time.sleep(0.2)
        yield daemon
    finally:
        daemon.stop()


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A file system of two megabytes."""
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip("only root may make a small disk; the next test fills one by a limit instead")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(folder: Path) -> Path:
    """Take all the room that is left."""
    filler = folder / "filler"
    with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
        while True:
            file.write(b"x" * 512)
    return filler


def publish_until(link: BrokerLink, true: Callable[[], object], first: int = 0) -> int:
    """Publish until something is so; returns the number of the next message."""
    end = time.monotonic() + 20.0
    while not true():
        assert time.monotonic() < end, "waited in vain"
        link.publish(TOPIC, gravity(first))
        first += 1
        time.sleep(0.005)
    return first


def test_a_disk_that_is_really_full_is_told_and_recovered_from(tmp_path: Path, broker: Broker) -> None:
    """No byte is left: the alert reaches the phone past the store; with room again all that waited is in, once."""
    phone = MemoryRoute("phone")
    with small_disk(tmp_path / "disk") as disk, BrokerLink(broker.port) as link:
        path = disk / "store.db"
        with watching(path, broker.port, phone) as daemon:
            number = publish_until(link, lambda: daemon.writer.status.messages > 20)
            filler = fill(disk)
            number = publish_until(link, lambda: not daemon.healthy(), number)  # so that the watchdog knows
            assert phone.wait(1, 10.0)
            assert ("store in trouble" in phone.letters[0].title, phone.letters[0].priority) == (True, "high")
            for _ in range(30):
                link.publish(TOPIC, gravity(number))
                number += 1
            time.sleep(1.5)
            inside = stored(path)  # what still fits into the room its log has may get in
            assert inside == list(range(len(inside)))
            assert len(inside) < number
            filler.unlink()
            until(lambda: stored(path) == list(range(number)), 60.0)
            until(daemon.healthy)
            until(lambda: alerts(path) == ["raised"])
        assert stored(path) == list(range(number))


def test_a_store_that_may_not_grow_is_told_once_and_recovered_from(tmp_path: Path, broker: Broker) -> None:
    """SQLite refuses to grow for some seconds: one letter, not one a try, and nothing is lost or doubled."""
    phone, path = MemoryRoute("phone"), tmp_path / "store.db"
    with BrokerLink(broker.port) as link, watching(path, broker.port, phone) as daemon:
        daemon.writer.do(lambda store: store._connection.execute("PRAGMA max_page_count = 1")).result(5)
        number = publish_until(link, lambda: daemon.writer.status.trouble)
        assert phone.wait(1, 10.0)
        time.sleep(3.5)  # several tries
        assert [letter.title for letter in phone.letters] == ["Cellar: store in trouble"]
        daemon.writer.do(lambda store: store._connection.execute("PRAGMA max_page_count = 1000000")).result(5)
        until(lambda: stored(path) == list(range(number)), 40.0)
        until(lambda: alerts(path) == ["raised"])


def test_another_process_that_holds_the_lock_only_delays(tmp_path: Path, broker: Broker) -> None:
    """Somebody opens the file with a tool and begins to write: readings wait, a command is told why, all get in."""
    phone, path = MemoryRoute("phone"), tmp_path / "store.db"
    with BrokerLink(broker.port) as link, watching(path, broker.port, phone) as daemon:
        number = publish_until(link, lambda: daemon.writer.status.messages > 5)
        until(lambda: len(stored(path)) == number)
        with _held_lock(path):
            for _ in range(10):
                link.publish(TOPIC, gravity(number))
                number += 1
            until(lambda: daemon.writer.status.trouble)
            change = Added(batch="amber-1", what="sugar", at=SystemClock().wall_ms())
            with pytest.raises(StoreError, match="locked"):
                ask(path, as_request([change]))
            assert phone.wait(1, 10.0)
            with Reader(path) as reader:  # who only reads is not held up
                assert len(list(reader.inputs())) > 5
        until(lambda: stored(path) == list(range(number)), 60.0)
        assert ask(path, as_request([change])) is not None
        with Reader(path) as reader:
            assert sum(isinstance(item, Added) for item in reader.inputs()) == 1


@contextlib.contextmanager
def _held_lock(path: Path) -> Iterator[None]:
    code = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None); c.execute('BEGIN IMMEDIATE');"
        " print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    try:
        yield
    finally:
        holder.kill()
        holder.communicate()


def test_a_store_damaged_under_a_running_daemon_is_told(tmp_path: Path, broker: Broker) -> None:
    """The card fails while it runs, so that not even a reader can open the store: the alert gets out all the same."""
    phone, path = MemoryRoute("phone"), tmp_path / "store.db"
    with BrokerLink(broker.port) as link, watching(path, broker.port, phone) as daemon:
        publish_until(link, lambda: daemon.writer.status.messages > 50)
        daemon.writer.do(lambda store: store.put_meta("x", 1)).result(5)
        daemon.store._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        daemon.store._connection.execute("PRAGMA cache_size = 0")
        with path.open("r+b") as file:
            file.write(os.urandom(path.stat().st_size))
        publish_until(link, lambda: daemon.writer.status.trouble, 1_000)
        assert phone.wait(1, 5.0)


# --- as processes ------------------------------------------------------------------------------------------------

CONFIG = """
[store]
path = "{folder}/store.db"
[web]
enabled = false
[mqtt]
port = {port}
[[probe]]
name = "float-a"
source = "mqtt"
topic = "cellar/float-a"
[[vessel]]
name = "bucket-a"
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "bucket-a"
pitched = {pitched}
"""


class Process:
    """A real daemon, its words, and how it ended."""

    def __init__(self, folder: Path, port: int, *, limit: int | None = None) -> None:
        self.path = folder / "store.db"
        self.config = folder / "leeswatch.toml"
        pitched = iso(SystemClock().wall_ms() - 60 * MINUTE)
        if not self.config.exists():
            self.config.write_text(CONFIG.format(folder=folder, port=port, pitched=pitched), "utf-8")
        self.words: list[str] = []
        self._process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli.main", "run", "--config", str(self.config)], cwd=ROOT, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        )  # fmt: skip
        if limit is not None:
            self.full(limit)  # long before it has loaded its own code
        self._reader = threading.Thread(target=self._listen, daemon=True)
        self._reader.start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        self.words.extend(iter(self._process.stdout.readline, ""))

    def says(self, words: str, patience_s: float = 20.0) -> Self:
        """Wait until it says something."""
        until_s = time.monotonic() + patience_s
        while self.lives and time.monotonic() < until_s and not self.said(words):
            time.sleep(0.01)
        if not self.said(words):
            self.end(signal.SIGKILL)
            raise AssertionError("".join(self.words) or "it said nothing")
        return self

    def said(self, words: str) -> bool:
        """Whether it said something."""
        return any(words in line for line in tuple(self.words))

    @property
    def lives(self) -> bool:
        return self._process.poll() is None

    def full(self, room: int | None) -> None:
        """Let no file of it grow past so many bytes; None lifts that."""
        resource.prlimit(self._process.pid, resource.RLIMIT_FSIZE, (-1 if room is None else room, -1))

    def end(self, how: signal.Signals = signal.SIGTERM) -> int:
        """End it; returns its exit status."""
        if self.lives:
            self._process.send_signal(how)
        status = self._process.wait(40)
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()
        return status

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end(signal.SIGKILL)
        assert not any("Traceback" in line for line in self.words), "".join(self.words)


def test_a_real_daemon_on_a_disk_that_fills_up_goes_on_by_itself(tmp_path: Path, broker: Broker) -> None:
    """The same process, for seconds without a byte to write: no crash, no loss, and it stops in good order after."""
    with Process(tmp_path, broker.port).says("watching") as daemon, BrokerLink(broker.port) as link:
        time.sleep(0.5)
        number = publish_until(link, lambda: len(stored(daemon.path)) > 20)
        daemon.full(8_192)
        number = publish_until(link, lambda: daemon.said("cannot be written"), number)
        time.sleep(2.0)
        assert daemon.lives
        daemon.full(None)
        until(lambda: stored(daemon.path) == list(range(number)), 60.0)
        assert daemon.end() == 0
    assert stored(daemon.path) == list(range(number))
    with Store.open(daemon.path) as store:
        assert store.salvaged is None


def test_killed_while_the_disk_is_full_nothing_committed_is_lost(tmp_path: Path, broker: Broker) -> None:
    """Full, then killed: what was in is in, what was not is sent again by the broker to the next daemon."""
    with BrokerLink(broker.port) as link:
        with Process(tmp_path, broker.port).says("watching") as daemon:
            time.sleep(0.5)
            number = publish_until(link, lambda: len(stored(daemon.path)) > 20)
            daemon.full(8_192)
            number = publish_until(link, lambda: daemon.said("cannot be written"), number)
            link.settle()
            daemon.end(signal.SIGKILL)
        with Process(tmp_path, broker.port).says("watching") as daemon:
            until(lambda: stored(daemon.path) == list(range(number)), 60.0)


def test_with_a_full_disk_at_the_start_it_ends_with_the_reason(tmp_path: Path, broker: Broker) -> None:
    """It cannot watch without its store: exit 1, a sentence and what to do, and the store is as it was."""
    with BrokerLink(broker.port) as link, Process(tmp_path, broker.port).says("watching") as daemon:
        time.sleep(0.5)
        publish_until(link, lambda: len(stored(daemon.path)) > 20)
        link.settle()
        daemon.end(signal.SIGKILL)
    before = stored(tmp_path / "store.db")
    with Process(tmp_path, broker.port, limit=0) as daemon:
        until(lambda: not daemon.lives)
        assert daemon.end() == 1
        assert "leeswatch: the store" in daemon.words[0]
        assert "cannot be" in daemon.words[0]
    assert stored(tmp_path / "store.db") == before


@pytest.mark.parametrize("clean", [0, 1])
def test_a_damaged_store_is_moved_aside_and_the_daemon_starts_and_tells(
    tmp_path: Path, broker: Broker, lived: bytes, clean: int
) -> None:
    """A page of it is overwritten after a kill, or while it lay closed: one start, an alert, most readings kept."""
    path = tmp_path / "store.db"
    path.write_bytes(lived)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE meta SET value = ? WHERE key = 'clean'", (clean,))
        connection.commit()
        leaves = [
            row[0]
            for row in connection.execute("SELECT pageno FROM dbstat WHERE name = 'readings' AND pagetype = 'leaf'")
        ]
        page = connection.execute("PRAGMA page_size").fetchone()[0]
    with path.open("r+b") as file:
        file.seek((leaves[len(leaves) // 2] - 1) * page)
        file.write(b"\xa5" * page)
    with BrokerLink(broker.port) as link, Process(tmp_path, broker.port).says("watching") as daemon:
        assert (tmp_path / "store.db.damaged-1").exists()
        time.sleep(0.5)
        for number in range(5_000, 5_015):
            link.publish(TOPIC, gravity(number))
        until(lambda: 5_014 in stored(path))
        assert len(stored(path)) >= 330 - 2.5 * 315 / len(leaves)
        assert alerts(path) == ["raised"]
        daemon.end(signal.SIGKILL)
    with Process(tmp_path, broker.port).says("watching"):  # no second salvage: the alert returns
        until(lambda: alerts(path) == ["raised", "returned"])
        assert not (tmp_path / "store.db.damaged-2").exists()


FORGET = "DELETE FROM state; UPDATE meta SET value = 0 WHERE key = 'state_version'"
DAMAGES = {
    # What lies behind each was found by overwriting sixty stores at random, of which ten did not start any more.
    "a reading received after the end of time": "UPDATE readings SET received = 1 << 55 WHERE received % 97 = 0",
    "an entry received after the end of time": "UPDATE journal SET received = 1 << 55 WHERE kind = 'configuration'",
    "an entry that is no text, and the state gone": f"UPDATE journal SET entry = CAST(x'7bff00a5' AS TEXT); {FORGET}",
    "an entry that is no entry, and the state gone": f"UPDATE journal SET entry = '{{}}'; {FORGET}",
    "a piece of state under no name": "UPDATE state SET key = CAST(x'ff00a5' AS TEXT) WHERE key = 'book'",
    "a piece of state that is garbage": "UPDATE state SET value = x'00ff' WHERE key = 'book'",
    "notices lost, their deliveries not": "DELETE FROM notices; DELETE FROM sqlite_sequence; DELETE FROM meta",
    "how far it had seen is garbage": "UPDATE meta SET value = x'ff' WHERE key = 'seen_until'",
    "it had seen to the end of time": "UPDATE meta SET value = 1 << 55 WHERE key = 'seen_until'",
    "a version of state that is garbage": "UPDATE meta SET value = 'x' WHERE key = 'state_version'",
}


@pytest.mark.parametrize("damage", list(DAMAGES))
def test_garbage_that_sqlite_takes_for_sound_makes_no_crash_loop(
    tmp_path: Path, broker: Broker, lived: bytes, damage: str
) -> None:
    """Well-formed pages with nonsense on them: it starts within seconds, each time, and says no word of Python."""
    path = tmp_path / "store.db"
    path.write_bytes(lived)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.executescript(DAMAGES[damage])
    for first in (1_000, 2_000):
        with Process(tmp_path, broker.port).says("watching", 8.0) as daemon, BrokerLink(broker.port) as link:
            assert ask(path, {"ask": "health"}) is not None
            time.sleep(0.5)
            for number in range(first, first + 20):  # believable again: the alert returns, with a notice
                link.publish(TOPIC, gravity(number))
            until(lambda last=first + 14: last in stored(path), 8.0)  # type: ignore[misc]
            daemon.end(signal.SIGKILL)
    assert len(stored(path)) >= 320


@pytest.fixture(scope="module")
def lived(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store of three hundred readings in which an alert stands, of a daemon that was killed."""
    folder = tmp_path_factory.mktemp("lived")
    with (
        private_broker(folder / "broker") as broker,
        BrokerLink(broker.port) as link,
        Process(folder, broker.port).says("watching") as daemon,
    ):
        time.sleep(0.5)
        for number in range(300):
            link.publish(TOPIC, gravity(number))
        for _ in range(15):
            link.publish(TOPIC, b'[{"n":"gravity","v":1.5}]')  # impossible: an alert, and so a notice
        until(lambda: len(stored(daemon.path)) == 315 and _deliveries(daemon.path) > 0)
        daemon.end(signal.SIGKILL)
    with contextlib.closing(sqlite3.connect(folder / "store.db")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return (folder / "store.db").read_bytes()


def _deliveries(path: Path) -> int:
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        return int(connection.execute("SELECT count(*) FROM deliveries").fetchone()[0])


def test_whatever_is_overwritten_it_starts_twice(tmp_path: Path, lived: bytes) -> None:
    """Forty stores, each overwritten elsewhere: each opens at once, takes an input, and opens again after a kill."""
    path, kept, chance = tmp_path / "store.db", [], random.Random(20260302)
    for _ in range(40):
        content = bytearray(lived)
        for _ in range(chance.choice((1, 1, 3))):
            at, length = chance.randrange(len(content)), chance.choice((16, 512, 4096, 20_000))
            content[at : at + length] = chance.randbytes(len(content[at : at + length]))
        for old in tmp_path.glob("store.db*"):
            old.unlink()
        path.write_bytes(content)
        for _ in range(2):
            store = Store.open(path)
            writer = Writer(Ledger(store, ["log:alerts"]), SystemClock())
            writer.begin(RuleSettings())
            writer.submit(Message("mqtt", "float-a", SystemClock().wall_ms(), 0, (Sample("gravity", 1.05),)))
            writer.settle()
            assert writer.status.messages == 1
            store._connection.close()
            store._lock.close()  # type: ignore[union-attr]
        kept.append(len(stored(path)))
    print(f"\nreadings kept of 315 after damage, of forty: {sorted(kept)}")
    assert sorted(kept)[20] > 200


def test_a_half_made_first_store_is_no_obstacle(tmp_path: Path, broker: Broker) -> None:
    """Killed again and again during its very first start, it starts the next time."""
    chance = random.Random(3)
    for _ in range(6):
        with Process(tmp_path, broker.port) as daemon:
            time.sleep(chance.uniform(0.1, 0.6))
            daemon.end(signal.SIGKILL)
    with Process(tmp_path, broker.port).says("watching") as daemon:
        answer = ask(daemon.path, {"ask": "health"})
        assert answer is not None
        assert json.dumps(answer)
        assert daemon.end() == 0
