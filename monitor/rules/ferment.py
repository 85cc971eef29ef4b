"""The verdict on a fermenting batch.

It has *ended* when what remains is small with stated probability and the slope of 60 h lies inside narrow bounds on
both sides (`standstill.py`), never because no trend was found; it *stands still* when that holds of the slope but
not yet of the rest. What has ended is finished or stalled by how far it lies above the expected final gravity,
reckoned with that expectation's own uncertainty; where it could be either, or where cold, a dead probe or too little
data forbid an answer, it is unknown. Figures and what was tried: DEVELOPERS.md, detection.
"""

from __future__ import annotations

import math
from statistics import NormalDist

from monitor.model.clock import DAY, HOUR
from monitor.model.events import Hint, Range, VerdictEvent, VerdictName
from monitor.rules.arrival import glide_of, stall_probability
from monitor.rules.batch import BatchState, Expectation, expectation
from monitor.rules.causes import shares, stall_causes
from monitor.rules.evidence import (
    HAND_SURE,
    WINDOW_H,
    Z90,
    Evidence,
    Seen,
    by_hand,
    by_probe,
    hand_lacks,
    mean,
)
from monitor.rules.finish import FARTHEST_DAYS, days_left, still_to_go
from monitor.rules.health import span_words
from monitor.rules.progress import watch_progress, watch_rise, watch_temperature, whole_fall
from monitor.rules.track import KEPT_HOURS

ENDED = 0.8  # of the model, beside the slope; see standstill.py
HINTED = 0.7
RESTS = 0.8
RESTS_SPAN_H = 40.0  # pauses of up to 36 h end by themselves
HOLD = 2 * HOUR
LEAST_SHARE = 0.15  # of the whole fall: what has hardly begun has neither finished nor stalled
MARGIN = 0.004  # SG: what is closer to the expected final than this is not called stalled
FARTHEST = 0.012  # SG: a loose expectation may not call more than this finished
FINISHED_RISK = 0.09  # of a stall, up to which finished is said
STALLED_SURE = 0.75
LEAST_SPREAD = 0.001  # SG: what a probe may have drifted over a batch (0.002 a week seen), a final be known to
UNSEEN_COLD = 0.08  # share of batches that were chilled before their end, where no thermometer tells (benchmark)
LASTS = 0.96  # no reading by hand says that nothing befell it since
BEGUN = 0.05  # of its fall: with so much it has begun, whatever the start looked like
ORIGINAL_SD = 0.0005  # SG: of an original gravity that a person read (common practice, no source)
SLOWING = 0.35  # of the fastest rate
QUICK_AGAIN = 0.55
RESUMED_FALL = 0.0015  # SG
RESUMED_END = 0.004  # SG: of what was finished; of 120 that fell 0.0015 to 0.004, 110 had ended (development seeds)


def judge(batch: BatchState, evidence: Evidence, now_ms: int) -> VerdictEvent:
    """The verdict now. Changes what `batch` remembers (peak rate, start, window); says nothing by itself."""
    watch_temperature(batch, evidence, now_ms)
    seen = by_probe(batch, evidence, now_ms) if evidence.trouble is None else None
    if seen is not None and batch.started_ms is not None and watch_rise(batch, evidence, seen, now_ms):
        seen = by_probe(batch, evidence, now_ms)
    if seen is None:
        seen = by_hand(batch, now_ms)
    if seen is None:
        return _unknown(batch, evidence, now_ms)
    if seen.used != ("hand",):
        batch.probe_ms = evidence.seen_ms
    watch_progress(batch, evidence, seen, now_ms)
    expected = expectation(batch)
    verdict, confidence, because = _decide(batch, evidence, seen, expected, now_ms)
    if verdict in ("finished", "stalled") and verdict != batch.rest:
        batch.rest, batch.rest_gravity = verdict, seen.gravity
    elif verdict in ("working", "slowing"):
        batch.rest = batch.rest_gravity = None
    return _event(batch, evidence, seen, expected, (verdict, confidence, because), now_ms)


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
        risk = _stalled(batch, evidence, seen, expected, now_ms) if expected else 0.5
        # What is known of its end may have changed: a sample fermented out, a hand reading, past batches.
        refuted = risk <= FINISHED_RISK if batch.rest == "stalled" else risk >= STALLED_SURE
        if resumed is None and not refuted:
            return _still(batch, evidence, seen, expected, risk, now_ms)
        if resumed is not None:
            batch.window_from_ms = max(batch.window_from_ms, now_ms - DAY)  # what stood still before is no evidence now
            verdict, confidence, _ = _moving(batch, seen)
            return verdict, confidence, (resumed,)
    if not _stands(batch, seen, now_ms):
        batch.glide = None
        cold = _cold(batch, evidence, now_ms)
        if cold is not None and seen.rate is not None and -seen.rate < 0.25 * batch.peak_rate:
            return "unknown", None, (cold, *_TOO_COLD)
        return _moving(batch, seen)
    return _resting(batch, evidence, seen, expected, now_ms)


