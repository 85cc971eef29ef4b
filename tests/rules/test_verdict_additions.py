"""Sugar, water and feeds in steps: announced, announced late, or never."""

from __future__ import annotations

import pytest

from monitor.model.clock import HOUR
from monitor.rules.advice import step_question
from monitor.rules.batch import BatchState
from tests.rules.bench import PITCHED, Bench, Shape, a_batch, ferment


def fed(at_h: float, rise: float) -> Shape:
    """A sugar wash that is fed once."""
    base = ferment(1.050, 0.994, lag=6, middle=30, steep=0.12)

    def gravity(hours: float) -> float:
        if hours < at_h:
            return base(hours)
        return base(hours) + rise * 2.718 ** (-(hours - at_h) / 20.0) - 0.001 * (1 - 2.718 ** (-(hours - at_h) / 20.0))

    return gravity


def announce(batch: BatchState, at_h: float, rise: float | None = None) -> None:
    """What the engine does with an announced addition."""
    at = PITCHED + round(at_h * HOUR)
    batch.window_from_ms = max(batch.window_from_ms, at)
    batch.rest = batch.rest_gravity = batch.slowed_ms = None
    batch.added_ms, batch.added_before, batch.fed_ms = at, batch.last_gravity, at
    batch.added_known = rise is not None
    if rise is not None and batch.original is not None:
        batch.original += rise


def test_an_announced_addition_of_known_rise_rebases_the_original_gravity() -> None:
    """The rise is added once, and nobody is asked."""
    batch = a_batch(fermentables="sugar")
    bench = Bench(batch, fed(60, 0.020))
    bench.run(60)
    before = batch.original
    assert before is not None
    announce(batch, 60, 0.020)
    bench.run(120, 61)
    assert batch.original == pytest.approx(before + 0.020)
    assert batch.step_ms is None


@pytest.mark.parametrize("late", [0, 10])
def test_an_announced_addition_of_unknown_rise_is_measured_from_its_own_time(late: int) -> None:
    """The rise is read off the probe around the time of the addition, also when it is announced half a day later."""
    batch = a_batch(fermentables="sugar")
    bench = Bench(batch, fed(60, 0.020))
    bench.run(60 + late)
    before = batch.original
    assert before is not None
    announce(batch, 60)
    bench.run(100, 61 + late)
    assert batch.added_ms is None
    assert batch.original == pytest.approx(before + 0.020, abs=0.003)


def test_a_feed_nobody_announced_is_asked_about() -> None:
    """A rise of a point and more is noticed within five hours, dated to its hour, and put as a question."""
    batch = a_batch(fermentables="sugar")
    bench = Bench(batch, fed(60, 0.012))
    bench.run(59)
    assert batch.step_ms is None
    noticed = next(hours for hours in range(60, 80) if (bench.judge(hours), batch.step_ms)[1] is not None)
    assert noticed <= 65
    assert batch.step_ms is not None
    assert abs(batch.step_ms - (PITCHED + 60 * HOUR)) <= 2 * HOUR
    question = step_question(batch)
    assert "Did you add something" in question.message
    assert batch.step_by == pytest.approx(0.012, abs=0.004)
    assert f"{batch.step_by:.3f}" in question.message
    assert question.about == "probe:float-a"


def test_a_feed_after_the_end_puts_it_back_to_work() -> None:
    """Fed when it was finished, it is at work again, and finished again when the feed is eaten."""
    batch = a_batch(fermentables="sugar")
    bench = Bench(batch, fed(160, 0.020))
    bench.run(400)
    changes = bench.changes()
    assert changes.count("finished") == 2
    assert changes[-1] == "finished"
    assert {"working", "slowing"} & set(changes[changes.index("finished") :])


def test_sugar_that_dissolves_slowly_is_not_asked_about_when_it_was_announced() -> None:
    """A rise that comes hours after an announced addition is that addition's."""
    base = fed(60, 0.0)
    batch = a_batch(fermentables="sugar")
    bench = Bench(batch, lambda hours: base(hours) + min(max(hours - 60, 0) / 8.0, 1.0) * 0.02)
    bench.run(60)
    announce(batch, 60)
    bench.run(100, 61)
    assert batch.step_ms is None


@pytest.mark.parametrize("seed", range(4))
def test_foam_and_bubbles_are_no_feed(seed: int) -> None:
    """A float lifted by two points under foam, with coarse noise, is not asked about."""
    batch = a_batch()
    shape = ferment(1.060, 0.998)
    bench = Bench(batch, lambda hours: shape(hours) + 0.002 * max(0.0, 1 - abs(hours - 55) / 20), sd=0.0007, seed=seed)
    bench.run(200)
    assert batch.step_ms is None


def test_three_feeds_end_as_one_wash() -> None:
    """Fed in steps, each announced: never stalled on the way, and finished once in the end."""
    batch = a_batch(fermentables="sugar")
    feeds = (48, 80, 116)
    tail = [fed(at, 0.015) for at in feeds]
    base = fed(1000, 0.0)
    bench = Bench(batch, lambda hours: base(hours) + sum(one(hours) - base(hours) for one in tail if hours >= 48))
    start = 1
    for at in feeds:
        bench.run(at, start)
        announce(batch, at)
        start = at + 1
    bench.run(420, start)
    assert "stalled" not in bench.changes()
    assert bench.changes().count("finished") == 1
    assert batch.original == pytest.approx(1.050 + 3 * 0.015, abs=0.006)
