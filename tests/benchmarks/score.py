"""Scores of what was said against the truth, with exact bounds.

Of each method only this is looked at: at which hour it changed to which verdict.

- *False finish*: `finished` stood more than 6 h before the true end, a share of all batches; by what was so when it
  was first said: `moving`, `pausing`, `cold`, a stall that was `resuming` later, or a `stall` for good.
- *Early*: a false finish but for the last kind: said of what was still to fall by itself.
- *Delay*: from the true end to the first hour from 6 h before it in which `finished` stood, of batches without a false
  finish. *Never*: ended, watched for a week or more since, and not said; *warm*: of those that were never chilled.
- *Page*: the hint `finished-soon` or `finished`, the same figures.
- *Stall*: `stalled` stood while it was true (from its dying on until it falls again); delay from the hour in which it
  stood still. *Lasting*: it stood still for three days or more. *High*: more than 0.009 above the final gravity.
- *False stall*: `stalled` was said (each change to it counts) while it was not true but `moving`, `pausing`, `ended` or
  `cold`.
- *Letting go*: from the hour in which a batch called stalled falls again to the first other verdict.
- *Covered*: the share of verdict events whose 90 % range held the truth: gravity now; the rate over the last 24 h and
  that of now (over ±3 h); what is left to fall; the true end. The events of one batch hang together, so the bounds
  take the number of batches for the number of trials.
- *Right*: `finished` from 6 h before the true end on; `stalled` while true; `waiting` until 5 % has fallen; `working`
  and `slowing` while it has neither ended nor stalled nor stands still in the cold.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import beta, chi2

from monitor.model.events import VerdictEvent
from tests.benchmarks.cellar import HOUR_MS, PITCHED_MS, Trial
from tests.benchmarks.truth import SLOW, Truth

GRACE_H = 6.0
HIGH = 0.009
BINS = (0.0, 0.5, 0.7, 0.8, 0.85, 0.9, 0.95, 0.98, 1.0001)
Change = tuple[float, str]  # hour after pitching, verdict


def clopper_pearson(hits: int, of: int, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided bounds of a share (Clopper & Pearson 1934, Biometrika 26:404)."""
    if of == 0:
        return 0.0, 1.0
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if hits == 0 else float(beta.ppf(tail, hits, of - hits + 1))
    high = 1.0 if hits == of else float(beta.ppf(1.0 - tail, hits + 1, of - hits))
    return low, high


def garwood(count: int, exposure: float, confidence: float = 0.95) -> tuple[float, float]:
    """Exact two-sided bounds of a rate of events (Garwood 1936, Biometrika 28:437)."""
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if count == 0 else float(chi2.ppf(tail, 2 * count)) / 2.0
    high = float(chi2.ppf(1.0 - tail, 2 * count + 2)) / 2.0
    return low / exposure, high / exposure


@dataclass(slots=True)
class Scored:
    """One method on one trial. Hours; None where it does not apply or did not come."""

    family: str
    seed: int
    days: float
    false_finish: str  # its kind, or nothing
    false_hint: str
    chilled: bool
    ended: bool  # it ended, and was watched for a week since
    delay: float | None
    hint_delay: float | None
    stall: str  # "", "all", "lasting", "high" (lasting and high)
    stall_delay: float | None
    false_stalls: list[str]  # what was so instead, each time
    resumed: bool  # it fell again while called stalled
    let_go: float | None
    vessel_hours: int
    cost_s: float
    covered: dict[str, tuple[int, int]] = field(default_factory=dict)  # hits, of
    said: dict[tuple[str, int], tuple[int, int]] = field(default_factory=dict)  # verdict, bin: right, of
    failed: str | None = None


