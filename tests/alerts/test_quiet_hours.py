from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.alerts.routes.quiet import QuietHours
from monitor.model.clock import DAY, HOUR, MINUTE, iso, parse_time

LISBON = ZoneInfo("Europe/Lisbon")
NIGHTS = QuietHours("22:30", "07:00", LISBON)


@pytest.mark.parametrize(
    ("now", "ends"),
    [
        ("2026-01-10T22:29:59Z", None),
        ("2026-01-10T22:30:00Z", "2026-01-11T07:00:00.000Z"),
        ("2026-01-11T00:00:00Z", "2026-01-11T07:00:00.000Z"),
        ("2026-01-11T06:59:59Z", "2026-01-11T07:00:00.000Z"),
        ("2026-01-11T07:00:00Z", None),
        ("2026-07-10T21:29:00Z", None),
        ("2026-07-10T21:30:00Z", "2026-07-11T06:00:00.000Z"),
    ],
)
def test_a_window_over_midnight_starts_and_ends_by_the_local_clock(now: str, ends: str | None) -> None:
    """22:30 to 07:00 in Lisbon is another UTC window in summer than in winter, and its end is not part of it."""
    until = NIGHTS.until(parse_time(now))
    assert (None if until is None else iso(until)) == ends


def test_the_night_clocks_go_forward_is_an_hour_shorter() -> None:
    """Lisbon skips 01:00 to 02:00 on 29 March 2026: quiet still ends at seven by the clock on the wall."""
    starts = parse_time("2026-03-28T22:30:00Z")
    assert NIGHTS.until(starts) == parse_time("2026-03-29T07:00:00+01:00")
    assert NIGHTS.until(starts) == starts + 7 * HOUR + 30 * MINUTE


def test_the_night_clocks_go_back_is_an_hour_longer() -> None:
    """Lisbon lives 01:00 to 02:00 twice on 25 October 2026: quiet ends at seven, an hour later than usual."""
    starts = parse_time("2026-10-24T22:30:00+01:00")
    assert NIGHTS.until(starts) == parse_time("2026-10-25T07:00:00Z")
    assert NIGHTS.until(starts) == starts + 9 * HOUR + 30 * MINUTE


def test_an_end_that_comes_twice_is_the_second_one() -> None:
    """Quiet until 01:30 is not broken between the first and the second 01:30 of that night."""
    quiet = QuietHours("23:00", "01:30", LISBON)
    second = parse_time("2026-10-25T01:30:00Z")
    for minute in range(5, 151, 5):
        assert quiet.until(second - minute * MINUTE) == second
    assert quiet.until(second) is None


def test_an_end_that_is_skipped_comes_as_much_later() -> None:
    """Quiet until 01:30, on the night that has no 01:30, ends at 02:30 summer time."""
    quiet = QuietHours("23:00", "01:30", LISBON)
    assert quiet.until(parse_time("2026-03-29T00:10:00Z")) == parse_time("2026-03-29T02:30:00+01:00")


def test_a_window_within_a_day_and_none_at_all() -> None:
    """A window at noon is one; equal times are no quiet, not a whole day of it."""
    noon = QuietHours("12:00", "13:00", LISBON)
    assert noon.until(parse_time("2026-01-10T12:30:00Z")) == parse_time("2026-01-10T13:00:00Z")
    assert noon.until(parse_time("2026-01-10T13:30:00Z")) is None
    assert QuietHours("12:00", "12:00", LISBON).until(parse_time("2026-01-10T12:00:00Z")) is None


@given(
    now=st.integers(parse_time("2020-01-01T00:00:00Z"), parse_time("2035-01-01T00:00:00Z")),
    start=st.integers(0, 1439), end=st.integers(0, 1439),
    zone=st.sampled_from(["Europe/Lisbon", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]),
)  # fmt: skip
def test_quiet_always_ends_within_a_long_day_and_lasts_until_then(now: int, start: int, end: int, zone: str) -> None:
    """At whatever moment and place, the end lies ahead, by less than a day and two hours, and it is quiet up to it."""
    quiet = QuietHours(f"{start // 60:02}:{start % 60:02}", f"{end // 60:02}:{end % 60:02}", ZoneInfo(zone))
    until = quiet.until(now)
    if until is not None:
        assert now < until < now + DAY + 2 * HOUR
        assert quiet.until(until - 1) is not None
