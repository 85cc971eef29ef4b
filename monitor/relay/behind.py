"""Whether rows have waited too long for the server: told when it begins, now and then meanwhile, and at its end."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future

from monitor.model.clock import HOUR
from monitor.model.inputs import Trouble
from monitor.rules.health import span_words

TELL_AGAIN = 6 * HOUR


class Behind:
    """The alert `relay-behind`. Times are monotonic milliseconds, of the clock that readings go by."""

    def __init__(self, after_ms: int, born_ms: int, record: Callable[[Trouble], Future[int]]) -> None:
        self._after, self._born, self._record = after_ms, born_ms, record
        self._told_ms: int | None = None
        self._answer: Future[int] | None = None
        self._before: int | None = None

    def stood(self, now: int) -> None:
        """The alert stood when we started: it is told when it is over."""
        self._told_ms = now

    def see(self, waiting: int, age_ms: int, now: int, why: str | None) -> bool:
        """So many rows of today wait, the oldest so long. Returns whether that is too long."""
        self._hear()
        # What lay here while we did not run could not go out: it counts from our start.
        if min(age_ms, now - self._born) > self._after:
            if self._told_ms is None or now - self._told_ms >= TELL_AGAIN:
                said = f": {why}" if why else ""
                self._tell(
                    now, f"{waiting} rows wait for the time-series server, the oldest for {span_words(age_ms)}{said}. "
                    "Nothing is lost: they are kept here until it takes them.",
                )  # fmt: skip
        elif self._told_ms is not None and age_ms <= self._after / 2:  # not each time that one row more or less is old
            self._tell(None, "The time-series server has caught up.")
        return self._told_ms is not None

    def _tell(self, told_ms: int | None, detail: str) -> None:
        self._before, self._told_ms = self._told_ms, told_ms
        self._answer = self._record(Trouble(alert="relay-behind", active=told_ms is not None, detail=detail))

    def _hear(self) -> None:
        """What the store could not keep is not told yet."""
        if self._answer is not None and self._answer.done():
            if self._answer.exception() is not None:
                self._told_ms = self._before
            self._answer = None
