"""The verdict on a fermenting batch.

Judged by equivalence: *flat* means that the slope over up to 72 h lies inside ±0.0005 SG a day with 90 % confidence
on each side, never that no trend was found. What is flat is finished or stalled by how far it lies above the
expected final gravity, reckoned with that expectation's own uncertainty; where it could be either, or where cold, a
dead probe or too little data forbid an answer, it is unknown. Figures and what was tried: DEVELOPERS.md, detection.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

from monitor.model.clock import DAY, HOUR
from monitor.model.events import Cause, Hint, Range, VerdictEvent, VerdictName
from monitor.rules.batch import BatchState, Expectation, HandPoint, expectation
from monitor.rules.health import span_words
from monitor.rules.track import PointSource
from monitor.science import alcohol
from monitor.science.trend import Trend, median, robust_sd, theil_sen

WINDOW_H = 72
FLAT = 0.0005  # SG a day
FLAT_CONFIDENCE = 0.90
FLAT_POINTS = 36
FLAT_SPAN_H = 60.0
MARGIN = 0.005  # SG: what is closer to the expected final than this has arrived
MARGIN_SURE = 0.007  # a looser expectation may not call more than this finished
DRIFT_SD = 0.001  # SG: what a probe may have drifted over a batch (0.002 a week seen)
SLOWING = 0.35  # of the fastest rate
QUICK_AGAIN = 0.55
TEMPERATURE_STEP = 3.0
RESUMED = 0.0007  # SG a day
RESUMED_FALL = 0.002
RISE = 0.006  # SG: no yeast raises gravity; foam and temperature move a float by less
BEGUN_BELOW = 1.020  # SG: no wash of ours starts so low (common practice, no source)
Z90 = 1.645
_NORMAL = NormalDist()


@dataclass(frozen=True, slots=True)
class Evidence:
    """What there is to judge a batch by."""

    gravity: PointSource | None  # hourly gravity of the probe in charge
    probe: str | None
    probe_error: float  # standard error of that probe's calibration
    trouble: str | None  # why that probe cannot be believed now
    liquid: PointSource | None  # hourly temperature of the liquid
    seen_ms: int | None


@dataclass(frozen=True, slots=True)
class Seen:
    """The measured part: gravity now, its rate, and how long it has been flat."""

    gravity: float
    sd: float
    rate: float | None  # SG a day
    rate_range: Range | None
    flat: float | None  # probability that it stands still; None: not flat, or not enough to say
    nearly: bool  # flat enough for a hint
    noise: float
    points: int
    used: tuple[str, ...]
    flat_words: str


def judge(batch: BatchState, evidence: Evidence, now_ms: int) -> VerdictEvent:
    """The verdict now. Changes what `batch` remembers (peak rate, start, window); says nothing by itself."""
    _watch_temperature(batch, evidence, now_ms)
    seen = _by_probe(batch, evidence, now_ms) if evidence.trouble is None else None
    if seen is not None and batch.started_ms is not None and _watch_rise(batch, evidence, seen, now_ms):
        seen = _by_probe(batch, evidence, now_ms)
    if seen is None and len(batch.hand) >= 3:
        seen = _by_hand(batch, now_ms) or seen
    if seen is None:
        return _unknown(batch, evidence, now_ms)
    _watch_progress(batch, evidence, seen, now_ms)
    expected = expectation(batch)
    verdict, confidence, because = _decide(batch, evidence, seen, expected, now_ms)
    if verdict in ("finished", "stalled") and verdict != batch.rest:
        batch.rest, batch.rest_gravity = verdict, seen.gravity
    elif verdict in ("working", "slowing"):
        batch.rest = batch.rest_gravity = None
    return _event(batch, evidence, seen, expected, (verdict, confidence, because), now_ms)


# --- what is seen ------------------------------------------------------------------------------------------------


def _by_probe(batch: BatchState, evidence: Evidence, now_ms: int) -> Seen | None:
    if evidence.gravity is None:
        return None
    start = max(batch.window_from_ms, batch.pitched_ms, now_ms - WINDOW_H * HOUR)
    points = evidence.gravity(start, now_ms)
    if not points or now_ms / HOUR - points[-1][0] > 26.0:
        return None
    noise = _noise([value for _, value in points])
    day = [point for point in points if point[0] > points[-1][0] - 24.0]
    trend = theil_sen(*_columns(day), 0.95) if len(day) >= 4 else None
    gravity = trend.at(day[-1][0]) if trend else median([value for _, value in day])
    sd = math.hypot(noise / math.sqrt(max(1.0, len(day) / 4.0)), evidence.probe_error, 0.0002)
    long = _long_trend(points)
    flat = _flat_probability(long) if long is not None and long.flat(FLAT / 24.0) else None
    words = (
        f"it has stood still over the last {len(points)} h: its slope lies within ±{FLAT} a day, "
        "with 90% confidence on each side"
    )
    return Seen(
        gravity=gravity,
        sd=sd,
        rate=trend.slope * 24.0 if trend else None,
        rate_range=(trend.low * 24.0, trend.high * 24.0) if trend and math.isfinite(trend.low - trend.high) else None,
        flat=flat,
        # Once hinted, it takes more to take the hint back.
        nearly=trend is not None and trend.flat((0.003 if batch.hint else 0.0015) / 24.0) and len(day) >= 18,
        noise=noise,
        points=len(points),
        used=(evidence.probe or "probe",),
        flat_words=words,
    )


def _long_trend(points: list[tuple[float, float]]) -> Trend | None:
    if len(points) < FLAT_POINTS or points[-1][0] - points[0][0] < FLAT_SPAN_H:
        return None
    return theil_sen(*_columns(points), FLAT_CONFIDENCE)


def _flat_probability(trend: Trend) -> float:
    """Probability that the slope lies inside ±FLAT, the interval read as a normal one."""
    delta = FLAT / 24.0
    sd = max((trend.high - trend.low) / (2.0 * _NORMAL.inv_cdf(FLAT_CONFIDENCE)), 1e-9)
    return _NORMAL.cdf((delta - trend.slope) / sd) - _NORMAL.cdf((-delta - trend.slope) / sd)


def _columns(points: list[tuple[float, float]]) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def _noise(values: list[float]) -> float:
    steps = [b - a for a, b in pairwise(values)]
    return robust_sd(steps, 1e-4) / math.sqrt(2.0) if len(steps) >= 3 else 0.001


def _by_hand(batch: BatchState, now_ms: int) -> Seen | None:
    """Hand readings carry a verdict when three or more lie over 48 h or more and the last is not old."""
    points = [point for point in batch.hand if point.at_ms >= max(batch.window_from_ms, batch.pitched_ms)]
    if len(points) < 3 or points[-1].at_ms - points[0].at_ms < 2 * DAY or now_ms - points[-1].at_ms > 4 * DAY:
        return None
    last = _hand_tail(points)
    slope, error = _hand_slope(last)
    spread = max(point.gravity for point in last) - min(point.gravity for point in last)
    still = last[-1].at_ms - last[0].at_ms >= 2 * DAY and len(last) >= 3 and spread <= 0.0011
    return Seen(
        gravity=points[-1].gravity,
        sd=points[-1].error,
        rate=slope,
        rate_range=(slope - Z90 * error, slope + Z90 * error),
        flat=0.8 if still else None,
        nearly=still,
        noise=points[-1].error,
        points=len(points),
        used=("hand",),
        flat_words=f"your last {len(last)} hydrometer readings over {span_words(last[-1].at_ms - last[0].at_ms)} "
        f"lie within {spread:.4f}",
    )


def _hand_tail(points: list[HandPoint]) -> list[HandPoint]:
    """The shortest tail of three or more readings over 48 h or more."""
    for first in range(len(points) - 3, -1, -1):
        if points[-1].at_ms - points[first].at_ms >= 2 * DAY:
            return points[first:]
    return points


def _hand_slope(points: list[HandPoint]) -> tuple[float, float]:
    """Least-squares slope and its standard error from the reading error, SG a day."""
    days = [point.at_ms / DAY for point in points]
    middle = sum(days) / len(days)
    squares = sum((day - middle) ** 2 for day in days)
    slope = sum((day - middle) * point.gravity for day, point in zip(days, points, strict=True)) / squares
    return slope, max(point.error for point in points) / math.sqrt(squares)


# --- what is remembered ------------------------------------------------------------------------------------------


def _watch_temperature(batch: BatchState, evidence: Evidence, now_ms: int) -> None:
    """Restart the window when the day's mean has stepped: the probe and the yeast both answer to temperature."""
    if evidence.liquid is None:
        return
    day = _mean(evidence.liquid(now_ms - DAY, now_ms), 12)
    recent = _mean(evidence.liquid(now_ms - 6 * HOUR, now_ms), 3)
    if recent is not None and (batch.coldest_c is None or recent < batch.coldest_c):
        batch.coldest_c, batch.coldest_ms = recent, now_ms
    if day is None:
        return
    if batch.reference_c is None:
        batch.reference_c = day
    elif abs(day - batch.reference_c) > TEMPERATURE_STEP:
        batch.reference_c = day
        batch.window_from_ms = max(batch.window_from_ms, now_ms - 6 * HOUR)


