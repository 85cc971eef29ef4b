"""The daemon and the broker are killed with `kill -9` again and again under load; then the books are balanced.

Four probes on MQTT (with times of their own, without, always the same value, and one that raises and returns alerts)
and one on a serial line. Counted is what the broker *acknowledged to the probe*, and not what was under way to the
broker when that was killed: whether such a message arrived, once or twice, is between probe and broker.
"""

from __future__ import annotations

import contextlib
import json
import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from paho.mqtt.client import Client, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from monitor.intake.recording import journal_path, write_journal, write_recording
from monitor.model.events import OF_THE_WATCHER
from monitor.model.inputs import Reading
from monitor.replay.replay import replay
from monitor.settings import load_settings
from monitor.store.reader import Reader
from simulators.wires import Broker, PtyLine, private_broker

DAEMON_KILLS = 50
BROKER_KILLS = 10
SEED = 20260302
PAUSE_S = 0.03
LATE_S = 0.25  # what the broker acknowledged this shortly before its end may not be in its file


@dataclass(slots=True)
class Sent:
    """One published message: which probe, its value, when it was sent and acknowledged, and whether it was in flight
    to the broker when that was killed."""

    probe: str
    value: float
    acked: float | None = None
    doubtful: bool = False


@dataclass
class Publisher:
    """Publishes without pause and remembers what was acknowledged."""

    port: int
    sent: list[Sent] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)
    broker_up: threading.Event = field(default_factory=threading.Event)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.by_mid: dict[int, Sent] = {}
        self.acked: dict[int, float] = {}
        self.client = Client(CallbackAPIVersion.VERSION2, "probes", clean_session=False, protocol=MQTTv311)
        self.client.on_publish = self._on_publish
        self.client.reconnect_delay_set(1, 1)
        self.client.max_inflight_messages_set(100)
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        self.broker_up.set()
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _on_publish(self, _client, _data, mid, _reason, _properties) -> None:
        # The library holds its own locks here: take none of ours, and sort it out later.
        self.acked[mid] = time.monotonic()

    def sort(self) -> None:
        """Put down what was acknowledged meanwhile."""
        for mid in [mid for mid in self.by_mid if mid in self.acked]:
            self.by_mid.pop(mid).acked = self.acked[mid]

    def _run(self) -> None:
        for number in range(1, 10_000_000):
            if self.stop.is_set():
                return
            self.broker_up.wait()
            for probe, value, own_time in _said(number):
                record = {"n": "gravity" if probe == "flappy" else "temperature", "v": value}
                if own_time:
                    record["t"] = time.time()
                sent = Sent(probe, value)
                self.sent.append(sent)
                info = self.client.publish(f"kill/{probe}", json.dumps([record]), qos=1)
                with self.lock:
                    self.by_mid[info.mid] = sent
            assert len(self.sent) < 60_000, "packet numbers would come again"
            time.sleep(PAUSE_S)

    def doubt(self) -> None:
        """The broker is about to be killed: what it has not acknowledged is sent again later, by the probe."""
        with self.lock:
            self.sort()
            for sent in self.by_mid.values():
                sent.doubtful = True

    def settle(self, seconds: float) -> None:
        """Stop, and wait until all is acknowledged."""
        self.stop.set()
        self.thread.join()
        until = time.monotonic() + seconds
        while self.by_mid and time.monotonic() < until:
            time.sleep(0.05)
            self.sort()
        self.client.disconnect()
        self.client.loop_stop()


def _said(number: int) -> list[tuple[str, float, bool]]:
    """What each probe says in one round: unique values where a message must be known again."""
    unique = round(number / 1e5, 5)
    cannot_be = number % 40 < 20
    return [
        ("timed", unique, True),
        ("bare", unique, False),
        ("steady", 20.5, False),
        ("flappy", round((1.3 if cannot_be else 1.05) + number / 1e9, 9), True),
    ]


