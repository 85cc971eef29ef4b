"""What is remembered of a fridge, and what that teaches: its usual cycle, its limit, how long to wait."""

from __future__ import annotations

from dataclasses import dataclass, field

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.rules.contents import STAND_IN, Content, stand_in
from monitor.science.trend import median

CYCLES_KEPT = 16
CYCLES_NEEDED = 3
LEARNED_AFTER = 72 * HOUR  # a defrost comes at least three times in it (common practice: every 6 to 24 h)
EXCURSIONS_KEPT = 6  # of a kind, the longest
REMEMBERED = 10 * DAY
HOLD_UNLEARNED = 60 * MINUTE  # a heater or a rest of up to 40 minutes, and the drip after it
HOLD_CREEP = 22 * MINUTE
HOLD_PUSHED = 75 * MINUTE
HOLD_PLAIN = 40 * MINUTE  # pushed, and by now it warms as it does in a pause
USUALLY_BELOW = 0.8  # of the time
USUAL_PACE = 0.003  # K/min
COARSE = 5 * MINUTE  # readings further apart cannot tell a door from a compressor


@dataclass(slots=True)
class FridgeState:
    """A fridge as learned from its air."""

    name: str
    target: float
    band: float
    air: float | None = None
    at_ms: int = 0
    first_ms: int = 0
    level: float = 0.0  # the air without its noise, a mean over minutes
    fast: float = 0.0  # 30 min mean
    slow: float = 0.0  # 120 min mean
    recent: list[tuple[int, float]] = field(default_factory=list)  # the air of the last minutes
    course: list[tuple[int, float]] = field(default_factory=list)  # the level of the last hour and a half
    gaps: list[int] = field(default_factory=list)
    grain: float = 1.0  # smallest step between readings that differ
    usual_high: float = 0.0  # the level is below it four fifths of the time
    # cycles, by turning points
    rising: bool = True
    turn: float = 0.0
    turn_ms: int = 0
    last_turn: float = 0.0
    last_turn_ms: int = 0
    tops: list[float] = field(default_factory=list)
    bottoms: list[float] = field(default_factory=list)
    odd_tops: list[float] = field(default_factory=list)  # in a row, above the limit
    warming: list[float] = field(default_factory=list)  # K/min of rising stretches
    rises: list[int] = field(default_factory=list)  # ms
    falls: list[int] = field(default_factory=list)
    duty_usual: float | None = None  # part of the time it cools, a mean over ten days
    duty_hours: float = 0.0  # how much went into it
    busy_ms: int | None = None  # since when it cools far more than usual
    cycle_usual: float | None = None  # min
    # excursions
    over_ms: int | None = None
    back_ms: int | None = None
    pushed: bool = False  # it left its cycle faster than a resting fridge warms
    peak: float = 0.0
    peak_ms: int = 0
    cause: str | None = None  # door, compressor
    excursions: list[tuple[int, int, bool]] = field(default_factory=list)  # end, how long it rose, pushed
    drift_ms: int | None = None
    # a steep rise that may be a door
    onset_ms: int | None = None
    onset: float = 0.0
    onset_peak: float = 0.0
    held_ms: int = 0  # since when it has not fallen
    lull: bool = False  # it had levelled off
    like_ms: int = 0  # how long it has looked like a door
    visits: list[tuple[int, int]] = field(default_factory=list)  # when, how long each looked like a door: the longest
    steepest: float = 0.0  # K/min
    steepest_ms: int = 0
    contents: dict[str, Content] = field(default_factory=dict)
    jars: dict[str, Content] = field(default_factory=dict)  # of yeast, that stand here by the shelf
    stand_in: Content = field(default_factory=stand_in)
    loaded_ms: int | None = None  # when something warm was put in, if told
    room: float | None = None  # the air round it
    room_ms: int = 0
    # a contact on the door, a meter in the plug
    contact_ms: int = 0
    open_ms: int | None = None
    power_ms: int = 0
    watts: float = 0.0
    idle_ms: int | None = None
    starts: list[int] = field(default_factory=list)  # of the compressor, by the meter

    def known(self) -> dict[str, Content]:
        """What stands inside as far as it was told: vessels by its contents, jars by the shelf."""
        return {**self.jars, **self.contents}

    def inside(self) -> dict[str, Content]:
        """What stands inside, or what is taken to."""
        return self.known() or {STAND_IN: self.stand_in}

    def shut(self) -> bool:
        """Whether a contact says that the door is closed."""
        return self.contact_ms > 0 and self.open_ms is None

    def metered(self) -> bool:
        """Whether a meter in the plug spoke lately."""
        return self.power_ms > 0 and self.at_ms - self.power_ms <= 10 * MINUTE

    def idle_for_ms(self) -> int:
        """How long its plug has drawn next to nothing by now; 0 where that is not known."""
        if self.idle_ms is None or not self.metered():
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
            top, swing = median(self.tops), self.swing()
            spread = 1.5 * median([abs(each - top) for each in self.tops])  # its standard deviation, robustly
            margin = max(0.25, 0.1 * swing, 0.6 * min(self.grain, 0.6), min(2.5 * spread, 0.3 * swing))
            return max(top, self.usual_high) + margin
        return self.target + self.band + 1.0

    def off_slope(self) -> float:
        """Usual warming while the compressor rests, K/min."""
        return median(self.warming) if self.warming else 0.06

    def interval_ms(self) -> int:
        """Usual time between readings."""
        return sorted(self.gaps)[len(self.gaps) // 2] if self.gaps else MINUTE

    def duty(self) -> float | None:
        """Part of the time it cools, over the last cycles; None until they are known."""
        if min(len(self.rises), len(self.falls)) < 6:
            return None
        rise, fall = median(self.rises), median(self.falls)
        return fall / (rise + fall)

    def knows_defrosts(self) -> bool:
        """Whether it was watched for long enough to have seen its defrosts, if it has any."""
        return self.learned() and self.at_ms - self.first_ms >= LEARNED_AFTER

    def usual_rise_ms(self, *, pushed: bool) -> int:
        """How long excursions of a kind rose that came back by themselves, lately, at most: a defrost's length."""
        lately = [rose for end, rose, kind in self.excursions if kind == pushed and self.at_ms - end < REMEMBERED]
        return max(lately, default=0)

    def hold_ms(self, least_ms: int | None = None) -> int:
        """How long an excursion that does not fall is given to come back; `least_ms` in place of the usual."""
        coarse = self.interval_ms() if self.interval_ms() > COARSE else 0
        if not self.knows_defrosts():
            return (HOLD_PUSHED if self.pushed else HOLD_UNLEARNED) + coarse
        least = (HOLD_PUSHED if self.pushed else HOLD_CREEP) if least_ms is None else least_ms
        known = self.usual_rise_ms(pushed=self.pushed)
        usual = (1.3 if self.pushed else 1.6) * known  # how far a rest goes over the limit depends on when it began
        return max(least, round(usual) + 8 * MINUTE if known else 0) + coarse

    def rise(self, span_ms: int) -> float | None:
        """How far the level rose in the last `span_ms`; None where that is not known."""
        then = self.at_ms - span_ms
        best = min(self.course, key=lambda point: abs(point[0] - then), default=None)
        near = best is not None and abs(best[0] - then) <= max(3 * MINUTE, 0.6 * self.interval_ms())
        return self.level - best[1] if best is not None and near else None
