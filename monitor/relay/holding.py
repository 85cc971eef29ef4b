"""What the server took and may lose yet: held for a while, and queued again where it may have started anew.

A server tells when it started (`/metrics`): rows are marked with that stamp, and let go only once a look, made when
they have been held long enough, has found the same one. An outage counts as a new start, too, also where the stamp is
as it was: some servers tell none, and a machine without a clock of its own can come up twice in the same second.
"""

from __future__ import annotations

import collections
import functools
import logging
from collections.abc import Callable
from typing import Protocol, TypeVar

from monitor.model.clock import HOUR, SECOND
from monitor.store.reader import Reader
from monitor.store.store import Store

T = TypeVar("T")

LOOK_EVERY = 30 * SECOND  # what a server says of itself is larger than all our rows of that time
MOST_DOUBTS = 3  # in ten times the holding: on a line that fails every minute nothing would ever be let go
DOUBTS_WITHIN = 10

_log = logging.getLogger(__name__)


class _Hand(Protocol):
    def __call__(self, chore: Callable[[Store], T]) -> T: ...


class Holding:
    """Of one relay, in its thread. Times are monotonic milliseconds."""

    def __init__(self, hold_ms: int, born_ms: int, started: Callable[[], str | None], hand: _Hand) -> None:
        """`born_ms` tells this run of ours from others; `started` asks the server; `hand` has the writer do a chore."""
        self.stamp: str | None = None
        self._hold, self._born = hold_ms, born_ms
        self._started, self._hand = started, hand
        self._looked_ms: int | None = None
        self._held: collections.deque[tuple[int, int, int]] = collections.deque()  # last row, of the past, when
        self._told: str | None = None
        self._earlier: set[str] = set()
        self._several = False
        self._doubts = 0
        self._doubted: collections.deque[int] = collections.deque()
        self._calm = True

    def took(self, last: int, now: int, *, past: int) -> None:
        """The server has taken what was queued up to a row."""
        self._held.append((last, past, now))
        self._calm = True

    def doubt(self, now: int) -> None:
        """It was away."""
        self._looked_ms = None
        if not self._calm:
            return  # still the same outage
        self._calm = False
        while self._doubted and now - self._doubted[0] > DOUBTS_WITHIN * self._hold:
            self._doubted.popleft()
        if len(self._doubted) < MOST_DOUBTS:
            self._doubted.append(now)
            self._doubts += 1

    def unsure(self) -> None:
        """Whether the last mark was written is not known: what is held is read from the store anew."""
        self.stamp = None

    def look(self, reader: Reader, now: int) -> int:
        """Before something is sent: where it is in doubt, see which server it is. Returns the rows queued again."""
        if self.stamp is None or self._looked_ms is None:
            return self._look(reader, now)
        return 0

    def let_go(self, reader: Reader, now: int) -> tuple[int, int]:
        """Take out what was held long enough. Returns how long until the next, and the rows queued again instead."""
        again = 0
        if self.stamp is None and reader.held_stamps():
            again += self._look(reader, now)  # rows from before we started
        if self._due(now) == 0:
            again += self._look(reader, now)
        looked = self._looked_ms
        while self._held and looked is not None and looked - self._held[0][2] >= self._hold:
            upto, past, _ = self._held[0]
            self._hand(functools.partial(_gone, upto=upto, stamp=self.stamp or "", past=past))
            self._held.popleft()
        return self._due(now), again

    def _due(self, now: int) -> int:
        """Milliseconds until the oldest may go and the server may be asked."""
        if not self._held:
            return HOUR
        due = self._held[0][2] + self._hold
        if self._looked_ms is not None:
            due = max(due, self._looked_ms + min(LOOK_EVERY, self._hold))
        return max(0, due - now)

    def _look(self, reader: Reader, now: int) -> int:
        told = self._started()
        self._note(told)
        stamp = f"?{self._born}" if told is None or self._several else told
        if self._doubts:
            stamp += f"+{self._doubts}"
        again = 0
        if stamp != self.stamp:
            again = self._hand(lambda store: store.outbox.send_again(stamp))
            if again and self.stamp is not None:
                _log.warning("the time-series server was away or has started anew: %d rows go out again", again)
            self.stamp = stamp
            self._held.clear()
            self._held.extend((last, past, now) for held, past, last in reader.held_stamps() if held == stamp)
        self._looked_ms = now
        return again

    def _note(self, told: str | None) -> None:
        """One server does not start at an earlier time again: there are several, and none speaks for the others."""
        if told is None or told == self._told:
            return
        if told in self._earlier and not self._several:
            self._several = True
            _log.warning(
                "several time-series servers seem to answer in turn: one that starts anew is known only by its outage"
            )
        if self._told is not None:
            self._earlier.add(self._told)
        self._told = told


def _gone(store: Store, upto: int, stamp: str, *, past: int) -> int:
    return store.outbox.let_go(upto, stamp, past=past)
