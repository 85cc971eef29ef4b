"""The relay's thread: takes the oldest rows of the outbox, sends them, and hands the mark back to the writer.

    outbox ──► lines ──► one request ─┬─ 2xx ──► marked as sent ──held a minute──► gone
                                      ├─ refused ──► a good line passes? ──► halved, down to the bad row, set aside
                                      ├─ too large ──► smaller requests
                                      └─ away, busy, not set up ──► wait, longer each time, and tell when far behind

A yes is not yet a promise: some servers keep what they took in memory for some seconds. A row is held after it, and
sent again where the server has started anew meanwhile. Sending twice changes nothing: same series, time and value.
"""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any, TypeVar

from monitor.engine.state import State
from monitor.model.clock import MINUTE, SECOND, Clock, SystemClock
from monitor.model.config import Relay
from monitor.model.errors import RelayError, StoreError
from monitor.model.inputs import Trouble
from monitor.relay import backfill
from monitor.relay.answers import Later, NotSetUp, Refused, RelayAnswer, TooLarge
from monitor.relay.behind import Behind
from monitor.relay.holding import Holding
from monitor.relay.lines import lines_of, relay_line
from monitor.relay.pace import Allowance, wait_after
from monitor.relay.server import Server
from monitor.rules.health import span_words
from monitor.store.outbox import Row
from monitor.store.reader import Reader
from monitor.store.store import Store

T = TypeVar("T")

BODY_MOST = 1 << 20  # bytes of one request
COUNT_EVERY = 10 * SECOND
COUNT_SHARE = 100  # and a hundredth of the time at most
SAY_EVERY = MINUTE  # that the relay is at work
GROW_AGAIN = 2 * MINUTE  # after a request that was too large
HELD_MOST = 100_000  # rows; the past is not queued beyond
WRITER_SECONDS = 60.0
STOP_SECONDS = 3.0
SUSPECT = 3

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class RelayStatus:
    """How the relay is; times are UTC ms."""

    url: str
    waiting: int = 0
    past: int = 0
    """Of those that wait, how many are of the past."""
    held: int = 0
    oldest_ms: int | None = None
    refused: int = 0
    sent: int = 0
    """Rows that the server took since the start."""
    sent_again: int = 0
    requests: int = 0
    bytes: int = 0
    failures: int = 0
    """In a row."""
    error: str | None = None
    next_try_ms: int | None = None
    last_sent_ms: int | None = None
    behind: bool = False


class _Stopping(Exception):
    """The daemon ends."""


