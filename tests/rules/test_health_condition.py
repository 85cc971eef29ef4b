"""Probe truth: noisy, fouled, and with a wrong clock."""

from __future__ import annotations

import random

import pytest

from monitor.model.clock import HOUR, MINUTE
from monitor.model.status import Health
from monitor.rules.clockwork import ProbeClock
from monitor.rules.fouling import Course
from monitor.rules.health import ProbeHealth, SeriesHealth
from monitor.rules.noise import Noise
from monitor.rules.stuck import hear

T0 = 1_772_474_400_000
TEN = 10 * MINUTE


def trembling(sd: float, count: int, noise: Noise, first: int = 0, *, step: float = 0.0001, seed: int = 1) -> Noise:
    """A falling gravity with white noise."""
    chance = random.Random(f"{seed}:{first}")
    for i in range(first, first + count):
        value = 1.060 - 0.0002 * i + chance.gauss(0, sd)
        noise.take(T0 + i * TEN, round(round(value / step) * step, 6), step)
    return noise


# --- noise -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sd", [0.0003, 0.001, 0.004])
def test_the_noise_floor_is_learned_while_the_gravity_falls(sd: float) -> None:
    """The standard deviation of white noise is known within a third, whatever the course is."""
    learned = [trembling(sd, 600, Noise(), seed=seed).sd() for seed in range(5)]
    assert all(0.67 * sd < each < 1.5 * sd for each in learned)


def test_a_probe_that_becomes_four_times_as_noisy_needs_looking_after() -> None:
    """It is told within a day, and ends when it has calmed down."""
    noise = trembling(0.0005, 500, Noise())
    assert not noise.noisy(T0 + 499 * TEN)
    trembling(0.002, 144, noise, 500)
    assert noise.noisy(T0 + 643 * TEN)
    trembling(0.0005, 144, noise, 644)
    assert not noise.noisy(T0 + 787 * TEN)


def test_some_more_noise_is_none_of_our_business() -> None:
    """Half as much again is a livelier ferment."""
    noise = trembling(0.0005, 500, Noise())
    for i in range(20):
        trembling(0.00075, 50, noise, 500 + 50 * i)
        assert not noise.noisy(T0 + (550 + 50 * i) * TEN)


def test_bubbles_move_the_noise_floor_little() -> None:
    """One reading in twenty that is off by five points leaves the floor within a half."""
    chance, noise = random.Random(5), Noise()
    for i in range(600):
        bubble = 0.005 if chance.random() < 0.05 else 0.0
        noise.take(T0 + i * TEN, round(1.05 + chance.gauss(0, 0.0005) + bubble, 4), 0.0001)
    assert 0.0005 / 1.5 < noise.sd() < 0.0005 * 1.5


def test_a_value_that_never_moves_is_not_noisy() -> None:
    """Without a change there is nothing to compare."""
    noise = Noise()
    for i in range(400):
        noise.take(T0 + i * TEN, 1.050, 0.0)
        assert not noise.noisy(T0 + i * TEN)


def test_the_status_says_which_value_is_noisy() -> None:
    """A probe with a noisy thermometer needs maintenance, and its gravity may still carry a verdict."""
    probe, chance = ProbeHealth(series={"gravity": SeriesHealth(), "temperature": SeriesHealth()}), random.Random(2)
    for i in range(700):
        at = T0 + i * TEN
        hear(probe, "gravity", at, at, round(1.050 + chance.gauss(0, 0.0004), 4))
        hear(probe, "temperature", at, at, round(20 + chance.gauss(0, 0.05 if i < 500 else 0.25), 2))
    status, why = probe.status()
    assert status is Health.MAINTENANCE_REQUIRED
    assert why.startswith("its temperature is about")
    assert probe.trusted()


# --- fouling -----------------------------------------------------------------------------------------------------


