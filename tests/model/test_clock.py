"""Time as a parameter: text and milliseconds, clocks of one form, event time, and whether to believe a clock."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model import clock as module
from monitor.model.clock import (
    DAY,
    EARLIEST_MS,
    HOUR,
    MINUTE,
    AlwaysTrusted,
    EventClock,
    KernelTimeTrust,
    ManualClock,
    SystemClock,
    iso,
    kernel_synchronised,
    ms_of,
    parse_time,
)

NOW = parse_time("2026-03-02T18:00:00Z")
MOMENTS = st.integers(parse_time("1900-01-01T00:00:00Z"), parse_time("2200-01-01T00:00:00Z"))


@given(MOMENTS)
def test_text_and_milliseconds_are_the_same_time(ms: int) -> None:
    """What is written is read back to the millisecond, before 1970 too."""
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", iso(ms))
    assert parse_time(iso(ms)) == ms


@given(MOMENTS, st.integers(-14 * 60, 14 * 60))
def test_an_offset_moves_the_hands_and_not_the_time(ms: int, minutes: int) -> None:
    """The same moment written in any zone is the same moment."""
    sign, (hours, rest) = ("-" if minutes < 0 else "+"), divmod(abs(minutes), 60)
    local = iso(ms + minutes * MINUTE).removesuffix("Z")

    assert parse_time(f"{local}{sign}{hours:02d}:{rest:02d}") == ms


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("2026-03-02T18:00:00z", "2026-03-02T18:00:00.000Z"),
        ("2026-03-02 18:00:00Z", "2026-03-02T18:00:00.000Z"),
        ("2026-03-02t18:00:00.5+01:00", "2026-03-02T17:00:00.500Z"),
        ("2026-03-02T18:00:00.1239Z", "2026-03-02T18:00:00.123Z"),
        ("2024-02-29T23:59:59-00:30", "2024-03-01T00:29:59.000Z"),
    ],
)
def test_every_form_of_the_standard_is_read(text: str, meant: str) -> None:
    """RFC 3339 in small letters, with a blank, with parts of a second (cut to milliseconds), with any offset."""
    assert iso(parse_time(text)) == meant


@pytest.mark.parametrize(
    "text",
    [
        "", "now", "2026-03-02", "2026-03-02T18:00:00", "2026-03-02T18:00Z", "2026-02-30T18:00:00Z",
        "2026-03-02T25:00:00Z", "2026-03-02T18:00:00+1", "2026-03-02T18:00:00+25:00", "20260302T180000Z",
        "2026-03-02T18:00:00Zx", "٢٠٢٦-03-02T18:00:00Z",
    ],
)  # fmt: skip
def test_what_is_no_time_with_offset_is_refused(text: str) -> None:
    """A date alone, a time without offset, days that are not in the calendar: ValueError, never a guess."""
    with pytest.raises(ValueError, match=r"."):
        parse_time(text)


@given(st.datetimes(min_value=datetime(1900, 1, 1), max_value=datetime(2200, 1, 1)))  # noqa: DTZ001
def test_a_datetime_is_exact(naive: datetime) -> None:
    """No rounding through floats: whole milliseconds, cut. A datetime without zone is refused."""
    aware = naive.replace(tzinfo=UTC)

    assert datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms_of(aware)) == aware.replace(
        microsecond=aware.microsecond // 1000 * 1000
    )
    with pytest.raises(ValueError, match="offset"):
        ms_of(naive)


# --- clocks ------------------------------------------------------------------------------------------------------


def test_the_machines_clock_moves_by_itself() -> None:
    """Wall and monotonic time in milliseconds, and a span of it is as long in reality."""
    clock = SystemClock()

    assert abs(clock.wall_ms() - datetime.now(UTC).timestamp() * 1000) < 1_000
    assert 0 <= SystemClock().mono_ms() - clock.mono_ms() < 1_000
    assert clock.real_seconds(1_500) == 1.5
    assert clock.real_seconds(-5) == 0.0
    clock.on_advance(lambda: pytest.fail("nobody moves the machine's clock"))


def test_a_clock_moved_by_hand_stands_until_it_is_moved() -> None:
    """It wakes those who wait for it, and its wall can be stepped alone as a time server does."""
    clock, woken = ManualClock(NOW, 7), []
    clock.on_advance(lambda: woken.append(clock.wall_ms()))

    assert (clock.wall_ms(), clock.mono_ms()) == (NOW, 7)
    clock.advance(MINUTE)
    assert (clock.wall_ms(), clock.mono_ms()) == (NOW + MINUTE, 7 + MINUTE)
    clock.step_wall(-HOUR)
    assert (clock.wall_ms(), clock.mono_ms()) == (NOW + MINUTE - HOUR, 7 + MINUTE)
    assert woken == [NOW + MINUTE, NOW + MINUTE - HOUR]
    assert 0 < clock.real_seconds(DAY) < 1


# --- event time --------------------------------------------------------------------------------------------------


def test_event_time_only_goes_forward() -> None:
    """Each stamp is later than the one before, also within one millisecond of the wall."""
    clock = ManualClock(NOW)
    events = EventClock(clock, 0)

    assert [events.stamp() for _ in range(3)] == [NOW, NOW + 1, NOW + 2]
    clock.advance(10)
    assert events.stamp() == NOW + 10


def test_a_step_forward_is_followed() -> None:
    """When the wall is set ahead, event time goes with it at once."""
    clock = ManualClock(NOW)
    events = EventClock(clock, 0)
    events.stamp()
    clock.step_wall(DAY)

    assert events.stamp() == NOW + DAY
    assert events.behind_ms() == 0


def test_after_a_step_back_it_goes_on_at_half_pace_until_the_wall_has_caught_up() -> None:
    """Neither blind for an hour nor ahead for ever: half an hour of events in the hour that the wall goes twice."""
    clock = ManualClock(NOW)
    events = EventClock(clock, 0)
    first = events.stamp()
    clock.step_wall(-HOUR)
    assert events.behind_ms() == HOUR
    stamps = []
    for _ in range(130):
        clock.advance(MINUTE)
        stamps.append(events.stamp())

    assert stamps[59] == first + HOUR // 2
    assert stamps[119] == clock.wall_ms() - 10 * MINUTE, "caught up after two hours"
    assert stamps[129] == clock.wall_ms()


@given(st.lists(st.tuples(st.sampled_from(["pass", "step", "stamp"]), st.integers(-2 * DAY, 2 * DAY)), max_size=30))
def test_no_stamp_is_ever_before_another(deeds: list[tuple[str, int]]) -> None:
    """Whatever the wall does, stamps rise, and event time is never behind a wall that runs on."""
    clock = ManualClock(NOW)
    events = EventClock(clock, 0)
    last = events.stamp()
    for what, ms in deeds:
        if what == "pass":
            clock.advance(abs(ms))
        elif what == "step":
            clock.step_wall(ms)
        else:
            stamp = events.stamp()
            assert stamp > last
            last = stamp
        assert events.peek() >= min(clock.wall_ms(), events.last_ms)


def test_it_goes_on_from_what_the_store_knows() -> None:
    """A start with a wall behind the store's last input does not stamp before it."""
    events = EventClock(ManualClock(NOW - DAY), NOW)

    assert events.stamp() == NOW + 1
    assert events.behind_ms() == DAY + 1


