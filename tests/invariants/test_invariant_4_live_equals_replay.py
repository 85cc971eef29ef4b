"""Invariant 4: what was said live is said again, field for field, by a replay of the export."""

import itertools
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.engine.step import due_ticks
from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, MINUTE, SECOND, iso, parse_time
from monitor.model.inputs import Acknowledged, ClockStep, Input, ProbeMoved, Reading, Started, Tick
from monitor.store.store import Store

from .helpers import NOW, Cellar, Item, alternates, at_of, of_the_cellar
from .life import Life

SEEDS = (7, 11)


@pytest.fixture(scope="session", params=SEEDS)
def a_life(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Life]:
    """A life of its own chance, still running."""
    life = Life(Cellar(tmp_path_factory.mktemp("a-life")), seed=request.param)
    life.run()
    yield life
    life.cellar.kill()


def events_of(inputs: Iterable[Item], sizes: Iterable[int]) -> list[dict[str, Any]]:
    """The events of some inputs, in commits of these sizes."""
    told: list[dict[str, Any]] = []
    waiting = iter(inputs)
    with Store.private() as store:
        ledger = Ledger(store, strict=True)
        for size in sizes:
            group = list(itertools.islice(waiting, size))
            if not group:
                return told
            with ledger.commit() as out:
                for item in group:
                    ledger.put(item)
            told += [event.record() for event in out.events]
    raise AssertionError("too few commits")


# --- a whole life ------------------------------------------------------------------------------------------------


def test_all_that_may_happen_did(a_life: Life) -> None:
    """Kills, outages, backlogs, redeliveries, steps and people: a life without them would prove nothing."""
    cellar = a_life.cellar
    assert {
        "kill", "kill long", "kill in the middle", "stop", "backlog", "undo", "step forward", "step back", "suspend",
        "unsure", "move", "move out", "stage", "settings", "command", "addition", "close", "answer an alert",
        "undo deed", "split", "rack", "merge",
    } <= set(a_life.happened)  # fmt: skip
    kinds = {entry.kind for entry in cellar.entries()}
    assert {"started", "stopped", "clock-step", "acknowledged", "shelved", "trouble", "configuration"} <= kinds
    late = [each.received_ms - each.measured_ms for each in cellar.readings() if each.probe == "float-a"]
    assert 24 * HOUR < max(late) < 72 * HOUR
    assert cellar.counters()["redelivered"] > 20
    assert cellar.counters()["duplicates"] > 5
    assert len({event.get("alert") for event in cellar.events()}) >= 8
    verdicts = {event["verdict"] for event in cellar.events() if event["event"] == "verdict"}
    assert {"waiting", "working", "slowing", "unknown"} <= verdicts


def test_the_replay_of_an_export_says_what_was_said_live(a_life: Life, tmp_path: Path) -> None:
    """Twelve days with dozens of kills: the events are the same, field for field and in the same order."""
    end = a_life.cellar.export(tmp_path / "life.csv")
    live = [event for event in a_life.cellar.events() if parse_time(event["time"]) <= end]
    again = a_life.cellar.replayed(tmp_path / "life.csv")
    assert len(live) > 150
    assert of_the_cellar(again) == of_the_cellar(live)
    alternates(live)


def test_a_second_export_replays_as_the_first(a_life: Life, tmp_path: Path) -> None:
    """Replaying touches nothing: exported again, the same file comes out but for the entry of the export itself."""
    a_life.cellar.export(tmp_path / "one.csv")
    first = a_life.cellar.replayed(tmp_path / "one.csv")
    a_life.cellar.export(tmp_path / "two.csv")
    assert (tmp_path / "one.csv").read_bytes() == (tmp_path / "two.csv").read_bytes()
    assert a_life.cellar.replayed(tmp_path / "two.csv") == first


@settings(
    max_examples=8, deadline=None, database=None, phases=[Phase.generate],
    suppress_health_check=[HealthCheck.too_slow],
)  # fmt: skip
@given(sizes=st.lists(st.integers(1, 400), min_size=1, max_size=6), seed=st.integers(0, 10_000))
def test_nothing_depends_on_where_a_commit_ends(lived: list[Item], sizes: list[int], seed: int) -> None:
    """Late readings, ticks and people in commits of one to four hundred inputs: the same events in the same order."""
    inputs = [item for item in lived if at_of(item) < NOW + 6 * DAY]
    chance = Random(seed)
    assert events_of(inputs, (chance.choice(sizes) for _ in itertools.count())) == whole(inputs)


_WHOLE: dict[int, list[dict[str, Any]]] = {}


