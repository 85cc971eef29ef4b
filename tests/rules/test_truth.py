"""Probe truth: what hand readings teach of a probe's offset."""

from __future__ import annotations

import itertools
import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from monitor.model.clock import DAY, HOUR
from monitor.rules import truth
from monitor.rules.truth import MOST_PAIRS, Pair, ProbeTruth, hand_finding

T0 = 1_772_474_400_000
Z90 = 1.645


def pair(day: float, off: float, *, error: float = 0.001, probe: float = 1.020) -> Pair:
    """A hand reading that shows the probe `off` too low."""
    return Pair(T0 + round(day * DAY), probe, 0.0002, probe + off, error)


def taught(*pairs: Pair, first_sd: float = 0.001) -> ProbeTruth:
    """What these teach."""
    told = ProbeTruth(T0, first_sd)
    for each in pairs:
        told.take(each)
    return told


def at(day: float) -> int:
    """A time by the day."""
    return T0 + round(day * DAY)


# --- growth and correction ---------------------------------------------------------------------------------------


def test_without_a_hand_reading_nothing_is_added_and_doubt_grows_as_the_drift_may() -> None:
    """Offset 0; after a week the standard error holds the calibration's and a week of unknown drift."""
    told = taught()
    assert told.offset_at(T0) == pytest.approx((0.0, 0.001))
    offset, sd = told.offset_at(at(7))
    assert offset == 0.0
    assert sd == pytest.approx(math.hypot(0.001, 7 * 0.00015), rel=0.05)
    assert told.offset_at(at(30))[1] > told.offset_at(at(14))[1] > sd


def test_a_calibrated_probe_begins_with_the_error_of_its_calibration() -> None:
    """The first standard error is the one it is given."""
    assert taught(first_sd=0.0004).offset_at(T0)[1] == pytest.approx(0.0004)


def test_an_original_gravity_by_hydrometer_is_a_first_reading_at_pitch() -> None:
    """An anchor from before the probe spoke counts at its start, and narrows what is known of it."""
    told = taught(Pair(T0 - HOUR, 1.0600, 0.0002, 1.0610, truth.ANCHOR_ERROR))
    offset, sd = told.offset_at(T0)
    assert offset == pytest.approx(0.0005, abs=0.0001)
    assert 0.0006 < sd < 0.0008


def test_the_correction_follows_a_drift_between_and_beyond_two_readings() -> None:
    """A careful pair a week apart fixes the drift: halfway it is half, and it goes on after the last."""
    told = taught(pair(0, 0.0, error=0.0002), pair(7, 0.002, error=0.0002)).solve()
    assert told.at(at(3.5))[0] == pytest.approx(0.001, abs=0.0002)
    assert told.at(at(7))[0] == pytest.approx(0.002, abs=0.0002)
    assert told.at(at(10))[0] > told.at(at(7))[0] + 0.0004
    assert told.at(at(10))[1] > told.at(at(7))[1]


def test_a_hand_reading_makes_no_step_in_the_past() -> None:
    """What is added to neighbouring hours differs by next to nothing, across the readings as well."""
    told = taught(pair(2, 0.001), pair(5, 0.003), pair(5.5, 0.0025), pair(11, 0.001)).solve()
    added = [told.at(T0 + hour * HOUR)[0] for hour in range(-24, 15 * 24)]
    assert max(abs(b - a) for a, b in itertools.pairwise(added)) < 0.00005


def test_the_doubt_is_least_near_the_readings() -> None:
    """Between two readings the standard error is below what it was before them and grows after."""
    told = taught(pair(5, 0.001), pair(8, 0.0015)).solve()
    assert told.at(at(6.5))[1] < told.at(at(0))[1]
    assert told.at(at(6.5))[1] < told.at(at(12))[1]


# --- one misread scale -------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    days=st.lists(st.floats(0.5, 20), min_size=0, max_size=6, unique=True),
    when=st.floats(0.2, 25),
    wrong=st.sampled_from([-0.010, 0.010]),
    rate=st.floats(-0.0001, 0.0001),
)
def test_one_misread_scale_moves_nothing(days: list[float], when: float, wrong: float, rate: float) -> None:
    """A single reading that is wrong by 0.010 changes no correction at any time, whatever came before and after.

    The probe itself is off by 0.0025 at most: one that drifted 0.004 the other way would hide a misread scale.
    """
    days = [day for day in days if abs(day - when) > 0.01]
    good = [pair(day, rate * day) for day in days]
    clean = taught(*good).solve()
    fooled = taught(*good, pair(when, rate * when + wrong)).solve()
    assert [fooled.at(at(day)) for day in range(30)] == [clean.at(at(day)) for day in range(30)]
    assert (fooled.held is not None) == all(day < when for day in days)