# --- whether to believe the wall ---------------------------------------------------------------------------------


def trust(tmp_path: Path, *, rtc: bool, up_s: float | str) -> KernelTimeTrust:
    clock, uptime = tmp_path / "rtc0", tmp_path / "uptime"
    if rtc:
        clock.touch()
    uptime.write_text(f"{up_s} 12.0\n", encoding="ascii")
    return KernelTimeTrust(rtc=clock, uptime=uptime, patience_s=900.0)


def test_a_machine_with_a_battery_clock_is_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It need not wait for a time server, unless its wall says what cannot be."""
    monkeypatch.setattr(module, "kernel_synchronised", lambda: False)
    believed = trust(tmp_path, rtc=True, up_s=3.0)

    assert believed.trusted(NOW, 0)
    assert not believed.trusted(0, 0), "1970"
    assert not believed.trusted(EARLIEST_MS - 1, 0), "older than the program"
    assert not believed.trusted(NOW, NOW + HOUR), "before what the store already holds"
    assert believed.trusted(NOW, NOW + 4 * MINUTE), "a little behind is a clock that was set"


def test_a_board_without_one_waits_for_a_time_server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the kernel says that one has set the clock, or a quarter of an hour has passed in vain."""
    monkeypatch.setattr(module, "kernel_synchronised", lambda: False)
    assert not trust(tmp_path, rtc=False, up_s=3.0).trusted(NOW, 0)
    assert trust(tmp_path, rtc=False, up_s=901.0).trusted(NOW, 0)
    assert trust(tmp_path, rtc=False, up_s="garbage").trusted(NOW, 0), (
        "no such file on this system: nothing to wait for"
    )

    monkeypatch.setattr(module, "kernel_synchronised", lambda: True)
    assert trust(tmp_path, rtc=False, up_s=3.0).trusted(NOW, 0)


def test_the_kernel_can_be_asked() -> None:
    """The question itself works on this machine, whatever the answer."""
    assert kernel_synchronised() in (True, False)
    assert AlwaysTrusted().trusted(0, NOW)
