"""Probe truth: silent, stuck, moved, low on battery."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.status import Health
from monitor.rules import health
from monitor.rules.battery import battery
from monitor.rules.health import ProbeHealth, SeriesHealth, settle, silence, span_words
from monitor.rules.stuck import note_pair, stuck_since

T0 = 1_772_474_400_000


def hear(probe: ProbeHealth, quantity: str, measured_ms: int, value: float, received_ms: int | None = None) -> None:
    """A reading, as the engine hands it on."""
    series = probe.series.setdefault(quantity, SeriesHealth())
    note_pair(probe, quantity, series.value if series.run else None, value)
    series.take(measured_ms, received_ms if received_ms is not None else measured_ms, value)


def heard(every: int, count: int, values: Iterable[float] | None = None, quantity: str = "temperature") -> ProbeHealth:
    """A probe that has spoken `count` times."""
    probe = ProbeHealth()
    said = list(values) if values is not None else [20.0 + (i % 7) / 10 for i in range(count)]
    for i in range(count):
        hear(probe, quantity, T0 + i * every, said[i])
    return probe


# --- silence -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("every", "patience"), [(1, 60), (10, 60), (15, 60), (30, 90), (120, 360), (24 * 60, 24 * 60)])
def test_silence_is_three_intervals_an_hour_at_least_a_day_at_most(every: int, patience: int) -> None:
    """A probe is given three of its usual intervals, never less than an hour nor more than a day (minutes)."""
    probe = heard(every * MINUTE, 20)
    last = T0 + 19 * every * MINUTE
    assert silence(probe, last + patience * MINUTE - 1, 0) == []
    assert silence(probe, last + patience * MINUTE, 0) == [("temperature", last)]


def test_hours_that_nobody_watched_are_no_silence() -> None:
    """After an outage the patience starts anew, however long the machine was off."""
    probe = heard(10 * MINUTE, 20)
    back = T0 + 5 * DAY
    assert silence(probe, back + 59 * MINUTE, back) == []
    assert silence(probe, back + HOUR, back) == [("temperature", T0 + 190 * MINUTE)]


def test_a_probe_that_sends_old_readings_is_not_silent() -> None:
    """Silence is counted from when something came, not from when it was measured."""
    probe = heard(10 * MINUTE, 20)
    hear(probe, "temperature", T0 + 30 * MINUTE, 20.1, received_ms=T0 + DAY)
    assert silence(probe, T0 + DAY + 30 * MINUTE, 0) == []


def test_quantities_that_only_speak_when_they_move_are_not_missed() -> None:
    """A door contact or a battery that says nothing is not silent."""
    probe = ProbeHealth()
    for quantity in ("contact", "battery", "signal", "bubbles"):
        hear(probe, quantity, T0, 1.0)
    assert silence(probe, T0 + 30 * DAY, 0) == []


# --- stuck: the pair ---------------------------------------------------------------------------------------------


def pair(every: int, moving_h: float, stuck_h: float) -> int | None:
    """How long after it froze a pair was called stuck, ms; None if never."""
    probe = ProbeHealth()
    moving, count = round(moving_h * HOUR) // every, round((moving_h + stuck_h) * HOUR) // every
    for i in range(count):
        j = min(i, moving)
        hear(probe, "gravity", T0 + i * every, round(1.050 - 0.0001 * (j % 9), 4))
        hear(probe, "temperature", T0 + i * every, round(20 + 0.1 * (j % 7), 1))
        if stuck_since(probe) is not None:
            return (i - moving) * every
    return None


@pytest.mark.parametrize("minutes", [1, 2, 5, 10, 15])
def test_a_frozen_pair_is_told_within_three_hours(minutes: int) -> None:
    """At every usual interval a pair that froze after a day's watching is told within three hours."""
    told = pair(minutes * MINUTE, 30, 8)
    assert told is not None
    assert 2 * HOUR < told <= 3 * HOUR


@pytest.mark.parametrize("minutes", [1, 5, 15])
def test_a_pair_that_trembled_is_told_as_soon_on_its_first_day(minutes: int) -> None:
    """Four hours of trembling teach enough: a pair that freezes then is told within three hours."""
    told = pair(minutes * MINUTE, 4, 12)
    assert told is not None
    assert 2 * HOUR < told <= 3 * HOUR


@pytest.mark.parametrize(("minutes", "hours"), [(1, 3), (5, 4), (10, 7), (15, 10)])
def test_a_pair_that_never_moved_is_given_until_chance_is_ruled_out(minutes: int, hours: float) -> None:
    """Of a pair that repeats itself from its first message on nothing is known: it is given some forty readings."""
    told = pair(minutes * MINUTE, 0, 30)
    assert told is not None
    assert (hours - 1) * HOUR < told <= hours * HOUR