def test_a_held_reading_is_forgotten_when_the_next_one_agrees_with_the_probe() -> None:
    """What was doubtful is settled by a good reading."""
    told = taught(pair(3, 0.0), pair(4, 0.010))
    assert told.solve().held is not None
    told.take(pair(4.2, 0.0002))
    assert told.solve().held is None
    assert abs(told.offset_at(at(5))[0]) < 0.0005


@settings(max_examples=40, deadline=None)
@given(slip=st.floats(0.008, 0.03), sign=st.sampled_from([-1, 1]), gap=st.floats(0.05, 1.95), before=st.integers(0, 3))
def test_a_second_reading_that_agrees_is_believed(slip: float, sign: int, gap: float, before: int) -> None:
    """Two readings within two days that agree set the probe right, however far off it was."""
    good = [pair(day + 1, 0.0) for day in range(before)]
    told = taught(*good, pair(6, sign * slip), pair(6 + gap, sign * slip + 0.0005)).solve()
    assert told.held is None
    assert told.pairs == before + 2
    assert told.at(at(6 + gap))[0] == pytest.approx(sign * slip, abs=0.0016)


def test_a_probe_that_never_was_right_is_set_right_from_its_start() -> None:
    """Where no reading had agreed before, the offset is taken to have been there all the time."""
    told = taught(pair(4, 0.012), pair(5, 0.012)).solve()
    assert told.at(T0)[0] == pytest.approx(0.012, abs=0.002)


def test_a_probe_that_slipped_is_unsure_in_between() -> None:
    """Between the last good reading and the slip it may have been anywhere: the standard error says so."""
    told = taught(pair(2, 0.0), pair(6, 0.012), pair(6.5, 0.012)).solve()
    assert told.at(at(2))[0] == pytest.approx(0.0, abs=0.001)
    assert told.at(at(4))[1] > 0.003
    assert told.at(at(6.5))[1] < 0.001


def test_an_agreeing_reading_that_comes_after_three_days_is_held_again() -> None:
    """Two that are too far apart do not vouch for each other."""
    found = taught(pair(2, 0.0), pair(6, 0.012), pair(9, 0.012)).solve()
    assert found.held is not None
    assert found.held.at_ms == at(9)


# --- honest ranges -----------------------------------------------------------------------------------------------


def coverage(seed: int, *, wandering: bool) -> tuple[int, int]:
    """How many of a thousand drifts lie in the 90 % range, and of how many, at the last reading and three days on."""
    chance = random.Random(seed)
    inside = total = 0
    for _ in range(500):
        rate = chance.uniform(-0.002, 0.002) / 7
        steps = [0.0]
        for _ in range(24):
            rate = chance.gauss(0.95 * rate, 0.00004) if wandering else rate
            steps.append(steps[-1] + rate)
        first = chance.gauss(0, 0.001)
        days = sorted(chance.sample(range(1, 20), chance.choice((2, 2, 3, 5))))
        told = taught(*(pair(day, first + steps[day] + chance.gauss(0, 0.001)) for day in days)).solve()
        for day in (days[-1], days[-1] + 3, (days[0] + days[-1]) // 2):
            offset, sd = told.at(at(day))
            inside += abs(offset - first - steps[day]) <= Z90 * sd
            total += 1
    return inside, total


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 10_000), wandering=st.booleans())
def test_nine_of_ten_corrected_errors_lie_in_the_ninety_per_cent_range(*, seed: int, wandering: bool) -> None:
    """After two to five readings of a steady or wandering drift of up to 0.002 a week the stated range is honest."""
    inside, total = coverage(seed, wandering=wandering)
    assert 0.86 <= inside / total <= 0.95


