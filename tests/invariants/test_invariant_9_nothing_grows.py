"""Invariant 9: what a reading costs, what is remembered and what is written do not grow with age."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from math import exp, sin
from pathlib import Path
from random import Random
from typing import Any

import pytest

from monitor.app import closed_spans
from monitor.engine.state import State
from monitor.jobs.upkeep import thin_closed
from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.inputs import BatchClosed, BatchStarted, Configured, Identity, ProbeMoved, Reading, Started
from monitor.store.store import RECEIPTS_KEPT, Store
from tests.cost import calls_of

from .helpers import NOW, SETTINGS, Cellar, open_store

DAYS = 60


@dataclass
class Day:
    """What one day cost."""

    readings: int = 0
    seconds: float = 0.0  # of the processor
    pieces: int = 0  # of the state, at its end
    size: int = 0  # bytes of the state, at its end
    written: int = 0  # bytes of state written in it
    remembered: int = 0  # numbers in lists and tables of the state in memory
    events: int = 0


@pytest.fixture(scope="module")
def sixty_days(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Day], Path]:
    """A batch that ferments for sixty days beside a fridge, a reading of each every ten minutes or so."""
    path = tmp_path_factory.mktemp("sixty") / "store.db"
    chance = Random(5)
    with open_store(path) as store:
        ledger = Ledger(store, ["phone"], strict=True)
        ledger.load()
        with ledger.commit():
            ledger.put(Started(version="0", watched_until=None, received=NOW))
            ledger.put(Configured(settings=SETTINGS.as_json(), received=NOW + 1))
        days = [_one_day(ledger, NOW + number * DAY + 2, number, chance) for number in range(DAYS)]
    return days, path


def _one_day(ledger: Ledger, start: int, number: int, chance: Random) -> Day:
    day = Day()
    drain = ledger.state.drain

    def counted() -> dict[str, bytes | None]:
        pieces = drain()
        day.written += sum(len(value or b"") for value in pieces.values())
        return pieces

    ledger.state.drain = counted  # type: ignore[method-assign]
    began = time.thread_time()  # of work: how busy others are, and the disk, is not ours
    for minute in range(0, 24 * 60, 10):
        at = start + minute * MINUTE
        age = number + minute / 1440
        gravity = 1.01 + 0.05 * exp(-age / 20) + chance.gauss(0, 0.0003)
        with ledger.commit() as out:
            for offset, probe, quantity, value in (
                (0, "float-a", "gravity", gravity),
                (1, "float-a", "temperature", 20 + sin(age) + chance.gauss(0, 0.05)),
                (2, "fridge-air", "temperature", 4 + sin(minute / 6) + chance.gauss(0, 0.05)),
            ):
                ledger.put(Reading(probe, quantity, at, value, at + offset))
                day.readings += 1
        day.events += len(out.events)
    day.seconds = time.thread_time() - began
    ledger.state.drain = drain  # type: ignore[method-assign]
    pieces = ledger.store.load_state()
    assert pieces is not None
    day.pieces, day.size = len(pieces[1]), sum(map(len, pieces[1].values()))
    day.remembered = numbers_in(ledger.state)
    return day


def numbers_in(state: State) -> int:
    """How many numbers, texts and the like a state holds, however deep."""
    seen: set[int] = set()

    def count(thing: Any) -> int:
        if isinstance(thing, int | float | str | bytes | None | type):
            return 1
        if id(thing) in seen:
            return 0
        seen.add(id(thing))
        if isinstance(thing, dict):
            return sum(count(key) + count(value) for key, value in thing.items())
        if isinstance(thing, list | tuple | set | frozenset):
            return sum(map(count, thing))
        names = [*getattr(type(thing), "__slots__", ()), *getattr(thing, "__dict__", {})]
        return sum(count(getattr(thing, name)) for name in names if hasattr(thing, name))

    return count(state)


def mean(days: list[Day], of: Callable[[Day], float]) -> float:
    return sum(map(of, days)) / len(days)


def test_a_reading_of_day_sixty_costs_what_one_of_day_twelve_did(sixty_days: tuple[list[Day], Path]) -> None:
    """Time per reading, rules included, does not follow the batch's age (what is looked at is full after ten days)."""
    days, _ = sixty_days
    early = sorted(day.seconds / day.readings for day in days[11:21])[5]
    late = sorted(day.seconds / day.readings for day in days[-10:])[5]
    assert late < 2.0 * early


