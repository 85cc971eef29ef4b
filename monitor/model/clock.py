"""Time as a parameter: the one module that may read the machine's clocks.

Everything else is handed whole UTC milliseconds. Three clocks share one form: the machine's, one moved by
hand (tests, replay) and one that a demo drives ahead of real time.
"""

from __future__ import annotations

import ctypes
import re
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol
from zoneinfo import ZoneInfo

SECOND = 1_000
MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
DAY = 24 * HOUR

# No reading can be older than the program: a machine whose clock says less has not been set yet.
EARLIEST_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z

_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")


def iso(ms: int) -> str:
    """Write UTC milliseconds as RFC 3339 to the millisecond, `2026-03-09T04:10:00.000Z`."""
    seconds, rest = divmod(ms, SECOND)
    return f"{time.strftime('%Y-%m-%dT%H:%M:%S', time.gmtime(seconds))}.{rest:03d}Z"


def on_site(ms: int, zone: ZoneInfo) -> str:
    """A time as people at the site read it in a sentence, `Mon 09 Mar 04:10`."""
    return datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone).strftime("%a %d %b %H:%M")


def parse_time(text: str) -> int:
    """Read an RFC 3339 time with offset as UTC milliseconds; ValueError where there is no offset."""
    if not _RFC3339.fullmatch(text):
        raise ValueError(f"{text!r} is not a time with offset such as 2026-03-09T04:10:00Z")
    moment = datetime.fromisoformat(text.upper().replace(" ", "T"))
    return ms_of(moment)


def ms_of(moment: datetime) -> int:
    """UTC milliseconds of an aware datetime, exact (no float); ValueError for a naive one."""
    if moment.tzinfo is None:
        raise ValueError("a time needs its offset, such as Z or +01:00")
    since = moment - datetime(1970, 1, 1, tzinfo=UTC)
    return since.days * DAY + since.seconds * SECOND + since.microseconds // 1_000


class Clock(Protocol):
    """What a part may ask of time: the wall, a monotonic count, and to be woken when time moved."""

    def wall_ms(self) -> int:
        """UTC milliseconds; may step."""
        ...

    def mono_ms(self) -> int:
        """Milliseconds that only ever go forward, from an origin of this boot."""
        ...

    def real_seconds(self, ms: int) -> float:
        """How long to sleep in real seconds for `ms` of this clock's time to pass."""
        ...

    def on_advance(self, call: Callable[[], None]) -> None:
        """Have `call` run whenever the clock was moved from outside; never, for the machine's own."""
        ...


class SystemClock:
    """The machine's clocks."""

    def wall_ms(self) -> int:
        """UTC milliseconds of the machine."""
        return time.time_ns() // 1_000_000

    def mono_ms(self) -> int:
        """Monotonic milliseconds of the machine."""
        return time.monotonic_ns() // 1_000_000

    def real_seconds(self, ms: int) -> float:
        """The same span in seconds."""
        return max(0.0, ms / SECOND)

    def on_advance(self, call: Callable[[], None]) -> None:
        """Nobody moves the machine's clock but itself."""


def real_s() -> float:
    """Seconds of real time from some origin: for pacing a screen or a patience, never for a rule."""
    return time.monotonic()


class ManualClock:
    """A clock that stands until it is moved: for tests, and for a demo that runs days in minutes.

    `step_wall` lets a test step the wall clock alone, as a time server does.
    """

    def __init__(self, wall_ms: int, mono_ms: int = 0) -> None:
        self._lock = threading.Lock()
        self._wall = wall_ms
        self._mono = mono_ms
        self._calls: list[Callable[[], None]] = []

    def wall_ms(self) -> int:
        """UTC milliseconds as last set."""
        with self._lock:
            return self._wall

    def mono_ms(self) -> int:
        """Monotonic milliseconds as last set."""
        with self._lock:
            return self._mono

    def real_seconds(self, ms: int) -> float:  # noqa: ARG002
        """A long nap at most: whoever moves this clock wakes the sleepers."""
        return 0.25

    def on_advance(self, call: Callable[[], None]) -> None:
        """Run `call` after each move."""
        self._calls.append(call)

    def advance(self, ms: int) -> None:
        """Let `ms` milliseconds pass."""
        with self._lock:
            self._wall += ms
            self._mono += ms
        for call in tuple(self._calls):
            call()

    def step_wall(self, ms: int) -> None:
        """Step the wall clock alone."""
        with self._lock:
            self._wall += ms
        for call in tuple(self._calls):
            call()


class EventClock:
    """Strictly increasing event time over a wall clock that may step.

    Forward steps are followed. After a backward step event time goes on at half pace until the wall has
    caught up: stopping would blind the rules, running on would leave event time ahead for good.
    """

    def __init__(self, clock: Clock, last_ms: int) -> None:
        self._clock = clock
        self._mono = clock.mono_ms()
        self.last_ms = last_ms

    def peek(self) -> int:
        """Event time now, without using it up."""
        wall = self._clock.wall_ms()
        if wall >= self.last_ms:
            return wall
        return self.last_ms + (self._clock.mono_ms() - self._mono) // 2

    def stamp(self) -> int:
        """The next input's `received`: now, or one millisecond after the last."""
        now = max(self.peek(), self.last_ms + 1)
        self.reach(now)
        return now

    def reach(self, ms: int) -> None:
        """Take note that event time has come to `ms`."""
        self.last_ms = ms
        self._mono = self._clock.mono_ms()

    def behind_ms(self) -> int:
        """How far the wall stands behind event time; 0 when it does not."""
        return max(0, self.last_ms - self._clock.wall_ms())


class TimeTrust(Protocol):
    """Whether the wall clock can be believed."""

    def trusted(self, wall_ms: int, floor_ms: int) -> bool:
        """True when `wall_ms` is past `floor_ms` (what the store already knows) and the clock is set."""
        ...


class AlwaysTrusted:
    """For simulated time."""

    def trusted(self, wall_ms: int, floor_ms: int) -> bool:  # noqa: ARG002
        """True."""
        return True


class KernelTimeTrust:
    """Asks the kernel whether time is synchronised; a machine with a battery clock is believed without.

    A board without a battery clock that never reaches a time server is believed after `patience_s` of
    uptime, provided its clock is at least past what the store knows: else it would never start.
    """

    def __init__(
        self, *, rtc: Path = Path("/dev/rtc0"), uptime: Path = Path("/proc/uptime"), patience_s: float = 900.0
    ) -> None:
        self._rtc = rtc
        self._uptime = uptime
        self._patience_s = patience_s

    def trusted(self, wall_ms: int, floor_ms: int) -> bool:
        """Whether the wall clock can be believed now."""
        if wall_ms < EARLIEST_MS:
            return False
        if kernel_synchronised():
            return True  # a time server knows better than the store, whose clock may once have run ahead
        past = wall_ms >= floor_ms - 5 * MINUTE
        return past and (self._rtc.exists() or self._up_s() > self._patience_s)

    def _up_s(self) -> float:
        try:
            return float(self._uptime.read_text(encoding="ascii").split()[0])
        except (OSError, ValueError, IndexError):
            return self._patience_s + 1.0  # not Linux: there is nothing to wait for


def kernel_synchronised() -> bool:
    """Whether the kernel says a time server has set the clock (`adjtimex(2)` returns other than TIME_ERROR)."""
    try:
        libc = ctypes.CDLL(None, use_errno=True)
        buffer = ctypes.create_string_buffer(512)  # struct timex, all zero: a read
        return 0 <= int(libc.adjtimex(buffer)) < 5  # TIME_ERROR is 5
    except (OSError, AttributeError):
        return True
