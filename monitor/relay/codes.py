"""Names of measurements, and words as numbers: some time-series servers turn every string into 0."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, get_args

from monitor.model.events import Change, Hint, Priority, VerdictName

READING: Final = "leeswatch_reading"
VERDICT: Final = "leeswatch_verdict"
ALERT: Final = "leeswatch_alert"
JOURNAL: Final = "leeswatch_journal"
RELAY: Final = "leeswatch_relay"

VERDICTS: Final[Mapping[VerdictName, int]] = {
    "unknown": 0, "waiting": 1, "working": 2, "slowing": 3, "finished": 4, "stalled": 5,
}  # fmt: skip
HINTS: Final[Mapping[Hint | None, int]] = {None: 0, "finished-soon": 1, "stall-likely": 2}
PRIORITIES: Final[Mapping[Priority, int]] = {"low": 1, "medium": 2, "high": 3}
STANDING: Final[Mapping[Change, int]] = {"raised": 1, "acknowledged": 1, "shelved": 1, "reminded": 1, "returned": 0}

assert set(VERDICTS) == set(get_args(VerdictName))
assert set(HINTS) - {None} == set(get_args(Hint))
assert set(PRIORITIES) == set(get_args(Priority))
assert set(STANDING) == set(get_args(Change))
