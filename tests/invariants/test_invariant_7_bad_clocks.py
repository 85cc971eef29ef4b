"""Invariant 7: backlogs and bad clocks are normal; nothing is ever filed in 1970, and nothing from the future."""

from collections.abc import Iterator
from pathlib import Path
from random import Random

import pytest

from monitor.control import as_request, parse_request
from monitor.model.clock import DAY, EARLIEST_MS, HOUR, MINUTE, SECOND, KernelTimeTrust, ManualClock, iso
from monitor.model.errors import UsageError
from monitor.model.inputs import Added, ClockStep, HandReading, Message, ProbeMoved, Sample, Trouble
from monitor.store.reader import Reader

from .helpers import NOW, Cellar, alternates

BOOTED = 30 * SECOND  # since the machine started, on its monotonic clock
EPOCH = 12 * SECOND  # what the wall clock of a machine without a battery says then


class Trust:
    """Time is synchronised from when the test says so."""

    def __init__(self, *, synchronised: bool = False) -> None:
        self.synchronised = synchronised

    def trusted(self, wall_ms: int, floor_ms: int) -> bool:
        return self.synchronised and wall_ms >= EARLIEST_MS


@pytest.fixture
def trust() -> Trust:
    return Trust()


@pytest.fixture
def unset(tmp_path: Path, trust: Trust) -> Iterator[Cellar]:
    """A cellar on a board without a battery clock, just started: its wall clock says 1970."""
    cellar = Cellar(tmp_path, clock=ManualClock(EPOCH, BOOTED), trust=trust)
    cellar.start()
    yield cellar
    if cellar.running:
        cellar.kill()


def synchronise(cellar: Cellar, trust: Trust, to: int = NOW) -> None:
    """A time server is reached."""
    trust.synchronised = True
    cellar.clock.step_wall(to - cellar.clock.wall_ms())


def held(cellar: Cellar) -> int:
    return int(cellar.ask("SELECT count(*) FROM held")[0][0])


def measured(cellar: Cellar) -> list[tuple[str, float]]:
    return sorted((iso(each.measured_ms), each.value) for each in cellar.readings())


def reasons(cellar: Cellar) -> list[str]:
    with Reader(cellar.path) as reader:
        return [reason for *_, reason, _ in reader.unreadable()]


# --- the clock is not set ----------------------------------------------------------------------------------------


def test_until_the_clock_is_set_readings_are_held_in_the_store_and_acknowledged(unset: Cellar) -> None:
    """They are no readings yet, but they are committed with boot and monotonic time, and the broker is told so."""
    unset.say("float-a", {"gravity": 1.05, "temperature": 20.0}, receipt="a")
    unset.pass_time(MINUTE)
    assert (unset.readings(), unset.receipts) == ([], ["a"])
    assert unset.ask("SELECT boot, mono, probe, quantity, value FROM held ORDER BY quantity") == [
        ("boot-1", BOOTED, "float-a", "gravity", 1.05),
        ("boot-1", BOOTED, "float-a", "temperature", 20.0),
    ]
    assert unset.alerts("clock-unsure") == ["raised"]


def test_once_it_is_set_they_get_the_time_at_which_they_came(unset: Cellar, trust: Trust) -> None:
    """Counted back on the monotonic clock, to the millisecond, and the alert returns."""
    for value in (1.05, 1.04, 1.03):
        unset.say("float-a", {"gravity": value})
        unset.pass_time(7 * MINUTE)
    synchronise(unset, trust)
    unset.pass_time(MINUTE)
    assert measured(unset) == [
        ("2026-03-02T17:39:00.000Z", 1.05), ("2026-03-02T17:46:00.000Z", 1.04), ("2026-03-02T17:53:00.000Z", 1.03)
    ]  # fmt: skip
    assert (held(unset), unset.alerts("clock-unsure")) == (0, ["raised", "returned"])


def test_a_message_that_waits_while_the_clock_is_set_is_not_filed_in_1970(unset: Cellar, trust: Trust) -> None:
    """It arrived when the clock said 1970 and is committed when it says 2026: it gets its true time."""
    unset.pass_time(MINUTE)
    unset.say("float-a", {"gravity": 1.05})
    unset.clock.advance(SECOND)
    synchronise(unset, trust)
    unset.turn()
    unset.settle()
    assert measured(unset) == [("2026-03-02T17:59:59.000Z", 1.05)]


