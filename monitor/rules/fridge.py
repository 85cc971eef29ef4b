"""The fridge: its cycles are normal, its drift, door and compressor are not, and nothing in it may freeze.

The air is learned: usual top and bottom of a cycle, and how fast it warms while the compressor rests. An excursion
above the usual top is a door when it starts far faster than that and flattens within minutes; it is a compressor
when it creeps on for longer than a defrost. Contents follow the air with the vessel's own time constant.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.science import thermal
from monitor.science.trend import median

CYCLES_KEPT = 12
CYCLES_NEEDED = 3
BUFFER = 75 * MINUTE
DOOR_STEEP = 2.5  # times the usual warming
DOOR_LEAST = 0.35  # K/min: defrosts and a warm bucket put in reach 0.2 to 0.33 (simulated), an open door over 1
IDLE_W = 5.0  # a compressor draws more, a fridge's electronics less (common practice, no source)
IDLE_HOLD = 20 * MINUTE  # after a defrost it lets the plate drip for less
LOADED = 2 * HOUR  # a vessel put in warms the air for so long before
LOADED_HOLD = 3 * HOUR
DOOR_LOOK = 6 * MINUTE
DOOR_LATEST = 8 * MINUTE  # air behind an open door levels off within a quarter of an hour; a defrost takes longer
HOLD = 80 * MINUTE  # an auto-defrost comes back within 75 (one freezer log of 14 days, open data)
HOLD_UNLEARNED = 120 * MINUTE
DEFROST_MOST = 75 * MINUTE
BACK_HOLD = 10 * MINUTE
COARSE = 5 * MINUTE  # readings further apart cannot tell a door from a compressor
GAP = 2 * HOUR

COLD_START_K = 1.0
STAND_IN = "half a litre of water"
STAND_IN_L = 0.5


@dataclass(slots=True)
class Content:
    """One vessel inside: the estimate of its liquid's temperature, and when it was last brought up to date."""

    estimate: float
    at_ms: int
    tau_s: float
    freezes_c: float  # the cautious end of its freezing point
    why: str  # how that is known
    measured: bool = False
    told_ms: int = 0  # when a probe in it last spoke


def stand_in() -> Content:
    """What is taken to stand in a fridge of which nothing is listed: a small jar of water, the most tender thing."""
    why = f"what stands in it is not listed, so {STAND_IN} is taken for it"
    return Content(0.0, 0, thermal.time_constant(STAND_IN_L, "glass").usual_s, 0.0, why)


