"""One route's thread: takes what is due from the store, sends it in order, and hands the mark back to the writer.

    due in the store ─► below `lowest`, or sent already? ─► quiet hours ─► fold ─► send ─┬─► mark as done
                          only the mark is missing           high passes                 └─► note, back off

A kill between sending and the mark sends again: delivery is at least once. While the mark cannot be written
(a full disk) the worker remembers what it has sent, so that the same process does not repeat it.
"""

from __future__ import annotations

import collections
import logging
import sqlite3
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from typing import Any, Protocol, TypeVar

from monitor.alerts.routes.base import RANK, Letter, Route
from monitor.alerts.routes.parcels import Parcel, plan
from monitor.alerts.routes.quiet import QuietHours
from monitor.alerts.routes.text import Writing
from monitor.model.clock import DAY, HOUR, MINUTE, SECOND, Clock
from monitor.model.errors import RouteError, StoreError
from monitor.model.events import Notice, Priority
from monitor.store.reader import Due, Reader
from monitor.store.store import Store

T = TypeVar("T")

FIRST_WAIT = 5 * SECOND
LONGEST_WAIT = 15 * MINUTE
LOOK_EVERY = MINUTE  # without a wake: quiet hours end, and the wall clock may step
GIVE_UP: dict[Priority, int] = {"low": 2 * DAY, "medium": 7 * DAY, "high": 7 * DAY}
SUSPECT = 3  # after so many failures of one notice the next is tried: perhaps the service refuses just this one
LISTED = 200
URGENT_KEPT = 10
URGENT_AGAIN = HOUR  # the same is not said again sooner
MARK_SECONDS = 10.0  # how long the writer may take

_log = logging.getLogger(__name__)


class Do(Protocol):
    """Hands a chore to the one writer: run inside one transaction, the future done after its commit."""

    def __call__(self, chore: Callable[[Store], T], /) -> Future[T]:
        """StoreTrouble, or a future that raises it, when the disk refuses."""
        ...


@dataclass(frozen=True, slots=True)
class RouteStatus:
    """What a route can say of itself. Times are UTC ms; counts are since the start."""

    route: str
    waiting: int = 0  # deliveries not done, up to 200
    held: int = 0  # of these, for the end of quiet hours
    sent: int = 0
    gave_up: int = 0
    failures: int = 0  # rounds in a row
    error: str | None = None
    last_sent_ms: int | None = None
    next_try_ms: int | None = None

    @property
    def failing(self) -> bool:
        """Not a hiccup any more: a person should look, perhaps at the password."""
        return self.failures >= SUSPECT


def wait_after(failures: int) -> int:
    """How long to wait after so many failures in a row: 5 s, doubling up to 15 min, in ms."""
    return min(LONGEST_WAIT, FIRST_WAIT << min(failures - 1, 20))


