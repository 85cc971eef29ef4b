"""The one writer: a thread that owns the ledger, gives each input its place in time, commits, and then acknowledges.

    sources ──┐
    commands ─┼──► inbox ──► [ticks due] ─► stamp ─► ledger.put … ─► commit ─► receipts, answers, routes
    chores ───┘

At most 15 rows or 2 s go into one commit: the broker has 20 messages in flight, and waiting for more would stall it.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import sqlite3
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future, InvalidStateError
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar

from monitor import __version__
from monitor.alerts.book import Outcome
from monitor.intake.values import OLDEST_OWN_MS, refuse_future
from monitor.ledger import Ledger
from monitor.model.clock import EARLIEST_MS, MINUTE, AlwaysTrusted, Clock, EventClock, SystemClock, TimeTrust, iso
from monitor.model.config import RuleSettings
from monitor.model.errors import StoreTrouble
from monitor.model.inputs import (
    ClockStep,
    Configured,
    Identity,
    JournalEntry,
    Message,
    ProbeStatus,
    Reading,
    Sample,
    Started,
    Stopped,
    Trouble,
    Unreadable,
)
from monitor.store.store import Store

log = logging.getLogger(__name__)
T = TypeVar("T")

GROUP_ROWS = 15
GROUP_MS = 2_000
ROOM = 1_000  # messages of sources that may wait
ROOM_SECONDS = 5.0
CLOCK_JUMP = 90_000
RESENDING_PAUSE = 10_000
BEHIND = 5 * MINUTE  # a clock so far behind event time is worth a word
BACK_OFF_MS = (1_000, 2_000, 5_000, 10_000, 30_000)
_REAL = SystemClock()  # that the loop turns is a matter of real time, whatever the readings' clock does
UNWATCHED = 5 * MINUTE  # a trouble that lasted so long counts as an outage
# What SQLite says of a value that no table can hold; all else it says is about the disk.
_OF_THE_CONTENT = (
    sqlite3.DataError, sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.NotSupportedError,
    sqlite3.ProgrammingError,
)  # fmt: skip
OWN_TIME = "own-time"  # stands for the boot id of a held value that brought its time along


def boot_id() -> str:
    """This boot of the machine."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


@dataclass(slots=True)
class Group:
    """Inputs that stand or fall together, and who waits for them."""

    items: Sequence[Message | JournalEntry]
    answer: Future[int] | None = None
    set_aside: bool = False  # what could not be committed, as something that was not readable


@dataclass(slots=True)
class Chore:
    """Something only the writer may do to the store."""

    run: Callable[[Store], Any]
    answer: Future[Any]


@dataclass(slots=True)
class WriterStatus:
    """How the writer is, for the page and the health check."""

    committed: int = 0  # groups
    messages: int = 0  # messages of sources, committed
    last_commit_mono_ms: int | None = None
    last_loop_mono_ms: int | None = None
    trouble: str | None = None
    waiting: int = 0
    clock_trusted: bool = True


@dataclass(frozen=True, slots=True)
class Resending:
    """Whether a connection is still at what the broker sends again."""

    connection: str = ""
    last_mono_ms: int = 0  # when we were last at it: the broker waits for us before it sends more
    lasts: bool = True


@dataclass(slots=True)
class _Open:
    """What the next commit holds."""

    groups: list[Group] = field(default_factory=list)
    rows: int = 0
    since_mono_ms: int = 0


