"""Two float probes in one simulated bucket: the same truth through bubbles, foam, wander and drift."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict

from monitor.batches.shape import Point
from monitor.batches.siblings import Course, Name, compare
from monitor.model.clock import HOUR, parse_time
from simulators.play import Player
from simulators.scenario import parse

START = parse_time("2026-03-02T18:00:00Z")
PAIRS = 16

SCENARIO = """
name = "twins"
summary = "two floats in one bucket"
seed = {seed}
days = 8
start = 2026-03-02T18:00:00Z
site = "Cellar"
[[room]]
name = "cellar"
mean_c = 19.6
[[vessel]]
name = "north"
litres = 19
place = "cellar"
celsius = 21.5
[[batch]]
name = "one"
vessel = "north"
sucrose_kg = 2.75
dextrin_kg = 0.45
yeast_g = 12
nitrogen_mg_l = 160
lag_h = 8
[[probe]]
name = "a"
place = "north"
measures = "liquid"
noise = {{ gravity = 0.0006 }}
bubbles = 10
krausen = 0.001
drift_per_week = 0.0004
[[probe]]
name = "b"
place = "north"
measures = "liquid"
noise = {{ gravity = 0.0006 }}
bubbles = 10
krausen = 0.001
drift_per_week = -0.0004
[truth.batch.one]
kind = "finished"
between_h = [30, 190]
gravity = [0.98, 1.02]
"""


def courses(seed: int) -> list[Course]:
    """Both probes' gravity in hourly medians."""
    cells: dict[str, dict[int, list[tuple[float, float]]]] = defaultdict(lambda: defaultdict(list))
    player = Player(parse(SCENARIO.format(seed=seed), "twins"))
    for emission in player.emissions:
        for said in emission.readings:
            hours = (said.measured_ms - START) / HOUR
            if said.quantity == "gravity":
                cells[emission.probe][int(hours)].append((hours, said.value))
    return [
        Course(
            probe,
            tuple(
                Point(statistics.median(at for at, _ in seen), statistics.median(value for _, value in seen), 0.001)
                for _, seen in sorted(found.items())
            ),
            done=True,
        )
        for probe, found in sorted(cells.items())
    ]


def test_two_probes_in_one_bucket_are_seldom_called_different():
    """Of 16 buckets, what two floats tell of one differs beyond the noise in one at most (of 200: in 2.5 % at most)."""
    beyond: Counter[Name] = Counter()
    for seed in range(PAIRS):
        found = compare(*courses(300 + seed), seed=seed, rounds=60)
        told = [row for row in found.rows if row.name in ("lag", "top rate", "half", "nine tenths")]
        assert all(row.beyond is not None for row in told)
        beyond.update(row.name for row in told if row.beyond)
    assert max(beyond.values(), default=0) <= 1