def whole(inputs: list[Item]) -> list[dict[str, Any]]:
    """The events of the inputs in one single commit."""
    if len(inputs) not in _WHOLE:
        _WHOLE[len(inputs)] = events_of(inputs, (len(inputs), 1))
    return _WHOLE[len(inputs)]


# --- order and time ----------------------------------------------------------------------------------------------


def test_received_rises_strictly_whatever_the_clock_does(a_life: Life) -> None:
    """Over all inputs of all kinds, through every step of the clock, and it is exported to the millisecond."""
    received = [at_of(item) for item in [*a_life.cellar.readings(), *a_life.cellar.entries()]]
    assert len(received) == len(set(received))
    with a_life.cellar.reader() as reader:
        in_order = [at_of(item) for item in reader.inputs()]
    assert in_order == sorted(received)


def spy(cellar: Cellar, see: Callable[[Input, int], None]) -> None:
    """Look at each step of the engine as it is made."""
    step = cellar.ledger._step

    def seen(item: Input, now_ms: int) -> int:
        see(item, now_ms)
        return step(item, now_ms)

    cellar.ledger._step = seen  # type: ignore[method-assign]


def test_ticks_fall_on_whole_minutes_before_what_is_received_at_or_after_them(cellar: Cellar) -> None:
    """At 18:05:00.000 the tick comes first, then the reading received in that very millisecond."""
    order: list[tuple[str, int]] = []
    put = cellar.ledger.put
    spy(cellar, lambda item, now: order.append((type(item).__name__, now)))
    cellar.pass_time(4 * MINUTE + 30 * SECOND, 30 * SECOND)
    order.clear()
    with cellar.ledger.commit():
        put(Reading("float-a", "gravity", NOW, 1.05, NOW + 5 * MINUTE))
        put(Reading("float-a", "gravity", NOW + 1, 1.05, NOW + 5 * MINUTE + 1))
        put(Reading("float-a", "gravity", NOW + 2, 1.05, NOW + 7 * MINUTE - 1))
    assert [(kind, at - NOW) for kind, at in order] == [
        ("Tick", 5 * MINUTE), ("Reading", 5 * MINUTE), ("Reading", 5 * MINUTE + 1),
        ("Tick", 6 * MINUTE), ("Reading", 7 * MINUTE - 1),
    ]  # fmt: skip


def test_a_duplicate_moves_ticks_no_further_than_replay_sees(cellar: Cellar, tmp_path: Path) -> None:
    """Absorbed messages leave no input, and yet time went by: ticks and events stay those of the replay."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0}, at=NOW)
    cellar.pass_time(MINUTE)
    for _ in range(150):
        cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0}, at=NOW)
        cellar.pass_time(MINUTE)
    cellar.export(tmp_path / "x.csv")
    assert cellar.alerts("probe-silent") == ["raised"]
    assert of_the_cellar(cellar.replayed(tmp_path / "x.csv")) == of_the_cellar(cellar.events())


@pytest.mark.parametrize("away", [10 * SECOND, 59 * SECOND, 61 * SECOND, 11 * MINUTE, 9 * HOUR, 40 * DAY])
@pytest.mark.parametrize("hard", [True, False])
def test_no_tick_falls_while_nobody_watched(cellar: Cellar, tmp_path: Path, away: int, hard: bool) -> None:
    """Killed or stopped, for seconds or weeks: the gap holds no tick, is no silence, and replays the same."""
    for _ in range(10):
        cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
        cellar.pass_time(5 * MINUTE)
    until = cellar.ledger.state.clock.last_ms
    (cellar.kill if hard else cellar.stop)()
    cellar.clock.advance(away)
    cellar.start()
    again = [entry for entry in cellar.entries() if isinstance(entry, Started)][-1]
    assert again.watched_until is not None
    assert again.watched_until >= until
    times = [parse_time(event["time"]) for event in of_the_cellar(cellar.events())]
    assert not [at for at in times if again.watched_until < at < again.received]
    cellar.pass_time(50 * MINUTE)
    assert cellar.alerts("probe-silent") == []
    cellar.pass_time(30 * MINUTE)
    assert cellar.alerts("probe-silent") == ["raised"]
    cellar.export(tmp_path / "x.csv")
    assert of_the_cellar(cellar.replayed(tmp_path / "x.csv")) == of_the_cellar(cellar.events())


def test_the_last_moments_before_a_kill_are_replayed_as_they_were_lived(cellar: Cellar, tmp_path: Path) -> None:
    """An alert raised by a tick that is the last thing before a kill is in the replay too."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(61 * MINUTE)
    assert cellar.alerts("probe-silent") == ["raised"]
    cellar.kill()
    cellar.clock.advance(2 * DAY)
    cellar.start()
    cellar.export(tmp_path / "x.csv")
    assert of_the_cellar(cellar.replayed(tmp_path / "x.csv")) == of_the_cellar(cellar.events())


