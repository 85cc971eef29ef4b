"""Invariant 3: state, events and notices stand in the transaction of the inputs that caused them."""

import contextlib
import itertools
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from monitor.engine.state import STATE_VERSION
from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.errors import StoreTrouble
from monitor.model.inputs import Acknowledged
from monitor.store.reader import Reader
from monitor.store.store import Store

from .helpers import NOW, ROUTES, Cellar, Item, alternates, at_of, dump, open_store
from .life import Life

SAID = ("events", "notices", "deliveries", "state", "readings", "journal")
SHORT = NOW + 5 * DAY

sampled = settings(
    max_examples=12, deadline=None, database=None, phases=[Phase.generate],  # to shrink a life takes minutes
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)  # fmt: skip


def groups(inputs: Iterable[Item], seed: int) -> Iterator[list[Item]]:
    """The inputs in commits of one to forty, as chance has it."""
    chance, waiting = Random(seed), iter(inputs)
    while group := list(itertools.islice(waiting, chance.choice((1, 2, 7, 15, 40)))):
        yield group


def run_through(path: Path, inputs: Iterable[Item], seed: int, kill: Callable[[int], bool]) -> int:
    """Put inputs through a ledger on disk, with a kill after the commits that `kill` names; returns the commits."""
    store, number = open_store(path), 0
    ledger = Ledger(store, ROUTES, strict=True)
    ledger.load()
    for number, group in enumerate(groups(inputs, seed), start=1):
        with ledger.commit():
            for item in group:
                ledger.put(item)
        if kill(number):
            store._connection.close()
            store._lock.close()  # type: ignore[union-attr]
            store = open_store(path)
            ledger = Ledger(store, ROUTES, strict=True)
            ledger.load()
            assert ledger.rebuilt == 0
    store.close()
    return number


def said(path: Path) -> dict[str, Any]:
    """What was said and is remembered."""
    tables = dump(path)
    return {name: tables[name] for name in SAID}


class Undisturbed:
    """What some inputs come to without any kill."""

    def __init__(self, folder: Path, inputs: list[Item]) -> None:
        self.folder = folder
        self.inputs = inputs
        self.all = self.after(1_000_000)
        assert len(self.all["events"]) > 60
        assert len(self.all["notices"]) > 15

    def after(self, commits: int) -> dict[str, Any]:
        """After some of the commits."""
        path = self.folder / f"{commits}.db"
        if not path.exists():
            run_through(path, itertools.chain(*itertools.islice(groups(self.inputs, 0), commits)), 0, lambda _: False)
        return said(path)

    def __repr__(self) -> str:
        return "undisturbed"  # or hypothesis prints all of it


@pytest.fixture(scope="session")
def undisturbed(lived: list[Item], tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    """The first five days."""
    return Undisturbed(tmp_path_factory.mktemp("undisturbed"), [item for item in lived if at_of(item) < SHORT])


# --- a kill between two commits ----------------------------------------------------------------------------------


@sampled
@given(seed=st.integers(0, 10_000), nth=st.integers(1, 400))
def test_a_kill_after_any_commit_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, undisturbed: Undisturbed, seed: int, nth: int
) -> None:
    """Killed after the n-th commit and started from the file: events, notices and state are those without a kill."""
    path = tmp_path_factory.mktemp("killed") / "store.db"
    run_through(path, undisturbed.inputs, seed, lambda number: number == nth)
    assert said(path) == undisturbed.all


@pytest.mark.parametrize("every", [1, 3])
def test_kills_after_every_commit_change_nothing(tmp_path: Path, undisturbed: Undisturbed, every: int) -> None:
    """A daemon that never lives longer than a commit says what one says that lives for days."""
    path = tmp_path / "store.db"
    commits = run_through(path, undisturbed.inputs, 1, lambda number: number % every == 0)
    assert commits > 150
    assert said(path) == undisturbed.all


# --- a commit that fails in the midst ----------------------------------------------------------------------------


def break_off(store: Store, after: int) -> None:
    """Have SQLite break off, once, whatever it does at its n-th step from now."""
    steps = itertools.count(1)
    store._connection.set_progress_handler(lambda: int(next(steps) == after), 1)


@sampled
@given(nth=st.integers(1, 150), step=st.integers(1, 2_500))
def test_a_commit_that_breaks_off_at_any_step_leaves_nothing_half_written(
    tmp_path_factory: pytest.TempPathFactory, undisturbed: Undisturbed, nth: int, step: int
) -> None:
    """At whichever step SQLite fails, the file holds what it held before; tried again, the same comes of it."""
    path = tmp_path_factory.mktemp("broken") / "store.db"
    some = list(itertools.islice(groups(undisturbed.inputs, 0), nth))
    with open_store(path) as store:
        ledger = Ledger(store, ROUTES, strict=True)
        ledger.load()
        for group in some[:-1]:
            _commit(ledger, group)
        before = dump(path)
        break_off(store, step)
        try:
            _commit(ledger, some[-1])
        except StoreTrouble:
            store._connection.set_progress_handler(None, 1)
            assert dump(path) == before
            _commit(ledger, some[-1])
        store._connection.set_progress_handler(None, 1)
    assert said(path) == undisturbed.after(nth)


