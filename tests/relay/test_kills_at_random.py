"""Daemon, server, or both are killed again and again, at any moment: no row is lost, and none is there twice."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from monitor.store.reader import Reader

from .feeding import PROBES
from .servers import Served, VictoriaMetrics, said, serving

TOP = Path(__file__).parents[2]
ROUNDS = 12


@pytest.fixture
def victoria_alone(tmp_path: Path) -> Iterator[Served]:
    """One that may be killed."""
    folder = tmp_path / "victoria"
    folder.mkdir()
    with serving(VictoriaMetrics, folder) as server:
        yield server


def feeding(store: Path, url: str, *more: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.relay.feeding", str(store), url, *more], cwd=TOP, stderr=subprocess.DEVNULL
    )


def served(server: Served, field: str) -> list[tuple[str, int, float]]:
    found: list[tuple[str, int, float]] = []
    answer = said(f"{server.base}/api/v1/export", **{"match[]": f"leeswatch_reading_{field}"})
    for line in answer.splitlines():
        series = json.loads(line)
        points = zip(series["timestamps"], series["values"], strict=True)
        found += [(series["metric"]["probe"], at, value) for at, value in points]
    return found


@pytest.mark.soak
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", range(3))
def test_whoever_is_killed_nothing_is_lost(tmp_path: Path, victoria_alone: Served, seed: int) -> None:
    """A dozen kills some seconds apart, some of them of a server that has only just come back."""
    server, chance, store = victoria_alone, Random(seed), tmp_path / "store.db"
    running = feeding(store, server.url, "9999")
    time.sleep(5.0)
    for _ in range(ROUNDS):
        time.sleep(chance.uniform(0.5, 4.0))
        who = chance.choice(["server", "server twice", "daemon", "both"])
        if who != "daemon":
            server.kill()
        if who in ("daemon", "both"):
            running.kill()
            running.wait()
            running = feeding(store, server.url, "9999")
        if who != "daemon":
            time.sleep(chance.uniform(0.0, 3.0))
            server.start()
        if who == "server twice":
            time.sleep(chance.uniform(0.0, 0.4))
            server.kill()
            server.start()
    running.kill()
    running.wait()
    assert feeding(store, server.url, "1", "end").wait(200.0) == 0
    server.settle()
    with Reader(store) as reader:
        here = Counter(
            (name, at, round(value, 6)) for name in PROBES for at, value in reader.curve(name, "temperature", 0, 2**60)
        )
        refused = reader.backlog().refused
    there = Counter((name, at, round(value, 6)) for name, at, value in served(server, "value"))
    assert len(here) > 10_000
    assert (here - there, there - here, refused) == (Counter(), Counter(), 0)
    assert len({value for *_, value in served(server, "seq")}) == len(here)