def score(trial: Trial, changes: Sequence[Change], hints: Sequence[tuple[float, bool]], cost_s: float) -> Scored:
    """Score the changes of verdict of one method; `hints` are changes of `finished-soon`."""
    truth = trial.truth
    finished = _spans(changes, "finished", truth.hours)
    page = [*finished, *_spans([(hour, str(on)) for hour, on in hints], "True", truth.hours)]
    stalled = _spans(changes, "stalled", truth.hours)
    end = truth.true_end
    scored = Scored(
        family=trial.family,
        seed=trial.seed,
        days=truth.hours / 24.0,
        false_finish=_too_early(finished, truth),
        false_hint=_too_early(page, truth),
        chilled=truth.chill_hour is not None,
        ended=end is not None and truth.hours - end >= 168,
        delay=_delay(finished, end),
        hint_delay=_delay(page, end),
        stall="",
        stall_delay=None,
        false_stalls=[_state(truth, start) for start, _ in stalled if not truth.stalled_at(start)],
        resumed=False,
        let_go=None,
        vessel_hours=truth.hours,
        cost_s=cost_s,
    )
    _score_stall(scored, truth, stalled)
    return scored


def _spans(changes: Iterable[Change], verdict: str, until: float) -> list[tuple[float, float]]:
    spans: list[tuple[float, float]] = []
    start: float | None = None
    for hour, said in changes:
        if said == verdict and start is None:
            start = hour
        elif said != verdict and start is not None:
            spans.append((start, hour))
            start = None
    if start is not None:
        spans.append((start, until))
    return spans


def _too_early(spans: list[tuple[float, float]], truth: Truth) -> str:
    early = [start for start, _ in spans if truth.true_end is None or start < truth.true_end - GRACE_H]
    if not early:
        return ""
    hour = min(early)
    if truth.stalled_at(hour + GRACE_H):
        return "stall" if truth.resume_hour is None else "resuming"
    return _state(truth, hour)


def _state(truth: Truth, hour: float) -> str:
    """What was so at an hour that was no stall."""
    if truth.true_end is not None and hour >= truth.true_end - GRACE_H:
        return "ended"
    if truth.pause is not None and truth.pause[0] <= hour < truth.pause[1]:
        return "pausing"
    chilled = truth.chill_hour is not None and hour >= truth.chill_hour
    return "cold" if chilled and (truth.warm_hour is None or hour < truth.warm_hour + 24) else "moving"


def _delay(spans: list[tuple[float, float]], end: int | None) -> float | None:
    if end is None:
        return None
    from_h = end - GRACE_H
    found = [max(start, from_h) - end for start, stop in spans if stop > from_h]
    return min(found, default=None)


def _score_stall(scored: Scored, truth: Truth, stalled: list[tuple[float, float]]) -> None:
    if truth.stall_hour is None or truth.stall_hour >= truth.hours - 24:
        return
    until = truth.resume_hour if truth.resume_hour is not None else truth.hours
    lasting = until - truth.stall_hour >= 72
    high = (truth.stall_height or 0.0) > HIGH
    scored.stall = "all" if not lasting else "high" if high else "lasting"
    while_true = [max(start, float(truth.stall_hour)) for start, stop in stalled
                  if truth.stalled_at(start) or (start < until and stop > truth.stall_hour)]  # fmt: skip
    scored.stall_delay = min(while_true) - truth.stall_hour if while_true else None
    if truth.resume_hour is not None:
        standing = [stop for start, stop in stalled if start <= truth.resume_hour < stop]
        scored.resumed = bool(standing)
        scored.let_go = standing[0] - truth.resume_hour if standing and standing[0] < truth.hours else None


# --- what only ours says -----------------------------------------------------------------------------------------


def changes_of(events: Sequence[VerdictEvent]) -> tuple[list[Change], list[tuple[float, bool]]]:
    """The changes of verdict, and of the hint `finished-soon`."""
    hours = [((event.time_ms - PITCHED_MS) / HOUR_MS, event) for event in events]
    return [(hour, event.verdict) for hour, event in hours], [
        (hour, event.hint == "finished-soon") for hour, event in hours
    ]