def _mean(points: list[tuple[float, float]], least: int) -> float | None:
    return sum(value for _, value in points) / len(points) if len(points) >= least else None


def _watch_progress(batch: BatchState, evidence: Evidence, seen: Seen, now_ms: int) -> None:
    if batch.started_ms is None:
        _watch_start(batch, evidence, seen, now_ms)
    if batch.added_ms is not None:
        _watch_addition(batch, evidence, now_ms)
    if seen.rate is None or batch.started_ms is None:
        return
    if -seen.rate > batch.peak_rate and seen.rate_range is not None and seen.rate_range[1] < 0.0:
        batch.peak_rate = -seen.rate
        batch.slowed_ms = None
        day = _mean(evidence.liquid(now_ms - DAY, now_ms), 6) if evidence.liquid else None
        batch.active_c = day if day is not None else batch.active_c
    elif batch.slowed_ms is None and -seen.rate < 0.25 * batch.peak_rate:
        batch.slowed_ms = now_ms


def _watch_start(batch: BatchState, evidence: Evidence, seen: Seen, now_ms: int) -> None:
    """Learn the gravity it starts from, and notice the first fall."""
    first = evidence.gravity(batch.pitched_ms, now_ms) if evidence.gravity and evidence.trouble is None else []
    recent = [value for _, value in first[-3:]] if first else [point.gravity for point in batch.hand[-1:]]
    level = median(recent)
    highest = level if first else max(point.gravity for point in batch.hand)
    first_ms = round(first[0][0] * HOUR) if first else batch.hand[0].at_ms
    batch.first_ms = min(first_ms, batch.first_ms if batch.first_ms is not None else first_ms)
    if batch.baseline is None or (highest > batch.baseline and (len(recent) >= 3 or not first)):
        batch.baseline = highest
    early = not batch.seen_late()
    if not batch.original_told and early and batch.hand and not first:
        batch.original = max(point.gravity for point in batch.hand)
    elif not batch.original_told and early and len(recent) >= 3:
        batch.original = batch.baseline
    fell = batch.baseline - level
    if fell >= max(0.003, 5.0 * seen.noise) or (not early and _begun(batch, level)):
        batch.started_ms = now_ms


