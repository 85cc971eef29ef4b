"""A real server is killed under load, is gone for a day, comes back, and is killed once more in its first minute.

The readings' time is moved; the server lives in real time. VictoriaMetrics loses with `kill -9` what it took in its
last seconds although it said yes to it: a relay that believed a yes would fail here, as the second test shows.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.model.clock import SystemClock, parse_time
from monitor.model.inputs import Message, Sample
from monitor.store.reader import Reader

from .receiver import patience
from .servers import Served, VictoriaMetrics, said, serving
from .tower import Tower

HOLD_S = 15.0  # real; what it forgets is up to ten seconds old
PROBES = [f"float-{letter}" for letter in "abcdefgh"]
LOAD = """
[site]
name = "North cellar"
""" + "".join(
    f"""
[[probe]]
name = "{probe}"
source = "mqtt"
topic = "{probe}"
[[vessel]]
name = "bucket-{probe[-1]}"
volume_l = 19
probes = ["{probe}"]
[[batch]]
name = "amber-{probe[-1]}"
vessel = "bucket-{probe[-1]}"
pitched = 2026-09-20T18:00:00Z
original_gravity = 1.060
"""
    for probe in PROBES
)

Series = dict[tuple[str, str], list[tuple[int, float]]]


@pytest.fixture
def victoria_alone(tmp_path: Path) -> Iterator[Served]:
    """One that may be killed."""
    folder = tmp_path / "victoria"
    folder.mkdir()
    with serving(VictoriaMetrics, folder) as server:
        yield server


def work(tower: Tower, minutes: int) -> None:
    """Eight floats that speak once a minute, and the relay that turns."""
    for _ in range(minutes):
        tower.clock.advance(60_000)
        now = tower.clock.wall_ms()
        for number, probe in enumerate(PROBES):
            age = (now - 1_790_000_000_000) / 86_400_000
            samples = (
                Sample("gravity", round(1.06 - 0.03 * age - number / 1_000, 4), now),
                Sample("temperature", 20.0 + number + age / 3, now),
            )
            tower.writer.submit(Message("mqtt", probe, now, tower.clock.mono_ms(), samples))
        tower.writer.settle()
        tower.turn()


def stored(tower: Tower) -> Series:
    found: Series = {}
    with Reader(tower.path) as reader:
        for probe in PROBES:
            for quantity in ("gravity", "temperature"):
                found[probe, quantity] = reader.curve(probe, quantity, 0, 2**60)
    return found


def served(server: Served, field: str = "value") -> Series:
    found: Series = {}
    answer = said(f"{server.base}/api/v1/export", **{"match[]": f"leeswatch_reading_{field}"})
    for line in answer.splitlines():
        series = json.loads(line)
        key = series["metric"]["probe"], series["metric"]["quantity"]
        found.setdefault(key, []).extend(zip(series["timestamps"], series["values"], strict=True))
    return {key: sorted(points) for key, points in found.items()}


def until_all_is_there(tower: Tower) -> None:
    """Turn the relay until nothing waits and nothing is held; the store's own ticks go on."""
    end = time.monotonic() + 90.0
    while tower.waiting() != (0, 0, 0):
        assert time.monotonic() < end, f"still waiting: {tower.waiting()}, {tower.sender.status()}"
        tower.turn(400)
        time.sleep(0.05)


def lost(tower: Tower, server: Served) -> int:
    server.settle()
    return sum(map(len, stored(tower).values())) - sum(map(len, served(server).values()))


def test_the_server_has_what_the_store_has_after_a_day_without_it(tmp_path: Path, victoria_alone: Served) -> None:
    """Count for count and time for time in every series, each once; nothing waits, nothing was refused."""
    server = victoria_alone
    tower = Tower(tmp_path / "store.db", server.url, LOAD, every=0.2, hold=HOLD_S)
    tower.sender = tower.sender_anew(SystemClock())
    work(tower, 60)
    patience(lambda: tower.sender.turn() >= 0 and tower.sender.status().sent > 300)
    server.kill()  # in the midst of it
    work(tower, 24 * 60)
    assert tower.waiting()[0] > 20_000
    patience(lambda: bool(tower.sender.turn()) and "relay-behind" in standing(tower), 15.0)

    server.start()
    end = time.monotonic() + 60.0
    while tower.waiting()[0]:
        tower.turn(400)
        assert time.monotonic() < end, tower.sender.status()
        time.sleep(0.05)
    work(tower, 3)
    server.kill()  # it has said yes to all of these, and forgets what it had not written down
    server.start()
    assert lost(tower, server) > 1_000, "what is tried here did not happen"
    work(tower, 3)
    patience(lambda: bool(tower.sender.turn()) and "relay-behind" not in standing(tower), 30.0)
    until_all_is_there(tower)

    assert tower.sender.status().sent_again > 1_000
    server.settle()
    here, there = stored(tower), served(server)
    assert {key: len(points) for key, points in there.items()} == {key: len(points) for key, points in here.items()}
    for key, points in here.items():
        assert [at for at, _ in there[key]] == [at for at, _ in points], key
        assert [value for _, value in there[key]] == pytest.approx([value for _, value in points], rel=1e-11)
    numbers = [int(value) for points in served(server, "seq").values() for _, value in points]
    assert len(numbers) == len(set(numbers)) == sum(map(len, here.values()))
    assert told(tower) == told_there(server)
    assert len(told(tower)) > 30
    tower.close()


Told = set[tuple[str, str, int]]


def told(tower: Tower) -> Told:
    """What was said and what was done: verdicts by batch, alerts by name and change, and the journal."""
    found: Told = set()
    with Reader(tower.path) as reader:
        for _, event in reader.events():
            name = event["batch"] if event["event"] == "verdict" else f"{event['alert']} {event['change']}"
            found.add((event["event"], name, parse_time(event["time"])))
        found |= {("journal", "", entry.received) for entry in reader.journal()}
    return found


def told_there(server: Served) -> Told:
    found: Told = set()
    for field in ("leeswatch_verdict_verdict", "leeswatch_alert_standing", 'leeswatch_journal_parts{part="0"}'):
        for line in said(f"{server.base}/api/v1/export", **{"match[]": field}).splitlines():
            series = json.loads(line)
            of = series["metric"]
            name = of["batch"] if "batch" in of else f"{of['alert']} {of['change']}" if "alert" in of else ""
            kind = field.split("_")[1]
            assert len(series["timestamps"]) == len(set(series["timestamps"])), "something twice"
            found |= {(kind, name, at) for at in series["timestamps"]}
    return found


def standing(tower: Tower) -> set[str]:
    return {alert.alert for alert in tower.ledger.state.book.standing.values()}


def test_believing_a_yes_would_lose_rows(tmp_path: Path, victoria_alone: Served) -> None:
    """Without holding, the same kill leaves holes at the server: the test above can fail."""
    server = victoria_alone
    tower = Tower(tmp_path / "store.db", server.url, LOAD, every=0.2, hold=0.001)
    tower.sender = tower.sender_anew(SystemClock())
    work(tower, 30)
    until_all_is_there(tower)
    server.kill()
    server.start()
    work(tower, 1)
    until_all_is_there(tower)
    assert lost(tower, server) > 0
    tower.close()