def test_a_probe_without_noise_is_given_a_day() -> None:
    """Where neither value ever goes to and fro, rest is what a plateau looks like: three hours of it say nothing."""
    probe = ProbeHealth()
    told = None
    for i in range(60 * 6):
        j = min(i, 30 * 6)
        hear(probe, "gravity", T0 + i * 10 * MINUTE, round(1.050 - 0.001 * (j // 8), 3))
        hear(probe, "temperature", T0 + i * 10 * MINUTE, round(20 + 0.1 * (j // 10), 1))
        if told is None and stuck_since(probe) is not None:
            told = (i - j) / 6
    assert told is not None
    assert 18 < told <= 24


def test_a_live_temperature_clears_a_gravity_that_rests() -> None:
    """A gravity that repeats for hours is no stuck probe while its temperature trembles."""
    probe = ProbeHealth()
    for i in range(6 * 12):
        hear(probe, "gravity", T0 + i * 10 * MINUTE, 1.010)
        hear(probe, "temperature", T0 + i * 10 * MINUTE, 20.0 + (i % 3) / 10)
        assert stuck_since(probe) is None


def test_a_run_that_ends_with_the_smallest_step_was_a_healthy_one() -> None:
    """A coarse probe in a still liquid is called stuck once; when it moves by its smallest step it has taught us."""
    probe = ProbeHealth()
    for i in range(400):  # two days, moving each half hour
        hear(probe, "gravity", T0 + i * 10 * MINUTE, round(1.010 + 0.001 * (i // 3 % 2), 3))
        hear(probe, "temperature", T0 + i * 10 * MINUTE, round(20 + 0.5 * (i // 3 % 2), 1))
    still = T0 + 400 * 10 * MINUTE
    gravity, warmth = probe.series["gravity"].value, probe.series["temperature"].value
    called = None
    for i in range(40):  # 400 min without a move
        hear(probe, "gravity", still + i * 10 * MINUTE, gravity)
        hear(probe, "temperature", still + i * 10 * MINUTE, warmth)
        called = called or stuck_since(probe)
    assert called is not None
    probe.stuck_since_ms = called
    hear(probe, "temperature", still + 400 * MINUTE, round(warmth - 0.5, 1))
    hear(probe, "gravity", still + 400 * MINUTE, round(gravity - 0.001, 3))
    assert probe.longest_pair_ms >= 400 * MINUTE
    probe.stuck_since_ms = None
    for i in range(1, 40):  # as long again is no alarm now
        hear(probe, "gravity", still + (400 + 10 * i) * MINUTE, round(gravity - 0.001, 3))
        hear(probe, "temperature", still + (400 + 10 * i) * MINUTE, round(warmth - 0.5, 1))
        assert stuck_since(probe) is None


def test_a_stuck_probe_that_comes_back_with_a_leap_teaches_nothing() -> None:
    """A pair that was frozen while the wash went on is no healthy run."""
    probe = ProbeHealth()
    for i in range(200):
        hear(probe, "gravity", T0 + i * 10 * MINUTE, round(1.050 - 0.001 * (i % 2), 3))
        hear(probe, "temperature", T0 + i * 10 * MINUTE, round(20 + 0.1 * (i % 3), 1))
    before = probe.longest_pair_ms
    for i in range(200, 240):
        hear(probe, "gravity", T0 + i * 10 * MINUTE, 1.049)
        hear(probe, "temperature", T0 + i * 10 * MINUTE, 20.1)
    probe.stuck_since_ms = stuck_since(probe)
    hear(probe, "gravity", T0 + 2400 * MINUTE, 1.031)
    assert probe.longest_pair_ms == before


# --- stuck: one value alone --------------------------------------------------------------------------------------


def alone(resting: int, every: int = 10 * MINUTE, quantity: str = "gravity") -> float | None:
    """Hours until a gravity that used to rest for `resting` readings is called stuck while its temperature lives."""
    probe = ProbeHealth()
    for i in range(3 * DAY // every):
        hear(probe, quantity, T0 + i * every, round(1.050 - 0.001 * (i // resting % 2), 4))
        hear(probe, "temperature", T0 + i * every, 20.0 + (i % 7) / 10)
    frozen = T0 + 3 * DAY
    for i in range(5 * DAY // every):
        hear(probe, quantity, frozen + i * every, 1.0321)
        hear(probe, "temperature", frozen + i * every, 20.0 + (i % 7) / 10)
        if stuck_since(probe) is not None:
            return i * every / HOUR
    return None


@pytest.mark.parametrize("quantity", ["gravity", "float_angle", "extract"])
def test_a_fine_gravity_that_froze_alone_is_told_in_seven_hours(quantity: str) -> None:
    """A gravity that never rested for half an hour and now rests for six is stuck, whatever its temperature does."""
    told = alone(2, quantity=quantity)
    assert told is not None
    assert 6 <= told <= 7


def test_a_coarse_gravity_is_given_three_of_its_longest_rests() -> None:
    """One that used to rest for eight hours is given a day."""
    told = alone(48)
    assert told is not None
    assert 23 <= told <= 25


@pytest.mark.parametrize(("moves", "hours"), [(6, 18), (0, 36)])
def test_a_young_gravity_alone_is_given_eighteen_hours_and_one_that_never_moved_more(moves: int, hours: int) -> None:
    """A gravity that trembled in its first hour is stuck after 18 h of rest; one that never moved may be coarse."""
    probe, told = ProbeHealth(), None
    for i in range(40 * 6):
        hear(probe, "gravity", T0 + i * 10 * MINUTE, round(1.050 + 0.0001 * (min(i, moves) % 2), 4))
        hear(probe, "temperature", T0 + i * 10 * MINUTE, 20.0 + (i % 7) / 10)
        if told is None and stuck_since(probe) is not None:
            told = (i - moves) / 6
    assert told == hours


def test_a_thermometer_without_a_gravity_beside_it_is_watched_alone() -> None:
    """A thermometer that repeats one value for most of a day is stuck."""
    probe = heard(10 * MINUTE, 6 * 19, [20.0] * (6 * 19))
    assert stuck_since(probe) == T0


# --- moved -------------------------------------------------------------------------------------------------------


def test_a_moved_probe_is_in_function_check_until_three_readings_agree() -> None:
    """Readings of a probe carried elsewhere count from the third in a row that agrees."""
    probe = heard(10 * MINUTE, 3, [1.010] * 3, "gravity")
    probe.moved_ms = T0 + HOUR
    assert probe.status()[0] is Health.FUNCTION_CHECK
    assert not probe.trusted()
    assert [settle(probe, "gravity", value) for value in (1.16, 1.020, 1.021, 1.0205)] == [False] * 3 + [True]
    assert probe.status()[0] is Health.GOOD


def test_temperature_does_not_settle_a_probe_that_tells_gravity() -> None:
    """A steady thermometer says nothing of a float that still bobs."""
    probe = heard(10 * MINUTE, 3, [1.010] * 3, "gravity")
    probe.moved_ms = T0 + HOUR
    assert not any(settle(probe, "temperature", 20.0) for _ in range(5))


def test_failure_comes_before_function_check() -> None:
    """The worst status is the one that is told."""
    probe = ProbeHealth(moved_ms=T0, silent=True)
    assert probe.status() == (Health.FAILURE, "silent")
    probe.stuck_since_ms = T0
    assert probe.status()[1].startswith("stuck")
    assert ProbeHealth().trusted()


# --- battery -----------------------------------------------------------------------------------------------------


def test_a_battery_that_fell_by_a_sixth_is_told_and_a_new_one_ends_it() -> None:
    """Three low readings raise it; the fresh battery's first reading returns it."""
    probe, said = ProbeHealth(), []
    volts = [4.1] * 24 + [3.9] * 24 + [3.4] * 4 + [4.2]
    for i, value in enumerate(volts):
        said.append(battery("float-a", probe.battery, T0 + i * HOUR, value))
    states = [each.active if each else None for each in said]
    assert states[:48] == [False] * 48
    assert states[48:] == [None, None, True, True, False]
    low = said[50]
    assert low is not None
    assert "3.40 V" in low.message
    assert "4.10 V" in low.message
    assert low.do


def test_one_low_reading_is_no_low_battery() -> None:
    """A sag while the radio sends does not count."""
    probe = ProbeHealth()
    said = [battery("float-a", probe.battery, T0 + i * HOUR, 3.2 if i % 2 else 4.1) for i in range(60)]
    assert not any(each is not None and each.active for each in said)


@given(st.lists(st.floats(4.0, 4.2), min_size=1, max_size=80))
def test_a_steady_battery_says_nothing_bad(volts: list[float]) -> None:
    """A battery within five per cent is good for ever."""
    probe = ProbeHealth()
    for i, value in enumerate(volts):
        found = battery("float-a", probe.battery, T0 + i * HOUR, value)
        assert found is None or not found.active


# --- words -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ms", "words"), [(0, "0 min"), (119 * MINUTE, "119 min"), (3 * HOUR, "3 h"), (47 * HOUR, "47 h"),
                      (48 * HOUR, "2.0 days"), (10 * DAY, "10.0 days")]
)  # fmt: skip
def test_spans_are_said_as_people_say_them(ms: int, words: str) -> None:
    """Minutes up to two hours, hours up to two days, then days."""
    assert span_words(ms) == words


def test_what_is_told_of_a_silent_probe_has_figures_and_a_next_step() -> None:
    """The message says what is missing and for how long, and whether the rest still comes."""
    found = health.silent_finding("float-a", [("gravity", T0)], 1, T0 + 3 * HOUR, T0)
    assert found.message.startswith("Probe float-a has sent no gravity for 3 h.")
    assert found.because[1] == "its other values still come"
    assert "battery" in found.do[0]