def _begun(batch: BatchState, level: float) -> bool:
    """Whether a batch whose start nobody saw must have begun, by how low it is."""
    if batch.original is not None:
        return batch.original - level >= 0.15 * _whole_fall(batch) > 0.0
    return level <= max(BEGUN_BELOW, (batch.expected_final or 0.0) + MARGIN)


def _watch_rise(batch: BatchState, evidence: Evidence, seen: Seen, now_ms: int) -> bool:
    """Start afresh where the gravity has risen for good; remembered as a step unless an addition explains it."""
    if evidence.gravity is None or evidence.trouble is not None:
        return False
    points = evidence.gravity(max(batch.window_from_ms, batch.pitched_ms, now_ms - 27 * HOUR), now_ms)
    before, after = points[:-3], points[-3:]
    if len(before) < 4:
        return False
    lowest = sorted(before, key=lambda point: point[1])[1]  # one odd hour is no level
    by = min(value for _, value in after) - lowest[1]
    if by < max(RISE, 8.0 * seen.noise):
        return False
    since_ms = round((lowest[0] + 0.5) * HOUR)
    batch.window_from_ms = max(batch.window_from_ms, since_ms)
    batch.rest = batch.rest_gravity = batch.slowed_ms = None
    if not announced(batch, since_ms):
        batch.step_ms, batch.step_probe, batch.step_by = since_ms, evidence.probe or "", by
    return True


