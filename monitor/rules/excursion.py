"""Out of the usual cycle: a door, a compressor, or a defrost that comes back by itself.

A door lets warm air in: the air jumps at once and levels off. A compressor that stopped lets it creep on as it does
in every pause, past the usual top, and it does not fall. A defrost either creeps so too (the fridge only rests) or is
pushed up by a heater, and comes back: how long it rises is learned. What lifted the air at once and keeps it up while
it falls slowly is something warm that was put in, and no fault.
"""

from __future__ import annotations

from itertools import pairwise

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.rules.fridge_state import COARSE, EXCURSIONS_KEPT, HOLD_PLAIN, HOLD_PUSHED, REMEMBERED, FridgeState
from monitor.science.trend import median

DOOR_STEEP = 7.0  # times the usual warming: a heater reaches 4, a door 20
DOOR_LEAST = 0.75  # K/min: heaters lift the air by 0.2 to 0.6, a door ajar by 0.7 and more, an open one by over 1.5
DOOR_ROSE = 2.0  # K
DOOR_PLAIN = 5.5  # K; where it rose less, a short look and a probe that lags can look alike for minutes
DOOR_SMALL_MORE = 10 * MINUTE
DOOR_TELL = 7 * MINUTE
DOOR_AT_FIRST = 8 * MINUTE
DOOR_MOST = 10 * MINUTE
VISITS_KNOWN = 10 * DAY
VISITS_KEPT = 8
VISIT_MORE = MINUTE
DOOR_STANDS = 6 * MINUTE
DOOR_LATEST = 20 * MINUTE
DOOR_EARLY = 4 * MINUTE  # warm air is fastest at once; a heater warms the plate first
DOOR_JUMP = 0.8  # K
IDLE_W = 5.0  # a compressor draws more, a fridge's electronics less (common practice, no source)
IDLE_HOLD = 20 * MINUTE  # after a defrost it lets the plate drip for less
LOADED = 2 * HOUR  # a vessel put in warms the air for so long before
LOADED_HOLD = 3 * HOUR
LOOK = 12 * MINUTE
FLOOR = 6 * MINUTE
TROUGH = 20 * MINUTE
BLOCK = 25 * MINUTE
MELTS = 0.15  # of the usual warming
STANDS = 180 * MINUTE
CREEP_LOOK = 20 * MINUTE
PLAIN_SHARE = 0.45
PLAIN_MORE = 15 * MINUTE
RETURNED = 1.5  # what was told and came back by itself is given so much more time the next time
PUSH_LOOK = 6 * MINUTE
PUSHED = 1.8  # times the usual warming
BACK_HOLD = 10 * MINUTE
SHORTEST = 5 * MINUTE
LONGEST = 75 * MINUTE  # one freezer's log of 14 days: every defrost was back within


def watch(fridge: FridgeState) -> None:
    """Follow what leaves the usual cycle, and name its cause once it is plain."""
    _watch_onset(fridge)
    limit = fridge.limit()
    if fridge.level > limit:
        _over(fridge)
    elif fridge.over_ms is not None and fridge.level <= limit - min(0.2, 0.5 * (limit - _top(fridge))):
        _back(fridge)


def _top(fridge: FridgeState) -> float:
    return median(fridge.tops) if fridge.learned() else fridge.target + fridge.band


def _over(fridge: FridgeState) -> None:
    fridge.back_ms = None
    if fridge.over_ms is None:
        fridge.over_ms, fridge.pushed = fridge.at_ms, False
        fridge.peak, fridge.peak_ms = fridge.level, fridge.at_ms
    if fridge.level > fridge.peak:
        fridge.peak, fridge.peak_ms = fridge.level, fridge.at_ms
    if not fridge.pushed and fridge.at_ms - fridge.over_ms <= PUSH_LOOK:
        fridge.pushed = _pushed(fridge)
    if fridge.cause is None:
        fridge.cause = _cause(fridge)


def _pushed(fridge: FridgeState) -> bool:
    """Whether the air left its cycle faster than a resting fridge warms."""
    span = max(PUSH_LOOK, fridge.interval_ms())
    rose, usual = fridge.rise(span), fridge.off_slope() * span / MINUTE
    if fridge.onset_ms is not None or rose is None:
        return True
    return rose > max(PUSHED * usual, usual + 0.15 + 0.6 * min(fridge.grain, 0.6))