def _stands(batch: BatchState, seen: Seen, now_ms: int) -> bool:
    """Whether it has been still for long enough to be judged; remembers since when it has been.

    Two levels and a hold keep one odd hour from making or taking back a verdict.
    """
    if seen.used == ("hand",):
        return seen.hand is not None and seen.hand.still()
    still = seen.still
    ended = still is not None and still.ended >= ENDED and still.flat()
    spans = still is not None and still.tail.span_h >= RESTS_SPAN_H
    rests = spans and still is not None and still.slow >= RESTS and (ended or still.rests())
    batch.ended_ms = _since(batch.ended_ms, now_ms, holds=ended)
    batch.rests_ms = _since(batch.rests_ms, now_ms, holds=rests)
    return _held(batch.ended_ms, now_ms) or _held(batch.rests_ms, now_ms)


def _since(since_ms: int | None, now_ms: int, *, holds: bool) -> int | None:
    return (since_ms if since_ms is not None else now_ms) if holds else None


def _held(since_ms: int | None, now_ms: int) -> bool:
    return since_ms is not None and now_ms - since_ms >= HOLD


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
    return "waiting", _unbegun(batch, seen) if seen.points >= 3 else None, because


def _unbegun(batch: BatchState, seen: Seen) -> float | None:
    """Probability that less than `BEGUN` of its fall has come: by the errors of both gravities, and the last one's age.

    What has not begun in all the time up to the last reading begins in as much time again with even odds (Laplace's
    rule of succession). None where it has rather begun, by less than a start takes to be believed.
    """
    original, whole = batch.start_gravity(), whole_fall(batch)
    if original is None or whole <= 0.0:
        return None
    spread = math.hypot(seen.sd, ORIGINAL_SD)
    unbegun = NormalDist().cdf((BEGUN * whole - (original - seen.gravity)) / spread)
    if seen.hand is not None:
        waited_h = (batch.hand[-1].at_ms - batch.pitched_ms) / HOUR
        unbegun *= waited_h / (waited_h + seen.hand.age_h)
    return min(0.98, unbegun) if unbegun >= 0.5 else None


def _moving(batch: BatchState, seen: Seen) -> Decision:
    if seen.rate is None:
        if seen.points >= 4:
            return "unknown", None, ("a gap, and only a few h of readings since: too few for a trend",)
        return "unknown", None, (f"only {seen.points} h of readings since the last change: too few for a trend",)
    rate = -seen.rate
    limit = QUICK_AGAIN if batch.verdict == "slowing" else SLOWING
    share = rate / batch.peak_rate if batch.peak_rate > 0 else 1.0
    going, more = (_going(seen, share), ()) if seen.hand is None else _going_by_hand(batch, seen)
    fell = (batch.start_gravity() or seen.gravity) - seen.gravity
    if share < limit and fell >= 0.3 * whole_fall(batch):
        pace = f"falling {rate:.4f} a day, {share:.0%} of" if rate >= 0.0002 else "hardly falling, against"
        return "slowing", going, (f"{pace} its fastest ({batch.peak_rate:.4f} a day)", *more)
    pace = f"falling {rate:.4f} a day" if rate >= 0.0002 else "hardly falling"
    return "working", going, (f"gravity {seen.gravity:.4f}, {pace}", *more)


