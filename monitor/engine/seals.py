"""What the engine knows of a batch that is to be closed tight, or was."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from monitor.batches import seal
from monitor.batches.seal import Facts
from monitor.engine import ice
from monitor.engine.state import State
from monitor.engine.verdicts import gravity_witnesses
from monitor.model.clock import DAY, HOUR
from monitor.rules.batch import BatchState, HandPoint, expectation

PROBE_ERROR, DRIFT = 0.002, 0.001  # SG: of a probe (0.002 a week of drift was seen), and of the end that is expected
HAND_LATELY = 7 * DAY
NEAR_20 = 0.00105  # SG: standard error of a scale of 0.001 whose liquid was between about 14 and 26 °C, and known to be


def seal_facts(
    state: State, batch: BatchState, now_ms: int, *, after_ms: int = 0, said: Mapping[str, Any] | None = None
) -> Facts:
    """What is known of a batch for closing it, or of what was closed at `after_ms`.

    `said` is its latest verdict event with ranges, as a record, where it is at hand: those know more than what the
    state keeps. Gravities typed or told after `after_ms` count in any stage.
    """
    gravity, error, fresh = _gravity_of(state, batch, now_ms, after_ms)
    expected, found = expectation(batch), ice.strength(state, batch)
    final, final_error, most, shared = None, None, None, None
    if said is not None and said.get("remaining_range") and said.get("final_range") and not fresh:
        final, (low, high) = said["final_expected"], said["final_range"]
        final_error, most = (high - low) / 2.0 / seal.Z_95, said["remaining_range"][1]
    elif gravity is not None and expected is not None:
        final, final_error = expected.final, expected.sd
        sure = seal.Z_95 * math.hypot(error, DRIFT)
        most = max(sure, gravity - expected.final + seal.Z_95 * math.hypot(error, expected.sd))
    # What was read just before it was closed tells of it for as long as it stands closed.
    hand = one_scale(batch, after_ms or now_ms)
    if hand is not None and batch.forced is not None:
        by_scale = seal.same_scale_fall(hand.gravity, batch.forced[0])
        most = by_scale if most is None else min(most, by_scale)
        final, final_error = batch.forced[0], seal.SAME_SCALE_SD
        if gravity == hand.gravity:
            error, shared = seal.SAME_SCALE_SD, hand.error
    # Racked into another vessel it has no verdict for hours; what had finished has finished until it moves again.
    verdict = "finished" if batch.rest == "finished" else batch.verdict
    return Facts(verdict, gravity, error, most, final, final_error, found[0] if found is not None else None, shared)


def as_known(facts: Facts) -> dict[str, float | None]:
    """What a deed of closing keeps of them, so that a later fall can be told from noise."""
    names = ("gravity", "gravity_error", "final_error", "fall_most", "abv", "scale_error")
    return {name: getattr(facts, name) for name in names}


def _gravity_of(state: State, batch: BatchState, now_ms: int, after_ms: int) -> tuple[float | None, float, bool]:
    """The latest gravity, its standard error, and whether it came after the latest verdict.

    A hand reading that one scale can be held against goes before a probe, but not once something stands closed: then
    whatever was seen last may tell of a fall.
    """
    since_ms = max(after_ms, batch.said_ms)
    hand = batch.hand[-1] if batch.hand else None
    if hand is not None and not (batch.last_gravity is None or hand.at_ms > since_ms or one_scale(batch, now_ms)):
        hand = None
    seen = _by_probe(state, batch, now_ms) if batch.stage != "fermenting" else None
    if seen is not None and seen[1] > since_ms and (hand is None or (after_ms and seen[1] > hand.at_ms)):
        return seen[0], PROBE_ERROR, True
    if hand is not None:
        return hand.gravity, max(hand.error, seal.SAME_SCALE_SD), True
    return batch.last_gravity, PROBE_ERROR, False


def _by_probe(state: State, batch: BatchState, now_ms: int) -> tuple[float, float] | None:
    """Gravity over the last hours by the probe in charge, set right by hand readings, and when, UTC ms."""
    witnesses = gravity_witnesses(state, batch.vessel)
    points = witnesses[0].track.points(now_ms - DAY, now_ms) if witnesses else []
    if not points:
        return None
    lately = [value for _, value in points[-6:]]
    truth = batch.truths.get(witnesses[0].name)
    offset = truth.offset_at(now_ms)[0] if truth is not None and truth.pairs else 0.0
    return sum(lately) / len(lately) + offset, points[-1][0] * HOUR


def one_scale(batch: BatchState, at_ms: int) -> HandPoint | None:
    """The hand reading that can be held against the sample fermented out, as read by one hydrometer, about a time.

    Both with their own temperature and near 20 °C, where what is not known of the strength hardly moves a gravity.
    """
    if batch.forced is None or not batch.hand:
        return None
    hand = batch.hand[-1]
    told = hand.scale is not None and hand.temperature_from == "typed with it"
    near = max(hand.error, batch.forced[1]) <= NEAR_20
    lately = at_ms - hand.at_ms <= HAND_LATELY
    return hand if told and near and lately and hand.at_ms >= max(batch.fed_ms or 0, batch.added_ms or 0) else None