def test_what_is_remembered_does_not_grow_after_ten_days(sixty_days: tuple[list[Day], Path]) -> None:
    """Pieces, their bytes, and the numbers held in memory: the same on day sixty as on day twelve."""
    days, _ = sixty_days
    early, late = days[11:21], days[-10:]
    for of in (lambda day: day.pieces, lambda day: day.size, lambda day: day.remembered):
        assert mean(late, of) < 1.05 * mean(early, of)
    assert days[-1].size < 400_000


def test_what_is_written_for_a_day_does_not_grow(sixty_days: tuple[list[Day], Path]) -> None:
    """State written with a day's readings, and events said in a day: no more later than earlier."""
    days, _ = sixty_days
    assert mean(days[-10:], lambda day: day.written) < 1.1 * mean(days[3:13], lambda day: day.written)
    assert mean(days[-10:], lambda day: day.events) <= max(6.0, 1.5 * mean(days[3:13], lambda day: day.events))


def test_the_file_grows_by_the_readings_alone(sixty_days: tuple[list[Day], Path]) -> None:
    """Sixty days of readings, events and state in one file come to less than a hundred bytes a reading."""
    days, path = sixty_days
    assert path.stat().st_size / sum(day.readings for day in days) < 100


def test_old_batches_weigh_little_and_are_not_judged(tmp_path: Path) -> None:
    """After two hundred closed batches the state is larger by a page of text for each at most, a minute costs the same.

    What an hour costs is counted in calls of functions, which a busy machine does not change: a look at each batch in
    a minute would be sixty for each at least.
    """
    cellar = Cellar(tmp_path)
    cellar.start()
    cellar.pass_time(2 * HOUR)
    before = _state_size(cellar), _calls_of_an_hour(cellar)
    for number in range(200):
        cellar.record(
            BatchStarted(batch={"name": f"old-{number}", "vessel": "jug", "pitched": "2026-02-01T00:00:00Z"}),
            BatchClosed(batch=f"old-{number}"),
        )
    cellar.pass_time(HOUR, HOUR)  # what the entries ended is looked for once
    after = _state_size(cellar), _calls_of_an_hour(cellar)
    assert (after[0] - before[0]) / 200 < 2_000
    assert (after[1] - before[1]) / 200 < 5
    cellar.kill()


def _state_size(cellar: Cellar) -> int:
    return int(cellar.ask("SELECT sum(length(value)) FROM state")[0][0])


def _calls_of_an_hour(cellar: Cellar) -> int:
    return calls_of(lambda: cellar.pass_time(HOUR, HOUR))


def test_a_probe_that_is_moved_daily_for_years_leaves_a_bounded_trail(cellar: Cellar) -> None:
    """Places and tracks: the latest few dozen moves are known, tracks of places long left hold no hours."""
    for number in range(120):
        to = f"vessel:bucket-{'ab'[number % 2]}"
        cellar.record(ProbeMoved(probe="float-a", to=to, at=cellar.clock.wall_ms()))
        for _ in range(4):
            cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
            cellar.pass_time(MINUTE)
        cellar.pass_time(DAY, DAY)
    state = cellar.ledger.state
    assert len(state.places["float-a"]) <= 50
    assert len(state.tracks) <= 4
    assert sum(len(track.hours) for track in state.tracks.values()) <= 4 * 245
    assert max(len(track.bad) for track in state.tracks.values()) <= 50