def _back(fridge: FridgeState) -> None:
    if fridge.back_ms is None:
        fridge.back_ms = fridge.at_ms
    if fridge.at_ms - fridge.back_ms < BACK_HOLD:
        return
    assert fridge.over_ms is not None
    rose = round((fridge.peak_ms - fridge.over_ms) * (RETURNED if fridge.cause == "compressor" else 1.0))
    if fridge.cause != "door" and rose >= SHORTEST and fridge.back_ms - fridge.over_ms <= 2 * LONGEST:
        found = (fridge.at_ms, min(rose, LONGEST), fridge.pushed)
        lately = [*(each for each in fridge.excursions if fridge.at_ms - each[0] < REMEMBERED), found]
        lately.sort(key=lambda each: (each[2], -each[1]))
        pushed = [each for each in lately if each[2]][:EXCURSIONS_KEPT]
        fridge.excursions = [each for each in lately if not each[2]][:EXCURSIONS_KEPT] + pushed
    fridge.over_ms = fridge.back_ms = fridge.cause = None


# --- a door ------------------------------------------------------------------------------------------------------


def _watch_onset(fridge: FridgeState) -> None:
    """A jump of the air: where it began, how steep it was and when; how long visits last is learned."""
    assert fridge.air is not None
    air, interval, grain = fridge.air, fridge.interval_ms(), min(fridge.grain, 0.6)
    if interval > COARSE or len(fridge.recent) < 2:
        fridge.onset_ms = None
        return
    jump = max(DOOR_JUMP, 3.0 * fridge.off_slope() * max(3 * MINUTE, interval) / MINUTE, 1.5 * grain)
    slope = _slope(fridge)
    late = fridge.onset_ms is not None and fridge.at_ms - fridge.onset_ms > DOOR_EARLY
    if fridge.onset_ms is None or (slope > 1.3 * fridge.steepest and (late or fridge.steepest < DOOR_LEAST)):
        found = _jumped(fridge, jump)
        if found is None and fridge.onset_ms is None:
            return
        if found is not None:
            fridge.onset_ms, fridge.onset = fridge.held_ms, _ = found
            fridge.onset_peak, fridge.steepest, fridge.like_ms = air, 0.0, 0
            fridge.lull = False
    fridge.onset_peak = max(fridge.onset_peak, air)
    rose, fell = fridge.onset_peak - fridge.onset, fridge.onset_peak - air
    if slope > fridge.steepest:
        fridge.steepest, fridge.steepest_ms = slope, fridge.at_ms
    if fell > 0.03 * rose + 0.6 * grain + 0.05 or _again(fridge, slope, grain):
        fridge.held_ms = fridge.at_ms
    assert fridge.onset_ms is not None
    if _like_a_door(fridge):
        fridge.like_ms = fridge.at_ms - fridge.held_ms
    shut = fell > max(0.2 * rose, 1.01 * grain)
    if shut and fridge.cause is None and 0 < fridge.like_ms <= DOOR_LATEST:
        visit = (fridge.at_ms, fridge.like_ms)
        lately = [*(each for each in fridge.visits if fridge.at_ms - each[0] < REMEMBERED), visit]
        fridge.visits = sorted(lately, key=lambda each: -each[1])[:VISITS_KEPT]
    if shut or fridge.at_ms - fridge.onset_ms > DOOR_LATEST + interval:
        fridge.onset_ms = None


def _again(fridge: FridgeState, slope: float, grain: float) -> bool:
    """Whether the air jumps a second time after it had levelled off: another look inside."""
    (_, before), (_, air) = fridge.recent[-2:]
    if slope <= 0.25 * fridge.steepest:
        fridge.lull = True
    elif fridge.lull and air - before >= max(0.35 * fridge.steepest, 1.5 * grain):
        fridge.lull = False
        return True
    return False