def test_what_a_killed_daemon_held_its_successor_releases(unset: Cellar, trust: Trust) -> None:
    """Killed before the clock was set, started after it: same boot, so the values still get their times."""
    unset.say("float-a", {"gravity": 1.05})
    unset.pass_time(MINUTE)
    unset.kill()
    unset.clock.advance(4 * MINUTE)
    synchronise(unset, trust)
    unset.start()
    unset.pass_time(MINUTE)
    assert measured(unset) == [("2026-03-02T17:55:00.000Z", 1.05)]
    assert held(unset) == 0
    assert unset.alerts("clock-unsure") == ["raised", "reminded", "returned"]  # by event time two months went by


def test_a_release_that_fails_is_done_later(unset: Cellar, trust: Trust) -> None:
    """The disk refuses the very commit in which the clock was found set: nothing held is forgotten."""
    unset.say("float-a", {"gravity": 1.05})
    unset.pass_time(MINUTE)
    synchronise(unset, trust)
    unset.store._connection.set_progress_handler(lambda: 1, 1)
    unset.turn()
    assert unset.writer.status.trouble is not None
    unset.store._connection.set_progress_handler(None, 1)
    unset.pass_time(2 * MINUTE)
    assert (held(unset), len(unset.readings()), unset.alerts("clock-unsure")) == (0, 1, ["raised", "returned"])
    assert [type(entry) for entry in unset.entries()].count(ClockStep) == 1


def test_of_an_earlier_boot_they_are_given_up_with_a_reason(unset: Cellar, trust: Trust) -> None:
    """Nobody knows any more when that was: not guessed, not in 1970, but shown among what could not be read."""
    unset.say("float-a", {"gravity": 1.05})
    unset.pass_time(MINUTE)
    unset.kill()
    unset.boot, unset.clock = "boot-2", ManualClock(EPOCH, BOOTED)
    unset.start()
    unset.say("float-a", {"gravity": 1.04})
    unset.pass_time(MINUTE)
    assert held(unset) == 2
    synchronise(unset, trust)
    unset.pass_time(MINUTE)
    assert measured(unset) == [("2026-03-02T17:59:00.000Z", 1.04)]
    assert ["its time is unknown" in reason for reason in reasons(unset)] == [True]
    assert held(unset) == 0


def test_a_time_of_its_own_is_kept_while_the_clock_is_not_set(unset: Cellar, trust: Trust) -> None:
    """Whether it lies in the future cannot be told yet: it is held, and filed under its own time once it can."""
    unset.say("float-a", {"gravity": 1.05}, at=NOW - 3 * HOUR)
    unset.say("float-a", {"gravity": 1.04}, at=NOW + 3 * DAY)
    unset.pass_time(MINUTE)
    assert (held(unset), unset.readings()) == (2, [])
    synchronise(unset, trust)
    unset.pass_time(MINUTE)
    assert measured(unset) == [("2026-03-02T15:00:00.000Z", 1.05)]
    assert ["in the future" in reason for reason in reasons(unset)] == [True]


def test_relative_times_are_counted_from_the_true_moment(unset: Cellar, trust: Trust) -> None:
    """A value of ten minutes ago, heard five minutes before the clock was set."""
    unset.say("float-a", {"gravity": 1.05}, ago=10 * MINUTE)
    unset.pass_time(5 * MINUTE)
    synchronise(unset, trust)
    unset.pass_time(MINUTE)
    assert measured(unset) == [("2026-03-02T17:45:00.000Z", 1.05)]


def test_held_values_are_redelivered_no_more_than_others(unset: Cellar, trust: Trust) -> None:
    """Two equal ones held in the same millisecond are two; neither is lost when they are released."""
    unset.say("float-a", {"gravity": 1.05})
    unset.say("float-a", {"gravity": 1.05})
    unset.pass_time(MINUTE)
    synchronise(unset, trust)
    unset.pass_time(MINUTE)
    assert measured(unset) == [("2026-03-02T17:59:00.000Z", 1.05), ("2026-03-02T17:59:00.001Z", 1.05)]


def test_nothing_is_received_in_1970_either(unset: Cellar, trust: Trust) -> None:
    """Event time never stands before the program was written, and rises strictly through the setting of the clock."""
    for _ in range(3):
        unset.say("float-a", {"gravity": 1.05})
        unset.pass_time(2 * MINUTE)
    synchronise(unset, trust)
    unset.pass_time(10 * MINUTE)
    with Reader(unset.path) as reader:
        received = [getattr(item, "received_ms", 0) or getattr(item, "received", 0) for item in reader.inputs()]
    assert min(received) >= EARLIEST_MS
    assert received == sorted(set(received))


def test_the_time_in_which_the_clock_was_not_set_raises_no_false_silence(unset: Cellar, trust: Trust) -> None:
    """From event time's start to now lie months that never were: no tick falls there, and no probe was silent."""
    unset.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    unset.pass_time(5 * MINUTE)
    synchronise(unset, trust)
    unset.pass_time(30 * MINUTE)
    assert unset.alerts("probe-silent") == []
    alternates(unset.events())


