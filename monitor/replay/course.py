"""Whether a batch's own later course shows that `finished` or `stalled` was told falsely.

What is looked at is what the same run saw later, for as long as the course is the batch's own: up to the first
addition, change of stage, close, probe moved into the vessel or probe suspected, a rise of the gravity (something went
in that nobody wrote down), and seven days at most, since a probe may drift by the 0.002 looked for in a week. Within
that span it was false

- when the gravity fell by more than 0.002 below what it was when it was told, all of its 90 % range below it too (a
  hydrometer's last line is no fall), or
- when the run itself let go of it: the next verdict but `unknown` was `waiting`, `working` or `slowing`.

So it is also false where somebody warmed or stirred the batch and wrote nothing down: no curve tells the two apart.
Less than a day of later course tells nothing either way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from monitor.model.clock import DAY
from monitor.replay.told import Seen, Told

FALL = 0.002
RISE = 0.003  # more than noise and a day's warmth make of a gravity, less than any sugar worth adding
LOOK = 7 * DAY
ENOUGH = DAY

JUDGED = frozenset(("finished", "stalled", "ferment-finished", "ferment-stalled"))
AT_WORK = frozenset(("waiting", "working", "slowing"))


@dataclass(frozen=True, slots=True)
class Later:
    """What the later course says of a verdict or alert: `at_ms` is when it showed, or how far the look reached."""

    outcome: Literal["false", "held", "open"]
    at_ms: int
    fell: float | None = None  # SG below what it was when it was told, where that is what showed it


def later(told: Told, batch: str, at_ms: int, breaks: Sequence[int] = ()) -> Later:
    """Judge a `finished` or `stalled` told of a batch at `at_ms`; the journal ends the course at `breaks`."""
    course = told.gravity.get(batch, [])
    known = [seen for seen in course if seen.at_ms <= at_ms]
    after = [seen for seen in course if seen.at_ms > at_ms]
    first = known[-1] if known else after[0] if after else None
    ends = [time for time in (*breaks, *told.doubts.get(batch, ())) if time > at_ms]
    until = min([at_ms + LOOK, *ends])
    fall: tuple[int, float] | None = None
    if first is not None:
        level = first.gravity
        until = next((min(until, seen.at_ms) for seen in after if seen.gravity > level + RISE), until)
        fell = (seen for seen in after if seen.at_ms < until and _fell(level, seen))
        fall = next(((seen.at_ms, level - seen.gravity) for seen in fell), None)
    let_go = _let_go(told, batch, at_ms, until)
    if let_go is not None and (fall is None or let_go < fall[0]):
        return Later("false", let_go)
    if fall is not None:
        return Later("false", *fall)
    last = max((seen.at_ms for seen in after if seen.at_ms <= until), default=at_ms)
    return Later("held" if last - at_ms >= ENOUGH else "open", last)


def _fell(level: float, seen: Seen) -> bool:
    return round(level - seen.gravity, 6) > FALL and seen.at_most < level


def _let_go(told: Told, batch: str, at_ms: int, until: int) -> int | None:
    for said in told.verdicts.get(batch, ()):
        if said.at_ms > at_ms and said.verdict != "unknown":
            return said.at_ms if said.verdict in AT_WORK and said.at_ms < until else None
    return None