def _commit(ledger: Ledger, group: list[Item]) -> None:
    with ledger.commit():
        for item in group:
            ledger.put(item)


def test_what_a_failed_commit_said_is_said_once(cellar: Cellar) -> None:
    """An alert decided in a commit that fails is neither lost nor repeated when the commit succeeds."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(59 * MINUTE)
    break_off(cellar.store, 100)
    cellar.pass_time(MINUTE)
    assert (cellar.alerts("probe-silent"), cellar.writer.status.trouble is None) == ([], False)
    cellar.store._connection.set_progress_handler(None, 1)
    cellar.pass_time(10 * MINUTE)
    assert cellar.alerts("probe-silent") == ["raised"]
    assert [row[2] for row in cellar.notices() if row[2] == "probe-silent"] == ["probe-silent"]


# --- notices -----------------------------------------------------------------------------------------------------


def test_a_notice_waits_for_each_route_from_the_moment_it_is_decided(cellar: Cellar) -> None:
    """Killed right after the commit of an alert, its deliveries stand in the store."""
    cellar.ledger.routes = ["phone", "mail"]
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(2 * HOUR)
    cellar.kill()
    with Reader(cellar.path) as reader:
        assert {route: [due.notice.alert for due in reader.due(route)] for route in ("phone", "mail", "log")} == {
            "phone": ["probe-silent"], "mail": ["probe-silent"], "log": []
        }  # fmt: skip


def test_each_decision_to_tell_people_has_one_notice(life: Life) -> None:
    """Over a whole life with dozens of kills: one notice for each raise that speaks, reminder and return, no more."""
    events = [event for event in life.cellar.events() if event["event"] == "alert"]
    alternates(events)
    notices = [(row[1], row[5], row[0]) for row in life.cellar.notices()]
    assert len(notices) == len(set(notices))
    reasons = {"raised": "first", "reminded": "reminder", "returned": "returned"}
    decided = {(event["id"], reasons.get(event["change"])) for event in events}
    assert {(number, reason) for number, reason, _ in notices} <= decided
    reminders = [event for event in events if event["change"] == "reminded"]
    assert len(reminders) == sum(reason == "reminder" for _, reason, _ in notices) > 5


# --- a state of another version ----------------------------------------------------------------------------------


@pytest.fixture
def copied(life: Life, tmp_path: Path) -> Path:
    """A copy of the store of a whole life."""
    return Path(shutil.copy(life.cellar.path, tmp_path / "store.db"))


def test_a_state_of_another_version_is_rebuilt_silently(copied: Path) -> None:
    """A new program that remembers other things goes through the inputs again: same state, and not a word said."""
    before = said(copied)
    _alter(copied, "UPDATE meta SET value = ? WHERE key = 'state_version'", STATE_VERSION - 1)
    with Store.open(copied) as store:
        ledger = Ledger(store, ROUTES, strict=True)
        ledger.load()
        assert ledger.rebuilt == len(before["readings"]) + len(before["journal"])
    assert said(copied) == before


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE state SET value = '{' WHERE key = 'book'",
        "UPDATE state SET value = '{\"n\": 1}' WHERE key LIKE 'hour:%'",
        "DELETE FROM state WHERE key LIKE 'probe:%'",
        "DELETE FROM state; DELETE FROM meta",
    ],
)  # fmt: skip
def test_a_state_that_cannot_be_read_is_rebuilt(copied: Path, change: str) -> None:
    """A piece that is damaged or gone is no reason to stop, nor to go on with half of it."""
    before = said(copied)
    _alter(copied, change)
    with Store.open(copied) as store:
        Ledger(store, ROUTES, strict=True).load()
    assert said(copied) == before


def test_a_rebuilt_state_knows_what_was_said_after_the_last_input(cellar: Cellar) -> None:
    """Ticks after the last reading raised an alert; rebuilt after a kill, it stands and is not raised again."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(2 * HOUR)
    assert cellar.alerts("probe-silent") == ["raised"]
    cellar.kill()
    _alter(cellar.path, "UPDATE meta SET value = 0 WHERE key = 'state_version'")
    cellar.clock.advance(5 * MINUTE)
    cellar.start()
    assert cellar.ledger.rebuilt > 0
    cellar.pass_time(3 * HOUR)
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.1})
    cellar.settle()
    assert cellar.alerts("probe-silent") == ["raised", "returned"]


def test_answers_to_an_alert_survive_a_rebuild(cellar: Cellar) -> None:
    """What a person acknowledged stays acknowledged: the journal has it."""
    cellar.say("float-a", {"gravity": 1.05, "temperature": 20.0})
    cellar.pass_time(2 * HOUR)
    (alert,) = cellar.ledger.state.book.standing.values()
    cellar.record(Acknowledged(id=alert.id))
    cellar.kill()
    _alter(cellar.path, "UPDATE meta SET value = 0 WHERE key = 'state_version'")
    cellar.start()
    assert [each.state for each in cellar.ledger.state.book.standing.values()] == ["acknowledged"]
    cellar.pass_time(30 * HOUR)
    assert cellar.alerts("probe-silent") == ["raised", "acknowledged"]


def _alter(path: Path, script: str, *values: int) -> None:
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for statement in script.split("; "):
            connection.execute(statement, values)
        connection.commit()