def _going(seen: Seen, share: float) -> float | None:
    """Probability that it is neither at its end nor at rest: one less what the tail says of that.

    The line from one to the other is what development seeds of the benchmark showed. None where it hardly falls, and
    too few hours, or none of late, keep the tail from being judged.
    """
    if seen.still is None:
        return (0.97 if share >= SLOWING else 0.8) if share >= 0.1 else None
    return 0.1 + 0.6 * (1.0 - max(seen.still.soon, seen.still.slow))


def _going_by_hand(batch: BatchState, seen: Seen) -> tuple[float | None, tuple[str, ...]]:
    """The same by hand readings: by their curve, and by how such batches go on after the last; with words if unlikely.

    The curve does not know where a fast fall ends, the times do not know that it has slowed: the lower of both counts.
    """
    assert seen.hand is not None
    going = min(1.0 - max(seen.hand.ended, seen.hand.rests), LASTS)
    expected, original = expectation(batch), batch.start_gravity()
    if expected is not None and original is not None and seen.rate is not None:
        days = days_left(seen.gravity, -seen.rate, original, expected.final, expected.sd)
        going = min(going, still_to_go(days, seen.hand.age_h / 24.0))
    if going >= 0.5:
        return going, ()
    ago = span_words(round(seen.hand.age_h * HOUR))
    return None, (
        f"it may have come to rest by now: your last reading was {ago} ago",
        "take another, and one a day later",
    )


def _resting(batch: BatchState, evidence: Evidence, seen: Seen, expected: Expectation | None, now_ms: int) -> Decision:
    if seen.hand is not None:
        ended, rests = seen.hand.ended >= HAND_SURE, seen.hand.rests >= HAND_SURE
    else:
        ended, rests = _held(batch.ended_ms, now_ms), _held(batch.rests_ms, now_ms)
    if expected is None:
        return "unknown", None, (
            f"it stands still at {seen.gravity:.4f}, but its original gravity is not known",
            "set original_gravity and expected_final, or say what it was made of",
        )  # fmt: skip
    fell, whole = (batch.start_gravity() or seen.gravity) - seen.gravity, whole_fall(batch)
    if fell < LEAST_SHARE * whole:
        return _moving(batch, seen)
    cold = _cold(batch, evidence, now_ms)
    if cold is not None and seen.gravity + Z90 * seen.sd > expected.final - Z90 * expected.sd + 0.001:
        return "unknown", None, (cold, *_TOO_COLD)
    over = seen.gravity - expected.final
    stalled = _stalled(batch, evidence, seen, expected, now_ms)
    against = f"the expected final of {expected.final:.4f} ± {Z90 * expected.sd:.4f} ({expected.source})"
    likely_done = stalled <= FINISHED_RISK and over <= FARTHEST
    if likely_done and fell >= 0.5 * whole and _sure_enough(batch, seen):
        if not ended:
            return _moving(batch, seen)
        because = (
            seen.still_words(),
            f"gravity {seen.gravity:.4f} against {against}",
            *_glide_words(batch, "finished"),
        )
        return "finished", min(0.99, _surely(evidence, seen, "finished") * (1.0 - stalled)), because
    known = expected.told or batch.fermentables or fell < 0.5 * (fell + over)
    if rests and stalled >= STALLED_SURE and over > MARGIN and known:
        return "stalled", min(0.99, _surely(evidence, seen, "stalled") * stalled), (
            seen.still_words(),
            f"gravity {seen.gravity:.4f} is {over:.4f} above {against}",
            *_glide_words(batch, "stalled"),
            "stalled, or very slow: seven in ten such batches go on by themselves later",
        )  # fmt: skip
    if not (ended or rests):
        return _moving(batch, seen)
    return "unknown", None, (
        seen.still_words(),
        f"at {seen.gravity:.4f} it may be finished or stalled: it should end at {expected.final:.4f} ± "
        f"{Z90 * expected.sd:.4f} ({expected.source})",
        "set expected_final or fermentables, or ferment a small sample out warm to learn where it can end",
    )  # fmt: skip


