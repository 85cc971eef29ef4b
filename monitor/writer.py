"""The one writer: a thread that owns the ledger, gives each input its place in time, commits, and then acknowledges.

    sources ──┐
    commands ─┼──► inbox ──► [ticks due] ─► stamp ─► ledger.put … ─► commit ─► receipts, answers, routes
    chores ───┘

At most 15 rows or 2 s go into one commit: the broker has 20 messages in flight, and waiting for more would stall it.
"""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar

from monitor import __version__
from monitor.alerts.book import Outcome
from monitor.intake.values import refuse_future
from monitor.ledger import Ledger
from monitor.model.clock import EARLIEST_MS, MINUTE, AlwaysTrusted, Clock, EventClock, SystemClock, TimeTrust
from monitor.model.config import RuleSettings
from monitor.model.errors import LeeswatchError, StoreTrouble
from monitor.model.inputs import (
    ClockStep,
    Configured,
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
INBOX = 1_000
CLOCK_JUMP = 90_000
BACK_OFF_MS = (1_000, 2_000, 5_000, 10_000, 30_000)
_REAL = SystemClock()  # that the loop turns is a matter of real time, whatever the readings' clock does
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
        self._inbox: queue.Queue[Group | Chore | None] = queue.Queue(INBOX)
        self._open = _Open()
        self._events = EventClock(clock, 0)
        self._mono = clock.mono_ms()
        self._wall = clock.wall_ms()
        self._trouble_at: int | None = None
        self._tries = 0
        self._next_try_ms = 0
        clock.on_advance(self.nudge)

    # --- for other threads ---------------------------------------------------------------------------------------

    def submit(self, message: Message) -> None:
        """Hand over a message; waits while the writer is far behind."""
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
        told = settings.as_json()
        with ledger.commit():
            watched = last or None
            ledger.put(Started(version=__version__, watched_until=watched, by=by, received=self._stamp()))
            if ledger.state.settings.as_json() != told or not last:
                ledger.put(Configured(settings=told, received=self._stamp()))
            self._tell_soundness()
        self._mono, self._wall = self._clock.mono_ms(), self._clock.wall_ms()

    def _tell_soundness(self) -> None:
        store = self.ledger.store
        standing = any(alert.alert == "store-trouble" for alert in self.ledger.state.book.standing.values())
        if store.salvaged:
            self.ledger.put(Trouble(alert="store-trouble", active=True, detail=store.salvaged, received=self._stamp()))
        elif standing:
            words = "The store was checked and is sound."
            self.ledger.put(Trouble(alert="store-trouble", active=False, detail=words, received=self._stamp()))

    def run(self, stop: threading.Event) -> None:
        """Until told to stop; then commit what is there and note the end."""
        while not stop.is_set():
            self._turn()
        self.settle()
        self.record(Stopped())
        self.settle()

    def _turn(self) -> None:
        try:
            item = self._inbox.get(timeout=self._patience())
        except queue.Empty:
            item = None
        self.status.last_loop_mono_ms = _REAL.mono_ms()
        self._take(item)
        while self._open.rows < GROUP_ROWS and not self._inbox.empty():
            self._take(self._inbox.get_nowait())
        if self._due():
            self.flush()

    def settle(self) -> None:
        """Commit all that is in the inbox now; for whoever runs no thread."""
        while not self._inbox.empty():
            self._take(self._inbox.get_nowait())
            if self._open.rows >= GROUP_ROWS:
                self.flush()
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
            chore.answer.set_exception(error)
        else:
            chore.answer.set_result(result)

    def _patience(self) -> float:
        """Real seconds until there is something to do without new input."""
        now = self._events.peek()
        until_tick = MINUTE - now % MINUTE
        waits = [until_tick]
        if self._open.groups:
            waits.append(max(0, self._open.since_mono_ms + self._group_ms - self._clock.mono_ms()))
        if self._trouble_at is not None:
            waits.append(1_000)
        return min(self._clock.real_seconds(min(waits)), 1.0)

    def _due(self) -> bool:
        if self._clock.mono_ms() < self._next_try_ms:
            return False
        opened = self._open
        answered = any(group.answer is not None for group in opened.groups)
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
        try:
            with self.ledger.commit() as out:
                self._note_clock()
                stamps.extend(self._put_group(group) for group in groups)
                self.ledger.tick(self._events.peek())
                self._note_recovery()
        except StoreTrouble as error:
            self._failed(error)
            return False
        self._open = _Open()
        self._tries = 0
        self._next_try_ms = 0
        self.status.committed += 1
        self.status.messages += sum(isinstance(item, Message) for group in groups for item in group.items)
        self.status.trouble = None
        self.status.last_commit_mono_ms = self._clock.mono_ms()
        self._events.reach(max(self._events.last_ms, self.ledger.state.clock.last_ms))
        for group, stamp in zip(groups, stamps, strict=True):
            _answer(group, stamp)
        if self._on_commit is not None and (out.events or out.notices or groups):
            self._on_commit(out)
        return True

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
            if group.answer is not None and not group.answer.done():
                group.answer.set_exception(error)
        # A command was told that it failed; doing it later all the same would surprise.
        self._open.groups = [group for group in self._open.groups if group.answer is None]

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
        jump = self._jumped()
        self._mono, self._wall = self._clock.mono_ms(), self._clock.wall_ms()
        if jump:
            watched = self.ledger.state.clock.last_ms
            self.ledger.put(ClockStep(watched_until=watched, by_ms=jump, received=self._stamp()))
        trusted = self._trust.trusted(self._wall, self._events.last_ms - self._events.behind_ms())
        if not trusted and self.status.clock_trusted:
            words = "The clock of this machine is not set. Readings without a time of their own are held until it is."
            self.ledger.put(Trouble(alert="clock-unsure", active=True, detail=words, received=self._stamp()))
        if trusted and not self.status.clock_trusted:
            words = "The clock is set."
            self.ledger.put(Trouble(alert="clock-unsure", active=False, detail=words, received=self._stamp()))
            self._release()
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
                if store.seen_before(message.identity):
                    store.count("redelivered")
                    return
                store.add_receipt(message.identity)
        for sample in message.samples:
            self._put_sample(message, sample)

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
            measured = self._free(message.probe, sample.quantity, message.arrived_ms + sample.offset_ms)
        self._put_reading(message.source, message.probe, sample.quantity, sample.value, measured)

    def _free(self, probe: str, quantity: str, measured_ms: int) -> int:
        """Two readings stamped in one millisecond move on by one."""
        while self.ledger.store.has_reading(probe, quantity, measured_ms):
            measured_ms += 1
        return measured_ms

    def _put_reading(self, source: str, probe: str, quantity: str, value: float, measured_ms: int) -> None:
        reason = refuse_future(measured_ms, max(self._clock.wall_ms(), self._events.peek()))
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


def _answer(group: Group, stamp: int) -> None:
    """After the commit, never before: tell the broker and whoever waits."""
    for item in group.items:
        if isinstance(item, Message) and item.receipt is not None:
            try:
                item.receipt()
            except (OSError, ValueError, LeeswatchError):
                log.exception("a receipt could not be given; the broker will send again and it will be absorbed")
    if group.answer is not None:
        group.answer.set_result(stamp)