def announced(batch: BatchState, at_ms: int) -> bool:
    """Whether an addition that was told of explains a step at a time: sugar takes its hours to dissolve."""
    return batch.fed_ms is not None and batch.fed_ms - HOUR <= at_ms <= batch.fed_ms + DAY


def _watch_addition(batch: BatchState, evidence: Evidence, now_ms: int) -> None:
    """Re-base the original gravity by the rise that an announced addition made, as the probe saw it."""
    assert batch.added_ms is not None
    if batch.added_known or evidence.gravity is None:
        batch.added_ms = None
        return
    after = [value for _, value in evidence.gravity(batch.added_ms, now_ms)][:6]
    if len(after) < 6 and now_ms - batch.added_ms < DAY:
        return
    earlier = [value for _, value in evidence.gravity(batch.added_ms - 12 * HOUR, batch.added_ms)][-3:]
    before = median(earlier) if earlier else batch.added_before
    if after and before is not None and batch.original is not None:
        # It goes on falling while the sugar dissolves: the highest hours are nearest to the truth.
        batch.original += max(0.0, median(sorted(after)[-3:]) - before)
    batch.added_ms = None


def _whole_fall(batch: BatchState) -> float:
    expected, original = expectation(batch), batch.start_gravity()
    return max(original - expected.final, 0.0) if expected and original is not None else 0.0


# --- the decision ------------------------------------------------------------------------------------------------

Decision = tuple[VerdictName, float | None, tuple[str, ...]]

_TOO_COLD = (
    "too cold to tell: cold alone brings it to a standstill",
    "warm it, or take two hydrometer readings a day apart",
)


def _decide(batch: BatchState, evidence: Evidence, seen: Seen, expected: Expectation | None, now_ms: int) -> Decision:
    if batch.started_ms is None:
        return _waiting(batch, seen, now_ms)
    if batch.rest is not None:
        resumed = _resumed(batch, seen)
        if resumed is None and not (batch.rest == "stalled" and expected and _arrived(seen, expected)):
            return _still(batch, seen, expected)
        if resumed is not None:
            return _moving(batch, seen)[0], 0.9, (resumed,)
    if seen.flat is None:
        cold = _cold(batch, evidence, now_ms)
        if cold is not None and seen.rate is not None and -seen.rate < 0.25 * batch.peak_rate:
            return "unknown", None, (cold, *_TOO_COLD)
        return _moving(batch, seen)
    return _resting(batch, evidence, seen, expected, now_ms)


def _waiting(batch: BatchState, seen: Seen, now_ms: int) -> Decision:
    age = now_ms - batch.pitched_ms
    if batch.seen_late() and batch.original is None:
        assert batch.first_ms is not None
        return "unknown", None, (
            f"its gravity is known only from {span_words(batch.first_ms - batch.pitched_ms)} after pitching on, and "
            f"has stayed at {seen.gravity:.4f} since: it may have ended before, or never have begun",
            "set original_gravity, and it can be told",
        )  # fmt: skip
    late = age > batch.start_within_ms
    because = (
        f"pitched {span_words(age)} ago, gravity {seen.gravity:.4f} has not fallen by more than its noise yet",
        f"a start {'was' if late else 'is'} expected within {span_words(batch.start_within_ms)}",
    )
    return "waiting", 0.9 if seen.points >= 3 else None, because


def _moving(batch: BatchState, seen: Seen) -> Decision:
    if seen.rate is None:
        return "unknown", None, (f"only {seen.points} h of readings since the last change: too few for a trend",)
    rate = -seen.rate
    limit = QUICK_AGAIN if batch.verdict == "slowing" else SLOWING
    share = rate / batch.peak_rate if batch.peak_rate > 0 else 1.0
    fell = (batch.start_gravity() or seen.gravity) - seen.gravity
    if share < limit and fell >= 0.3 * _whole_fall(batch):
        pace = f"falling {rate:.4f} a day, {share:.0%} of" if rate >= 0.0002 else "hardly falling, against"
        return "slowing", 0.9, (f"{pace} its fastest ({batch.peak_rate:.4f} a day)",)
    pace = f"falling {rate:.4f} a day" if rate >= 0.0002 else "hardly falling"
    return "working", 0.95, (f"gravity {seen.gravity:.4f}, {pace}",)


