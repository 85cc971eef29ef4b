"""How fast: limits of bandwidth and requests, and how long to wait after failures. All in monotonic milliseconds."""

from __future__ import annotations

from random import Random

from monitor.model.clock import HOUR, MINUTE, SECOND

FIRST_WAIT = SECOND
LONGEST_WAIT = 5 * MINUTE
LONGEST_ASKED = HOUR  # a server may ask for more patience, but not for days
BURST = 4 * SECOND  # what was not used may be used later, for so long


class Allowance:
    """So many units a second, with a small reserve; a single use may be larger than the reserve and is paid off."""

    def __init__(self, per_second: float | None, now_ms: int) -> None:
        """None: as many as may be."""
        self._rate = per_second
        self._left = 0.0 if per_second is None else per_second * BURST / SECOND
        self._at = now_ms

    def wait(self, now_ms: int) -> int:
        """Milliseconds until the next use is allowed; 0 when it is."""
        if self._rate is None:
            return 0
        self._fill(now_ms)
        return 0 if self._left >= 0.0 else max(1, round(-self._left / self._rate * SECOND))

    def use(self, units: float, now_ms: int) -> None:
        """Take some."""
        if self._rate is not None:
            self._fill(now_ms)
            self._left -= units

    def _fill(self, now_ms: int) -> None:
        assert self._rate is not None
        most = self._rate * BURST / SECOND
        self._left = min(most, self._left + self._rate * max(0, now_ms - self._at) / SECOND)
        self._at = now_ms


def wait_after(failures: int, asked_ms: int | None, chance: Random) -> int:
    """How long to wait after so many failures in a row: 1 s, doubling up to 5 min, or what the server asked for.

    A tenth more or less by chance, so that many daemons do not all come back in the same moment.
    """
    if asked_ms is not None:
        return min(max(asked_ms, FIRST_WAIT), LONGEST_ASKED)
    wait = min(LONGEST_WAIT, FIRST_WAIT << min(max(failures, 1) - 1, 20))
    return round(wait * chance.uniform(0.9, 1.1))
