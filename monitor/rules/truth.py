"""How far a gravity probe is off, by hand readings: what to add to it at any time, and how sure that is.

The offset begins near zero (the calibration's error, 0.001 without one) and drifts at a rate that is itself unknown:
up to 0.002 a week, so 0.00015 a day as a standard deviation, forgotten over weeks. Two numbers, offset and rate, are
filtered over the hand readings in order of time (Kalman) and smoothed back (Rauch, Tung & Striebel 1965, AIAA J.
3:1445), so that what is added to a past hour makes no step where a hand reading came.

One reading that differs by more than four joint errors is held, not believed: a misread scale must not re-zero a
probe. A second that agrees with it within two days makes both believed, and the probe is taken to have slipped in
between. Everything follows from the set of pairs, so it does not matter in which order late ones came.

The hydrometer is taken as it is: what all hand readings are wrong by together stays in the corrected gravity.
"""

from __future__ import annotations

import math
from bisect import bisect_right, insort
from dataclasses import dataclass, field
from typing import NamedTuple

from monitor.model.clock import DAY
from monitor.model.findings import Finding

FIRST_SD = 0.001  # SG: a probe without a calibration, in what it was made for (common practice, no source)
RATE_SD = 0.00015  # SG a day; 0.002 a week is about its double
RATE_DAYS = 21.0  # after these the rate is mostly another
ANCHOR_ERROR = 0.001  # of an original gravity told by hydrometer
GATE = 4.0  # joint standard errors
GATE_SD = 0.0015  # however long ago the last reading was: one misread scale must not pass for drift
AGREE = 3.0
AGREE_LEAST = 0.0015
AGREE_WITHIN = 2 * DAY
DRIFTED = 0.002
SURE = 1.645  # a one-sided 95 %, or a 90 % range
MOST_PAIRS = 24


class Belief(NamedTuple):
    """Offset (SG) and rate (SG a day) with their variances and covariance."""

    offset: float
    rate: float
    oo: float
    orr: float
    rr: float


class Pair(NamedTuple):
    """A hand reading and what the probe said then: gravities SG with their standard errors."""

    at_ms: int
    probe: float
    probe_sd: float
    hand: float
    hand_sd: float

    def seen(self) -> float:
        """The offset by this pair alone."""
        return self.hand - self.probe

    def variance(self) -> float:
        """Its variance."""
        return self.hand_sd**2 + self.probe_sd**2


class _Knot(NamedTuple):
    """A believed pair: when, what was believed after it, and the variance of a slip since the knot before."""

    at_ms: int
    belief: Belief
    slip: float


class Doubt(NamedTuple):
    """A hand reading that is held: when, what it said, what was expected of it, and what would have been allowed."""

    at_ms: int
    hand: float
    expected: float
    allowed: float


@dataclass(slots=True)
class ProbeTruth:
    """What hand readings taught of one probe in one batch; give a probe that was moved or cleaned a new one.

    `since_ms`: from when it sat in the wash. `first_sd`: standard error of its offset then. Bounded: the oldest pair
    beyond `MOST_PAIRS` goes into what was believed at first.
    """

    since_ms: int
    first_sd: float = FIRST_SD
    pairs: list[Pair] = field(default_factory=list)
    first: Belief | None = None

    def take(self, pair: Pair) -> None:
        """Add a pair, or put it in the place of that of the same time. One from before `since_ms` counts as then."""
        if self.first is not None and pair.at_ms <= self.since_ms:
            return  # older than what was summed up, or the last of it
        if pair.at_ms < self.since_ms:
            pair = pair._replace(at_ms=self.since_ms)
        self.forget(pair.at_ms)
        insort(self.pairs, pair)
        if len(self.pairs) > MOST_PAIRS:
            self._sum_up()

    def forget(self, at_ms: int) -> None:
        """Drop the pair of a time: its hand reading was undone."""
        self.pairs = [each for each in self.pairs if each.at_ms != at_ms]

    def anew(self, at_ms: int) -> ProbeTruth:
        """That of the same probe once it was moved or cleaned: nothing taught before counts any more."""
        return ProbeTruth(at_ms, self.first_sd, first=Belief(0.0, 0.0, self.first_sd**2, 0.0, RATE_SD**2))

    def solve(self) -> Offsets:
        """What follows from the pairs; costs some 6 µs a pair, then 2 to 5 µs for each question."""
        return Offsets(self)

    def offset_at(self, at_ms: int) -> tuple[float, float]:
        """What to ADD to the probe's gravity at a time, and its standard error. For many times, `solve` once."""
        return self.solve().at(at_ms)

    def start(self) -> Belief:
        """What was believed before the first pair that is kept."""
        return self.first or Belief(0.0, 0.0, self.first_sd**2, 0.0, RATE_SD**2)

    def _sum_up(self) -> None:
        oldest = self.pairs.pop(0)
        belief = _predict(self.start(), self.since_ms, oldest.at_ms)
        gap = oldest.seen() - belief.offset
        self.since_ms = oldest.at_ms
        self.first = _update(belief, oldest) if abs(gap) <= _gate(belief, oldest) else belief


