"""The fridge: its cycles are normal, its drift, door and compressor are not, and nothing in it may freeze.

Its air is learned (`cycle`): usual top and bottom, how fast it warms while the compressor rests, and for how long. What
leaves that is followed (`excursion`) until its cause is plain. The contents follow the air (`contents`).
"""

from __future__ import annotations

from monitor.model.clock import MINUTE
from monitor.rules import contents, cycle, excursion
from monitor.rules.contents import STAND_IN, Content, stand_in
from monitor.rules.fridge_state import COARSE, USUAL_PACE, USUALLY_BELOW, FridgeState
from monitor.science import thermal

__all__ = ["COARSE", "STAND_IN", "Content", "FridgeState", "stand_in", "take", "take_contact", "take_power"]

GAP = contents.GAP_MS
COLD_START_K = 1.0
SMOOTH_S = 150.0
RECENT, RECENT_APART = 20 * MINUTE, 25_000
COURSE, COURSE_APART = 100 * MINUTE, 110_000


def take(fridge: FridgeState, measured_ms: int, value: float) -> None:
    """Learn from one reading of the air; late ones are passed over."""
    if fridge.air is None:
        _first(fridge, measured_ms, value)
        return
    if measured_ms <= fridge.at_ms:
        return
    gap = measured_ms - fridge.at_ms
    fridge.gaps = [*fridge.gaps, gap][-15:]
    step = abs(value - fridge.air)
    if step > 1e-6:
        fridge.grain = min(step, 1.002 * fridge.grain)
    mean = (fridge.air + value) / 2.0
    seconds = gap / 1000.0
    fridge.level = thermal.lag_step(fridge.level, value, seconds, SMOOTH_S)
    fridge.fast = thermal.lag_step(fridge.fast, mean, seconds, 1800.0)
    if fridge.over_ms is None or fridge.cause is not None or measured_ms - fridge.over_ms > fridge.hold_ms():
        # An excursion that may yet come back by itself, as a defrost does, is no drift.
        fridge.slow = thermal.lag_step(fridge.slow, mean, seconds, 7200.0)
    fridge.air, fridge.at_ms = value, measured_ms
    _keep(fridge.recent, (measured_ms, value), RECENT, RECENT_APART)
    _keep(fridge.course, (measured_ms, fridge.level), COURSE, COURSE_APART)
    for content in (*fridge.contents.values(), *fridge.jars.values(), fridge.stand_in):
        contents.advance(content, mean, measured_ms)
    if gap > GAP:
        fridge.back_ms = fridge.onset_ms = None
        fridge.over_ms = fridge.over_ms if fridge.cause is not None else None  # what was told returns on a good reading
        fridge.level = fridge.turn = fridge.last_turn = value
        fridge.turn_ms = fridge.last_turn_ms = measured_ms
    cycle.watch(fridge)
    excursion.watch(fridge)
    if fridge.over_ms is None or measured_ms - fridge.over_ms > fridge.hold_ms():
        below = USUALLY_BELOW - (1.0 if fridge.level < fridge.usual_high else 0.0)
        fridge.usual_high += USUAL_PACE * below * min(gap, GAP) / MINUTE


def _first(fridge: FridgeState, measured_ms: int, value: float) -> None:
    fridge.first_ms = fridge.turn_ms = fridge.last_turn_ms = measured_ms
    fridge.level = fridge.fast = fridge.slow = fridge.turn = fridge.last_turn = fridge.usual_high = value
    fridge.air, fridge.at_ms = value, measured_ms
    fridge.recent, fridge.course = [(measured_ms, value)], [(measured_ms, value)]
    # What stood inside before anyone watched has the mean of the cycles, not the air of this moment; where the
    # air is far from the target, the air is all there is to go by.
    usual = fridge.target if abs(value - fridge.target) <= fridge.band + COLD_START_K else value
    for content in (*fridge.contents.values(), *fridge.jars.values(), fridge.stand_in):
        content.estimate = usual if content.at_ms == 0 else content.estimate
        content.at_ms = measured_ms


def _keep(points: list[tuple[int, float]], point: tuple[int, float], span_ms: int, apart_ms: int) -> None:
    """Keep a point, thinned so that a probe that speaks every second costs no more than one that does every minute."""
    if len(points) > 1 and point[0] - points[-2][0] < apart_ms:
        points[-1] = point
    else:
        points.append(point)
    while points[0][0] < point[0] - span_ms:
        del points[0]


def take_contact(fridge: FridgeState, measured_ms: int, value: float) -> None:
    """Learn from a contact on the door: 1 is open. Late ones are passed over."""
    if measured_ms <= fridge.contact_ms:
        return
    fridge.contact_ms = measured_ms
    if value >= 0.5:
        fridge.open_ms = fridge.open_ms if fridge.open_ms is not None else measured_ms
        return
    if fridge.open_ms is not None and fridge.cause == "door":
        # It is shut again: what the air does from here on is to be judged on its own.
        fridge.cause, fridge.over_ms = None, measured_ms
    fridge.open_ms = None


def take_power(fridge: FridgeState, measured_ms: int, watts: float) -> None:
    """Learn from a meter in the plug, W. Late readings are passed over."""
    if measured_ms <= fridge.power_ms:
        return
    if watts >= excursion.IDLE_W:
        if fridge.idle_ms is not None and fridge.power_ms > 0:
            cycle.take_start(fridge, measured_ms)
        fridge.idle_ms = None
    elif fridge.idle_ms is None:
        fridge.idle_ms = measured_ms
    fridge.power_ms, fridge.watts = measured_ms, watts