def _resting(batch: BatchState, evidence: Evidence, seen: Seen, expected: Expectation | None, now_ms: int) -> Decision:
    flat = seen.flat or 0.0
    if expected is None:
        return "unknown", None, (
            f"it stands still at {seen.gravity:.4f}, but its original gravity is not known",
            "set original_gravity and expected_final, or say what it was made of",
        )  # fmt: skip
    cold = _cold(batch, evidence, now_ms)
    over = seen.gravity - expected.final
    if cold is not None and seen.gravity + Z90 * seen.sd > expected.final - Z90 * expected.sd + 0.001:
        return "unknown", None, (cold, *_TOO_COLD)
    arrived, stall_margin = _margins(expected)
    fell = (batch.start_gravity() or seen.gravity) - seen.gravity
    if over <= arrived and fell >= 0.5 * _whole_fall(batch) and _sure_enough(batch, seen):
        return "finished", min(0.99, flat * _where("finished", seen, expected)), (
            seen.flat_words,
            f"gravity {seen.gravity:.4f} against an expected final of {expected.final:.4f} ± {Z90 * expected.sd:.4f} "
            f"({expected.source})",
        )  # fmt: skip
    if over > stall_margin and (expected.told or batch.fermentables or fell < 0.5 * (fell + over)):
        return "stalled", min(0.99, flat * _where("stalled", seen, expected)), (
            seen.flat_words,
            f"gravity {seen.gravity:.4f} is {over:.4f} above the expected final of {expected.final:.4f} ± "
            f"{Z90 * expected.sd:.4f} ({expected.source})",
            "stalled, or very slow: seven in ten such batches go on by themselves later",
        )  # fmt: skip
    return "unknown", None, (
        seen.flat_words,
        f"at {seen.gravity:.4f} it may be finished or stalled: it should end at {expected.final:.4f} ± "
        f"{Z90 * expected.sd:.4f} ({expected.source})",
        "set expected_final or fermentables, or ferment a small sample out warm to learn where it can end",
    )  # fmt: skip


def _margins(expected: Expectation) -> tuple[float, float]:
    """Up to how far above the expected final it has arrived, and beyond how far it has stalled."""
    stall = max(MARGIN, 2.5 * math.hypot(expected.sd, DRIFT_SD))
    return min(stall, MARGIN_SURE) if expected.sd > 0.0025 else stall, stall


def _where(rest: VerdictName, seen: Seen, expected: Expectation) -> float:
    """Probability that it lies where this verdict needs it, by its own noise and the expectation's."""
    over, spread = seen.gravity - expected.final, math.hypot(expected.sd, DRIFT_SD)
    if rest == "finished":
        return _NORMAL.cdf((_margins(expected)[0] - over) / math.hypot(seen.sd, 0.3 * spread))
    return _NORMAL.cdf((over - MARGIN) / math.hypot(seen.sd, spread))


def _sure_enough(batch: BatchState, seen: Seen) -> bool:
    """With nothing told, only a wash that is nearly dry may be called finished: 1.000 can still hold ten points."""
    if batch.expected_final is not None or batch.fermentables is not None:
        return True
    original = batch.start_gravity()
    return original is not None and seen.gravity <= 1.0 + 0.05 * (original - 1.0)


def _arrived(seen: Seen, expected: Expectation) -> bool:
    return seen.gravity - expected.final <= MARGIN


def _still(batch: BatchState, seen: Seen, expected: Expectation | None) -> Decision:
    """Finished or stalled before, and nothing says otherwise: chilled since, perhaps, or just noise."""
    assert batch.rest is not None
    rest = batch.rest_gravity or seen.gravity
    words = seen.flat_words if seen.flat is not None else "no fall to speak of since it was said"
    against = f", expected final {expected.final:.4f} ± {Z90 * expected.sd:.4f}" if expected else ""
    confidence = seen.flat if seen.flat is not None else 0.85
    confidence *= _where(batch.rest, seen, expected) if expected else 1.0
    return batch.rest, min(0.97, confidence), (words, f"gravity {seen.gravity:.4f}, {rest:.4f} then{against}")