class Offsets:
    """The offset over time; `held` is the doubtful hand reading that waits for a second, `pairs` how many count."""

    def __init__(self, truth: ProbeTruth) -> None:
        self._knots, self.held = _filter(truth)
        self.pairs = len(self._knots) - 1
        self.last_ms = self._knots[-1].at_ms if self.pairs else None
        self._smooth = [self._knots[-1].belief]
        for earlier, later in zip(self._knots[-2::-1], self._knots[:0:-1], strict=True):
            self._smooth.append(_back(earlier.belief, earlier.at_ms, later.at_ms, later.slip, self._smooth[-1]))
        self._smooth.reverse()
        self._times = [knot.at_ms for knot in self._knots]

    def belief(self, at_ms: int) -> Belief:
        """Offset and rate at a time, by all pairs; before the start it is as at the start."""
        i = bisect_right(self._times, at_ms) - 1
        if i < 0:
            return self._smooth[0]
        here = self._knots[i]
        if i == len(self._knots) - 1:
            return _predict(here.belief, here.at_ms, at_ms)
        later = self._knots[i + 1]
        share = later.slip * (at_ms - here.at_ms) / (later.at_ms - here.at_ms)
        now = _predict(here.belief, here.at_ms, at_ms, share)
        return _back(now, at_ms, later.at_ms, later.slip - share, self._smooth[i + 1])

    def at(self, at_ms: int) -> tuple[float, float]:
        """What to ADD to the probe's gravity at a time, and its standard error."""
        found = self.belief(at_ms)
        return found.offset, math.sqrt(max(found.oo, 0.0))

    def drifted(self) -> float | None:
        """The offset at the last believed pair, if it is 0.002 or more by half a standard error; else None."""
        if self.last_ms is None:
            return None
        offset, sd = self.at(self.last_ms)
        return offset if abs(offset) >= max(DRIFTED + 0.5 * sd, SURE * sd) else None


def hand_finding(name: str, batch: str, offsets: Offsets) -> Finding | None:
    """`probe-suspect` by hand readings: one held, or a drift; returned when they agree; None where nothing is known."""
    about = f"probe:{name}"
    held = offsets.held
    if held is not None:
        apart = abs(held.hand - held.expected)
        return Finding(
            "probe-suspect", about, active=True, seen_ms=held.at_ms,
            message=f"Two witnesses of batch {batch} disagree: {name} says {held.expected:.4f}, "
            f"your hydrometer says {held.hand:.4f}. One of them is wrong, so {name} was not set right by it.",
            because=(f"they are {apart:.4f} apart, and {held.allowed:.4f} is what their errors allow",),
            do=("take a second hydrometer reading within two days: degas the sample, note its temperature; "
                "if it says the same, it is believed",),
        )  # fmt: skip
    if offsets.last_ms is None:
        return None
    off = offsets.drifted()
    if off is None:
        words = f"{name} and your hydrometer agree on batch {batch}."
        return Finding("probe-suspect", about, active=False, message=words, seen_ms=offsets.last_ms)
    return Finding(
        "probe-suspect", about, active=True, seen_ms=offsets.last_ms,
        message=f"Probe {name} reads {abs(off):.4f} {'low' if off > 0 else 'high'} by your hydrometer: "
        "it needs looking after. Until then it is corrected by that.",
        because=(f"{_count(offsets.pairs)} of batch {batch} and what it said then are that far apart",),
        do=("rinse foam and yeast off it when it next comes out, and check it in water at 20 °C (1.000)",
            "take another hydrometer reading before you rack or seal"),
    )  # fmt: skip


def _count(pairs: int) -> str:
    return "one hand reading" if pairs == 1 else f"{pairs} hand readings"


# --- the filter --------------------------------------------------------------------------------------------------


def _filter(truth: ProbeTruth) -> tuple[list[_Knot], Doubt | None]:
    """The start and every believed pair in order of time, and the doubtful one that is still waiting."""
    knots = [_Knot(truth.since_ms, truth.start(), 0.0)]
    held: Pair | None = None
    doubt: Doubt | None = None
    for pair in truth.pairs:
        last = knots[-1]
        belief = _predict(last.belief, last.at_ms, pair.at_ms)
        gate = _gate(belief, pair)
        gap = pair.seen() - belief.offset
        if abs(gap) <= gate:
            knots.append(_Knot(pair.at_ms, _update(belief, pair), 0.0))
            held = doubt = None
        elif held is not None and _agree(held, pair):
            _slipped(knots, held, pair)
            held = doubt = None
        else:
            held = pair
            doubt = Doubt(pair.at_ms, pair.hand, pair.probe + belief.offset, gate)
    return knots, doubt


