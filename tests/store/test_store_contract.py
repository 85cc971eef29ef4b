"""One contract for both kinds of store: the daemon's file and a replay's private memory."""

import itertools
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import MINUTE
from monitor.model.errors import StoreTrouble
from monitor.model.inputs import Identity, Unreadable
from monitor.store import store as module
from monitor.store.store import CONTENT_KEPT, RECEIPTS_KEPT, UNREADABLE_KEPT, WORDS_KEPT, Store

from .helpers import NOW, alert, entry, file_group, notice, reading, rows_of, started, verdict

Opened = Callable[[], Store]


@pytest.fixture(params=["disk", "private"])
def opened(request: pytest.FixtureRequest, tmp_path: Path) -> Opened:
    """Opens a new store of one of the two kinds."""
    numbers = itertools.count()
    return (lambda: Store.open(tmp_path / f"{next(numbers)}.db")) if request.param == "disk" else Store.private


@pytest.fixture
def store(opened: Opened) -> Iterator[Store]:
    with opened() as store:
        yield store


def test_inputs_come_back_in_the_writers_order(store: Store) -> None:
    """Readings and journal entries are merged by `received`, whatever order their measured times have."""
    first = started(NOW)
    late = reading(1)._replace(measured_ms=NOW - 90 * MINUTE)
    with store.transaction():
        for number in (0, 2):
            store.add_reading(reading(number))
        store.add_reading(late)
        store.add_journal(first)
        store.add_journal(entry(NOW + 90_000))

    assert list(store.inputs()) == [first, reading(0), late, entry(NOW + 90_000), reading(2)]


def test_a_key_is_series_and_measured_time(store: Store) -> None:
    """Same key and value is the same reading, another value a conflict that is counted; the first stays."""
    with store.transaction():
        said = [
            store.add_reading(reading(0)),
            store.add_reading(reading(0)._replace(received_ms=NOW + 9_000)),
            store.add_reading(reading(0, value=21.5)),
            store.add_reading(reading(0, quantity="gravity", value=1.04)),
            store.add_reading(reading(0, probe="float-b")),
        ]

    assert said == ["new", "same", "conflict", "new", "new"]
    assert [each.value for each in store.inputs() if each[0] == "float-a"] == [20.5, 1.04]  # type: ignore[index,union-attr]
    assert dict(rows_of(store)["counters"]) == {"duplicates": 1, "conflicts": 1}


def test_a_value_comes_back_to_the_last_bit(store: Store) -> None:
    """Doubles are kept exactly, also the smallest step above one."""
    with store.transaction():
        store.add_reading(reading(0, value=1.0000000000000002))

    (back,) = store.inputs()
    assert back == reading(0, value=1.0000000000000002)


def test_a_group_stands_or_falls_together(store: Store) -> None:
    """An error inside a transaction undoes all of it, the series it would have made included."""
    file_group(store, 0)
    before = rows_of(store)

    with pytest.raises(RuntimeError), store.transaction():  # noqa: PT012 - the last statement is the one
        store.add_reading(reading(1, probe="new-probe"))
        store.add_outcome([verdict(1)], [notice(1)], ["phone"])
        store.put_state(2, {"clock": b"9", "book": None})
        raise RuntimeError("the power went")

    assert rows_of(store) == before
    with store.transaction():
        assert store.add_reading(reading(1, probe="new-probe")) == "new"
    assert list(store.inputs())[-1] == reading(1, probe="new-probe")