def _config(folder: Path, port: int, line: Path) -> Path:
    probes = "\n".join(
        f'[[probe]]\nname = "{name}"\nsource = "mqtt"\ntopic = "kill/{name}"\n'
        for name in ("timed", "bare", "steady", "flappy")
    )
    path = folder / "leeswatch.toml"
    path.write_text(
        f'[store]\npath = "{folder / "store.db"}"\n[mqtt]\nport = {port}\n[web]\nenabled = false\n[jobs]\n{probes}'
        f'[[probe]]\nname = "line"\nsource = "serial"\nport = "{line}"\npattern = "T=(?P<temperature>[0-9.]+)"\n'
        '[[vessel]]\nname = "bucket"\nprobes = ["timed", "bare", "steady", "flappy", "line"]\n'
        '[[batch]]\nname = "hardy"\nvessel = "bucket"\npitched = 2026-01-01T00:00:00Z\n',
        encoding="utf-8",
    )
    return path


def _start(config: Path, log: Path) -> subprocess.Popen[bytes]:
    with log.open("ab") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "monitor.cli.main", "run", "--config", str(config)], stdout=out, stderr=out
        )


def _write_serial(line: PtyLine, stop: threading.Event) -> None:
    number = 0
    while not stop.is_set():
        number += 1
        line.write(f"T={number / 1e4:.4f}\n".encode())
        time.sleep(0.02)


def _values(store: Path) -> dict[str, Counter[float]]:
    found: dict[str, Counter[float]] = {}
    with Reader(store) as reader:
        for item in reader.inputs():
            if isinstance(item, Reading):
                found.setdefault(item.probe, Counter())[item.value] += 1
    return found


@contextlib.contextmanager
def daemon_online(port: int):
    """An event that is set when the daemon says that it is online."""
    online = threading.Event()
    client = Client(CallbackAPIVersion.VERSION2, "listener")
    client.on_message = lambda _client, _data, message: message.payload == b"online" and online.set()
    client.connect("127.0.0.1", port)
    client.subscribe("leeswatch/state", 1)
    client.loop_start()
    yield online
    client.disconnect()
    client.loop_stop()


def _storm(config: Path, broker: Broker, publisher: Publisher, folder: Path) -> subprocess.Popen[bytes]:
    """Kill one or the other at random moments; returns the last daemon, running."""
    chance = random.Random(SEED)
    moments = ["daemon"] * DAEMON_KILLS + ["broker"] * BROKER_KILLS
    chance.shuffle(moments)
    daemon = _start(config, folder / "log.txt")
    for victim in moments:
        time.sleep(chance.uniform(0.05, 1.6))
        if victim == "daemon":
            daemon.send_signal(signal.SIGKILL)
            daemon.wait()
            daemon = _start(config, folder / "log.txt")
        else:
            publisher.broker_up.clear()
            publisher.doubt()
            broker.kill9()
            publisher.doubt()
            killed_at.append(time.monotonic())
            broker.restart()
            publisher.broker_up.set()
    return daemon


killed_at: list[float] = []


@pytest.mark.timeout(400)
def test_every_acknowledged_message_is_stored_exactly_once_and_no_event_is_lost_or_repeated(tmp_path, capsys):
    """After 50 kills of the daemon and 10 of the broker under load, store and events balance."""
    killed_at.clear()
    store = tmp_path / "store.db"
    with private_broker(tmp_path / "broker") as broker, PtyLine(tmp_path / "serial-line") as line:
        config = _config(tmp_path, broker.port, line.path)
        publisher = Publisher(broker.port)
        quiet = threading.Event()
        serial = threading.Thread(target=_write_serial, args=(line, quiet), daemon=True)
        serial.start()
        first = _start(config, tmp_path / "log.txt")
        _wait_for_subscription(tmp_path / "log.txt", publisher)
        first.kill()
        first.wait()
        publisher.thread.start()
        daemon = _storm(config, broker, publisher, tmp_path)
        try:
            quiet.set()
            serial.join()
            publisher.settle(30.0)
            _wait_for(store)
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(30) == 0
        finally:
            daemon.kill()
            daemon.wait()
    certain = [sent for sent in publisher.sent if sent.acked is not None and not sent.doubtful]
    values = _values(store)
    lost, twice = _balance(certain, publisher, values)
    on_time = [sent for sent in lost if not _just_before_a_broker_kill(sent)]
    events = _event_books(store, config, tmp_path)
    with capsys.disabled():
        print(
            f"\nkill test: {len(publisher.sent)} messages, {len(certain)} of them acknowledged for certain; "
            f"{DAEMON_KILLS} kills of the daemon, {BROKER_KILLS} of the broker; lost {len(on_time)}, "
            f"lost with the broker's own memory {len(lost) - len(on_time)}, twice {len(twice)}, "
            f"sent again and absorbed {_absorbed(store)}; "
            f"{sum(values['line'].values())} serial lines; {events} events"
        )
    (tmp_path / "twice.txt").write_text("\n".join(twice))
    assert not on_time
    assert not twice
    assert max(values["line"].values()) == 1


