"""The one place where inputs meet engine and store: file an input, step the engine, keep what it said; then commit.

Live and replay both go through here, so what they say is the same.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
from collections.abc import Iterator, Sequence

from monitor.alerts.book import Outcome
from monitor.engine.state import STATE_VERSION, State
from monitor.engine.step import due_ticks, step
from monitor.engine.whereabouts import Whereabouts
from monitor.model.clock import DAY
from monitor.model.errors import StoreError, StoreTrouble
from monitor.model.events import VerdictEvent
from monitor.model.inputs import ClockStep, Input, JournalEntry, Reading, Started
from monitor.store.relayed import note
from monitor.store.store import Added, Store

log = logging.getLogger(__name__)

LONGEST_QUIET = 400 * DAY
SEEN_UNTIL = "seen_until"  # event time as far as it was committed: a state that is rebuilt must see the same ticks


class Ledger:
    """A store and the engine's state over it. Not to be shared between threads."""

    def __init__(
        self, store: Store, routes: Sequence[str] = (), *, strict: bool = False, relaying: bool = False
    ) -> None:
        """`relaying`: what is kept is put into the outbox too."""
        self.store = store
        self.routes = routes
        self.relaying = relaying
        self.state = State()
        self._where = Whereabouts(self.state)
        self._last_before: int | None = None  # the store's last `received` before our first commit
        self.rebuilt = 0  # inputs gone through again because the state was of another version
        self._strict = strict
        self._out = Outcome()
        self._stale = False

    def load(self) -> None:
        """Take up the state as last committed; one of another version is rebuilt from the inputs, silently."""
        found = self._found()
        if self.relaying:
            self._last_before = self.store.last_received()
        self._stale = False
        self._out = Outcome()
        if found is None and not self.store.last_received():
            self.state = State()
            return
        version, pieces = found or (None, {})
        if version == STATE_VERSION:
            try:
                self.state = State.restore(pieces)
            except StoreError as error:
                log.error("%s", error)  # noqa: TRY400 - no fault of ours
            else:
                return
        self._rebuild()

    def _found(self) -> tuple[int, dict[str, bytes]] | None:
        try:
            return self.store.load_state()
        except (ValueError, sqlite3.Error) as error:
            if isinstance(error, sqlite3.Error) and "UTF-8" not in str(error):
                raise  # locked, full or failing: the state is as good as it was
            # A name that is no text, a version that is no number: damage to what can be made again.
            log.error("the engine's state cannot be read and is rebuilt: %s", error)  # noqa: TRY400 - no fault of ours
            return 0, {}

    def _rebuild(self) -> None:
        self.state = State()
        for item in self.store.inputs():
            self._ticks_before(item)
            self._step(item, item.received_ms if isinstance(item, Reading) else item.received)
            self.rebuilt += 1
        seen = self.store.meta(SEEN_UNTIL)
        if isinstance(seen, int):  # a damaged store may hold anything, and ticks to the end of time never end
            self.tick(min(seen, self.state.clock.last_ms + LONGEST_QUIET))
        self._out = Outcome()  # all of it was said when it happened
        with self.store.transaction():
            self.store.clear_state()
            self.store.put_state(STATE_VERSION, self.state.drain())

    @contextlib.contextmanager
    def commit(self) -> Iterator[Outcome]:
        """One commit: inputs put inside, with what the engine said and its state, are kept together or not at all.

        StoreTrouble leaves the ledger to take up the last committed state before the next commit.
        """
        if self._stale:
            self._load_again()
        self._stale = True
        self._out = out = Outcome()
        with self.store.transaction():
            yield out
            numbers = self.store.add_outcome(out.events, out.notices, self.routes)
            if self.relaying:
                self._queue_events(out, numbers)
                note(self.store, self._last_before, self.state.clock.last_ms)
            self.store.put_state(STATE_VERSION, self.state.drain())
            self.store.put_meta(SEEN_UNTIL, self.state.clock.last_ms)
        self._stale, self._last_before = False, None

    def _load_again(self) -> None:
        try:
            self.load()
        except sqlite3.Error as error:
            raise StoreTrouble(f"the store cannot be read: {error}", "check its disk") from error

    def put(self, item: Reading | JournalEntry) -> Added:
        """File one input and let the engine see it; ticks that fall before it come first."""
        self._ticks_before(item)
        if isinstance(item, Reading):
            added = self.store.add_reading(item)
            if added == "new":
                flags = self._step(item, item.received_ms)
                if flags:
                    self.store.flag_reading(item, flags)
                if self.relaying:
                    self._queue_reading(item, flags)
            return added
        self.store.add_journal(item)
        self._step(item, item.received)
        if self.relaying:
            self.store.outbox.add("entry", item.received, item.received)
        return "new"

    def _queue_reading(self, reading: Reading, flags: int) -> None:
        if self._where.state is not self.state:  # the state was taken up anew
            self._where = Whereabouts(self.state)
        place = self.state.place_at(reading.probe, reading.measured_ms)
        self.store.queue_reading(reading, flags, place, self._where.batch_in(place, reading.measured_ms))

    def _queue_events(self, out: Outcome, numbers: Sequence[int]) -> None:
        for event, number in zip(out.events, numbers, strict=True):
            place = batch = None
            if isinstance(event, VerdictEvent):
                batch, known = event.batch, self.state.batches.get(event.batch)
                place = f"vessel:{known.vessel}" if known is not None else None
            self.store.outbox.add("event", event.time_ms, number, place, batch)

    def tick(self, until_ms: int) -> None:
        """Run the ticks up to a time."""
        for tick in due_ticks(self.state, until_ms):
            self._step(tick, tick.received_ms)

    def _ticks_before(self, item: Reading | JournalEntry) -> None:
        if isinstance(item, Reading):
            self.tick(item.received_ms)
        elif isinstance(item, Started | ClockStep):
            if item.watched_until is not None:
                self.tick(item.watched_until)
        else:
            self.tick(item.received)

    def _step(self, item: Input, now_ms: int) -> int:
        """A fault in a rule is ours: it is counted and told in the log, and never stops the daemon."""
        try:
            return step(self.state, item, now_ms, self._out)
        except Exception:
            if self._strict:
                raise
            log.exception("a rule failed on %r", item)
            self.store.count("rule-faults")
            return 0
