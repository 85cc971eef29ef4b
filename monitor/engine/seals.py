"""What the engine knows of a batch that is to be closed tight, or was."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from monitor.batches import seal
from monitor.batches.seal import Facts
from monitor.engine import cold
from monitor.engine.state import State
from monitor.engine.verdicts import gravity_witnesses
from monitor.model.clock import DAY, HOUR
from monitor.rules.batch import BatchState, expectation

PROBE_ERROR, DRIFT = 0.002, 0.001  # SG: of a probe (0.002 a week of drift was seen), and of the end that is expected
HAND_LATELY = 7 * DAY


def seal_facts(
    state: State, batch: BatchState, now_ms: int, *, after_ms: int = 0, said: Mapping[str, Any] | None = None
) -> Facts:
    """What is known of a batch for closing it.

    `said` is its latest verdict event with ranges, as a record, where it is at hand: those know more than what the
    state keeps. Gravities typed or told after `after_ms` count in any stage.
    """
    gravity, error, fresh = _gravity_of(state, batch, now_ms, after_ms)
    expected, found = expectation(batch), cold.strength(state, batch)
    final, final_error, most = None, None, None
    if said is not None and said.get("remaining_range") and said.get("final_range") and not fresh:
        final, (low, high) = said["final_expected"], said["final_range"]
        final_error, most = (high - low) / 2.0 / seal.Z_95, said["remaining_range"][1]
    elif gravity is not None and expected is not None:
        final, final_error = expected.final, expected.sd
        sure = seal.Z_95 * math.hypot(error, DRIFT)
        most = max(sure, gravity - expected.final + seal.Z_95 * math.hypot(error, expected.sd))
    by_scale = same_scale(batch, now_ms)
    if by_scale is not None and batch.forced is not None:
        final, final_error = batch.forced[0], seal.SAME_SCALE_SD
        most = by_scale if most is None else min(most, by_scale)
    # Racked into another vessel it has no verdict for hours; what had finished has finished until it moves again.
    verdict = "finished" if batch.rest == "finished" else batch.verdict
    return Facts(verdict, gravity, error, most, final, final_error, found[0] if found is not None else None)


def as_known(facts: Facts) -> dict[str, float | None]:
    """What a deed of closing keeps of them, so that a later fall can be told from noise."""
    names = ("gravity", "gravity_error", "final_error", "fall_most", "abv")
    return {name: getattr(facts, name) for name in names}


def _gravity_of(state: State, batch: BatchState, now_ms: int, after_ms: int) -> tuple[float | None, float, bool]:
    """The latest gravity, its standard error, and whether it came after the latest verdict."""
    since_ms = max(after_ms, batch.said_ms)
    hand = batch.hand[-1] if batch.hand else None
    if hand is not None and (batch.last_gravity is None or hand.at_ms > since_ms or same_scale(batch, now_ms)):
        return hand.gravity, max(hand.error, seal.SAME_SCALE_SD), True
    witnesses = gravity_witnesses(state, batch.vessel) if batch.stage != "fermenting" else []
    points = witnesses[0].track.points(now_ms - DAY, now_ms) if witnesses else []
    if points and points[-1][0] * HOUR > since_ms:
        lately = [value for _, value in points[-6:]]
        return sum(lately) / len(lately), PROBE_ERROR, True
    return batch.last_gravity, PROBE_ERROR, False


def same_scale(batch: BatchState, now_ms: int) -> float | None:
    """95 % upper bound of the fall by one scale: a hand reading of late against the sample fermented out; SG."""
    if batch.forced is None or not batch.hand:
        return None
    hand = batch.hand[-1]
    told = hand.scale is not None and hand.temperature_from == "typed with it"
    if not told or now_ms - hand.at_ms > HAND_LATELY or hand.at_ms < max(batch.fed_ms or 0, batch.added_ms or 0):
        return None
    return seal.same_scale_fall(hand.gravity, batch.forced[0])