def _gate(belief: Belief, pair: Pair) -> float:
    return GATE * math.sqrt(min(belief.oo, GATE_SD**2) + pair.variance())


def _agree(first: Pair, second: Pair) -> bool:
    days = (second.at_ms - first.at_ms) / DAY
    allowed = AGREE * math.sqrt(first.variance() + second.variance() + (RATE_SD * days) ** 2)
    return second.at_ms - first.at_ms <= AGREE_WITHIN and abs(first.seen() - second.seen()) <= max(AGREE_LEAST, allowed)


def _slipped(knots: list[_Knot], first: Pair, second: Pair) -> None:
    """Two agree against what was believed: it slipped since the last knot, or never was right if there is none."""
    last = knots[-1]
    slip = (first.seen() - _predict(last.belief, last.at_ms, first.at_ms).offset) ** 2
    if len(knots) == 1:
        last = knots[0] = last._replace(belief=last.belief._replace(oo=last.belief.oo + slip))
        slip = 0.0
    belief = _update(_predict(last.belief, last.at_ms, first.at_ms, slip), first)
    knots.append(_Knot(first.at_ms, belief, slip))
    knots.append(_Knot(second.at_ms, _update(_predict(belief, first.at_ms, second.at_ms), second), 0.0))


def _predict(belief: Belief, from_ms: int, to_ms: int, slip: float = 0.0) -> Belief:
    """On in time: the offset moves by the rate, the rate is slowly forgotten (its spread stays `RATE_SD`)."""
    if to_ms <= from_ms:
        return belief
    u = (to_ms - from_ms) / DAY / RATE_DAYS
    keep = math.exp(-u)
    reach = RATE_DAYS * (1.0 - keep)  # days the present rate still carries
    spread = RATE_SD**2
    return Belief(
        belief.offset + reach * belief.rate,
        keep * belief.rate,
        belief.oo + 2 * reach * belief.orr + reach**2 * belief.rr
        + spread * RATE_DAYS**2 * (2 * u - 3 + 4 * keep - keep**2) + slip,
        keep * (belief.orr + reach * belief.rr) + spread * RATE_DAYS * (1.0 - keep) ** 2,
        keep**2 * belief.rr + spread * (1.0 - keep**2),
    )  # fmt: skip


def _update(belief: Belief, pair: Pair) -> Belief:
    total = belief.oo + pair.variance()
    gain, gain_rate = belief.oo / total, belief.orr / total
    gap = pair.seen() - belief.offset
    return Belief(
        belief.offset + gain * gap,
        belief.rate + gain_rate * gap,
        belief.oo * (1.0 - gain),
        belief.orr * (1.0 - gain),
        belief.rr - gain_rate * belief.orr,
    )


def _back(here: Belief, at_ms: int, later_ms: int, slip: float, later: Belief) -> Belief:
    """What is known here once what was later believed is known too."""
    if later_ms <= at_ms:
        return later
    ahead = _predict(here, at_ms, later_ms, slip)
    keep = math.exp(-(later_ms - at_ms) / DAY / RATE_DAYS)
    reach = RATE_DAYS * (1.0 - keep)
    # Gain: covariance of here with ahead, times the inverse of ahead's.
    a, b = here.oo + reach * here.orr, keep * here.orr
    c, d = here.orr + reach * here.rr, keep * here.rr
    det = ahead.oo * ahead.rr - ahead.orr**2
    ga, gb = (a * ahead.rr - b * ahead.orr) / det, (b * ahead.oo - a * ahead.orr) / det
    gc, gd = (c * ahead.rr - d * ahead.orr) / det, (d * ahead.oo - c * ahead.orr) / det
    off, rate = later.offset - ahead.offset, later.rate - ahead.rate
    oo, orr, rr = later.oo - ahead.oo, later.orr - ahead.orr, later.rr - ahead.rr
    return Belief(
        here.offset + ga * off + gb * rate,
        here.rate + gc * off + gd * rate,
        here.oo + ga * ga * oo + 2 * ga * gb * orr + gb * gb * rr,
        here.orr + ga * gc * oo + (ga * gd + gb * gc) * orr + gb * gd * rr,
        here.rr + gc * gc * oo + 2 * gc * gd * orr + gd * gd * rr,
    )
