"""The detection benchmark itself: its truth, its bounds, the other methods, and the way through the engine."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.model.clock import HOUR, MINUTE
from tests.benchmarks import baselines, detection, kinetics, ours, score
from tests.benchmarks.cellar import DEVELOPMENT, FLOAT, PITCHED_MS, REPORT, Series, Told, Trial, make, seed_of
from tests.benchmarks.score import clopper_pearson, garwood
from tests.benchmarks.truth import FAMILIES, LONGEST_H, Truth, simulate, true_end

HOURS = np.arange(LONGEST_H + 49)


def _trial(gravity: np.ndarray, final: float, end: int | None, hours: int) -> Trial:
    """A batch without any fault, read every ten minutes with a little noise."""
    truth = Truth("logistic", float(gravity[0]), gravity, final, np.full(gravity.size, 20.0),
                  np.full(gravity.size, 19.0), 19.0, hours=hours, true_end=end)  # fmt: skip
    at = np.arange(0.1, hours, 1.0 / 6.0)
    noise = np.random.default_rng(7).normal(0.0, 0.0003, at.size)
    measured = PITCHED_MS + np.round(at * HOUR).astype(np.int64)
    said = Series(FLOAT, "gravity", measured, np.round(np.interp(at, HOURS, gravity) + noise, 4), measured + 1)
    told = Told(float(gravity[0]), final, 0.003, "grain", (15.0, 26.0), 9.0, final)
    return Trial(1, "logistic", truth, told, [said], {})


# --- the truth ---------------------------------------------------------------------------------------------------


def test_a_seed_gives_the_same_trial_again():
    """Everything about a trial follows from its seed."""
    one, other = make(DEVELOPMENT + 3), make(DEVELOPMENT + 3)
    assert one.told == other.told
    assert one.faults == other.faults
    np.testing.assert_array_equal(one.truth.gravity, other.truth.gravity)
    for mine, again in zip(one.float_probe + one.witnesses["co2"], other.float_probe + other.witnesses["co2"],
                           strict=True):  # fmt: skip
        np.testing.assert_array_equal(mine.value, again.value)
        np.testing.assert_array_equal(mine.received_ms, again.received_ms)


def test_seeds_to_develop_on_are_never_seeds_to_report_on():
    """The two ranges of seeds have none in common, and neither runs over into the other."""
    assert seed_of("development", 999_999) < REPORT
    with pytest.raises(ValueError, match="a million"):
        seed_of("development", 1_000_000)


@pytest.mark.parametrize("family", list(FAMILIES))
def test_each_family_falls_from_its_original_towards_its_final_gravity(family):
    """Gravity never rises but by an addition, and stays between the original with what was fed and the asymptote."""
    for seed in range(4):
        truth = simulate(np.random.default_rng([seed, 11]), family)
        rise = np.diff(truth.gravity)
        fed = {
            hour + 1 + i for each in truth.additions for i in range(-1, each.dissolves_h + 1) for hour in [each.hour]
        }
        quiet = np.array([i not in fed for i in range(rise.size)])
        assert rise[quiet].max() < 1e-9
        assert truth.gravity.min() > truth.final - 1e-6
        if truth.true_end is not None and truth.crawl is None:
            assert truth.gravity[truth.true_end] - truth.final < 0.0041


def test_yeast_time_is_an_hour_an_hour_at_20_degrees_and_stands_still_in_the_cold():
    """The cardinal temperature model has its zeros and its maximum where they were measured."""
    assert kinetics.speed(20.0) == pytest.approx(1.0)
    assert kinetics.speed(2.0) == 0.0
    assert kinetics.speed(46.0) == 0.0
    assert kinetics.speed(4.0) < 0.02
    assert kinetics.speed(32.3) > kinetics.speed(31.0)
    assert kinetics.speed(32.3) > kinetics.speed(33.6)


def test_a_batch_ends_when_it_is_within_one_point():
    """A straight fall ends with the hour in which less than 0.001 is left."""
    gravity = 1.010 + np.clip(0.050 - 0.0008 * HOURS, 0.0, None)
    assert true_end(gravity, 1.010) == 62  # 61.25 h to 0.001


def test_a_batch_ends_when_it_is_slower_than_half_a_point_a_day():
    """Of a tail of 0.02 with 200 h, e^(-t/200)·(1 - e^(-24/200))·0.02 falls below 0.0005 before 0.001 is left."""
    gravity = 1.010 + 0.02 * np.exp(-HOURS / 200.0)
    by_hand = math.ceil(200.0 * math.log(0.02 * (1.0 - math.exp(-0.12)) / 0.0005))
    assert true_end(gravity, 1.010) == by_hand
    assert gravity[by_hand] - 1.010 > 0.001


def test_a_standstill_before_the_next_feeding_or_in_the_cold_is_no_end():
    """While more is to come, a slow rate says nothing; where it stays slow above four points, nothing ends."""
    paused = 1.010 + np.where(HOURS < 200, 0.010, np.clip(0.010 - 0.0004 * (HOURS - 200), 0.0, None))
    assert true_end(paused, 1.010, not_before=200) == 223  # 22.5 h to 0.001
    cold = np.full(HOURS.size, 1.013)
    assert true_end(cold, 1.010) == 0
    assert true_end(cold, 1.010, cold=(0, HOURS.size)) is None
    assert true_end(np.full(HOURS.size, 1.015), 1.010) is None


def test_about_one_batch_in_six_stalls_and_every_stall_lies_four_points_high():
    """What befalls batches comes about as often as was meant."""
    truths = [make(DEVELOPMENT + 500_000 + i).truth for i in range(150)]
    stalled = [truth for truth in truths if truth.stall_hour is not None]
    assert 0.08 < len(stalled) / len(truths) < 0.28
    assert all(truth.stall_height >= 0.004 for truth in stalled)
    for truth in stalled:
        assert truth.gravity[truth.stall_hour] - truth.gravity[truth.stall_hour + 24] < 0.0006
        assert truth.stalled_at(truth.stall_hour)


# --- the figures -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_bounds_of_a_share_are_those_of_the_textbook(hits, of, low, high):
    """Exact limits as tabled by Newcombe 1998 (Stat. Med. 17:857, table I; figures from memory)."""
    assert clopper_pearson(hits, of) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))


def test_bounds_of_a_count_are_those_of_the_table():
    """0 events: 0 to 3.689; 10 events: 4.795 to 18.39 (Garwood's limits as commonly tabled, from memory)."""
    assert garwood(0, 1.0) == (0.0, pytest.approx(3.689, abs=5e-4))
    assert garwood(10, 1.0) == (pytest.approx(4.795, abs=5e-4), pytest.approx(18.39, abs=5e-3))


def test_a_finish_said_too_early_is_false_and_one_said_in_time_has_its_delay():
    """Six hours of grace; a false finish that is taken back stays false."""
    trial = _trial(1.010 + np.clip(0.050 - 0.0005 * HOURS, 0.0, None), 1.010, 99, 340)
    good = score.score(trial, [(1.0, "working"), (139.0, "finished")], [(95.0, True)], 0.0)
    assert (good.false_finish, good.delay, good.false_hint, good.hint_delay) == ("", 40.0, "", -4.0)
    bad = score.score(trial, [(60.0, "finished"), (61.0, "working"), (139.0, "finished")], [], 0.0)
    assert bad.false_finish == "moving"
    wrong = score.score(trial, [(60.0, "stalled")], [], 0.0)
    assert (wrong.false_stalls, wrong.delay) == (["moving"], None)


def test_a_stall_has_its_delay_and_its_letting_go():
    """`stalled` is true from the dying to the first hour in which it falls again."""
    trial = _trial(np.full(HOURS.size, 1.030), 1.010, None, 600)
    trial.truth.dying_hour, trial.truth.stall_hour, trial.truth.stall_height, trial.truth.resume_hour = (
        90,
        100,
        0.02,
        300,
    )
    found = score.score(trial, [(150.0, "stalled"), (320.0, "working")], [], 0.0)
    assert (found.stall, found.stall_delay, found.false_stalls) == ("high", 50.0, [])
    assert (found.resumed, found.let_go) == (True, 20.0)


# --- the other methods -------------------------------------------------------------------------------------------


def test_every_other_method_finishes_a_clean_batch_after_its_end():
    """On a clean curve none is early, and each has said it within a week."""
    trial = _trial(1.010 + 0.05 / (1.0 + np.exp(0.12 * (HOURS - 60.0))), 1.010, 93, 340)
    for judge in baselines.run(trial):
        found = score.score(trial, judge.changes, [], judge.cost_s)
        assert found.false_finish == "", judge.name
        assert found.delay is not None, judge.name
        assert 0.0 < found.delay < 168.0, judge.name


def test_no_other_method_finishes_a_batch_that_keeps_falling():
    """Four points a day is no end."""
    trial = _trial(1.060 - 0.004 * HOURS / 24.0, 1.000, None, 330)
    assert all(said != "finished" for judge in baselines.run(trial) for _, said in judge.changes)


def test_every_other_method_calls_a_batch_stuck_high_a_stall():
    """At 0.02 above its final gravity it stands still for ten days."""
    trial = _trial(1.030 + 0.03 / (1.0 + np.exp(0.15 * (HOURS - 50.0))), 1.010, None, 330)
    assert all(judge.changes[-1][1] == "stalled" for judge in baselines.run(trial))


# --- the way through the engine ----------------------------------------------------------------------------------


def test_ticks_on_whole_hours_are_enough():
    """With a tick a minute, as live, the verdicts are the same at the same hours."""
    trial = make(DEVELOPMENT + 2)
    trial.truth.hours = 200
    coarse, fine = ours.run(trial), ours.run(trial, tick_ms=MINUTE)
    assert coarse.failed is None
    assert score.changes_of(coarse.events) == score.changes_of(fine.events)
    assert any(event.verdict == "finished" for event in coarse.events)


def test_a_run_prints_every_figure(capsys):
    """Two batches through all methods give a table with all of them, and all figures in it."""
    detection.main(["--trials", "2", "--jobs", "1", "--with", "hand"])
    told = capsys.readouterr().out
    for name in (detection.OURS, *baselines.BASELINES, "90 % ranges", "with confidence", "heard: float, hand"):
        assert name in told
    assert "THE ENGINE BROKE" not in told


def test_a_hydrometer_once_or_twice_a_day_reads_the_truth_with_its_error():
    """Readings 11 to 26 hours apart, and their error about 0.0007."""
    gaps, errors = [], []
    for seed in range(12):
        trial = make(DEVELOPMENT + seed)
        read = trial.witnesses["hand-daily"][0]
        at = (read.measured_ms - PITCHED_MS) / HOUR
        gaps += list(np.diff(at))
        errors += list(read.value - np.interp(at, np.arange(trial.truth.gravity.size), trial.truth.gravity))
    assert min(gaps) >= 10.99
    assert max(gaps) <= 26.01
    assert 0.0006 < float(np.std(errors)) < 0.0009