def score_ranges(scored: Scored, truth: Truth, events: Sequence[VerdictEvent]) -> None:
    """Whether the ranges held the truth, and whether confidence was worth its name."""
    covered: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    said: dict[tuple[str, int], list[int]] = defaultdict(lambda: [0, 0])
    for event in events:
        hour = (event.time_ms - PITCHED_MS) / HOUR_MS
        gravity, rate, rate_day = _now(truth, hour)
        finish = event.finish_range_ms
        end_ms = None if truth.true_end is None else PITCHED_MS + truth.true_end * HOUR_MS
        looked_at = {
            "gravity": (gravity, event.gravity_range),
            "rate, 24 h": (rate_day, event.rate_range),
            "rate, now": (rate, event.rate_range),
            "remaining": (gravity - truth.final, event.remaining_range),
            "finish": (end_ms if end_ms is None or hour < (truth.true_end or 0) else None, finish),
        }
        for name, (value, span) in looked_at.items():
            if value is not None and span is not None:
                covered[name][0] += span[0] <= value <= span[1]
                covered[name][1] += 1
        if event.confidence is not None:
            place = sum(event.confidence >= edge for edge in BINS) - 1
            said[event.verdict, place][0] += right(truth, event.verdict, hour)
            said[event.verdict, place][1] += 1
    scored.covered = {name: (hits, of) for name, (hits, of) in covered.items()}
    scored.said = {key: (hits, of) for key, (hits, of) in said.items()}


def _now(truth: Truth, hour: float) -> tuple[float, float, float]:
    hours = np.arange(truth.gravity.size)
    ago, before, now, after = np.interp((hour - 24.0, hour - 3.0, hour, hour + 3.0), hours, truth.gravity)
    return float(now), float(after - before) * 4.0, float(now - ago)


def right(truth: Truth, verdict: str, hour: float) -> bool:
    """Whether a verdict is true at an hour."""
    if verdict == "finished":
        return truth.true_end is not None and hour >= truth.true_end - GRACE_H
    if verdict == "stalled":
        return truth.stalled_at(hour)
    if verdict == "waiting":
        now = float(np.interp(hour, np.arange(truth.gravity.size), truth.gravity))
        return truth.original - now < 0.05 * (truth.original - truth.final)
    ended = truth.true_end is not None and hour >= truth.true_end
    stuck = truth.stall_hour is not None and truth.stalled_at(hour) and hour >= truth.stall_hour
    return not ended and not stuck and not _still_in_the_cold(truth, hour)


def _still_in_the_cold(truth: Truth, hour: float) -> bool:
    if truth.chill_hour is None or hour < truth.chill_hour + 24:
        return False
    at = min(int(hour), truth.gravity.size - 25)
    return bool(truth.gravity[at] - truth.gravity[at + 24] < SLOW)


# --- together ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rate:
    """A share or a rate with its exact 95 % bounds."""

    hits: int
    of: float
    value: float
    low: float
    high: float

    @classmethod
    def share(cls, hits: int, of: int) -> Rate:
        """Of batches."""
        return cls(hits, of, hits / of if of else math.nan, *clopper_pearson(hits, of))

    @classmethod
    def per(cls, count: int, exposure: float) -> Rate:
        """Of events."""
        return cls(count, exposure, count / exposure if exposure else math.nan, *garwood(count, exposure or 1.0))

    @classmethod
    def of_events(cls, hits: int, of: int, batches: int) -> Rate:
        """Of events that hang together within batches: bounds as if each batch were one trial."""
        value = hits / of if of else math.nan
        return cls(hits, of, value, *clopper_pearson(round(value * batches) if of else 0, batches if of else 0))