@settings(max_examples=60, deadline=None)
@given(
    said=st.lists(st.tuples(st.integers(0, 20), st.floats(-0.015, 0.015)), max_size=7, unique_by=lambda each: each[0]),
    seed=st.integers(0, 99),
)
def test_the_order_in_which_readings_are_typed_does_not_matter(said: list[tuple[int, float]], seed: int) -> None:
    """Late hand readings give the same correction as if they had come in time."""
    pairs = [pair(*each) for each in said]
    shuffled = random.Random(seed).sample(pairs, len(pairs))
    in_time, late = taught(*pairs).solve(), taught(*shuffled).solve()
    assert [late.at(at(day)) for day in range(25)] == [in_time.at(at(day)) for day in range(25)]
    assert all(math.isfinite(sd) and sd >= 0 for _, sd in (late.at(at(day / 4)) for day in range(100)))


def test_an_undone_reading_is_as_if_it_never_was() -> None:
    """Forgetting a pair restores what was believed before it."""
    told = taught(pair(2, 0.001), pair(3, 0.003))
    told.forget(at(3))
    assert told == taught(pair(2, 0.001))


def test_a_reading_typed_again_takes_the_place_of_the_first() -> None:
    """Correcting a hand reading of the same time leaves one pair."""
    assert taught(pair(2, 0.004), pair(2, 0.001)) == taught(pair(2, 0.001))


def test_memory_is_bounded_and_what_is_summed_up_still_counts() -> None:
    """A hundred readings keep the newest, and the rest as what was believed at first: the present stays the same."""
    chance = random.Random(3)
    pairs = [pair(day / 4, 0.0002 * day / 4 + chance.gauss(0, 0.001)) for day in range(100)]
    told = taught(*pairs)
    assert len(told.pairs) == MOST_PAIRS
    whole = ProbeTruth(T0, pairs=pairs)
    assert told.offset_at(at(30)) == pytest.approx(whole.offset_at(at(30)), rel=1e-6)


def test_it_goes_to_the_store_and_comes_back() -> None:
    """The state survives JSON field for field."""
    form = TypeAdapter(ProbeTruth)
    told = taught(*(pair(day, 0.001) for day in range(MOST_PAIRS + 3)))
    assert form.validate_json(form.dump_json(told)) == told
    assert told.first is not None


# --- what is said ------------------------------------------------------------------------------------------------


def test_a_held_reading_raises_the_question_with_both_witnesses() -> None:
    """The finding names probe and hydrometer with their figures and asks for a second reading."""
    found = hand_finding("float-a", "amber-1", taught(pair(2, 0.0), pair(4, 0.010)).solve())
    assert found is not None
    assert found.active
    assert (found.alert, found.about) == ("probe-suspect", "probe:float-a")
    assert "float-a says 1.0200, your hydrometer says 1.0300" in found.message
    assert "second hydrometer reading" in found.do[0]


def test_a_drift_of_two_points_asks_for_maintenance_and_ends_when_readings_agree() -> None:
    """Drift is told with its size and direction, and returned when the probe was set right."""
    told = taught(pair(0, 0.0), pair(10, 0.003), pair(12, 0.0035))
    found = hand_finding("float-a", "amber-1", told.solve())
    assert found is not None
    assert found.active
    assert "low by your hydrometer" in found.message
    for day in (14, 15, 16, 17, 18, 19):
        told.take(pair(day, 0.0))
    found = hand_finding("float-a", "amber-1", told.solve())
    assert found is not None
    assert not found.active


def test_without_hand_readings_nothing_is_said() -> None:
    """Silence resolves nothing and raises nothing."""
    assert hand_finding("float-a", "amber-1", taught().solve()) is None


def test_readings_within_their_errors_are_no_drift() -> None:
    """In a thousand probes that do not drift, two honest readings raise less than two in a hundred."""
    chance, raised = random.Random(8), 0
    for _ in range(1000):
        first = chance.gauss(0, 0.0005)
        told = taught(*(pair(day, first + chance.gauss(0, 0.001)) for day in (5, 9)), first_sd=0.0005).solve()
        raised += told.drifted() is not None
    assert raised < 20


def test_what_was_summed_up_is_not_counted_again() -> None:
    """The engine tells all hand readings each hour: the one that was just summed up teaches nothing twice."""
    all_of_them = [pair(1 + each / 2, 0.001) for each in range(MOST_PAIRS + 3)]
    told = taught(*all_of_them)
    first = told.first
    for each in all_of_them * 20:
        told.take(each)
    assert told.first == first
    assert len(told.pairs) == MOST_PAIRS