class Worker:
    """The thread of one route."""

    def __init__(
        self, route: Route, reader: Callable[[], Reader], do: Do, clock: Clock, writing: Writing,
        quiet: QuietHours | None,
    ) -> None:  # fmt: skip
        self.route = route
        self._open = reader
        self._do = do
        self._clock = clock
        self._writing = writing
        self._quiet = quiet if route.for_people else None
        self._reader: Reader | None = None
        self._thread: threading.Thread | None = None
        self._awake = threading.Event()
        self._stopping = False
        self._urgent: collections.deque[Notice] = collections.deque(maxlen=URGENT_KEPT)
        self._urgent_seen: collections.deque[tuple[tuple[str, str], int]] = collections.deque(maxlen=URGENT_KEPT)
        self._done: dict[int, str | None] = {}  # number -> counter; the mark is still missing in the store
        self._attempts: dict[int, int] = {}
        self._aside: dict[
            int, int
        ] = {}  # number -> when (monotonic ms) a notice that the service refused is tried again
        self._resume = 0  # monotonic ms
        self._mark_failures = 0
        self._mark_resume = 0
        self._status = RouteStatus(route.name)

    # --- from other threads -------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin."""
        self._thread = threading.Thread(target=self._run, name=f"route {self.route.name}", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """There may be something new."""
        self._awake.set()

    def stop(self) -> None:
        """Send no more; does not wait."""
        self._stopping = True
        self._awake.set()

    def join(self, seconds: float) -> bool:
        """Wait for the end; False when a send still hangs (its thread ends with the process)."""
        if self._thread is not None:
            self._thread.join(seconds)
        return self._thread is None or not self._thread.is_alive()

    def urgent(self, notice: Notice) -> None:
        """Send what could not be stored, as well as can be: it is lost if the process ends first."""
        key = (notice.alert_id, notice.reason)
        fresh = any(seen == key and notice.time_ms - at < URGENT_AGAIN for seen, at in self._urgent_seen)
        if RANK[notice.priority] >= RANK[self.route.lowest] and not fresh:
            self._urgent_seen.append((key, notice.time_ms))
            self._urgent.append(notice)
            self.wake()

    def status(self) -> RouteStatus:
        """As of the latest step."""
        return self._status

    # --- in the thread ------------------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._stopping:
            self._awake.clear()
            try:
                wait = self._round()
            except (StoreError, sqlite3.Error) as error:
                _log.warning("route %s cannot read the store: %s", self.route.name, error)
                self._close()
                wait = self._urgent_alone()
            except Exception:  # noqa: BLE001 - a dead thread would look like a quiet route
                _log.exception("route %s: a fault of ours; it goes on in a minute", self.route.name)
                wait = LOOK_EVERY
            if wait and not self._stopping:
                self._awake.wait(self._clock.real_seconds(wait))
        self._close()

    def _close(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None

    def _round(self) -> int:
        """Send what can be sent now; returns the milliseconds until the next look."""
        if self._reader is None:
            self._reader = self._open()
        due = self._reader.due(self.route.name, LISTED)
        self._forget_but({each.number for each in due})
        self._pass_over(due)
        self._mark()
        left = [each for each in due if each.number not in self._done]
        parcels, held = plan(left, self._quiet, self._clock.wall_ms(), self._writing, self._is_suspect)
        self._note(waiting=len(left) + len(self._urgent), held=held)
        now = self._clock.mono_ms()
        if now >= self._resume and self._send_all([*self._urgent_parcels(), *parcels]):
            return 0  # look again: there may be more than was listed
        return self._next_look()

    def _urgent_alone(self) -> int:
        """What is told past the store must get out when the store cannot even be read."""
        if self._clock.mono_ms() >= self._resume:
            self._send_all(self._urgent_parcels())
        return self._next_look()

    def _next_look(self) -> int:
        now = self._clock.mono_ms()
        times = [self._resume, *self._aside.values(), self._mark_resume if self._done else 0]
        return min([LOOK_EVERY, *(each - now for each in times if each > now)])

    def _forget_but(self, open_ones: set[int]) -> None:
        for memory in (self._done, self._attempts, self._aside):
            for number in [each for each in memory if each not in open_ones]:
                del memory[number]

    def _pass_over(self, due: Sequence[Due]) -> None:
        for each in due:
            if RANK[each.notice.priority] < RANK[self.route.lowest]:
                self._done.setdefault(each.number, None)

    def _urgent_parcels(self) -> list[Parcel]:
        return [Parcel((), self._writing.letter(notice)) for notice in tuple(self._urgent)]

    def _tried(self, due: Due) -> int:
        return max(due.attempts, self._attempts.get(due.number, 0))

    def _is_suspect(self, due: Due) -> bool:
        return self._tried(due) >= SUSPECT

    # --- sending ------------------------------------------------------------------------------------------------

    def _send_all(self, parcels: Sequence[Parcel]) -> bool:
        """Send in order; whether anything arrived. A failure ends the round, unless it may be the notice's own."""
        now = self._clock.mono_ms()
        suspect: Parcel | None = None
        sent = False
        for parcel in parcels:
            if self._stopping:
                break
            if any(self._aside.get(each.number, 0) > now for each in parcel.items):
                continue
            error = self._try(parcel.letter)
            if error is None:
                sent = True
                self._arrived(parcel)
                if suspect is not None:
                    self._set_aside(suspect)
                    suspect = None
                continue
            tried = self._failed(parcel, error)
            if suspect is not None or tried < SUSPECT:
                self._back_off(error)
                return sent
            suspect = parcel
        if suspect is not None:
            self._back_off(error or "")
        return sent

    def _try(self, letter: Letter) -> str | None:
        try:
            self.route.send(letter)
        except RouteError as error:
            return str(error)
        except Exception as error:  # noqa: BLE001 - whatever a service's code does, it must not end the thread
            return f"route {self.route.name}: {type(error).__name__} in its code"
        return None

    def _arrived(self, parcel: Parcel) -> None:
        self._resume = 0
        self._note(
            failures=0, error=None, next_try_ms=None, sent=self._status.sent + 1, last_sent_ms=self._clock.wall_ms()
        )
        if parcel.items:
            self._done.update({each.number: None for each in parcel.items})
            self._mark()
        else:
            self._forget_urgent(parcel.letter)

    def _failed(self, parcel: Parcel, error: str) -> int:
        """Note a failure; returns how often this parcel has failed."""
        now = self._clock.wall_ms()
        next_ms = now + wait_after(self._status.failures + 1)
        for each in parcel.items:
            self._attempts[each.number] = self._tried(each) + 1
            if now - each.notice.time_ms > GIVE_UP[each.notice.priority]:
                self._give_up(each)
        if not parcel.items:
            return self._status.failures + 1

        def chore(store: Store) -> None:
            for each in parcel.items:
                store.not_delivered(each.number, self.route.name, next_ms, error)

        self._hand(chore)
        return min(map(self._tried, parcel.items))

    def _back_off(self, error: str) -> None:
        failures = self._status.failures + 1
        wait = wait_after(failures)
        self._resume = self._clock.mono_ms() + wait
        if error != self._status.error or failures == SUSPECT:
            _log.warning("%s (failed %d times in a row)", error, failures)
        self._note(failures=failures, error=error, next_try_ms=self._clock.wall_ms() + wait)

    def _set_aside(self, parcel: Parcel) -> None:
        """Others got through: this one waits by itself, and holds up nothing."""
        for each in parcel.items:
            self._aside[each.number] = self._clock.mono_ms() + wait_after(self._tried(each))
        if not parcel.items:
            self._forget_urgent(parcel.letter)

    def _forget_urgent(self, letter: Letter) -> None:
        if letter.notice is not None and letter.notice in self._urgent:
            self._urgent.remove(letter.notice)

    def _give_up(self, due: Due) -> None:
        _log.error("route %s: gave up on %r from long ago", self.route.name, due.notice.title)
        self._done[due.number] = f"gave-up:{self.route.name}"
        self._note(gave_up=self._status.gave_up + 1)

    # --- the writer ---------------------------------------------------------------------------------------------

    def _mark(self) -> None:
        """Have the writer note what is done; what it cannot note is remembered and handed over again later."""
        if not self._done or self._clock.mono_ms() < self._mark_resume:
            return
        done, now = dict(self._done), self._clock.wall_ms()

        def chore(store: Store) -> None:
            for number, counter in done.items():
                store.delivered(number, self.route.name, now)
                if counter is not None:
                    store.count(counter)

        if self._hand(chore):
            self._mark_failures = 0
            return
        self._mark_failures += 1
        self._mark_resume = self._clock.mono_ms() + wait_after(self._mark_failures)

    def _hand(self, chore: Callable[[Store], object]) -> bool:
        try:
            self._do(chore).result(MARK_SECONDS)
        except Exception as error:  # noqa: BLE001 - the writer's trouble is told by the writer; here it only delays
            _log.debug("route %s: the writer did not take a mark: %r", self.route.name, error)
            return False
        return True

    def _note(self, **changed: Any) -> None:
        self._status = replace(self._status, **changed)