@dataclass(slots=True)
class Summary:
    """All figures of one method over some trials."""

    trials: int
    days: float
    false_finish: Rate
    early: Rate
    kinds: dict[str, int]
    delay: tuple[float, float]  # median, 95th percentile
    never: Rate
    never_warm: Rate
    early_hint: Rate
    hint_delay: tuple[float, float]
    recall: dict[str, Rate]
    stall_delay: dict[str, tuple[float, float]]
    false_stalls: Rate  # a thousand batch-days
    false_stall_kinds: dict[str, int]
    let_go: tuple[float, float]
    let_go_of: tuple[int, int]  # let go, called stalled while it fell again
    cost_ms: float  # a vessel-hour
    covered: dict[str, Rate]
    reliability: dict[str, list[tuple[float, float, Rate]]]


def summarise(scores: Sequence[Scored]) -> Summary:
    """The figures over some trials."""
    ended = [each for each in scores if each.ended]
    warm = [each for each in ended if not each.chilled]
    clean = [each for each in ended if not each.false_finish]
    stalls = {
        "all": [each for each in scores if each.stall],
        "lasting": [each for each in scores if each.stall in ("lasting", "high")],
        "high": [each for each in scores if each.stall == "high"],
    }
    days = sum(each.days for each in scores)
    resumed = [each for each in scores if each.resumed]
    return Summary(
        trials=len(scores),
        days=days,
        false_finish=Rate.share(sum(bool(each.false_finish) for each in scores), len(scores)),
        early=Rate.share(sum(each.false_finish not in ("", "stall") for each in scores), len(scores)),
        kinds=dict(Counter(each.false_finish for each in scores if each.false_finish)),
        delay=_middle([each.delay for each in clean]),
        never=Rate.share(sum(each.delay is None for each in ended), len(ended)),
        never_warm=Rate.share(sum(each.delay is None for each in warm), len(warm)),
        early_hint=Rate.share(sum(each.false_hint not in ("", "stall") for each in scores), len(scores)),
        hint_delay=_middle([each.hint_delay for each in ended if not each.false_hint]),
        recall={
            name: Rate.share(sum(each.stall_delay is not None for each in some), len(some))
            for name, some in stalls.items()
        },
        stall_delay={name: _middle([each.stall_delay for each in some]) for name, some in stalls.items()},
        false_stalls=Rate.per(sum(len(each.false_stalls) for each in scores), days / 1000.0),
        false_stall_kinds=dict(Counter(kind for each in scores for kind in each.false_stalls)),
        let_go=_middle([each.let_go for each in resumed]),
        let_go_of=(sum(each.let_go is not None for each in resumed), len(resumed)),
        cost_ms=1000.0 * sum(each.cost_s for each in scores) / max(1, sum(each.vessel_hours for each in scores)),
        covered=_coverage(scores),
        reliability=_reliability(scores),
    )


def _middle(values: Iterable[float | None]) -> tuple[float, float]:
    known = [value for value in values if value is not None]
    if not known:
        return math.nan, math.nan
    return float(np.percentile(known, 50)), float(np.percentile(known, 95))


def _coverage(scores: Sequence[Scored]) -> dict[str, Rate]:
    names = dict.fromkeys(name for each in scores for name in each.covered)
    found = {}
    for name in names:
        pairs = [each.covered[name] for each in scores if name in each.covered]
        found[name] = Rate.of_events(sum(hits for hits, _ in pairs), sum(of for _, of in pairs), len(pairs))
    return found


def _reliability(scores: Sequence[Scored]) -> dict[str, list[tuple[float, float, Rate]]]:
    verdicts = dict.fromkeys(verdict for each in scores for verdict, _ in each.said)
    found: dict[str, list[tuple[float, float, Rate]]] = {}
    for verdict in [*sorted(verdicts), "any"]:
        for place in range(len(BINS) - 1):
            hits = of = batches = 0
            for each in scores:
                pairs = [pair for key, pair in each.said.items() if key[1] == place and verdict in ("any", key[0])]
                hits, of = hits + sum(pair[0] for pair in pairs), of + sum(pair[1] for pair in pairs)
                batches += bool(pairs)
            if of:
                rate = Rate.of_events(hits, of, batches)
                found.setdefault(verdict, []).append((BINS[place], min(BINS[place + 1], 1.0), rate))
    return found
