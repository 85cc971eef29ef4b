"""What a batch is remembered by, as it goes: its start, its fastest rate, additions, and where its window begins."""

from __future__ import annotations

from monitor.model.clock import DAY, HOUR
from monitor.rules.batch import BatchState, expectation
from monitor.rules.evidence import Evidence, Seen, mean
from monitor.science.trend import median, theil_sen

TEMPERATURE_STEP = 3.0  # K from one day's mean to the next
WANDERED = 5.0  # K since the window began
RISE = 0.006  # SG: no yeast raises gravity; foam and temperature move a float by less
BEGUN_BELOW = 1.020  # SG: no wash of ours starts so low (common practice, no source)
BEGUN_NEAR = 0.005  # SG: or so near to where it was told to end


def watch_temperature(batch: BatchState, evidence: Evidence, now_ms: int) -> None:
    """Restart the window when the day's mean has stepped: the probe and the yeast both answer to temperature.

    A bucket that has done its work cools by a few kelvins over days by itself: that is no step.
    """
    if evidence.liquid is None:
        return
    day = mean(evidence.liquid(now_ms - DAY, now_ms), 12)
    if day is None:
        return
    before = mean(evidence.liquid(now_ms - 2 * DAY, now_ms - DAY), 12)
    stepped = before is not None and abs(day - before) > TEMPERATURE_STEP
    if batch.reference_c is None:
        batch.reference_c = day
    elif (stepped and abs(day - batch.reference_c) > TEMPERATURE_STEP) or abs(day - batch.reference_c) > WANDERED:
        batch.reference_c = day
        batch.window_from_ms = max(batch.window_from_ms, now_ms - 6 * HOUR)


def watch_progress(batch: BatchState, evidence: Evidence, seen: Seen, now_ms: int) -> None:
    """Learn the start, the rates and what an announced addition did."""
    if batch.started_ms is None:
        _watch_start(batch, evidence, seen, now_ms)
    if batch.added_ms is not None:
        _watch_addition(batch, evidence, now_ms)
    if seen.rate is None or batch.started_ms is None:
        return
    if -seen.rate > batch.peak_rate and seen.rate_range is not None and seen.rate_range[1] < 0.0:
        batch.peak_rate = -seen.rate
        batch.slowed_ms = batch.climate = None
        day = mean(evidence.liquid(now_ms - DAY, now_ms), 6) if evidence.liquid else None
        batch.active_c = day if day is not None else batch.active_c
    elif batch.slowed_ms is None and -seen.rate < 0.25 * batch.peak_rate:
        batch.slowed_ms = now_ms
    if batch.slowed_ms is not None and batch.rest is None and now_ms - batch.slowed_ms <= 2 * DAY:
        batch.climate = _climate(batch, evidence, now_ms)


def _climate(batch: BatchState, evidence: Evidence, now_ms: int) -> tuple[float, float, float] | None:
    """The coldest and warmest hours from two days before it slowed on, and by how much it cooled in between."""
    assert batch.slowed_ms is not None
    start = max(batch.pitched_ms, batch.slowed_ms - 2 * DAY)
    warmth = [value for _, value in evidence.liquid(start, now_ms)] if evidence.liquid else []
    if len(warmth) < 6:
        return batch.climate
    before, fell = warmth[0], 0.0
    for value in warmth:
        before = max(before, value)
        fell = max(fell, before - value)
    return min(warmth), max(warmth), fell


def _watch_start(batch: BatchState, evidence: Evidence, seen: Seen, now_ms: int) -> None:
    """Learn the gravity it starts from, and notice the first fall."""
    since_ms = max(batch.pitched_ms, batch.placed_ms())
    first = evidence.gravity(since_ms, now_ms) if evidence.gravity and evidence.trouble is None else []
    recent = [value for _, value in first[-3:]] if first else [point.gravity for point in batch.hand[-1:]]
    if not recent:
        return  # nothing was heard since it came into its vessel
    level = median(recent)
    highest = level if first else max(point.gravity for point in batch.hand)
    first_ms = round(first[0][0] * HOUR) if first else batch.hand[0].at_ms
    batch.first_ms = min(first_ms, batch.first_ms if batch.first_ms is not None else first_ms)
    if batch.baseline is None or (highest > batch.baseline and (len(recent) >= 3 or not first)):
        batch.baseline = highest
    early = not batch.seen_late()
    if not batch.original_told and early and batch.hand and not first:
        batch.read_original(max(point.gravity for point in batch.hand), now_ms)
    elif not batch.original_told and early and len(recent) >= 3:
        batch.read_original(batch.baseline, now_ms)
    fell = batch.baseline - level
    if fell >= max(0.003, 5.0 * seen.noise) or (not early and _begun(batch, level)):
        batch.started_ms = now_ms


def _begun(batch: BatchState, level: float) -> bool:
    """Whether a batch whose start nobody saw must have begun, by how low it is."""
    if batch.original is not None:
        return batch.original - level >= 0.15 * whole_fall(batch) > 0.0
    return level <= max(BEGUN_BELOW, (batch.expected_final or 0.0) + BEGUN_NEAR)


def watch_rise(batch: BatchState, evidence: Evidence, seen: Seen, now_ms: int) -> bool:
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
    # The trend starts with the highest hour: the one in which it rose says nothing of how it falls.
    top = max((point for point in points if point[0] > lowest[0]), key=lambda point: point[1])
    batch.window_from_ms = max(batch.window_from_ms, round((top[0] - 0.5) * HOUR))
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
    if evidence.trouble is not None:
        return  # hours of a probe that cannot be believed would say that it made no rise
    after = evidence.gravity(batch.added_ms, now_ms)[:6]
    if len(after) < 6 and now_ms - batch.added_ms < DAY:
        return
    at = batch.added_ms / HOUR
    earlier = evidence.gravity(max(batch.added_ms - 12 * HOUR, batch.placed_ms()), batch.added_ms)[-6:]
    before = _level(earlier, at) if earlier else batch.added_before
    if after and before is not None and batch.original is not None:
        # Sugar that dissolves slowly shows late: the highest hours then say more than the line back to its time.
        highest = median(sorted(value for _, value in after)[-3:])
        by = max(_level(after, at), highest) - before
        # Thinned before it began, the mix starts lower; thinned later, how much water went in cannot be seen.
        of = batch.added_of if batch.added_of is not None else batch.added_ms
        batch.raise_by(of, by if by > 0.0 or batch.started_ms is None else 0.0)
        if by < -RISE:
            batch.thinned = batch.thinned_seen = True
    batch.added_ms = None


def _level(points: list[tuple[float, float]], at: float) -> float:
    """The gravity at a time (hours) by the line through a few hours beside it."""
    if len(points) < 4:
        return median([value for _, value in points])
    return theil_sen([x for x, _ in points], [y for _, y in points]).at(at)


def whole_fall(batch: BatchState) -> float:
    """From where it began to where it should end, SG; 0 while not known."""
    expected, original = expectation(batch), batch.start_gravity()
    return max(original - expected.final, 0.0) if expected and original is not None else 0.0
