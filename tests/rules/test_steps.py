"""A jump that comes back is a bubble; one that holds is a step."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.rules.track import Steps

T0 = 1_772_474_400_000


def told(values: list[float], every: int = 10 * MINUTE, first: int = T0) -> tuple[Steps, list[tuple[bool, int | None]]]:
    """Judge values at equal distances."""
    steps = Steps()
    return steps, [steps.judge(first + i * every, value) for i, value in enumerate(values)]


@given(st.integers(1, 2), st.floats(0.025, 0.2), st.booleans())
def test_one_or_two_odd_readings_are_a_bubble(count: int, size: float, up: bool) -> None:
    """What jumps for one or two readings and comes back is not believed, and nothing has stepped."""
    odd = 1.050 + (size if up else -size)
    _, answers = told([1.050] * 5 + [odd] * count + [1.050] * 5)
    assert [believed for believed, _ in answers] == [True] * 5 + [False] * count + [True] * 5
    assert all(since is None for _, since in answers)


@given(st.floats(0.03, 0.15), st.booleans())
def test_three_readings_in_a_row_are_a_step_from_the_first_on(size: float, up: bool) -> None:
    """The third reading that holds a jump is believed, and the step dates from the first."""
    odd = 1.050 + (size if up else -size)
    steps, answers = told([1.050] * 5 + [odd] * 3)
    assert answers[-3:] == [(False, None), (False, None), (True, T0 + 50 * MINUTE)]
    assert steps.level == odd


def test_odd_readings_that_do_not_agree_are_no_step() -> None:
    """Three wild values on different levels prove nothing."""
    _, answers = told([1.050] * 3 + [1.10, 1.15, 0.98, 1.12])
    assert [believed for believed, _ in answers[3:]] == [False] * 4


def test_a_fall_during_a_silence_is_no_step() -> None:
    """After two days of silence a fall of 0.08 is what yeast can do."""
    steps, _ = told([1.080] * 5)
    assert steps.judge(T0 + 2 * DAY, 1.000) == (True, None)


def test_a_rise_during_a_silence_is_a_step() -> None:
    """No yeast raises gravity, however long nobody looked."""
    steps, _ = told([1.010] * 5)
    answers = [steps.judge(T0 + 2 * DAY + i * 10 * MINUTE, 1.040) for i in range(3)]
    assert answers[-1] == (True, T0 + 2 * DAY)


@given(st.floats(0.96, 1.2))
def test_a_late_reading_is_believed_and_moves_nothing(value: float) -> None:
    """What was measured before the level was set is filed, and does not disturb the level."""
    steps, _ = told([1.050] * 5)
    before = (steps.level, steps.level_ms)
    assert steps.judge(T0 - HOUR, value) == (True, None)
    assert (steps.level, steps.level_ms) == before


@given(st.lists(st.floats(1.049, 1.051), min_size=3, max_size=60), st.integers(1, 15))
def test_a_steady_probe_is_always_believed(values: list[float], minutes: int) -> None:
    """Noise far below a step never costs a reading, at any interval."""
    _, answers = told(values, minutes * MINUTE)
    assert answers == [(True, None)] * len(values)


def test_the_fastest_wash_is_always_believed() -> None:
    """A wash that falls 0.06 in a day is followed reading by reading, every quarter of an hour or every hour."""
    for every in (15 * MINUTE, HOUR):
        count = DAY // every
        _, answers = told([1.090 - 0.06 * i / count for i in range(count)], every)
        assert all(believed for believed, _ in answers)