def _resumed(batch: BatchState, seen: Seen) -> str | None:
    assert batch.rest_gravity is not None
    fell = batch.rest_gravity - seen.gravity
    falling = seen.rate_range is not None and seen.rate_range[1] < -RESUMED
    if fell > max(RESUMED_FALL, 3.0 * seen.noise) and falling and seen.rate is not None:
        return f"it moves again: {fell:.4f} lower than when it was called {batch.rest}, {-seen.rate:.4f} a day"
    return None


def _cold(batch: BatchState, evidence: Evidence, now_ms: int) -> str | None:
    """A sentence when cold may be why it stands still: now, or for a good part of the window."""
    if evidence.liquid is None:
        return None
    limit, why = batch.cold_below()
    recent = _mean(evidence.liquid(now_ms - 12 * HOUR, now_ms), 3)
    window = [value for _, value in evidence.liquid(now_ms - WINDOW_H * HOUR, now_ms)]
    cold_hours = sum(value < limit for value in window)
    if recent is not None and recent < limit:
        return f"the liquid is at {recent:.1f} °C, {why}"
    if window and cold_hours > 0.25 * len(window):
        return f"the liquid was below {limit:.1f} °C for {cold_hours} of the last {len(window)} h ({why})"
    return None


# --- the words ---------------------------------------------------------------------------------------------------


def _unknown(batch: BatchState, evidence: Evidence, now_ms: int) -> VerdictEvent:
    by_hand = "a verdict needs three hydrometer readings over two days or more, the last within four days"
    if evidence.trouble is not None:
        because: tuple[str, ...] = (evidence.trouble, f"without it {by_hand}")
    elif evidence.gravity is None and not batch.hand:
        because = ("no gravity source: there is no gravity probe in the vessel and no hand reading",)
    elif evidence.gravity is None:
        count = len(batch.hand)
        because = (f"{'one hand reading' if count == 1 else f'{count} hand readings'} so far: {by_hand}",)
    elif not evidence.gravity(batch.pitched_ms, now_ms):
        because = ("no whole hour of gravity readings yet",)
    elif now_ms - batch.window_from_ms < 6 * HOUR:
        since = span_words(now_ms - batch.window_from_ms)
        because = (f"its trend starts anew since something was added or changed {since} ago: too few hours yet",)
    else:
        because = ("no gravity reading in the last day",)
    last = batch.hand[-1] if batch.hand else None
    return VerdictEvent(
        time_ms=now_ms,
        batch=batch.name,
        verdict="waiting" if _too_young(batch, evidence, now_ms) else "unknown",
        confidence=None,
        because=because,
        gravity=last.gravity if last else None,
        gravity_range=(last.gravity - Z90 * last.error, last.gravity + Z90 * last.error) if last else None,
        used=("hand",) if last else (),
        seen_ms=evidence.seen_ms,
    )


def _too_young(batch: BatchState, evidence: Evidence, now_ms: int) -> bool:
    """In the first hours there is nothing to know yet, and that is no fault."""
    return evidence.trouble is None and evidence.gravity is not None and now_ms - batch.pitched_ms < 3 * HOUR


def _event(
    batch: BatchState,
    evidence: Evidence,
    seen: Seen,
    expected: Expectation | None,
    decision: Decision,
    now_ms: int,
) -> VerdictEvent:
    verdict, confidence, because = decision
    low, high = seen.gravity - Z90 * seen.sd, seen.gravity + Z90 * seen.sd
    final = final_range = remaining = None
    if expected is not None:
        final, final_range = _final_now(expected, seen)
        # Below what was expected little is known of the rest: what a probe may have drifted could be left.
        least = Z90 * math.hypot(seen.sd, DRIFT_SD)
        remaining = (max(0.0, low - final_range[1]), max(least, high - final_range[0]))
    finish, finish_range = (None, None)
    if final is not None and final_range is not None and verdict in ("working", "slowing"):
        finish, finish_range = _finish(seen, final, (final_range[1] - final_range[0]) / (2.0 * Z90), now_ms)
    return VerdictEvent(
        time_ms=now_ms,
        batch=batch.name,
        verdict=verdict,
        confidence=confidence,
        because=because,
        used=seen.used,
        gravity=seen.gravity,
        gravity_range=(low, high),
        rate_per_day=seen.rate,
        rate_range=seen.rate_range,
        remaining_range=remaining,
        final_expected=final,
        final_range=final_range,
        finish_expected_ms=finish,
        finish_range_ms=finish_range,
        hint=_hint(batch, evidence, seen, expected, verdict, now_ms),
        causes=stall_causes(batch, seen.gravity, expected) if verdict == "stalled" else (),
        seen_ms=evidence.seen_ms if seen.used != ("hand",) else batch.hand[-1].at_ms,
    )