def test_a_command_on_a_machine_whose_clock_is_not_set_files_nothing_in_1970(unset: Cellar) -> None:
    """A hand reading, a move or an addition that would take the machine's time is refused in words."""
    when = unset.clock.wall_ms()
    reading = {"probe": "hand:bucket-a", "quantity": "hydrometer", "value": 1.05, "time": iso(when)}
    for request in (
        {"readings": [reading]},
        as_request([ProbeMoved(probe="float-a", to=None, at=when)]),
        as_request([Added(batch="amber-1", what="sugar", at=when)]),
        as_request([HandReading(vessel="bucket-a", hydrometer=1.05, temperature=None, calibrated=20, at=when)]),
    ):
        with pytest.raises(UsageError, match="clock"):
            parse_request(request, when)


def test_a_command_releases_nothing(unset: Cellar) -> None:
    """A command that writes in a dead daemon's place knows no better what time it is: what is held waits on."""
    unset.say("float-a", {"gravity": 1.05})
    unset.pass_time(MINUTE)
    unset.kill()
    unset.trust = None
    unset.start(by="command")
    unset.record(Added(batch="amber-1", what="sugar", at=NOW))
    assert (held(unset), unset.readings(), unset.alerts("clock-unsure")) == (1, [], ["raised"])


def test_a_value_filed_in_1970_by_any_way_is_refused(cellar: Cellar) -> None:
    """Even where a source hands over such a time it becomes no reading, and its reason is kept."""
    cellar.say("float-a", {"gravity": 1.05}, at=5 * DAY, receipt="a")
    cellar.settle()
    assert (cellar.readings(), cellar.receipts) == ([], ["a"])
    assert ["is not set" in reason for reason in reasons(cellar)] == [True]


# --- the clock is set, and steps ---------------------------------------------------------------------------------


@pytest.mark.parametrize("step", [3 * HOUR, -3 * HOUR, 400 * DAY, -40 * DAY, 2 * MINUTE, -2 * MINUTE])
def test_a_step_of_the_clock_is_written_down_once(cellar: Cellar, step: int) -> None:
    """Forwards or backwards, by minutes or months: one entry, strictly rising event time, and no false alarm."""
    for _ in range(4):
        cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
        cellar.pass_time(5 * MINUTE)
    cellar.clock.step_wall(step)
    for _ in range(4):
        cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
        cellar.pass_time(5 * MINUTE)
    steps = [entry for entry in cellar.entries() if isinstance(entry, ClockStep)]
    assert [abs(entry.by_ms - step) <= SECOND for entry in steps] == [True]
    assert cellar.alerts("probe-silent") == []
    assert len(cellar.values()) == 8


def test_a_step_found_in_a_commit_that_fails_is_not_forgotten(cellar: Cellar) -> None:
    """The disk refuses just then: the entry is written with the commit that succeeds, and the gap holds no tick."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(2 * MINUTE)
    cellar.clock.step_wall(6 * HOUR)
    cellar.store._connection.set_progress_handler(lambda: 1, 1)
    cellar.turn()
    cellar.store._connection.set_progress_handler(None, 1)
    cellar.pass_time(3 * MINUTE)
    steps = [entry.by_ms for entry in cellar.entries() if isinstance(entry, ClockStep)]
    assert (steps[0], cellar.alerts("probe-silent")) == (6 * HOUR, [])


def test_small_corrections_are_no_steps(cellar: Cellar) -> None:
    """A time server that pulls the clock by seconds is ordinary: no entry, no gap."""
    for step in (40 * SECOND, -50 * SECOND, 3 * SECOND, -1):
        cellar.say("float-a", {"gravity": 1.05})
        cellar.clock.step_wall(step)
        cellar.pass_time(10 * MINUTE)
    assert not any(isinstance(entry, ClockStep) for entry in cellar.entries())


def test_after_a_step_back_the_rules_go_on(cellar: Cellar) -> None:
    """They are neither blind until the wall has caught up, nor ahead for good: a probe that dies is still missed."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(MINUTE)
    cellar.clock.step_wall(-DAY)
    cellar.pass_time(MINUTE)
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(3 * HOUR)
    assert cellar.alerts("probe-silent") == ["raised"]


# --- backlogs ----------------------------------------------------------------------------------------------------


