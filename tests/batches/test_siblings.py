"""Two batches side by side, on curves whose truth is known: a logistic fall after its lag, with noise on it."""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.batches.shape import Measured, Point
from monitor.batches.siblings import TITLES, Z95, Course, Name, compare, measure, shown

OG, FG, STEEP, MIDDLE = 1.062, 1.008, 0.09, 40.0
TWINS = 150
CURVE: tuple[Name, ...] = ("lag", "top rate", "half", "nine tenths")


def truth(hours: float, middle: float = MIDDLE, final: float = FG) -> float:
    first = 1.0 / (1.0 + math.exp(STEEP * middle))
    done = (1.0 / (1.0 + math.exp(-STEEP * (hours - middle))) - first) / (1.0 - first)
    return OG - (OG - final) * done


def course(
    name: str,
    chance: random.Random,
    *,
    sd: float = 0.001,
    memory: float = 0.0,
    hours: int = 216,
    every: int = 1,
    middle: float = MIDDLE,
    final: float = FG,
    clears_h: float = 30.0,
    loss_l: float = 1.0,
    warm_c: float = 20.0,
) -> Course:
    """A batch as its probe, its hydrometer and its keeper's eye would tell it."""
    points, noise = [], 0.0
    for hour in range(0, hours, every):
        noise = memory * noise + chance.gauss(0.0, sd * (math.sqrt(1.0 - memory**2) if hour else 1.0))
        points.append(Point(float(hour), truth(hour, middle, final) + noise, sd))
    off = 12.0 * chance.random()  # when it is looked at, twice a day
    cloudy = off + 12.0 * math.floor((clears_h - off) / 12.0)
    thermometer = chance.gauss(0.0, 0.5 / Z95)
    return Course(
        name,
        tuple(points),
        tuple((float(hour), warm_c + thermometer) for hour in range(0, hours, every)),
        done=True,
        original=Measured(OG + chance.gauss(0.0, 0.001), 0.001),
        final=Measured(final + chance.gauss(0.0, 0.001), 0.001),
        clearing_h=(cloudy, cloudy + 12.0),
        volume_l=Measured(19.0 + chance.gauss(0.0, 0.2), 0.2),
        loss_l=Measured(loss_l + chance.gauss(0.0, 0.1), 0.1),
    )


@pytest.mark.parametrize("memory", [0.0, 0.8], ids=["white", "lasting-for-hours"])
def test_twins_curves_seldom_differ_by_more_than_the_noise(memory: float):
    """Of 150 pairs with one truth, what the curves tell differs beyond the noise in at most 8 %, white noise or not."""
    beyond: Counter[Name] = Counter()
    for seed in range(TWINS):
        chance = random.Random(7_000 + seed)
        one, two = (course(name, chance, memory=memory, hours=168) for name in "ab")
        found = compare(one, two, seed=seed, rounds=60)
        assert all(row.beyond is not None for row in found.rows)
        beyond.update(row.name for row in found.rows if row.beyond)
    assert {name: beyond[name] / TWINS for name in CURVE if beyond[name] / TWINS > 0.08} == {}


def test_twins_facts_differ_by_more_than_the_noise_in_one_of_twenty():
    """Of 1,500 pairs with one truth, strength, sediment and warmth differ in 4 to 6.5 %, clearing in no more."""
    beyond: Counter[Name] = Counter()
    pairs = 1_500
    for seed in range(pairs):
        chance = random.Random(20_000 + seed)
        rows = compare(course("a", chance, every=24), course("b", chance, every=24), seed=seed, rounds=4).rows
        beyond.update(row.name for row in rows if row.beyond)
    assert all(0.04 <= beyond[name] / pairs <= 0.065 for name in ("strength", "sediment", "warmth")), beyond
    assert beyond["clearing"] / pairs <= 0.065


def test_truly_different_batches_are_told_apart():
    """A later, drier, cooler batch with more lees that clears a day later differs so in nine of ten pairs or more."""
    beyond: Counter[Name] = Counter()
    pairs = 40
    for seed in range(pairs):
        chance = random.Random(9_000 + seed)
        first = course("a", chance)
        second = course("b", chance, middle=60.0, final=0.998, clears_h=60.0, loss_l=2.0, warm_c=18.0)
        for row in compare(first, second, seed=seed, rounds=60).rows:
            assert row.by is not None
            beyond[row.name] += bool(row.beyond and (row.by > 0) == (row.name != "warmth"))
    assert {name: beyond[name] for name in TITLES if name != "top rate" and beyond[name] < 0.9 * pairs} == {}


def test_what_is_measured_lies_near_the_truth():
    """The middle of the fall and its fastest day come out within the errors of what the curve was made of."""
    found = measure(course("a", random.Random(5)))
    half = next(hour / 10 for hour in range(1, 1000) if truth(hour / 10) <= (OG + FG) / 2)
    assert abs(found["half"].value - half) < 3 * found["half"].error + 0.5
    fastest = max(truth(hour) - truth(hour + 24) for hour in range(100))
    assert found["top rate"].value == pytest.approx(fastest, rel=0.1)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.0, 0.003), st.integers(1, 30), st.booleans())
