"""The recent past of a series in hours."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from monitor.model.clock import HOUR, MINUTE
from monitor.rules.track import CELLS, KEPT_HOURS, Track

START = 492_354  # hours since the epoch

# Sums of these are exact in any order.
VALUES = st.integers(-2048, 2048).map(lambda n: n / 1024)
READINGS = st.lists(st.tuples(st.integers(0, 6 * 60 - 1), VALUES), min_size=1, max_size=60)


def filled(readings: list[tuple[int, float]]) -> Track:
    """A track of readings at minutes after `START`."""
    track = Track()
    for minute, value in readings:
        track.add(START * HOUR + minute * MINUTE, value)
    return track


def points(track: Track, hours: int = 6) -> list[tuple[float, float]]:
    """All points of the first hours."""
    return track.points(START * HOUR, (START + hours) * HOUR)


@given(READINGS, st.randoms(use_true_random=False))
def test_the_order_of_arrival_changes_nothing(readings: list[tuple[int, float]], chance: object) -> None:
    """A backlog in any order gives the same hours as the same readings in time order."""
    shuffled = list(readings)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert points(filled(shuffled)) == points(filled(sorted(readings)))


def test_one_bubble_moves_a_cell_and_not_the_hour() -> None:
    """One wild reading among twelve cells leaves the hour's value where it was."""
    calm = [(minute, 1.010) for minute in range(0, 60, 5)]
    wild = [(minute, 1.090 if minute == 25 else value) for minute, value in calm]
    assert points(filled(wild)) == points(filled(calm)) == [(START + 0.5, 1.010)]


def test_an_hour_read_each_second_weighs_as_one_read_each_five_minutes() -> None:
    """Cells are means first, so a burst of readings in one cell counts once."""
    burst = [(0, 2.0)] * 50 + [(minute, 1.0) for minute in range(5, 60, 5)]
    assert points(filled(burst)) == [(START + 0.5, 1.0)]


def test_only_hours_that_lie_wholly_in_the_span_are_points() -> None:
    """The hour in which a span begins or ends is not whole and is left out."""
    track = filled([(minute, 1.0) for minute in range(0, 240, 5)])
    span = track.points(START * HOUR + 1, (START + 3) * HOUR + 59 * MINUTE)
    assert [x for x, _ in span] == [START + 1.5, START + 2.5]


def test_a_value_that_comes_late_changes_its_hour() -> None:
    """An hour that was read before a late value came is reckoned anew."""
    track = filled([(0, 1.0)])
    assert points(track) == [(START + 0.5, 1.0)]
    track.add(START * HOUR + 30 * MINUTE, 2.0)
    assert points(track) == [(START + 0.5, 1.5)]


@given(st.lists(st.tuples(st.integers(0, 300), st.integers(1, 60)), min_size=1, max_size=20))
def test_spoilt_spans_leave_out_each_hour_they_touch(spans: list[tuple[int, int]]) -> None:
    """However spans overlap, exactly the hours that one of them touches are passed over."""
    track = filled([(minute, 1.0) for minute in range(0, 360, 5)])
    for start, length in spans:
        track.spoil(START * HOUR + start * MINUTE, START * HOUR + (start + length) * MINUTE)
    kept = {
        hour
        for hour in range(6)
        if not any(start < (hour + 1) * 60 and hour * 60 < start + length for start, length in spans)
    }
    assert {round(x - 0.5) - START for x, _ in points(track)} == kept
    assert all(a[1] < b[0] for a, b in zip(track.bad, track.bad[1:], strict=False))


def test_old_hours_are_forgotten_and_named() -> None:
    """Hours older than ten days go, with spans that lie there, and the store is told which."""
    track = filled([(0, 1.0), (300, 1.0)])
    track.spoil(START * HOUR, START * HOUR + MINUTE)
    track.spoil((START + 5) * HOUR, (START + 6) * HOUR)
    assert track.prune((START + KEPT_HOURS + 2) * HOUR) == [START]
    assert list(track.hours) == [START + 5]
    assert track.bad == [((START + 5) * HOUR, (START + 6) * HOUR)]
    assert track.prune((START + KEPT_HOURS + 2) * HOUR) == []


def test_a_mean_needs_half_of_its_hours() -> None:
    """The mean of a span is not known from less than half of its hours."""
    track = filled([(0, 1.0), (60, 3.0)])
    assert track.mean(START * HOUR, (START + 4) * HOUR) == 2.0
    assert track.mean(START * HOUR, (START + 6) * HOUR) is None


def test_memory_does_not_grow_with_readings() -> None:
    """An hour holds twelve cells however many readings come."""
    track = filled([(minute % 60, 1.0) for minute in range(3000)])
    assert len(track.hours) == 1
    assert track.hours[START].filled() == CELLS == len(track.hours[START].n)