class Sender:
    """The thread. `start` and `stop` once each; `turn` does one step for whoever runs no thread."""

    def __init__(
        self, relay: Relay, site: str, path: Path, do: Callable[[Callable[[Store], Any]], Future[Any]],
        record: Callable[[Trouble], Future[int]], clock: Clock, server: Callable[[], Server], *,
        chance: Random | None = None, real: Clock | None = None,
    ) -> None:  # fmt: skip
        """`server` is made in the thread at its first need: its library is large.

        The server lives in real time, whatever the clock of the readings does: waiting and holding go by `real`.
        """
        self._relay, self._site, self._path = relay, site, path
        self._do, self._clock = do, clock
        self._real = real or SystemClock()
        self._make = server
        self._server: Server | None = None
        self._chance = chance or Random()  # noqa: S311 - it spreads requests, it guards nothing
        self._reader: Reader | None = None
        self._thread: threading.Thread | None = None
        self._awake = threading.Event()
        self._stopping = False
        now = self._real.mono_ms()
        kib, requests = relay.kib_per_second, relay.requests_per_minute
        self._bytes = Allowance(None if kib is None else kib * 1024.0, now)
        self._requests = Allowance(None if requests is None else requests / 60.0, now)
        self._holding = Holding(round(relay.hold * SECOND), clock.wall_ms(), self._started, self._hand)
        self._most = relay.rows
        self._grow_ms = 0  # larger requests are not tried before
        self._suspects = 0  # so many of the next rows hold a bad one
        self._tag: backfill.Tag | None = None
        self._sent_ms: int | None = None
        self._said_ms: int | None = None
        self._count_ms = 0
        self._behind = Behind(round(relay.behind_after * SECOND), clock.mono_ms(), record)
        self._refused_ms: int | None = None  # when the log was told last of a row set aside
        self._untold = 0
        self._resume = 0
        self._status = RelayStatus(relay.url)

    # --- from other threads --------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """There may be something new, or time was moved."""
        self._awake.set()

    def stop(self) -> None:
        """Send no more. A request that hangs is not waited for: its rows go out again after the next start."""
        self._stopping = True
        self._awake.set()
        if self._thread is not None:
            self._thread.join(STOP_SECONDS)

    def status(self) -> RelayStatus:
        """As of the latest step."""
        return self._status

    # --- in the thread ---------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping:
            self._awake.clear()
            wait = self.turn()
            if wait > 0 and not self._stopping:
                self._awake.wait(wait / SECOND)
        self.close()

    def close(self) -> None:
        """Let go of store and server."""
        if self._reader is not None:
            self._reader.close()
        self._reader = None
        self._hang_up()

    def _hang_up(self) -> None:
        if self._server is not None:
            self._server.close()
        self._server = None

    def turn(self) -> int:
        """Send what may be sent now; returns the milliseconds until the next look."""
        try:
            wait = self._turn()
        except RelayAnswer as answer:
            wait = self._back_off(answer)
        except _Stopping:
            return 0
        except (StoreError, sqlite3.Error) as error:
            wait = self._back_off(Later(f"the store cannot be read: {error}"))
            self.close()
        except RelayError as error:
            wait = self._back_off(NotSetUp(str(error)))
        except Exception as error:  # noqa: BLE001 - a dead thread would look like a quiet relay
            _log.exception("the relay: a fault of ours; it goes on in a minute")
            wait = self._back_off(Later(f"a fault of ours: {type(error).__name__}", MINUTE))
        self._count()
        return min(wait, MINUTE)  # what waits is looked at while a server asks for an hour

    def _turn(self) -> int:
        now = self._real.mono_ms()
        if now < self._resume:
            return self._resume - now
        if self._reader is None:
            self._reader = Reader(self._path)
        held_until, again = self._holding.let_go(self._reader, now)
        self._again(again)
        until_next = 0 if self._sent_ms is None else self._sent_ms + round(self._relay.every * SECOND) - now
        if until_next > 0:
            return min(until_next, held_until)
        pause = max(self._bytes.wait(now), self._requests.wait(now))
        if pause > 0:
            return pause
        rows = self._reader.unsent(self._size())
        if not rows:
            return 0 if self._queue_past() else min(round(self._relay.every * SECOND), held_until)
        if again := self._holding.look(self._reader, now):
            self._again(again)
            rows = self._reader.unsent(self._size())  # what it may have lost goes first: it is let go in this order
        full = self._deliver(rows)
        self._sent_ms = None if full else self._real.mono_ms()  # a backlog goes on at once
        return 0 if full else min(round(self._relay.every * SECOND), held_until)

    def _queue_past(self) -> bool:
        """Nothing else waits: the next piece of what came before the relay, where somebody asked for it."""
        assert self._reader is not None
        if self._status.held > HELD_MOST:
            return False  # a server that starts anew has all of it sent again
        if not backfill.jobs(self._reader):
            self._tag = None
            return False
        tag = self._tag = self._tag or backfill.tags_of(State.restore(self._reader.state()))
        return self._hand(lambda store: backfill.queue_piece(store, tag)) is not None

    # --- sending ---------------------------------------------------------------------------------------------------

    def _size(self) -> int:
        """How many rows go into the next request."""
        return max(1, self._suspects // 2) if self._suspects else self._most

    def _deliver(self, rows: Sequence[Row]) -> bool:
        """Send some rows; whether more may wait."""
        asked = len(rows)
        whole = asked == self._size()
        lines, rows = self._lines(rows)
        if not rows:
            return True
        now = self._real.mono_ms()
        extra: list[str] = []
        if self._said_ms is None or now - self._said_ms >= SAY_EVERY:
            extra, self._said_ms = [self._known_good()], now
        try:
            self._write([*extra, *(line for each in lines for line in each)])
        except TooLarge as answer:
            if len(rows) == 1:
                self._set_aside(rows[0], lines[0], answer)
            else:
                self._suspects, self._grow_ms = 0, now + GROW_AGAIN
                self._most = len(rows) // 2
                _log.info("the time-series server takes no request that large; %d rows at a time now", self._most)
            return True
        except Refused as answer:
            self._search(rows, lines, answer)
            return True
        self._mark(rows)
        self._suspects = max(0, self._suspects - len(rows))
        if not self._suspects and now >= self._grow_ms:
            self._most = min(self._relay.rows, self._most * 4)
        return whole or len(rows) < asked

    def _lines(self, rows: Sequence[Row]) -> tuple[list[list[str]], list[Row]]:
        """Lines of as many rows as go into one request; a row that points at nothing is set aside."""
        most = BODY_MOST
        if self._relay.kib_per_second is not None:
            most = min(most, round(self._relay.kib_per_second * 1024 * 4))
        lines: list[list[str]] = []
        kept: list[Row] = []
        size = 0
        for row in rows:
            try:
                each = lines_of(row, self._site)
            except Exception as error:  # noqa: BLE001 - whatever a damaged row holds: it must not stop all others
                self._refuse(row, [], f"it cannot be put into a line: {error!r}")
                continue
            size += sum(map(len, each)) + len(each)
            if kept and size > most:
                break
            lines.append(each)
            kept.append(row)
        return lines, kept

    def _search(self, rows: Sequence[Row], lines: Sequence[list[str]], answer: RelayAnswer) -> None:
        """Some line is bad: of what was refused the first half goes next, and so on, each in its turn."""
        if len(rows) == 1:
            self._set_aside(rows[0], lines[0], answer)
            return
        if not self._suspects:
            self._try_good()
        self._suspects = len(rows)

    def _set_aside(self, row: Row, lines: Sequence[str], answer: RelayAnswer) -> None:
        """It stands in the way of all that follow."""
        self._try_good()
        self._refuse(row, lines, str(answer))
        self._suspects, self._most, self._grow_ms = 0, 1, 0  # where one is bad, its neighbours often are

    def _try_good(self) -> None:
        """See that it is not we who are refused."""
        try:
            self._write([self._known_good()])
        except (Refused, TooLarge) as error:
            self._suspects = 0
            raise NotSetUp(f"it refuses every line, even one that is good: {error}; look at [relay]") from error

    def _write(self, lines: Sequence[str]) -> None:
        if self._stopping:
            raise _Stopping
        try:
            size = self._ask(lambda server: server.write(lines))
        finally:  # what was refused went over the line, too
            now = self._real.mono_ms()
            self._bytes.use(sum(len(line.encode()) + 1 for line in lines), now)
            self._requests.use(1.0, now)
        self._status = replace(
            self._status, requests=self._status.requests + 1, bytes=self._status.bytes + size, failures=0, error=None,
            next_try_ms=None, last_sent_ms=self._clock.wall_ms(),
        )  # fmt: skip

    def _ask(self, what: Callable[[Server], T]) -> T:
        if self._server is None:
            self._server = self._make()
        return what(self._server)

    def _started(self) -> str | None:
        self._requests.use(1.0, self._real.mono_ms())
        return self._ask(lambda server: server.started())

    def _again(self, rows: int) -> None:
        self._status = replace(self._status, sent_again=self._status.sent_again + rows)

    def _known_good(self) -> str:
        return relay_line(self._site, self._status.waiting, self._clock.wall_ms())

    def _mark(self, rows: Sequence[Row]) -> None:
        first, last, past, stamp = rows[0].seq, rows[-1].seq, rows[0].past, self._holding.stamp or ""
        self._hand(lambda store: store.outbox.mark_sent(first, last, stamp, past=past))
        self._holding.took(last, self._real.mono_ms(), past=past)
        self._status = replace(self._status, sent=self._status.sent + len(rows))

    def _refuse(self, row: Row, lines: Sequence[str], reason: str) -> None:
        now = self._clock.wall_ms()
        self._hand(lambda store: store.outbox.refuse(row.seq, "\n".join(lines), reason, now))
        self._untold += 1
        if self._refused_ms is not None and self._real.mono_ms() - self._refused_ms < MINUTE:
            return
        more = f" ({self._untold - 1} more since the last word of it)" if self._untold > 1 else ""
        _log.warning("row %d is set aside, the time-series server does not take it%s: %s", row.seq, more, reason)
        self._refused_ms, self._untold = self._real.mono_ms(), 0

    def _hand(self, chore: Callable[[Store], T]) -> T:
        """Have the writer do it; what it cannot do now is done again later, at the cost of sending twice."""
        try:
            done: T = self._do(chore).result(WRITER_SECONDS)
        except Exception as error:
            self._holding.unsure()
            raise Later(f"the store does not take the mark: {error}") from error
        return done

    # --- when it does not work -------------------------------------------------------------------------------------

    def _back_off(self, answer: RelayAnswer) -> int:
        if isinstance(answer, Later) and answer.away:
            self._holding.doubt(self._real.mono_ms())
        if isinstance(answer, NotSetUp):
            self._hang_up()  # the token is read anew: it may have been mended
        failures = self._status.failures + 1
        wait = wait_after(failures, answer.wait_ms if isinstance(answer, Later) else None, self._chance)
        self._resume = self._real.mono_ms() + wait
        if str(answer) != self._status.error or failures == SUSPECT:
            how_long = span_words(wait) if wait >= MINUTE else f"{max(1, wait // SECOND)} s"
            _log.warning("the relay waits %s: %s", how_long, answer)
        self._status = replace(
            self._status, failures=failures, error=str(answer), next_try_ms=self._clock.wall_ms() + wait
        )
        return wait

    def _count(self) -> None:
        """Look at what waits, and tell when it has waited too long."""
        now = self._real.mono_ms()
        if now < self._count_ms:
            return
        try:
            if self._reader is None:
                self._reader = Reader(self._path)
            found = self._reader.backlog()
        except (StoreError, sqlite3.Error):
            return  # the writer tells of the store
        # A million rows take a while to count, and there are other things to do.
        self._count_ms = now + max(COUNT_EVERY, COUNT_SHARE * (self._real.mono_ms() - now))
        age = 0 if found.oldest_ms is None else self._clock.wall_ms() - found.oldest_ms
        behind = self._behind.see(found.waiting - found.past, age, self._clock.mono_ms(), self._status.error)
        self._status = replace(
            self._status, waiting=found.waiting, past=found.past, held=found.held, oldest_ms=found.oldest_ms,
            refused=found.refused, behind=behind,
        )  # fmt: skip

    def stood(self) -> None:
        """The alert stood when we started: it is told when it is over."""
        self._behind.stood(self._clock.mono_ms())