def test_a_difference_is_the_second_less_the_first(seed: int, sd: float, every: int, done: bool):
    """For any two courses, and again the same: `by` is their difference, beyond the noise above 1.96 joint errors."""
    chance = random.Random(seed)
    first = replace(course("a", chance, sd=sd, every=every), done=done)
    second = course("b", chance, sd=sd, every=every, middle=45.0)
    found = compare(first, second, rounds=20)
    assert found == compare(first, second, rounds=20)
    for row in found.rows:
        if row.by is None:
            assert row.missing
            assert row.beyond is None
            continue
        assert row.first is not None
        assert row.second is not None
        assert row.by == pytest.approx(row.second.value - row.first.value)
        assert row.error == pytest.approx(math.hypot(row.first.error, row.second.error))
        assert row.beyond == (abs(row.by) > 1.96 * row.error)


def test_noise_that_lasts_widens_the_error():
    """The same scatter with a memory of hours makes errors larger by a third or more than those of white noise."""
    white = measure(course("a", random.Random(3)))
    lasting = measure(course("a", random.Random(3), memory=0.8))
    assert all(lasting[name].error > 1.3 * white[name].error for name in CURVE)


def test_readings_a_day_apart_leave_the_hours_open():
    """Between two hydrometer readings the crossing can be anywhere: its error is that of the day between them."""
    found = measure(course("a", random.Random(3), every=24))
    assert found["half"].error >= 24.0 / math.sqrt(12.0)
    assert "top rate" not in found


def test_a_batch_at_work_is_compared_by_its_start_only():
    """Lag and rate so far are compared; what needs the end of the fall says that it is still at work."""
    chance = random.Random(2)
    working = replace(course("b", chance, hours=60), done=False, clearing_h=None, loss_l=None)
    found = {row.name: row for row in compare(course("a", chance), working).rows}
    assert found["lag"].by is not None
    assert found["top rate"].by is not None
    for name in ("half", "nine tenths", "strength"):
        assert found[name].missing == "b: it is still at work"
    assert found["clearing"].missing == "b: it was not fined and then seen clear"


def test_a_batch_that_was_fed_has_no_half_of_its_fall():
    """Sugar on the way moves the beginning: times to a share of the fall are not told, and why is."""
    fed = replace(course("a", random.Random(2)), fed=True)
    row = next(row for row in compare(fed, course("b", random.Random(3))).rows if row.name == "half")
    assert row.missing == "a: it was fed on the way, so that its fall has no one beginning"


def test_a_curve_that_begins_late_shows_no_start():
    """A probe put in on the third day tells a rate, but neither the lag nor when half was reached."""
    whole = course("a", random.Random(2))
    late = replace(whole, points=tuple(point for point in whole.points if point.hours > 48))
    rows = {row.name: row for row in compare(late, course("b", random.Random(3))).rows}
    assert rows["top rate"].by is not None
    assert all(rows[name].missing == "a: its start was not read" for name in ("lag", "half", "nine tenths"))


def test_a_strength_that_its_gravities_do_not_tell_is_not_compared():
    """Where water went in, the reason stands instead of a number."""
    thinned = replace(course("a", random.Random(2)), no_strength="water went in")
    row = next(row for row in compare(thinned, course("b", random.Random(3))).rows if row.name == "strength")
    assert row.by is None
    assert row.missing == "a: water went in"


def test_nothing_to_compare_is_said_in_words():
    """Without readings there is no table of numbers, but a sentence that says so."""
    found = compare(Course("a"), Course("b"))
    nothing = "a: no gravity was read; b: no gravity was read"
    assert found.summary == f"a and b cannot be compared yet ({nothing})."
    assert all(row.beyond is None and row.missing for row in found.rows)


def test_the_summary_says_what_differs_and_what_does_not():
    """One paragraph: what is more than the noise and which way, what is not, and how much chance there is in it."""
    chance = random.Random(4)
    found = compare(course("a", chance), course("b", chance, middle=60.0, warm_c=17.0))
    assert found.summary.startswith("Against a, b started ")
    assert "h later" in found.summary
    assert "K cooler on average: more than the noise." in found.summary
    assert "no more than the noise" in found.summary
    assert "one in twenty" in found.summary
    alike = compare(course("a", random.Random(4)), course("b", random.Random(4)))
    assert alike.summary.startswith("a and b cannot be told apart by what was measured.")


def test_the_table_shows_signs_and_no_minus_zero():
    """A difference carries its sign; one that rounds to nothing is 0, not minus 0."""
    chance = random.Random(4)
    rows = {row.name: row for row in compare(course("a", chance), course("b", chance, warm_c=17.0)).rows}
    assert shown(rows["warmth"])[2].startswith("−")
    none = replace(rows["strength"], by=-0.001)
    assert shown(none)[2].startswith("0.00 ±")