def test_ticks_go_on_to_the_export_and_no_further(cellar: Cellar, tmp_path: Path) -> None:
    """What only time brings, up to the minute of the export, is in the replay; what comes after is not."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(75 * MINUTE)
    cellar.export(tmp_path / "x.csv")
    cellar.pass_time(2 * DAY, HOUR)
    again = cellar.replayed(tmp_path / "x.csv")
    end = max(parse_time(event["time"]) for event in again)
    assert any(event.get("alert") == "probe-silent" for event in again)
    assert end <= NOW + 76 * MINUTE
    assert of_the_cellar(again) == of_the_cellar(cellar.events())[: len(of_the_cellar(again))]


def test_a_minute_is_ticked_once(cellar: Cellar) -> None:
    """However often the writer looks up within a minute, and over a step back, no minute comes twice."""
    ticks: list[int] = []
    spy(cellar, lambda item, now: ticks.append(now) if isinstance(item, Tick) else None)
    cellar.pass_time(5 * MINUTE, 7 * SECOND)
    cellar.clock.step_wall(-3 * HOUR)
    cellar.pass_time(20 * MINUTE, 7 * SECOND)
    assert len(ticks) > 10
    assert ticks == sorted(set(ticks))
    assert all(tick % MINUTE == 0 for tick in ticks)
    assert list(due_ticks(cellar.ledger.state, ticks[-1])) == []


def test_a_long_trouble_of_the_disk_is_an_outage_and_replays_as_one(cellar: Cellar, tmp_path: Path) -> None:
    """While nothing could be written no rule ran: probes that spoke meanwhile are not called silent, live or later."""
    for _ in range(6):
        cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
        cellar.pass_time(10 * MINUTE)
    cellar.store._connection.set_progress_handler(lambda: 1, 1)
    for _ in range(18):
        cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0}, receipt="late")
        cellar.pass_time(10 * MINUTE)
    assert cellar.receipts == []
    cellar.store._connection.set_progress_handler(None, 1)
    cellar.pass_time(10 * MINUTE)
    assert (len(cellar.receipts), len(cellar.values())) == (18, 24)
    assert cellar.alerts("probe-silent") == []
    assert [entry.by_ms for entry in cellar.entries() if isinstance(entry, ClockStep)] == [0]
    cellar.export(tmp_path / "x.csv")
    assert of_the_cellar(cellar.replayed(tmp_path / "x.csv")) == of_the_cellar(cellar.events())
    assert cellar.alerts("store-trouble") == ["raised", "returned"]


# --- what people do ----------------------------------------------------------------------------------------------


def test_people_and_readings_of_one_instant_keep_their_order(cellar: Cellar, tmp_path: Path) -> None:
    """An acknowledgement and a move in the midst of a commit full of readings replay where they stood."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(2 * HOUR)
    (alert,) = cellar.ledger.state.book.standing.values()
    for number in range(5):
        cellar.say("float-a", {"gravity": 1.05 - number / 1000, "temperature": 20.0})
    cellar.writer.record(Acknowledged(id=alert.id))
    cellar.writer.record(ProbeMoved(probe="float-a", to="vessel:bucket-b", at=cellar.clock.wall_ms()))
    for number in range(5):
        cellar.say("float-a", {"gravity": 1.04 - number / 1000, "temperature": 20.0})
    cellar.settle()
    cellar.pass_time(3 * HOUR)
    cellar.export(tmp_path / "x.csv")
    assert of_the_cellar(cellar.replayed(tmp_path / "x.csv")) == of_the_cellar(cellar.events())


def test_two_decisions_in_one_millisecond_keep_ids_apart(life: Life) -> None:
    """An id ties a raise to its return: no two alerts of a life share one."""
    raised = [event["id"] for event in life.cellar.events() if event.get("change") == "raised"]
    assert len(raised) == len(set(raised)) > 10


def test_values_and_times_come_back_to_the_last_bit(cellar: Cellar, tmp_path: Path) -> None:
    """What a probe said to sixteen digits at odd milliseconds is in the recording as it was."""
    said = [1.0 + 1 / 3, 0.1 + 0.2, 1.05, 1.0499999999999998, 0.9999999999999999]
    for number, value in enumerate(said):
        cellar.say("float-a", {"gravity": value}, at=NOW - DAY + number)
        cellar.settle()
        cellar.clock.advance(1)
    cellar.export(tmp_path / "x.csv")
    lines = (tmp_path / "x.csv").read_text("utf-8").splitlines()[1:]
    assert [float(line.split(",")[3]) for line in lines] == said
    assert [line.split(",")[0] for line in lines] == [iso(NOW - DAY + number) for number in range(5)]