def test_what_is_remembered_against_repetition_is_bounded(tmp_path: Path) -> None:
    """Receipts of messages without their own time are kept by the thousand, not for ever."""
    with Store.open(tmp_path / "store.db") as store:
        with store.transaction():
            for number in range(RECEIPTS_KEPT + 500):
                store.add_receipt(Identity("s", "c", number % 65_536, f"{number:032x}"))
        (kept,) = store._connection.execute("SELECT count(*) FROM receipts").fetchone()
    assert kept == RECEIPTS_KEPT


# --- retention ---------------------------------------------------------------------------------------------------


def lived_in(cellar: Cellar, days: int) -> None:
    """A reading of each bucket every five minutes."""
    for number in range(days * 24 * 12):
        cellar.say("float-a", {"gravity": 1.05 - number / 1e6, "temperature": 20.0})
        cellar.say("float-b", {"gravity": 1.04 - number / 1e6, "temperature": 20.0})
        cellar.pass_time(5 * MINUTE, 5 * MINUTE)


def thin(cellar: Cellar) -> int:
    def do(chore: Callable[[Store], Any]) -> Any:
        answer = cellar.writer.do(chore)
        cellar.settle()
        return answer

    return thin_closed(cellar.path, do, closed_spans(cellar.ledger.state), cellar.clock.wall_ms())


def count(cellar: Cellar, probe: str) -> int:
    return sum(each.probe == probe for each in cellar.readings())


def test_old_readings_of_a_closed_batch_grow_sparse_and_its_record_stays(cellar: Cellar) -> None:
    """One in ten minutes is left of each series; events, journal and the batch itself are all there."""
    lived_in(cellar, 1)
    cellar.record(BatchClosed(batch="amber-1"))
    before, events, entries = count(cellar, "float-a"), cellar.events(), cellar.entries()
    assert thin(cellar) > 0
    assert count(cellar, "float-a") == pytest.approx(before / 2, abs=4)
    assert (cellar.events(), cellar.entries()) == (events, entries)
    assert "amber-1" in cellar.ledger.state.batches


def test_nothing_of_an_open_batch_is_thinned(cellar: Cellar) -> None:
    """The neighbour was closed, this one was not: not one of its readings goes, nor those of the fridge."""
    lived_in(cellar, 1)
    cellar.record(BatchClosed(batch="amber-1"))
    before = count(cellar, "float-b")
    thin(cellar)
    assert count(cellar, "float-b") == before


def test_closed_late_a_batch_takes_nothing_from_its_successor(cellar: Cellar) -> None:
    """The next one was already in the bucket when the last one was closed: what it lived through stays in full."""
    lived_in(cellar, 1)
    pitched = cellar.clock.wall_ms()
    cellar.record(BatchStarted(batch={"name": "amber-2", "vessel": "bucket-a", "pitched": pitched}))
    lived_in(cellar, 1)
    cellar.record(BatchClosed(batch="amber-1"))
    lived_in(cellar, 1)
    of_the_open = [each for each in cellar.readings() if each.probe == "float-a" and each.measured_ms >= pitched]
    thin(cellar)
    assert [
        each for each in cellar.readings() if each.probe == "float-a" and each.measured_ms >= pitched
    ] == of_the_open


def test_a_state_rebuilt_after_thinning_knows_the_open_batches_as_before(cellar: Cellar) -> None:
    """What is thinned is needed by nobody: verdict, start and tracks of what is open come out the same."""
    lived_in(cellar, 2)
    cellar.record(BatchClosed(batch="amber-1"))
    lived_in(cellar, 1)
    assert thin(cellar) > 0
    with cellar.reader() as reader:
        open_ones = ("batch:pale-2", "batch:jug-1", "probe:float-b")
        before = {key: value for key, value in reader.state().items() if "bucket-b" in key or key in open_ones}
        book = reader.state()["book"]
    cellar.writer.do(lambda store: store.put_meta("state_version", 0))
    cellar.writer._take(cellar.writer._inbox.get_nowait())
    cellar.ledger.load()
    assert cellar.ledger.rebuilt > 0
    with cellar.reader() as reader:
        after = reader.state()
    assert {key: after[key] for key in before} == before
    assert after["book"] == book