def _jumped(fridge: FridgeState, jump: float) -> tuple[int, float] | None:
    """The last reading before a jump of the last minutes; None where there is none."""
    assert fridge.air is not None
    span = max(3 * MINUTE, fridge.interval_ms()) + 20_000
    points = [point for point in fridge.recent if fridge.at_ms - point[0] <= span]
    if len(points) < 2 or fridge.air - min(air for _, air in points) < jump:
        return None
    steps = [(later[1] - earlier[1], earlier) for earlier, later in pairwise(points)]
    largest = max(step for step, _ in steps)
    return next(earlier for step, earlier in steps if step >= 0.4 * largest)


def _slope(fridge: FridgeState) -> float:
    """K/min over the last two minutes, or the last interval where that is longer."""
    assert fridge.air is not None
    for at_ms, air in reversed(fridge.recent[:-1]):
        if fridge.at_ms - at_ms >= 100_000:
            return (fridge.air - air) * MINUTE / (fridge.at_ms - at_ms)
    return 0.0


def door_after_ms(fridge: FridgeState) -> int:
    """How long the air must look as behind an open door: longer than after any visit of the last days."""
    least = DOOR_TELL if fridge.at_ms - fridge.first_ms >= VISITS_KNOWN else DOOR_AT_FIRST
    visits = max((length for _, length in fridge.visits), default=0) + VISIT_MORE
    wait = max(least, min(visits, DOOR_MOST))
    return wait if fridge.interval_ms() <= 2 * MINUTE else max(wait, 3 * fridge.interval_ms())


def _like_a_door(fridge: FridgeState) -> bool:
    """Warm air rushes in, then levels off: fastest at once, slower by now, and not falling."""
    if fridge.onset_ms is None or fridge.air is None:
        return False
    rose, slope, interval = fridge.onset_peak - fridge.onset, _slope(fridge), fridge.interval_ms()
    steep = fridge.steepest >= max(DOOR_LEAST, DOOR_STEEP * fridge.off_slope()) and rose >= DOOR_ROSE
    early = fridge.steepest_ms - fridge.onset_ms <= max(DOOR_EARLY, interval) + 20_000
    grain = min(fridge.grain, 0.6)
    up = fridge.air >= fridge.onset_peak - max(0.02 * rose, 0.6 * grain) and slope > -0.01 * rose
    return steep and early and up and slope <= 0.6 * fridge.steepest and _open_still(fridge, rose, grain)


def _open_still(fridge: FridgeState, rose: float, grain: float) -> bool:
    """Whether the air still rises, or has stood at its height for longer than a probe's lag keeps it there."""
    assert fridge.air is not None
    now, span = fridge.at_ms, max(2 * MINUTE, fridge.interval_ms())
    then = next((air for at_ms, air in reversed(fridge.recent) if now - at_ms >= span - 20_000), fridge.air)
    if fridge.air - then >= max(0.03 * rose, 0.9 * grain):
        return True
    below = fridge.onset_peak - max(0.04 * rose, 0.6 * grain)
    since = next((at_ms for at_ms, air in reversed(fridge.recent) if air < below), now)
    return now - since >= DOOR_STANDS


# --- a cause -----------------------------------------------------------------------------------------------------


def _cause(fridge: FridgeState) -> str | None:
    assert fridge.over_ms is not None
    length = fridge.at_ms - fridge.over_ms
    loaded = fridge.loaded_ms is not None and fridge.over_ms - fridge.loaded_ms <= LOADED
    if not fridge.shut() and not loaded and _is_a_door(fridge):
        return "door"
    if min(length, fridge.idle_for_ms()) >= IDLE_HOLD:
        return "compressor"
    if length >= max(fridge.hold_ms(), LOADED_HOLD if loaded else 0) and _does_not_cool(fridge):
        return "compressor"
    patient = length >= fridge.hold_ms(HOLD_PLAIN) + (PLAIN_MORE if fridge.usual_rise_ms(pushed=True) else 0)
    plain = fridge.pushed and not loaded and patient and _warms_as_in_a_pause(fridge)
    return "compressor" if plain else None