class Writer:
    """See above. `begin`, then either `run` in a thread, or `flush` by hand (tests)."""

    def __init__(
        self,
        ledger: Ledger,
        clock: Clock,
        *,
        trust: TimeTrust | None = None,
        boot: str | None = None,
        group_ms: int = GROUP_MS,
        on_commit: Callable[[Outcome], None] | None = None,
        on_trouble: Callable[[str], None] | None = None,
    ) -> None:
        self.ledger = ledger
        self.status = WriterStatus()
        self._clock = clock
        self._trust = trust or AlwaysTrusted()
        self._boot = boot if boot is not None else boot_id()
        self._group_ms = group_ms
        self._on_commit = on_commit
        self._on_trouble = on_trouble
        self._inbox: queue.SimpleQueue[Group | Chore | None] = queue.SimpleQueue()
        self._room = threading.Semaphore(ROOM)
        self._open = _Open()
        self._events = EventClock(clock, 0)
        self._resending = Resending()
        self._floor = 0
        self._unsure = False
        self._mono = clock.mono_ms()
        self._wall = clock.wall_ms()
        self._trouble_at: int | None = None
        self._tries = 0
        self._next_try_ms = 0
        self._by: Literal["daemon", "command"] = "daemon"
        self._holding = True  # values may be held, perhaps by a daemon before us
        clock.on_advance(self.nudge)

    # --- for other threads ---------------------------------------------------------------------------------------

    def submit(self, message: Message) -> None:
        """Hand over a message; waits while a thousand are not committed yet, then raises StoreTrouble.

        Only messages have to wait: what a person asks, and the mark that a notice was sent, always get in.
        """
        if not self._room.acquire(timeout=ROOM_SECONDS):
            raise StoreTrouble(f"{ROOM} messages wait for the store", "see why it cannot be written")
        self._inbox.put(Group((message,)))

    def record(self, *items: Message | JournalEntry) -> Future[int]:
        """Hand over inputs that stand or fall together; the answer is the `received` of the last."""
        answer: Future[int] = Future()
        self._inbox.put(Group(items, answer))
        return answer

    def do(self, chore: Callable[[Store], T]) -> Future[T]:
        """Have the writer do something to the store, in a transaction of its own."""
        answer: Future[T] = Future()
        self._inbox.put(Chore(chore, answer))
        return answer

    def nudge(self) -> None:
        """Have the writer look up: time was moved, or it is to stop."""
        if self._inbox.empty():
            self._inbox.put(None)

    # --- the thread ------------------------------------------------------------------------------------------------

    def begin(self, settings: RuleSettings, *, by: Literal["daemon", "command"] = "daemon") -> None:
        """Take up the state, and note in the journal that we start and with which configuration."""
        ledger = self.ledger
        ledger.load()
        last = max(ledger.store.last_received(), ledger.state.clock.last_ms)
        self._events = EventClock(self._clock, max(last, EARLIEST_MS))
        self._by = by
        told = settings.as_json()
        with ledger.commit():
            watched = last or None
            ledger.put(Started(version=__version__, watched_until=watched, by=by, received=self._stamp()))
            if ledger.state.settings.as_json() != told or not last:
                ledger.put(Configured(settings=told, received=self._stamp()))
            self._tell_soundness()
        self._mono, self._wall = self._clock.mono_ms(), self._clock.wall_ms()
        self.status.last_commit_mono_ms = self._mono
        self._unsure = self._stands("clock-unsure")
        self._floor = last

    def _stands(self, alert: str) -> bool:
        return any(each.alert == alert for each in self.ledger.state.book.standing.values())

    def _tell_soundness(self) -> None:
        store = self.ledger.store
        if store.salvaged:
            self.ledger.put(Trouble(alert="store-trouble", active=True, detail=store.salvaged, received=self._stamp()))
        elif self._stands("store-trouble"):
            words = "The store was checked and is sound."
            self.ledger.put(Trouble(alert="store-trouble", active=False, detail=words, received=self._stamp()))

    def run(self, stop: threading.Event) -> None:
        """Until told to stop; then commit what is there and note the end."""
        while not stop.is_set():
            self._turn()
        self.settle()
        self.record(Stopped())
        self.settle()
        if self._open.groups:
            log.error("%d messages could not be committed before the end", len(self._open.groups))

    def _turn(self) -> None:
        try:
            item = self._inbox.get(timeout=self._patience())
        except queue.Empty:
            item = None
        self.status.last_loop_mono_ms = _REAL.mono_ms()
        self.status.waiting = self._inbox.qsize() + len(self._open.groups)
        self._take(item)
        while self._open.rows < GROUP_ROWS and not self._inbox.empty():
            self._take(self._inbox.get_nowait())
        if self._due():
            self.flush()

    def settle(self) -> None:
        """Commit all that is in the inbox now; for whoever runs no thread. What the disk refuses stays open."""
        sound = True
        while not self._inbox.empty():
            self._take(self._inbox.get_nowait())
            if sound and self._open.rows >= GROUP_ROWS:
                sound = self.flush()
        if sound:
            self.flush()

    def _take(self, item: Group | Chore | None) -> None:
        if item is None:
            return
        if isinstance(item, Chore):
            self._chore(item)
            return
        if not self._open.groups:
            self._open.since_mono_ms = self._clock.mono_ms()
        self._open.groups.append(item)
        self._open.rows += sum(max(1, len(each.samples)) if isinstance(each, Message) else 1 for each in item.items)

    def _chore(self, chore: Chore) -> None:
        try:
            with self.ledger.store.transaction():
                result = chore.run(self.ledger.store)
        except Exception as error:  # noqa: BLE001 - whoever asked is told
            _settle(chore.answer, error=error)
        else:
            _settle(chore.answer, result)

    def _patience(self) -> float:
        """Real seconds until there is something to do without new input."""
        pause = self._next_try_ms - self._clock.mono_ms()
        if pause > 0:
            return min(self._clock.real_seconds(pause), 1.0)
        now = self._events.peek()
        until_tick = MINUTE - now % MINUTE
        waits = [until_tick]
        if self._open.groups:
            waits.append(max(0, self._open.since_mono_ms + self._group_ms - self._clock.mono_ms()))
        if self._trouble_at is not None:
            waits.append(1_000)
        return min(self._clock.real_seconds(min(waits)), 1.0)

    def _due(self) -> bool:
        opened = self._open
        answered = any(group.answer is not None for group in opened.groups)  # somebody waits, and shall be told
        if self._clock.mono_ms() < self._next_try_ms:
            return answered
        if self.status.trouble is not None:
            return True
        waited = bool(opened.groups) and self._clock.mono_ms() - opened.since_mono_ms >= self._group_ms
        return answered or waited or opened.rows >= GROUP_ROWS or self._tick_due() or self._jumped() != 0

    def _tick_due(self) -> bool:
        last = self.ledger.state.clock.tick_ms
        return last is not None and self._events.peek() >= last + MINUTE

    def _jumped(self) -> int:
        """By how much the wall clock ran away from the monotonic one since the last look, if by much."""
        jump = (self._clock.wall_ms() - self._wall) - (self._clock.mono_ms() - self._mono)
        return jump if abs(jump) >= CLOCK_JUMP else 0

    # --- one commit ------------------------------------------------------------------------------------------------

    def flush(self) -> bool:
        """Commit what is open, with the ticks that are due; False when the disk refuses (it is kept for later)."""
        groups = self._open.groups
        stamps: list[int] = []
        before = (
            self._mono, self._wall, self._holding, self._trouble_at, self._resending, self._floor, self._unsure,
            self.status.clock_trusted,
        )  # fmt: skip
        try:
            with self.ledger.commit() as out:
                self._note_outage()
                self._note_clock()
                stamps.extend(self._put_group(group) for group in groups)
                now = self._events.peek()
                self.ledger.tick(now)
                self._events.reach(max(now, self._events.last_ms))
                self._note_recovery()
        except Exception as error:  # noqa: BLE001 - a writer that ends stops everything, and the broker sends again
            # What was learned meanwhile was rolled back with the rest, and has to be learned again next time.
            (
                self._mono, self._wall, self._holding, self._trouble_at, self._resending, self._floor, self._unsure,
                self.status.clock_trusted,
            ) = before  # fmt: skip
            if isinstance(error, StoreTrouble) and not isinstance(error.__cause__, _OF_THE_CONTENT):
                self._failed(error)
                return False
            return self._isolate(error)
        self._open = _Open()
        self._tries = 0
        self._next_try_ms = 0
        self.status.committed += 1
        self.status.messages += sum(isinstance(item, Message) for group in groups for item in group.items)
        self.status.trouble = None
        self.status.last_commit_mono_ms = self._clock.mono_ms()
        for group, stamp in zip(groups, stamps, strict=True):
            self._answer(group, stamp)
        if out.events or out.notices or groups:
            self._tell(out)
        return True

    def _isolate(self, error: Exception) -> bool:
        """Something in the open groups cannot be committed, which is a fault of ours: commit each by itself.

        The one that fails alone is kept as unreadable and acknowledged, or the broker would send it for ever.
        """
        groups, self._open = self._open.groups, _Open()
        if not groups:
            self._failed(StoreTrouble(f"a fault in the program keeps it from going on: {error!r}", "please report it"))
            return False
        if len(groups) == 1:
            log.error("this could not be committed and is set aside: %r", groups[0].items, exc_info=error)
            return self._set_aside(groups[0], error)
        for number, group in enumerate(groups):
            self._open = _Open([group], 1, self._clock.mono_ms())
            if not self.flush():
                self._open.groups.extend(groups[number + 1 :])
                return False
        return True

    def _set_aside(self, group: Group, error: Exception) -> bool:
        if group.answer is not None:
            _settle(group.answer, error=error)
            return True
        if group.set_aside:
            log.critical("not even that it could not be committed can be kept: it is let go")
            self._answer(group, 0)
            return True
        kept = [_as_unreadable(item, error) for item in group.items if isinstance(item, Message)]
        self._open = _Open([Group(kept, set_aside=True)], 1, self._clock.mono_ms())
        return self.flush()

    def _answer(self, group: Group, stamp: int) -> None:
        """After the commit, never before: tell the broker and whoever waits."""
        for item in group.items:
            if isinstance(item, Message) and item.receipt is not None:
                try:
                    item.receipt()
                except Exception:
                    log.exception("a receipt could not be given; the broker will send again and it will be absorbed")
        if group.answer is None:
            self._room.release()
        _settle(group.answer, stamp)

    def _tell(self, out: Outcome) -> None:
        if self._on_commit is not None:
            try:
                self._on_commit(out)
            except Exception:
                log.exception("what follows a commit failed; the commit stands")

    def _failed(self, error: StoreTrouble) -> None:
        if self._trouble_at is None:
            log.error("%s", error)
            if self._on_trouble is not None:
                self._on_trouble(str(error))
        self._trouble_at = self._clock.mono_ms()
        self.status.trouble = str(error)
        wait = BACK_OFF_MS[min(self._tries, len(BACK_OFF_MS) - 1)]
        self._tries += 1
        self._next_try_ms = self._clock.mono_ms() + wait
        for group in self._open.groups:
            _settle(group.answer, error=error)
        # A command was told that it failed; doing it later all the same would surprise.
        self._open.groups = [group for group in self._open.groups if group.answer is None]

    def _note_outage(self) -> None:
        """While nothing could be written no rule ran either: nobody watched, and silence counts from now."""
        committed = self.status.last_commit_mono_ms
        if self.status.trouble and committed is not None and self._clock.mono_ms() - committed >= UNWATCHED:
            watched = self.ledger.state.clock.last_ms
            self.ledger.put(ClockStep(watched_until=watched, by_ms=0, received=self._stamp()))

    def _note_recovery(self) -> None:
        """Once it can be written again, the trouble is written down; a minute later it is over."""
        if self._trouble_at is None:
            return
        if self.status.trouble is not None:
            detail = f"{self.status.trouble}. It can be written again now."
            self.ledger.put(Trouble(alert="store-trouble", active=True, detail=detail, received=self._stamp()))
        elif self._clock.mono_ms() - self._trouble_at >= MINUTE:
            self._trouble_at = None
            words = "The store has been written without trouble for a minute."
            self.ledger.put(Trouble(alert="store-trouble", active=False, detail=words, received=self._stamp()))

    def _note_clock(self) -> None:
        if self._by == "command":
            return  # it is gone before it could know; the daemon will look
        jump = self._jumped()
        self._mono, self._wall = self._clock.mono_ms(), self._clock.wall_ms()
        if jump:
            watched = self.ledger.state.clock.last_ms
            self.ledger.put(ClockStep(watched_until=watched, by_ms=jump, received=self._stamp()))
        # Until it is believed once, it has to be past what the store knew at the start.
        trusted = self._trust.trusted(self._wall, self._floor)
        self._floor = 0 if trusted else self._floor
        behind = self._events.behind_ms()
        if not trusted:
            words = "The clock of this machine is not set. Readings without a time of their own are held until it is."
        elif behind > BEHIND:
            words = (
                f"The clock was once {behind // MINUTE} min ahead. Until it has caught up the rules go at half pace."
            )
        else:
            words = ""
        if bool(words) != self._unsure:
            detail = words or "The clock is set."
            self.ledger.put(Trouble(alert="clock-unsure", active=bool(words), detail=detail, received=self._stamp()))
        self._unsure = bool(words)
        if trusted and self._holding:
            self._release()
        self._holding = not trusted
        self.status.clock_trusted = trusted

    def _stamp(self) -> int:
        return self._events.stamp()

    def _put_group(self, group: Group) -> int:
        for item in group.items:
            if isinstance(item, Message):
                self._put_message(item)
            else:
                self.ledger.put(item.model_copy(update={"received": self._stamp()}))
        return self._events.last_ms

    def _put_message(self, message: Message) -> None:
        store = self.ledger.store
        for each in message.unreadable:
            store.add_unreadable(each, self._events.peek())
        if message.online is not None and message.probe is not None:
            known = self.ledger.state.probes.get(message.probe)
            if known is None or known.online != message.online:
                self.ledger.put(ProbeStatus(probe=message.probe, online=message.online, received=self._stamp()))
        if message.probe is None or not message.samples:
            return
        if any(sample.time_ms is None for sample in message.samples):
            if message.retained:
                store.count("retained")  # it would revive a dead probe at each reconnect
                message = _with(message, [sample for sample in message.samples if sample.time_ms is not None])
            elif message.identity is not None:
                if self._sent_again(message.identity, message.arrived_mono_ms):
                    store.count("redelivered")
                    return
                store.add_receipt(message.identity)
        for sample in message.samples:
            self._put_sample(message, sample)

    def _sent_again(self, identity: Identity, mono_ms: int) -> bool:
        """Whether a message without its own time was committed before.

        A new connection begins with what the broker has not noted as taken, in order; one that was killed may go
        far back. The first that is new ends this, and so does a pause: later a packet number may come round again,
        and the same number with the same words would be a new reading.
        """
        resending = self._resending
        if resending.connection != identity.connection:
            resending = Resending(identity.connection, mono_ms)
        again = (
            resending.lasts
            and mono_ms - resending.last_mono_ms <= RESENDING_PAUSE
            and self.ledger.store.seen_before(identity)
        )
        self._resending = Resending(identity.connection, self._mono, lasts=again)
        return again

    def _put_sample(self, message: Message, sample: Sample) -> None:
        assert message.probe is not None
        store = self.ledger.store
        if not self.status.clock_trusted:
            own = sample.time_ms is not None
            store.hold(
                boot=OWN_TIME if own else self._boot,
                mono_ms=0 if own else message.arrived_mono_ms,
                probe=message.probe,
                quantity=sample.quantity,
                value=sample.value,
                shift_ms=sample.time_ms if sample.time_ms is not None else sample.offset_ms,
            )
            return
        measured = sample.time_ms
        if measured is None:
            measured = self._free(message.probe, sample.quantity, self._arrived(message) + sample.offset_ms)
        self._put_reading(message.source, message.probe, sample.quantity, sample.value, measured)

    def _arrived(self, message: Message) -> int:
        """When it arrived, by the clock of now: it may have been set while the message waited."""
        ago = self._mono - message.arrived_mono_ms
        step = (self._wall - ago) - message.arrived_ms
        return message.arrived_ms + (step if abs(step) >= CLOCK_JUMP else 0)

    def _free(self, probe: str, quantity: str, measured_ms: int) -> int:
        """Two readings stamped in one millisecond move on by one."""
        while self.ledger.store.has_reading(probe, quantity, measured_ms):
            measured_ms += 1
        return measured_ms

    def _put_reading(self, source: str, probe: str, quantity: str, value: float, measured_ms: int) -> None:
        reason = refuse_future(measured_ms, max(self._clock.wall_ms(), self._events.peek()))
        if measured_ms < OLDEST_OWN_MS:
            reason = f"measured {iso(measured_ms)}: the clock that says so is not set"
        if reason is not None:
            content = f"{quantity} {value!r}".encode()
            self.ledger.store.add_unreadable(Unreadable(source, probe, reason, content), self._events.peek())
            return
        self.ledger.put(Reading(probe, quantity, measured_ms, value, self._stamp()))

    def _release(self) -> None:
        """The clock is set: what was held gets its time, counted back from now on the monotonic clock."""
        store = self.ledger.store
        wall, mono = self._clock.wall_ms(), self._clock.mono_ms()
        for number, boot, then, probe, quantity, value, shift in store.held():
            if boot == OWN_TIME:
                self._put_reading("held", probe, quantity, value, shift)
            elif boot == self._boot:
                measured = self._free(probe, quantity, wall - (mono - then) + shift)
                self._put_reading("held", probe, quantity, value, measured)
            else:
                reason = "it came in an earlier run of the machine whose clock was never set, so its time is unknown"
                content = f"{quantity} {value!r}".encode()
                store.add_unreadable(Unreadable("held", probe, reason, content), self._events.peek())
            store.release(number)


def _with(message: Message, samples: list[Sample]) -> Message:
    return Message(
        message.source, message.probe, message.arrived_ms, message.arrived_mono_ms, tuple(samples),
        receipt=message.receipt,
    )  # fmt: skip


def _settle(answer: Future[T] | None, result: T | None = None, *, error: Exception | None = None) -> None:
    """Answer whoever waits; one who has gone away meanwhile (a page that was closed) is no trouble."""
    if answer is None:
        return
    with contextlib.suppress(InvalidStateError):
        if error is not None:
            answer.set_exception(error)
        else:
            answer.set_result(result)  # type: ignore[arg-type]


def _as_unreadable(message: Message, error: Exception) -> Message:
    """In plain characters, whatever it was that no table could hold."""
    source, origin, reason = (
        text.encode("ascii", "backslashreplace").decode()
        for text in (message.source, message.probe or "", f"a fault in the program: {error!r}"[:500])
    )
    content = repr(message.samples or message.unreadable).encode("ascii", "backslashreplace")
    return Message(
        message.source, None, message.arrived_ms, message.arrived_mono_ms,
        unreadable=(Unreadable(source, origin, reason, content),), receipt=message.receipt,
    )  # fmt: skip