@pytest.mark.parametrize("words", ["database or disk is full", "disk I/O error"])
def test_the_nth_statement_fails_and_all_or_nothing_is_there(
    opened: Opened, monkeypatch: pytest.MonkeyPatch, words: str
) -> None:
    """Whichever statement of a commit the disk refuses, nothing of it is there, and trying again brings all of it."""
    refuse: Iterator[bool] = itertools.repeat(False)

    def refused() -> None:
        if next(refuse):
            raise sqlite3.OperationalError(words)

    class Failing(sqlite3.Connection):
        def execute(self, *args: Any) -> sqlite3.Cursor:
            refused()
            return super().execute(*args)

        def executemany(self, *args: Any) -> sqlite3.Cursor:
            refused()
            return super().executemany(*args)

    def connect(path: Path | None) -> sqlite3.Connection:
        return sqlite3.connect(path or ":memory:", isolation_level=None, check_same_thread=False, factory=Failing)

    monkeypatch.setattr(module, "_connect", connect)
    failed = 0
    for number in itertools.count():
        with opened() as store:
            file_group(store, 0)
            before = rows_of(store)
            refuse = itertools.chain(itertools.repeat(False, number), [True], itertools.repeat(False))
            said = ""
            try:
                file_group(store, 1)
            except StoreTrouble as error:
                said = str(error)
            if said:
                failed += 1
                assert words in said
                assert rows_of(store) == before, f"statement {number}"
                file_group(store, 1)
            refuse = itertools.repeat(False)
            after = rows_of(store)
        if number == 0:
            whole = after
        assert after == whole
        if failed == number:
            break
    assert failed > 12


@pytest.mark.parametrize("step", range(1, 9))
def test_a_beginning_that_breaks_off_keeps_no_later_one_from_beginning(store: Store, step: int) -> None:
    """Whichever step of it SQLite breaks off: tried again, it goes through, and holds what it should."""
    steps = itertools.count(1)
    store._connection.set_progress_handler(lambda: int(next(steps) == step), 1)
    try:
        with store.transaction():
            store._connection.set_progress_handler(None, 1)
            store.add_reading(reading(0))
    except StoreTrouble:
        store._connection.set_progress_handler(None, 1)
        with store.transaction():
            store.add_reading(reading(0))

    assert list(store.inputs()) == [reading(0)]


def test_the_engines_state_changes_piece_by_piece(store: Store) -> None:
    """Pieces are replaced and removed one by one, and a new store has none."""
    assert store.load_state() is None
    with store.transaction():
        store.put_state(3, {"clock": b"1", "batch:amber-1": b"{}"})
    with store.transaction():
        store.put_state(3, {"clock": b"2", "batch:amber-1": None})

    assert store.load_state() == (3, {"clock": b"2"})

    with store.transaction():
        store.clear_state()
    assert store.load_state() == (3, {})


def test_each_notice_gets_a_delivery_for_each_route(store: Store) -> None:
    """Deliveries are made with the notice, for the routes that stand at that moment."""
    with store.transaction():
        store.add_outcome([alert(0)], [notice(0)], ["phone", "screen"])
        store.add_outcome([alert(1)], [notice(1)], [])
        store.add_outcome([], [notice(2)], ["phone"])
    with store.transaction():
        store.delivered(1, "phone", NOW)
        store.not_delivered(3, "phone", NOW + MINUTE, "x" * 900)

    deliveries = rows_of(store)["deliveries"]
    assert [(number, route, attempts, done) for number, route, attempts, _, done, _ in deliveries] == [
        (1, "phone", 1, NOW), (1, "screen", 0, None), (3, "phone", 1, None),
    ]  # fmt: skip
    assert deliveries[2][3] == NOW + MINUTE
    assert deliveries[2][5] == "x" * 500


def test_a_redelivery_is_known_across_connections_only(store: Store) -> None:
    """A packet with the same content was seen only if it came on an earlier connection of the same session."""
    first = Identity("session-1", "connection-1", 7, "digest")
    with store.transaction():
        store.add_receipt(first)

    assert not store.seen_before(first)
    assert store.seen_before(Identity("session-1", "connection-2", 7, "digest"))
    assert not store.seen_before(Identity("session-1", "connection-2", 8, "digest"))
    assert not store.seen_before(Identity("session-1", "connection-2", 7, "other"))
    assert not store.seen_before(Identity("session-2", "connection-2", 7, "digest"))
    assert store.last_session() == "session-1"