def _stalled(
    batch: BatchState, evidence: Evidence, seen: Seen, expected: Expectation, now_ms: int, level: float | None = None
) -> float:
    """Probability that this standstill is a stall, by its height (or another `level`) and by how it came to rest."""
    if batch.glide is None and evidence.gravity is not None and "hand" not in seen.used[:1]:
        points = evidence.gravity(max(batch.pitched_ms, batch.fed_ms or 0, now_ms - KEPT_HOURS * HOUR), now_ms)
        batch.glide = glide_of(points, batch.peak_rate, batch.start_gravity() or seen.gravity, seen.gravity)
    spread = math.hypot(expected.sd, seen.sd, LEAST_SPREAD)
    level = level if level is not None else seen.gravity
    return stall_probability(level - expected.final, spread, whole_fall(batch), batch.glide)


def _glide_words(batch: BatchState, verdict: str) -> tuple[str, ...]:
    if batch.glide is None:
        return ()
    share = max(batch.glide, 0.0)
    if verdict == "stalled" and share <= 0.05:
        return (f"it braked within hours: only {share:.0%} of its fall came after it had slowed to two fifths",)
    if verdict == "finished" and share > 0.05:
        return (
            f"it came to rest gently, as sugar that runs out does: {share:.0%} of its fall came after it had slowed",
        )
    return ()


def _surely(evidence: Evidence, seen: Seen, verdict: VerdictName) -> float:
    """Probability that it stands still: by a probe as the benchmark found it, not as the model says it."""
    if seen.hand is None:
        return 1.0 - 0.15 * (1.0 - seen.still.ended) if seen.still is not None else 0.85
    stands = seen.hand.ended if verdict == "finished" else seen.hand.rests
    return stands if evidence.liquid is not None else stands * (1.0 - UNSEEN_COLD)


def _sure_enough(batch: BatchState, seen: Seen) -> bool:
    """With nothing told, only a wash that is nearly dry may be called finished: 1.000 can still hold ten points."""
    if batch.expected_final is not None or batch.fermentables is not None:
        return True
    original = batch.start_gravity()
    return original is not None and seen.gravity <= 1.0 + 0.05 * (original - 1.0)


def _still(
    batch: BatchState, evidence: Evidence, seen: Seen, expected: Expectation | None, risk: float, now_ms: int
) -> Decision:
    """Finished or stalled before, and nothing says otherwise: chilled since, perhaps, or just noise."""
    assert batch.rest is not None
    rest_is = batch.rest
    rest = batch.rest_gravity or seen.gravity
    stands = seen.hand is not None or (seen.still is not None and seen.still.slow >= RESTS)
    words = seen.still_words() if seen.hand is not None else "no fall to speak of since it was said"
    against = f"; expected final {expected.final:.4f} ± {Z90 * expected.sd:.4f}" if expected else ""
    confidence = _surely(evidence, seen, rest_is) if stands else 0.85
    if expected is not None and rest_is == "stalled":  # where it stood when it was said: since then it only drifted
        risk = max(risk, _stalled(batch, evidence, seen, expected, now_ms, rest))
    confidence *= (1.0 - risk if rest_is == "finished" else risk) if expected else 1.0
    return (
        batch.rest,
        min(0.97, confidence),
        (
            words,
            f"gravity {seen.gravity:.4f}, and {rest:.4f} when it was first called {batch.rest}{against}",
        ),
    )


def _resumed(batch: BatchState, seen: Seen) -> str | None:
    if batch.rest_gravity is None:
        batch.rest_gravity = seen.gravity  # it went to another vessel: from here on this witness tells
    fell = batch.rest_gravity - seen.gravity
    least = RESUMED_FALL if batch.rest == "stalled" else RESUMED_END
    if fell > max(least, 3.0 * seen.noise) and seen.falls and seen.rate is not None:
        return f"it moves again: {fell:.4f} lower than when it was called {batch.rest}, {-seen.rate:.4f} a day"
    return None


def _cold(batch: BatchState, evidence: Evidence, now_ms: int) -> str | None:
    """A sentence when cold may be why it stands still: now, or for a good part of the window."""
    if evidence.liquid is None:
        return None
    limit, why = batch.cold_below()
    recent = mean(evidence.liquid(now_ms - 12 * HOUR, now_ms), 3)
    window = [value for _, value in evidence.liquid(now_ms - WINDOW_H * HOUR, now_ms)]
    cold_hours = sum(value < limit for value in window)
    if recent is not None and recent < limit:
        return f"the liquid is at {recent:.1f} °C, {why}"
    if window and cold_hours > 0.25 * len(window):
        return f"the liquid was below {limit:.1f} °C for {cold_hours} of the last {len(window)} h ({why})"
    return None