def course(rise: float, *, louder: float) -> ProbeHealth:
    """A probe that rises within three hours and trembles more."""
    probe, chance = ProbeHealth(series={"gravity": SeriesHealth(), "temperature": SeriesHealth()}), random.Random(4)
    for i in range(620):
        at, on = T0 + i * TEN, i >= 500
        value = 1.050 - 0.00002 * i + (rise * min(1.0, (i - 500) / 18) if on else 0.0)
        hear(probe, "gravity", at, at, round(value + chance.gauss(0, 0.0004 * (louder if on else 1.0)), 4))
        hear(probe, "temperature", at, at, round(20 + chance.gauss(0, 0.05), 2))
        probe.course.take(TEN, probe.series["gravity"].value)
        probe.course.judge("gravity", probe.series["gravity"].noise, at)
    return probe


def test_a_rise_with_another_trembling_is_fouling() -> None:
    """Six points up and three times as noisy, while nothing was added: foam or yeast is on it."""
    status, why = course(0.006, louder=3.0).status()
    assert status is Health.MAINTENANCE_REQUIRED
    assert "foam or yeast" in why


@pytest.mark.parametrize(("rise", "louder"), [(0.006, 1.0), (0.0, 2.0)])
def test_one_sign_alone_is_no_fouling(rise: float, louder: float) -> None:
    """Sugar makes a rise and a livelier ferment makes noise: each alone proves nothing."""
    assert course(rise, louder=louder).course.fouled_ms is None


def test_a_rise_for_a_known_reason_starts_the_course_anew() -> None:
    """After it the level counts from there."""
    found = Course()
    for value in (1.050, 1.045, 1.060):
        found.take(2 * HOUR, value)
    assert found.level is not None
    assert found.level - found.lowest > 0.01
    found.start_anew()
    found.take(2 * HOUR, 1.060)
    assert found.level - found.lowest == 0.0


# --- clock -------------------------------------------------------------------------------------------------------


def clock(late: list[int], watched_from: int = 0) -> ProbeClock:
    """A probe whose messages come `late` (ms) after the time they give, each ten minutes."""
    found = ProbeClock()
    for i, each in enumerate(late):
        found.take(T0 + i * TEN - each, T0 + i * TEN, watched_from)
    return found


def test_a_clock_that_runs_fast_or_slow_is_told() -> None:
    """A minute an hour is seen within a day and a half, either way."""
    for sign in (1, -1):
        assert "clock runs wrong" in str(clock([sign * i * TEN // 60 for i in range(200)]).trouble())


@pytest.mark.parametrize(("late", "words"), [(HOUR, "60 min behind"), (-20 * MINUTE, "20 min ahead")])
def test_a_clock_that_is_set_wrong_is_told(late: int, words: str) -> None:
    """An hour behind, as of a forgotten summer time, or minutes ahead."""
    assert words in str(clock([late] * 200).trouble())


def test_a_right_clock_is_left_alone() -> None:
    """Seconds on the way, and now and then a message that waited for hours, are no wrong clock."""
    chance = random.Random(1)
    late = [chance.choice((2_000, 3_000, 40 * MINUTE, 5 * HOUR)) for _ in range(600)]
    assert clock(late).trouble() is None


def test_a_backlog_after_a_day_without_broker_is_no_wrong_clock() -> None:
    """A day's readings that come at once, oldest first, say nothing of the clock."""
    found = clock([1000] * 144)
    for i in range(144):
        found.take(T0 + (144 + i) * TEN, T0 + 288 * TEN + i, 0)
    for i in range(144):
        found.take(T0 + (288 + i) * TEN, T0 + (288 + i) * TEN + 1000, 0)
    assert found.trouble() is None


def test_after_a_gap_of_our_own_the_clock_is_learned_anew() -> None:
    """What was seen before we were away, or before our own clock was set, counts no more."""
    found = clock([HOUR] * 200)
    assert found.trouble() is not None
    found.take(T0 + 201 * TEN, T0 + 201 * TEN, T0 + 200 * TEN + 1)
    assert found.trouble() is None