def test_receipts_are_bounded(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many messages come, only the latest identities are kept, as many as a broker can send again."""
    assert RECEIPTS_KEPT > 20_000
    monkeypatch.setattr(module, "RECEIPTS_KEPT", 250)
    with store.transaction():
        for packet in range(800):
            store.add_receipt(Identity("s", "c", packet, "d"))

    assert len(rows_of(store)["receipts"]) == 250
    assert store.seen_before(Identity("s", "c2", 799, "d"))
    assert not store.seen_before(Identity("s", "c2", 0, "d"))


def test_what_cannot_be_read_is_counted_for_good_and_kept_bounded(store: Store) -> None:
    """Many unreadable messages, each with huge content, topic and reason, take no more than their share."""
    with store.transaction():
        for number in range(2 * UNREADABLE_KEPT):
            store.add_unreadable(Unreadable("mqtt", "t" * 60_000, f"{number} " + "r" * 9_000, b"\xff" * 70_000), NOW)

    kept = rows_of(store)["unreadable"]
    assert dict(rows_of(store)["counters"])["unreadable:mqtt"] == 2 * UNREADABLE_KEPT
    assert len(kept) == UNREADABLE_KEPT
    assert {(len(row[3]), len(row[4]), len(row[5])) for row in kept} == {(WORDS_KEPT, WORDS_KEPT, CONTENT_KEPT)}
    assert kept[-1][4].startswith(f"{2 * UNREADABLE_KEPT - 1} ")


def test_held_values_wait_in_order_and_go_one_by_one(store: Store) -> None:
    """What came before the clock was set is kept with boot and monotonic time until it is released."""
    with store.transaction():
        for number in range(3):
            store.hold(
                boot="b", mono_ms=number, probe="float-a", quantity="temperature", value=20.0 + number, shift_ms=-5
            )
        store.release(store.held()[1][0])

    assert [row[1:] for row in store.held()] == [
        ("b", 0, "float-a", "temperature", 20.0, -5), ("b", 2, "float-a", "temperature", 22.0, -5),
    ]  # fmt: skip


def test_thinning_keeps_the_first_reading_of_each_cell(store: Store) -> None:
    """Only the span and probe named are thinned, each series by itself, and cells lie on whole multiples."""
    with store.transaction():
        for number in range(60):
            store.add_reading(reading(number))
            store.add_reading(reading(number, quantity="gravity", value=1.04))
            store.add_reading(reading(number, probe="float-b"))
        gone = store.thin("float-a", NOW + 10 * MINUTE, NOW + 40 * MINUTE, 10 * MINUTE)

    left = [(NOW + number * MINUTE) for number in (*range(11), 20, 30, *range(40, 60))]
    kept = [each for each in store.inputs() if each[0] == "float-a"]  # type: ignore[index]
    assert gone == 2 * 27
    for quantity in ("temperature", "gravity"):
        assert [each[2] for each in kept if each[1] == quantity] == left  # type: ignore[index]
    assert sum(each[0] == "float-b" for each in store.inputs()) == 60  # type: ignore[index]


def test_thinning_takes_time_by_the_row(store: Store) -> None:
    """Forty thousand readings are thinned in one step in well under a second or two, not by comparing all with all."""
    with store.transaction():
        for number in range(40_000):
            store.add_reading(reading(number))
    begun = time.process_time()
    with store.transaction():
        gone = store.thin("float-a", NOW, NOW + 40_000 * MINUTE, 10 * MINUTE)

    assert gone == 36_000
    assert time.process_time() - begun < 2.0


def test_the_last_received_is_over_readings_and_journal(store: Store) -> None:
    """It is where event time goes on after a start."""
    assert store.last_received() == 0
    with store.transaction():
        store.add_reading(reading(0))
    assert store.last_received() == NOW + 250
    with store.transaction():
        store.add_journal(entry(NOW + 9_000))
    assert store.last_received() == NOW + 9_000
    assert store.has_reading("float-a", "temperature", NOW)
    assert not store.has_reading("float-a", "temperature", NOW + 1)


def test_flags_are_kept_with_the_reading(store: Store) -> None:
    """What the rules found about a reading stands beside its value."""
    with store.transaction():
        store.add_reading(reading(0))
        store.add_reading(reading(1))
        store.flag_reading(reading(0), 2)

    assert [row[-1] for row in rows_of(store)["readings"]] == [2, 0]