@dataclass(slots=True)
class FridgeState:
    """A fridge as learned from its air."""

    name: str
    target: float
    band: float
    air: float | None = None
    at_ms: int = 0
    first_ms: int = 0
    fast: float = 0.0  # 30 min mean
    slow: float = 0.0  # 120 min mean
    recent: list[tuple[int, float]] = field(default_factory=list)
    gaps: list[int] = field(default_factory=list)
    # cycles, by turning points
    rising: bool = True
    turn: float = 0.0
    turn_ms: int = 0
    last_turn: float = 0.0
    last_turn_ms: int = 0
    tops: list[float] = field(default_factory=list)
    bottoms: list[float] = field(default_factory=list)
    warming: list[float] = field(default_factory=list)  # K/min of rising stretches
    # excursions
    over_ms: int | None = None
    back_ms: int | None = None
    cause: str | None = None  # door, compressor
    excursions: list[tuple[int, int]] = field(default_factory=list)  # end, length
    drift_ms: int | None = None
    contents: dict[str, Content] = field(default_factory=dict)
    stand_in: Content = field(default_factory=stand_in)
    loaded_ms: int | None = None  # when something warm was put in, if told
    # a contact on the door, a meter in the plug
    contact_ms: int = 0
    open_ms: int | None = None
    power_ms: int = 0
    watts: float = 0.0
    idle_ms: int | None = None

    def inside(self) -> dict[str, Content]:
        """What stands inside, or what is taken to."""
        return self.contents or {STAND_IN: self.stand_in}

    def shut(self) -> bool:
        """Whether a contact says that the door is closed."""
        return self.contact_ms > 0 and self.open_ms is None

    def idle_for_ms(self) -> int:
        """How long its plug has drawn next to nothing by now; 0 where that is not known."""
        if self.idle_ms is None or self.at_ms - self.power_ms > 10 * MINUTE:
            return 0
        return max(0, self.at_ms - self.idle_ms)

    def swing(self) -> float:
        """Usual height of a cycle, K."""
        return median(self.tops) - median(self.bottoms) if self.learned() else 2.0

    def learned(self) -> bool:
        """Whether enough cycles were seen."""
        return min(len(self.tops), len(self.bottoms)) >= CYCLES_NEEDED

    def limit(self) -> float:
        """Above this the air is out of its usual cycle."""
        if self.learned():
            return median(self.tops) + max(0.3, 0.25 * self.swing())
        return self.target + self.band + 1.0

    def off_slope(self) -> float:
        """Usual warming while the compressor rests, K/min."""
        return median(self.warming) if self.warming else 0.06

    def interval_ms(self) -> int:
        """Usual time between readings."""
        return sorted(self.gaps)[len(self.gaps) // 2] if self.gaps else MINUTE

    def hold_ms(self) -> int:
        """How long an excursion is given to come back by itself."""
        if not self.learned():
            return HOLD_UNLEARNED
        return max(HOLD, round(1.5 * self.usual_excursion_ms()))

    def usual_excursion_ms(self) -> int:
        """The longest excursion of the last days that came back by itself, if it was not the only one: a defrost."""
        lately = [length for end, length in self.excursions if self.at_ms - end < 4 * DAY]
        return max(lately) if len(lately) >= 2 else 0

    def door_hold_ms(self) -> int:
        """When a door may be told: once the air has levelled off, or has outlasted a defrost."""
        return max(2 * DOOR_LOOK - 30_000, round(1.2 * self.usual_excursion_ms()))

    def rise(self, span_ms: int, until_ms: int | None = None) -> float | None:
        """How far the air rose in the `span_ms` before a time; None where that is not known."""
        end = self.at_ms if until_ms is None else until_ms
        later = _nearest(self.recent, end)
        earlier = _nearest(self.recent, end - span_ms)
        return None if later is None or earlier is None else later - earlier


def _nearest(points: list[tuple[int, float]], at_ms: int) -> float | None:
    best = min(points, key=lambda point: abs(point[0] - at_ms), default=None)
    return best[1] if best is not None and abs(best[0] - at_ms) <= 3 * MINUTE else None


def take(fridge: FridgeState, measured_ms: int, value: float) -> None:
    """Learn from one reading of the air; late ones are passed over."""
    if fridge.air is None:
        fridge.first_ms = fridge.turn_ms = fridge.last_turn_ms = measured_ms
        fridge.fast = fridge.slow = fridge.turn = fridge.last_turn = value
        fridge.air, fridge.at_ms, fridge.recent = value, measured_ms, [(measured_ms, value)]
        # What stood inside before anyone watched has the mean of the cycles, not the air of this moment; where the
        # air is far from the target, the air is all there is to go by.
        usual = fridge.target if abs(value - fridge.target) <= fridge.band + COLD_START_K else value
        for content in (*fridge.contents.values(), fridge.stand_in):
            content.estimate = usual if content.at_ms == 0 else content.estimate
            content.at_ms = measured_ms
        return
    if measured_ms <= fridge.at_ms:
        return
    gap = measured_ms - fridge.at_ms
    fridge.gaps = [*fridge.gaps, gap][-15:]
    mean = (fridge.air + value) / 2.0
    fridge.fast = thermal.lag_step(fridge.fast, mean, gap / 1000.0, 1800.0)
    if fridge.over_ms is None or fridge.cause is not None or measured_ms - fridge.over_ms > fridge.hold_ms():
        # An excursion that may yet come back by itself, as a defrost does, is no drift.
        fridge.slow = thermal.lag_step(fridge.slow, mean, gap / 1000.0, 7200.0)
    fridge.air, fridge.at_ms = value, measured_ms
    fridge.recent.append((measured_ms, value))
    while fridge.recent[0][0] < measured_ms - BUFFER:
        del fridge.recent[0]
    for content in (*fridge.contents.values(), fridge.stand_in):
        # A probe in it that fell silent, or was taken out, leaves the estimate to go on from its last word.
        content.measured = content.measured and measured_ms - content.told_ms <= GAP
        if not content.measured:
            content.estimate = thermal.lag_step(
                content.estimate, mean, max(0, measured_ms - content.at_ms) / 1000.0, content.tau_s
            )
        content.at_ms = measured_ms
    if gap > GAP:
        fridge.back_ms = None
        fridge.over_ms = fridge.over_ms if fridge.cause is not None else None  # what was told returns on a good reading
        fridge.turn, fridge.turn_ms = value, measured_ms
    _watch_excursion(fridge)
    if fridge.over_ms is None and fridge.cause is None:
        _watch_cycle(fridge)


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
    fridge.power_ms, fridge.watts = measured_ms, watts
    if watts >= IDLE_W:
        fridge.idle_ms = None
    elif fridge.idle_ms is None:
        fridge.idle_ms = measured_ms


def _watch_cycle(fridge: FridgeState) -> None:
    """Turning points by a zigzag whose least step grows with the swing."""
    assert fridge.air is not None
    step = max(0.2, 0.3 * fridge.swing()) if fridge.learned() else 0.4
    beyond = fridge.air > fridge.turn if fridge.rising else fridge.air < fridge.turn
    if beyond:
        fridge.turn, fridge.turn_ms = fridge.air, fridge.at_ms
        return
    if abs(fridge.air - fridge.turn) < step:
        return
    if fridge.rising:
        fridge.tops = [*fridge.tops, fridge.turn][-CYCLES_KEPT:]
        minutes = (fridge.turn_ms - fridge.last_turn_ms) / MINUTE
        if minutes >= 2.0 and fridge.turn > fridge.last_turn:
            fridge.warming = [*fridge.warming, (fridge.turn - fridge.last_turn) / minutes][-CYCLES_KEPT:]
    else:
        fridge.bottoms = [*fridge.bottoms, fridge.turn][-CYCLES_KEPT:]
    fridge.last_turn, fridge.last_turn_ms = fridge.turn, fridge.turn_ms
    fridge.rising = not fridge.rising
    fridge.turn, fridge.turn_ms = fridge.air, fridge.at_ms


def _watch_excursion(fridge: FridgeState) -> None:
    assert fridge.air is not None
    limit = fridge.limit()
    if fridge.air > limit:
        fridge.back_ms = None
        if fridge.over_ms is None:
            fridge.over_ms = fridge.at_ms
        if fridge.cause is None:
            fridge.cause = _cause(fridge)
        return
    if fridge.over_ms is None or fridge.air > limit - 0.2:
        return
    if fridge.back_ms is None:
        fridge.back_ms = fridge.at_ms
    if fridge.at_ms - fridge.back_ms < BACK_HOLD:
        return
    length = fridge.back_ms - fridge.over_ms
    if 8 * MINUTE <= length <= DEFROST_MOST:
        fridge.excursions = [*fridge.excursions, (fridge.at_ms, length)][-10:]
    fridge.over_ms = fridge.back_ms = fridge.cause = None
    # The way back down is no cycle to learn from: start afresh from here.
    fridge.rising, fridge.turn, fridge.turn_ms = False, fridge.air, fridge.at_ms


def _cause(fridge: FridgeState) -> str | None:
    assert fridge.over_ms is not None
    length = fridge.at_ms - fridge.over_ms
    loaded = fridge.loaded_ms is not None and fridge.over_ms - fridge.loaded_ms <= LOADED
    may_be_door = not fridge.shut() and not loaded and fridge.interval_ms() <= COARSE
    if may_be_door and length >= fridge.door_hold_ms() and _like_a_door(fridge):
        return "door"
    if min(length, fridge.idle_for_ms()) >= IDLE_HOLD:
        return "compressor"
    hour = fridge.rise(HOUR)
    still_up = hour is None or hour >= 0.3
    hold = max(fridge.hold_ms(), LOADED_HOLD if loaded else 0)
    return "compressor" if length >= hold and still_up else None


def _like_a_door(fridge: FridgeState) -> bool:
    """Warm air rushes in, then levels off: steep in the first minutes, at most half as steep after."""
    assert fridge.over_ms is not None
    waited = fridge.at_ms - fridge.over_ms - fridge.door_hold_ms()
    first = fridge.rise(DOOR_LOOK, fridge.over_ms + DOOR_LOOK)
    lately = fridge.rise(DOOR_LOOK)
    if first is None or lately is None or waited > DOOR_LATEST:
        return False
    steep = first / (DOOR_LOOK / MINUTE) >= max(DOOR_LEAST, DOOR_STEEP * fridge.off_slope())
    return steep and -0.25 * first <= lately <= 0.6 * first
