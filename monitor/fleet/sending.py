"""Keeps a site's summary on its broker: after a change, after each connection, and every five minutes at least.

In a thread of its own that reads the store as last committed, so that the writer never waits for it. While the broker
is away nothing is queued: only the latest is worth anything.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from monitor.fleet.summary import SUMMARY_TOPIC, Summary, encode
from monitor.model.clock import SystemClock

EVERY_S = 300.0
LOOK_S = 2.0  # how long a change may wait for others, and how often the connection is looked at
APART_S = 5.0  # at least between two messages

log = logging.getLogger(__name__)


class SummarySender:
    """The thread. `publish` says whether the broker's client took the message."""

    def __init__(
        self,
        make: Callable[[], Summary],
        publish: Callable[[str, bytes], bool],
        connected: Callable[[], bool],
        *,
        every_s: float = EVERY_S,
        look_s: float = LOOK_S,
        apart_s: float = APART_S,
    ) -> None:
        self._make, self._publish, self._connected = make, publish, connected
        self._every_ms, self._look_s, self._apart_ms = every_s * 1000, look_s, apart_s * 1000
        self._real = SystemClock()  # the broker lives in real time, whatever the clock of the readings does
        self._changed = threading.Event()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="summary", daemon=True)
        self._sent: Summary | None = None  # on the connection that stands
        self._sent_ms = 0
        self._failing = False

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; what was not sent yet is not sent."""
        self._stop.set()
        self._thread.join(5.0)

    def changed(self) -> None:
        """Something was committed that a summary may tell of. From any thread; returns at once."""
        self._changed.set()

    def _run(self) -> None:
        while not self._stop.wait(self._look_s):
            try:
                self._look()
                self._failing = False
            except Exception:
                if not self._failing:
                    log.exception("the summary could not be sent; it is tried again")
                self._failing = True

    def _look(self) -> None:
        if not self._connected():
            self._sent = None  # the broker may come back without what it had
            return
        gone_ms = self._real.mono_ms() - self._sent_ms
        due = self._sent is None or gone_ms >= self._every_ms
        if not due and (gone_ms < self._apart_ms or not self._changed.is_set()):
            return
        self._changed.clear()
        try:
            summary = self._make()
            same = self._sent is not None and summary == self._sent.model_copy(update={"time": summary.time})
            if same and not due:
                return
            if not self._publish(SUMMARY_TOPIC, encode(summary)):
                self._changed.set()
                return
        except Exception:
            self._changed.set()
            raise
        self._sent, self._sent_ms = summary, self._real.mono_ms()