def _is_a_door(fridge: FridgeState) -> bool:
    """Whether it has looked like a door for long enough; a small rise may be a look inside before a defrost."""
    if fridge.onset_ms is None or not _like_a_door(fridge):
        return False
    wait = door_after_ms(fridge)
    if fridge.onset_peak - fridge.onset < DOOR_PLAIN + 3.0 * min(fridge.grain, 0.6):
        if not fridge.knows_defrosts() or fridge.usual_rise_ms(pushed=True) >= DOOR_SMALL_MORE:
            return False
        wait += DOOR_SMALL_MORE
    return fridge.at_ms - fridge.held_ms >= wait - 20_000


def _does_not_cool(fridge: FridgeState) -> bool:
    """Whether it has warmed for longer than in any pause, and does not fall now."""
    assert fridge.over_ms is not None
    length, since = fridge.at_ms - fridge.over_ms, fridge.at_ms - fridge.last_turn_ms
    if (fridge.pushed or not fridge.learned() or length >= HOLD_PUSHED) and _climbs(fridge):
        return True
    lately = fridge.rise(LOOK)
    if fridge.pushed or not fridge.learned() or not fridge.rising or lately is None or lately < -0.1:
        return False
    # What levels off so early is a plate that melts.
    flat = lately < MELTS * fridge.off_slope() * LOOK / MINUTE and length < 1.5 * fridge.hold_ms()
    if flat or not _creeps(fridge):
        return False
    # Where it has fallen and risen again since, its cycle has moved with the dial, or someone looked inside.
    return fridge.last_turn_ms <= fridge.over_ms or since >= 1.5 * max(fridge.rises, default=HOUR) + 5 * MINUTE


def _climbs(fridge: FridgeState) -> bool:
    """Whether what the air always comes down to rises from block to block: looks inside only ever lift it."""
    block = max(BLOCK, 2 * fridge.interval_ms())
    floors = [_lowest(fridge, number * block, (number + 1) * block) for number in range(3)]
    known = [each for each in floors if each is not None]
    steps = [later - earlier for later, earlier in pairwise(known)]
    lately = fridge.rise(LOOK)
    falls = lately is None or lately < -0.1 or (fridge.rise(CREEP_LOOK) or 0.0) < -0.3
    if len(steps) < 2 or falls:
        return False
    # A heater is faster than a pause.
    slow = sum(steps) <= 1.3 * fridge.off_slope() * len(steps) * block / MINUTE + 0.3
    assert fridge.over_ms is not None
    stands = fridge.at_ms - fridge.over_ms >= STANDS and min(steps) >= -0.05  # what was put in warm cools by then
    return slow and (stands or (min(steps) >= 0.1 and sum(steps) >= 0.3))


def _creeps(fridge: FridgeState) -> bool:
    """Whether it still stands at its height, and got there no faster than in a pause: no heater, no look just now."""
    height = max((level for at_ms, level in fridge.course if fridge.at_ms - at_ms <= 8 * MINUTE), default=fridge.level)
    grain, rose = min(fridge.grain, 0.6), fridge.rise(CREEP_LOOK)
    if fridge.level < height - max(0.1, 0.4 * grain):
        return False
    return rose is None or rose <= 1.5 * fridge.off_slope() * CREEP_LOOK / MINUTE + 0.2 + 0.6 * grain


def _warms_as_in_a_pause(fridge: FridgeState) -> bool:
    """Whether it has warmed for half an hour nearly as fast as in a pause: what was put in warm does it slowly."""
    now, half = _floor(fridge, 0), _floor(fridge, HOUR // 2)
    if now is None or half is None or not fridge.rising or fridge.at_ms - fridge.last_turn_ms < TROUGH:
        return False
    return now - half >= max(0.4, PLAIN_SHARE * fridge.off_slope() * 30)


def _lowest(fridge: FridgeState, from_ms: int, to_ms: int) -> float | None:
    """The lowest level between two times ago; None where nothing was heard then."""
    ages = ((fridge.at_ms - at_ms, level) for at_ms, level in fridge.course)
    return min((level for age, level in ages if from_ms <= age < to_ms), default=None)


def _floor(fridge: FridgeState, ago_ms: int) -> float | None:
    """The lowest level of some ten minutes, so long ago; None where that is not known."""
    half = max(FLOOR, fridge.interval_ms())
    middle = max(ago_ms, half)
    return _lowest(fridge, middle - half, middle + half + 1)