def _absorbed(store: Path) -> int:
    with Reader(store) as reader:
        counters = reader.counters()
    return counters.get("redelivered", 0) + counters.get("duplicates", 0)


def _wait_for_subscription(log: Path, publisher: Publisher) -> None:
    """A broker keeps messages only for whom it knows: let the daemon subscribe once before anything counts."""
    with daemon_online(publisher.port) as heard:
        assert heard.wait(20.0), log.read_text()
    time.sleep(0.5)


def _wait_for(store: Path, seconds: float = 40.0) -> None:
    """Until the backlog is in, or nothing more comes for five seconds."""
    until, before, since = time.monotonic() + seconds, -1, time.monotonic()
    while time.monotonic() < until:
        count = sum(sum(each.values()) for each in _values(store).values())
        if count != before:
            before, since = count, time.monotonic()
        elif time.monotonic() - since > 5.0:
            return
        time.sleep(0.5)


def _balance(
    certain: list[Sent], publisher: Publisher, values: dict[str, Counter[float]]
) -> tuple[list[Sent], list[str]]:
    """Messages that are missing, and values that are there too often."""
    doubtful = Counter(sent.probe for sent in publisher.sent if sent.doubtful or sent.acked is None)
    lost = [sent for sent in certain if sent.probe != "steady" and not values[sent.probe][sent.value]]
    unsure = {(sent.probe, sent.value) for sent in publisher.sent if sent.doubtful or sent.acked is None}
    twice = [
        f"{probe} {value}"
        for probe in ("timed", "bare", "flappy")
        for value, count in values[probe].items()
        if count > 1 and (probe, value) not in unsure
    ]
    # The steady probe's messages look all alike, so they are counted.
    steady = sum(sent.probe == "steady" for sent in certain)
    there = sum(values["steady"].values())
    missing = [sent for sent in certain if sent.probe == "steady" and _just_before_a_broker_kill(sent)]
    lost += missing[: max(0, steady - there)]
    if there < steady - len(missing):
        lost += [sent for sent in certain if sent.probe == "steady" and sent not in missing][: steady - there]
    if there > steady + 2 * doubtful["steady"]:
        twice.append(f"steady: {there} for {steady}")
    return lost, twice


def _just_before_a_broker_kill(sent: Sent) -> bool:
    return any(sent.acked is not None and 0.0 <= killed - sent.acked <= LATE_S for killed in killed_at)


def _event_books(store: Path, config: Path, folder: Path) -> int:
    """Events without gap, each alert raised and returned in turn, one notice a decision, and the same in a replay."""
    with sqlite3.connect(store) as connection:
        numbers = [row[0] for row in connection.execute("SELECT id FROM events ORDER BY id")]
        notices = connection.execute("SELECT alert_id, reason, time FROM notices").fetchall()
    connection.close()
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(notices) == len(set(notices))
    standing: set[tuple[str, str]] = set()
    told = []
    with Reader(store) as reader:
        for _, record in reader.events():
            if record["event"] == "alert" and record["change"] in ("raised", "returned"):
                key = (record["alert"], record["about"])
                assert (key in standing) == (record["change"] == "returned"), record
                standing ^= {key}
            told.append(record)
        out = folder / "all.csv"
        with out.open("w", encoding="utf-8", newline="") as file:
            write_recording((item for item in reader.inputs() if isinstance(item, Reading)), file)
        with journal_path(out).open("w", encoding="utf-8") as file:
            write_journal((item for item in reader.inputs() if not isinstance(item, Reading)), file)
    again: list[dict[str, object]] = []
    replay(out, load_settings(config).for_rules(), lambda event: again.append(event.record()))
    assert _without_the_watcher(again) == _without_the_watcher(told)
    assert len(told) > 20, "too few events to prove anything"
    return len(told)


def _without_the_watcher(records: list[dict[str, object]]) -> list[dict[str, object]]:
    return [record for record in records if record.get("alert") not in OF_THE_WATCHER]
