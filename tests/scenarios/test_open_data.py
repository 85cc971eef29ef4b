"""Real ferments from open data (tests/data) through the whole replay path.

The measured points are real: sugar and ethanol by the laboratory. Everything between and after them is ours: gravity
by an engineering formula, made never to rise (laboratory noise would), interpolated monotonically (Fritsch and
Carlson), held at its last value for six days after the last sample, and read every ten minutes by a probe with noise
of 0.0004 that says tenths of a point. So this checks verdicts on real shapes of a fall, not on real probe noise and
not on a real tail.
"""

from __future__ import annotations

import csv
import functools
import math
import random
from itertools import accumulate
from pathlib import Path

import pytest
from scipy.interpolate import PchipInterpolator

from monitor.model.clock import HOUR, MINUTE, iso
from monitor.model.events import AlertEvent, Event, VerdictEvent
from monitor.replay.replay import replay
from monitor.settings import parse_settings

DATA = Path(__file__).parents[1] / "data"
START = 1_772_474_400_000
HELD_H = 144
Curve = list[tuple[float, float]]

CONFIGURATION = """
[[vessel]]
name = "bucket"
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2026-03-02T18:00:00Z
yeast_range_c = [20, 34]
"""


def gravity(sugar: float, ethanol: float) -> float:
    """From grams per litre (see the data's README)."""
    return 1.0 + 3.86e-4 * sugar - 1.8e-4 * ethanol


def curves() -> dict[str, Curve]:
    """All ferments: hours and gravity as sampled."""
    found: dict[str, Curve] = {}
    with (DATA / "agave_must" / "data.csv").open(encoding="utf-8-sig") as file:
        rows = [[float(cell) for cell in row] for row in csv.reader(file)]
    for vessel in range(3):
        points = [(row[0], gravity(row[4 + vessel] + row[7 + vessel], row[1 + vessel])) for row in rows]
        found[f"agave-{vessel + 1}"] = points
    with (DATA / "small_musts" / "data.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            sugar = float(row["x"]) + float(row["y"])
            found.setdefault(row["Set"].lower(), []).append((float(row["t"]), gravity(sugar, float(row["z"]))))
    return found


NAMES = sorted(curves())


def never_rising(points: Curve) -> Curve:
    """The lowest gravity so far."""
    return list(zip([hours for hours, _ in points], accumulate((value for _, value in points), min), strict=True))


def in_order(verdicts: list[str], fell_h: float) -> bool:
    """Waiting, working, slowing, finished; what fell within a day may have no time to be slow."""
    whole = ["waiting", "working", "slowing", "finished"]
    return verdicts == whole or (fell_h < 24 and verdicts == ["waiting", "working", "finished"])


def over(points: Curve) -> float:
    """The hour from which it stays within 0.001 of its end."""
    return next(hours for hours, value in points if value - points[-1][1] <= 0.001)


@functools.cache
def told(name: str, more: str = "") -> tuple[Event, ...]:
    """What replay says of one of them."""
    points = never_rising(curves()[name])
    smooth = PchipInterpolator(*zip(*points, strict=True))
    chance = random.Random(name)
    lines = ["time,probe,quantity,value,unit"]
    for step in range(math.floor((points[-1][0] + HELD_H) * 6)):
        at = iso(START + step * 10 * MINUTE)
        value = float(smooth(min(step / 6, points[-1][0]))) + chance.gauss(0, 0.0004)
        lines += [f"{at},float-a,gravity,{value:.4f},1", f"{at},float-a,temperature,{chance.gauss(28, 0.05):.2f},Cel"]
    events: list[Event] = []
    path = Path(_folder()) / f"{name}-{len(more)}.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = replay(path, parse_settings(CONFIGURATION + more).for_rules(), events.append)
    assert done.problems == []
    path.unlink()
    return tuple(events)


@functools.cache
def _folder() -> str:
    import tempfile

    return tempfile.mkdtemp()


def verdicts(name: str, more: str = "") -> list[tuple[float, VerdictEvent]]:
    """Hours and verdicts."""
    return [((e.time_ms - START) / HOUR, e) for e in told(name, more) if isinstance(e, VerdictEvent)]


def course(name: str, more: str = "") -> list[str]:
    """The verdicts, each time they changed."""
    names = [event.verdict for _, event in verdicts(name, more)]
    return [verdict for i, verdict in enumerate(names) if i == 0 or names[i - 1] != verdict]


@pytest.mark.parametrize("name", NAMES)
def test_a_real_sugary_must_works_slows_and_finishes(name: str) -> None:
    """Told only that it is sugar: working, slowing, finished, in this order, finished only after the last fall, and
    within 110 h of it; never stalled, and no question about a jump or a stuck probe."""
    more = 'fermentables = "sugar"\n'
    points = never_rising(curves()[name])
    assert in_order(course(name, more), over(points))
    finished = next(hours for hours, event in verdicts(name, more) if event.verdict == "finished")
    assert over(points) - 6 <= finished <= over(points) + 110
    raised = [e.alert for e in told(name, more) if isinstance(e, AlertEvent) and e.change == "raised"]
    assert raised == ["ferment-finished"]


@pytest.mark.parametrize("name", NAMES)
def test_told_nothing_it_is_never_called_stalled(name: str) -> None:
    """Without a word of what is in it, a must that ended dry is finished in the end, and nothing else on the way."""
    assert in_order(course(name), over(never_rising(curves()[name])))


@pytest.mark.parametrize("name", [name for name in NAMES if name.startswith("agave")])
def test_the_samples_lie_where_the_verdict_says(name: str) -> None:
    """What is told lies, give or take a point, between the laboratory curve's values of the last two and a half hours:
    in the steepest fall, four points an hour, it may lag by that much."""
    points = never_rising(curves()[name])
    smooth = PchipInterpolator(*zip(*points, strict=True))
    for hours, event in verdicts(name):
        if event.gravity is not None:
            before, now = (float(smooth(min(max(at, 0.0), points[-1][0]))) for at in (hours - 2.5, hours))
            assert now - 0.001 <= event.gravity <= before + 0.001
