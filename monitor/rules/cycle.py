"""The usual cycle of a fridge: turning points, how long it cools and rests, and when that changes."""

from __future__ import annotations

from itertools import pairwise

from monitor.model.clock import HOUR, MINUTE
from monitor.rules.fridge_state import CYCLES_KEPT, FridgeState
from monitor.science.trend import median

ODD_NEEDED = 6  # tops in a row above the limit, close to each other: the dial was turned
DUTY_HOURS = 240.0
DUTY_KNOWN = 36.0
BUSY_MORE = 0.2
BUSY_LEAST = 0.6
BUSY_HOLD = 6 * HOUR
NO_PAUSE = 4 * HOUR
SHORT_SHARE = 0.4  # of the usual cycle
SHORT_MOST = 12.0  # min
STARTS_KEPT = 12
STARTS_APART = 8 * MINUTE  # a compressor wants minutes of rest before it starts again (common practice, no source)


def watch(fridge: FridgeState) -> None:
    """Turning points by a zigzag whose least step grows with the swing."""
    swing = 0.3 * fridge.swing() if fridge.learned() else 0.4
    step = max(0.2, swing, 1.2 * min(fridge.grain, 0.6))
    beyond = fridge.level > fridge.turn if fridge.rising else fridge.level < fridge.turn
    if beyond:
        fridge.turn, fridge.turn_ms = fridge.level, fridge.at_ms
        return
    if abs(fridge.level - fridge.turn) < step:
        return
    if fridge.cause is None or (fridge.rising and fridge.cause == "compressor"):
        # A stop that came back by itself was a turned dial, or is repaired: its top counts among the odd ones.
        _learn_top(fridge) if fridge.rising else _learn_bottom(fridge)
    fridge.last_turn, fridge.last_turn_ms = fridge.turn, fridge.turn_ms
    fridge.rising = not fridge.rising
    fridge.turn, fridge.turn_ms = fridge.level, fridge.at_ms


def _learn_top(fridge: FridgeState) -> None:
    if fridge.learned() and fridge.turn > fridge.limit():
        fridge.odd_tops = [*fridge.odd_tops, fridge.turn][-ODD_NEEDED:]
        alike = max(fridge.odd_tops) - min(fridge.odd_tops) <= max(0.6, 0.5 * fridge.swing())
        if len(fridge.odd_tops) == ODD_NEEDED and alike:
            fridge.tops, fridge.odd_tops = fridge.odd_tops, []
        return
    fridge.odd_tops = []
    fridge.tops = [*fridge.tops, fridge.turn][-CYCLES_KEPT:]
    length = fridge.turn_ms - fridge.last_turn_ms
    if length >= 2 * MINUTE and fridge.turn > fridge.last_turn:
        fridge.rises = [*fridge.rises, length][-CYCLES_KEPT:]
        fridge.warming = [*fridge.warming, (fridge.turn - fridge.last_turn) * MINUTE / length][-CYCLES_KEPT:]


def _learn_bottom(fridge: FridgeState) -> None:
    fridge.bottoms = [*fridge.bottoms, fridge.turn][-CYCLES_KEPT:]
    if fridge.odd_tops:
        return
    fridge.falls = [*fridge.falls, max(fridge.turn_ms - fridge.last_turn_ms, MINUTE)][-CYCLES_KEPT:]
    duty, hours = fridge.duty(), (fridge.rises[-1] + fridge.falls[-1]) / HOUR if fridge.rises else 0.0
    if duty is None:
        return
    minutes = (median(fridge.rises) + median(fridge.falls)) / MINUTE
    share = hours / min(fridge.duty_hours + hours, DUTY_HOURS) if fridge.duty_usual is not None else 1.0
    fridge.duty_hours += hours
    fridge.duty_usual = duty if fridge.duty_usual is None else fridge.duty_usual + share * (duty - fridge.duty_usual)
    before = minutes if fridge.cycle_usual is None else fridge.cycle_usual
    fridge.cycle_usual = before + share * (minutes - before)
    more = fridge.duty_hours >= DUTY_KNOWN and duty >= max(BUSY_LEAST, fridge.duty_usual + BUSY_MORE)
    if more:
        fridge.busy_ms = fridge.at_ms if fridge.busy_ms is None else fridge.busy_ms
    elif duty < fridge.duty_usual + 0.5 * BUSY_MORE:
        fridge.busy_ms = None


def take_start(fridge: FridgeState, measured_ms: int) -> None:
    """The plug says that the compressor starts."""
    fridge.starts = [*fridge.starts, measured_ms][-STARTS_KEPT:]


def overworked(fridge: FridgeState) -> bool:
    """Whether it cools far more of the time than it used to: frost on the plate, a bad seal, a hot room."""
    return fridge.busy_ms is not None and fridge.at_ms - fridge.busy_ms >= BUSY_HOLD


def no_pause(fridge: FridgeState) -> bool:
    """Whether it has cooled for hours without a pause and yet stands in its upper half."""
    if fridge.rising or fridge.cycle_usual is None or not fridge.learned():
        return False
    middle = median(fridge.tops) - 0.5 * fridge.swing()
    long = max(NO_PAUSE, round(4 * fridge.cycle_usual * MINUTE))
    return fridge.level > middle and fridge.at_ms - fridge.last_turn_ms >= long


def short_cycles(fridge: FridgeState) -> float | None:
    """Minutes between its starts, where it starts far too often; None where it does not."""
    starts = fridge.starts[-8:]
    if len(starts) == 8 and fridge.metered() and fridge.at_ms - starts[-1] <= 2 * STARTS_APART:
        apart = median([b - a for a, b in pairwise(starts)])
        return apart / MINUTE if apart <= STARTS_APART else None
    if fridge.cycle_usual is None or fridge.duty_hours < DUTY_KNOWN or fridge.at_ms - fridge.last_turn_ms > HOUR:
        return None
    rises, falls = fridge.rises[-6:], fridge.falls[-6:]
    minutes = (median(rises) + median(falls)) / MINUTE
    return minutes if minutes <= min(SHORT_MOST, SHORT_SHARE * fridge.cycle_usual) else None