def _final_now(expected: Expectation, seen: Seen) -> tuple[float, Range]:
    """Mean and 90 % range of the final gravity, now that it cannot lie above where the gravity is already."""
    told = NormalDist(expected.final, expected.sd)
    below = told.cdf(seen.gravity)
    if below < 1e-6:  # the expectation is refuted
        return seen.gravity, (seen.gravity - Z90 * seen.sd, seen.gravity + Z90 * seen.sd)
    mean = expected.final - expected.sd**2 * told.pdf(seen.gravity) / below
    return mean, (told.inv_cdf(0.05 * below), told.inv_cdf(0.95 * below))


def _finish(seen: Seen, final: float, final_sd: float, now_ms: int) -> tuple[int | None, tuple[int, int] | None]:
    """When it will be within 0.001 of its final: between straight on at the fastest and a slow tail."""
    if seen.rate_range is None or seen.rate is None or seen.rate >= 0 or seen.rate_range[1] >= 0:
        return None, None
    rest = max(seen.gravity - final, 0.001)
    least = max(rest - Z90 * math.hypot(seen.sd, final_sd), 0.0)
    most = rest + Z90 * math.hypot(seen.sd, final_sd)
    tail = max(1.0, math.log(rest / 0.001))
    middle = rest / -seen.rate * min(tail, 1.8)
    soonest, latest = least / -seen.rate_range[0], most / -seen.rate_range[1] * (tail + 0.7)
    if latest > 120.0:
        return None, None
    to_ms = [now_ms + round(days * 24) * HOUR for days in (soonest, middle, latest)]
    return to_ms[1], (to_ms[0], to_ms[2])


def _hint(
    batch: BatchState, evidence: Evidence, seen: Seen, expected: Expectation | None, verdict: str, now_ms: int
) -> Hint | None:
    if verdict not in ("working", "slowing") or not seen.nearly or expected is None:
        return None
    if _cold(batch, evidence, now_ms) is not None:
        return None
    over = seen.gravity - expected.final
    if over <= 0.004 and _sure_enough(batch, seen):
        return "finished-soon"
    return "stall-likely" if over > max(0.01, 2.5 * expected.sd) else None


def stall_causes(batch: BatchState, gravity: float, expected: Expectation | None) -> tuple[Cause, ...]:
    """Likely causes of a stall, heaviest first. The weights are a ranking by evidence, not measured frequencies."""
    weights: dict[str, float] = {}
    limit, _ = batch.cold_below()
    before = batch.slowed_ms is not None and batch.coldest_ms <= batch.slowed_ms + DAY
    if batch.coldest_c is not None and batch.coldest_c < limit and before:
        weights["too-cold"] = 3.0
    if batch.original is not None and batch.alcohol_limit is not None:
        reached = alcohol.abv(batch.original, gravity) if batch.original > gravity else 0.0
        if reached >= batch.alcohol_limit - 1.5:
            weights["alcohol-near-limit"] = 3.0
    original = batch.start_gravity()
    if original is not None and expected is not None:
        done = (original - gravity) / max(original - expected.final, 0.001)
        weights["stopped-early"] = 1.5 if done < 0.75 else 0.7
    if batch.started_ms is not None and batch.started_ms - batch.pitched_ms > batch.start_within_ms:
        weights["slow-from-the-start"] = 1.0
    total = sum(weights.values())
    ranked = sorted(weights.items(), key=lambda each: (-each[1], each[0]))
    return tuple(Cause(name, weight / total) for name, weight in ranked)