# --- the words ---------------------------------------------------------------------------------------------------


def _unknown(batch: BatchState, evidence: Evidence, now_ms: int) -> VerdictEvent:
    by_hand = (
        "a verdict by hand needs three hydrometer readings over two days or more, the last within four days: "
        + " and ".join(hand_lacks(batch, now_ms))
    )
    more = (by_hand,) if batch.hand else ()
    if evidence.trouble is not None:
        because: tuple[str, ...] = (evidence.trouble, f"without it {by_hand}")
    elif evidence.gravity is None:
        because = more or ("no gravity source: there is no gravity probe in the vessel and no hand reading",)
    elif not evidence.gravity(batch.pitched_ms, now_ms):
        because = ("no whole hour of gravity readings yet", *more)
    elif now_ms - batch.window_from_ms < 6 * HOUR:
        since = span_words(now_ms - batch.window_from_ms)
        because = (f"its trend starts anew since something was added or changed {since} ago: too few hours yet", *more)
    else:
        because = ("no gravity reading in the last day", *more)
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
        least = Z90 * math.hypot(seen.sd, LEAST_SPREAD)
        remaining = (max(0.0, low - final_range[1]), max(least, high - final_range[0]))
    finish, finish_range = (None, None)
    causes = stall_causes(batch, seen.gravity, expected) if verdict == "stalled" else ()
    because += tuple(f"{'most likely' if i == 0 else 'or'}: {each.evidence}" for i, each in enumerate(causes[:2]))
    if expected is not None and verdict in ("working", "slowing"):
        finish, finish_range = _finish(batch, seen, expected, now_ms)
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
        causes=shares(causes),
        seen_ms=evidence.seen_ms if seen.used != ("hand",) else batch.hand[-1].at_ms,
    )


def _final_now(expected: Expectation, seen: Seen) -> tuple[float, Range]:
    """The final gravity and its 90 % range, now that it cannot lie above where the gravity is already."""
    if seen.gravity >= expected.final:
        spread = Z90 * expected.sd
        return expected.final, (expected.final - spread, min(expected.final + spread, seen.gravity + Z90 * seen.sd))
    told = NormalDist(expected.final, expected.sd)
    below = told.cdf(seen.gravity)
    if below < 1e-6:  # the expectation is refuted
        return seen.gravity, (seen.gravity - Z90 * seen.sd, seen.gravity + Z90 * seen.sd)
    mean = expected.final - expected.sd**2 * told.pdf(seen.gravity) / below
    return mean, (told.inv_cdf(0.05 * below), told.inv_cdf(0.95 * below))


def _finish(
    batch: BatchState, seen: Seen, expected: Expectation, now_ms: int
) -> tuple[int | None, tuple[int, int] | None]:
    """When it will be within 0.001 of its final, with a 90 % range."""
    original = batch.start_gravity()
    if seen.rate is None or original is None:
        return None, None
    days = days_left(seen.gravity, -seen.rate, original, expected.final, expected.sd)
    if days[2] > FARTHEST_DAYS:
        return None, None
    soonest, middle, latest = (now_ms + round(each * 24) * HOUR for each in days)
    return middle, (soonest, latest)


def _hint(
    batch: BatchState, evidence: Evidence, seen: Seen, expected: Expectation | None, verdict: str, now_ms: int
) -> Hint | None:
    if verdict not in ("working", "slowing") or not _nearly(batch, seen) or expected is None:
        return None
    if _cold(batch, evidence, now_ms) is not None:
        return None
    over = seen.gravity - expected.final
    if over <= 0.004 and _sure_enough(batch, seen):
        return "finished-soon"
    return "stall-likely" if over > max(0.01, 2.5 * expected.sd) else None


def _nearly(batch: BatchState, seen: Seen) -> bool:
    """Still enough for a hint; once hinted, it takes more to take the hint back."""
    still = seen.still
    if still is None:
        return False
    if batch.hint is not None:
        return max(still.slow, still.soon) >= 0.3
    return still.soon >= HINTED and still.nearly()