def test_a_backlog_of_three_days_in_any_order_is_filed_where_it_belongs(tmp_path: Path) -> None:
    """Seventy hours late and shuffled: what the rules know of the past is as if it had come in time."""
    points = [(NOW + number * 15 * MINUTE, round(1.06 - number / 10_000, 5)) for number in range(280)]
    tracks = []
    for shuffled in (False, True):
        (tmp_path / str(shuffled)).mkdir()
        cellar = Cellar(tmp_path / str(shuffled))
        cellar.start()
        late = list(points)
        if shuffled:
            cellar.clock.advance(280 * 15 * MINUTE)
            Random(1).shuffle(late)
        for at, value in late:
            cellar.clock.advance(max(0, at - cellar.clock.wall_ms()))
            cellar.say("float-a", {"gravity": value}, at=at)
            cellar.turn()
        cellar.settle()
        assert cellar.values() == [value for _, value in points]
        tracks.append(cellar.ledger.state.tracks["vessel:bucket-a|float-a|gravity"].points(NOW, NOW + 70 * HOUR))
        cellar.kill()
    in_time, late_ones = tracks
    assert [hour for hour, _ in in_time] == [hour for hour, _ in late_ones]
    assert max(abs(a - b) for (_, a), (_, b) in zip(in_time, late_ones, strict=True)) < 1e-12


def test_late_readings_rewrite_no_event(cellar: Cellar) -> None:
    """A backlog may change the next verdict; what was said before it stands as it was said."""
    for number in range(30):
        cellar.say("float-a", {"gravity": 1.06, "temperature": 20.0})
        cellar.pass_time(15 * MINUTE, 5 * MINUTE)
        assert number >= 0
    cellar.pass_time(20 * HOUR, 10 * MINUTE)
    before = cellar.events()
    assert len(before) >= 4
    for number in range(80):
        cellar.say("float-a", {"gravity": 1.06 - number / 5_000}, at=NOW + 8 * HOUR + number * 15 * MINUTE)
    cellar.settle()
    cellar.pass_time(3 * HOUR)
    assert cellar.events()[: len(before)] == before
    assert len(cellar.events()) > len(before)


@pytest.mark.parametrize(
    ("ahead", "taken"), [(4 * MINUTE, True), (6 * MINUTE, False), (DAY, False), (400 * DAY, False)]
)
def test_a_reading_from_the_future_is_refused_with_its_reason(cellar: Cellar, ahead: int, taken: bool) -> None:
    """A few minutes are a probe's clock; more is refused, acknowledged, and its reason is kept."""
    cellar.say("float-a", {"gravity": 1.05}, at=NOW + ahead, receipt="a")
    cellar.settle()
    assert (len(cellar.readings()), cellar.receipts) == (int(taken), ["a"])
    assert ["in the future" in reason and "clock" in reason for reason in reasons(cellar)] == [True] * (not taken)


def test_a_hand_reading_of_tomorrow_is_refused_in_words() -> None:
    """Whoever mistypes the date is told so at once, instead of finding nothing."""
    reading = {"probe": "hand:bucket-a", "quantity": "hydrometer", "value": 1.05, "time": iso(NOW + DAY)}
    with pytest.raises(UsageError, match="still to come"):
        parse_request({"readings": [reading]}, NOW)


def test_mixed_samples_of_one_message_each_take_their_own_way(unset: Cellar, trust: Trust) -> None:
    """One with its time and one without, held together, both filed where they belong."""
    unset.writer.submit(
        Message(
            "mqtt", "float-a", unset.clock.wall_ms(), unset.clock.mono_ms(),
            (Sample("gravity", 1.05, NOW - HOUR), Sample("temperature", 20.0)),
        )
    )  # fmt: skip
    unset.pass_time(MINUTE)
    synchronise(unset, trust)
    unset.pass_time(MINUTE)
    assert measured(unset) == [("2026-03-02T17:00:00.000Z", 1.05), ("2026-03-02T17:59:00.000Z", 20.0)]


def test_the_alert_about_the_clock_is_raised_once(unset: Cellar) -> None:
    """Restarted again and again while the clock is not set: one alert stands, not one a start."""
    for _ in range(3):
        unset.pass_time(2 * MINUTE)
        unset.kill()
        unset.start()
    unset.pass_time(2 * MINUTE)
    assert unset.alerts("clock-unsure") == ["raised"]
    assert [entry.active for entry in unset.entries() if isinstance(entry, Trouble)] == [True]


# --- whom to believe ---------------------------------------------------------------------------------------------


def test_a_clock_before_the_program_was_written_is_never_believed(tmp_path: Path) -> None:
    """Whatever battery clock or uptime say."""
    uptime = tmp_path / "uptime"
    uptime.write_text("999999.0 1.0", "ascii")
    trust = KernelTimeTrust(rtc=tmp_path, uptime=uptime)
    assert trust.trusted(EARLIEST_MS - 1, 0) is False
    assert trust.trusted(EARLIEST_MS + 1, 0) is True
