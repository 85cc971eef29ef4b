"""What the rules remember of a batch, and what they may expect of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.model.clock import DAY, HOUR
from monitor.model.events import Hint, VerdictName
from monitor.rules.finals import Final, expected_final
from monitor.rules.truth import ProbeTruth

# Below this a batch is called cold when nothing was said of its yeast: between ale and lager (common practice, no
# source). A batch that has fermented warm is cold already well above it.
COLD_UNTOLD_C = 8.0
COOLED_BY_K = 6.0

# A wash whose start nobody saw: what is usual, and how far it may lie off (common practice, no source).
USUAL_ORIGINAL = 1.070
USUAL_ORIGINAL_SD = 0.020

HAND_KEPT = 60  # hand readings, and as many of those that were taken back


@dataclass(slots=True)
class HandPoint:
    """One hand reading: when, the result, the raw scale value (None if gravity was typed) and its temperature."""

    at_ms: int
    gravity: float
    error: float
    scale: float | None = None
    temperature: float | None = None
    temperature_from: str = ""


@dataclass(slots=True)
class BatchState:
    """A batch as the rules know it. Gravities SG 20/20, temperatures Cel, times UTC ms."""

    name: str
    vessel: str
    pitched_ms: int
    original: float | None = None
    original_told: bool = False
    original_set: float | None = None  # as last told, before any addition
    forecast_sd: float | None = None  # of an original gravity that nobody read: reckoned from what went in
    base: float | None = None  # the original gravity without `rises`, where there are any
    rises: dict[int, float] = field(default_factory=dict)  # by when each was received: what went in later raised it so
    contains_ms: int = 0  # what was received up to then is in the original gravity as it was read
    thinned: bool = False  # water went in, or the gravity fell in one step: its strength is not known any more
    thinned_seen: bool = False  # by the readings
    thinners: list[int] = field(default_factory=list)  # by what went in, by when it was received
    expected_final: float | None = None
    expected_sd: float | None = None
    fermentables: str | None = None
    mix: tuple[float, float] | None = None  # apparent attenuation that its ingredients should give, and its sd
    recipe: str | None = None
    yeast: str | None = None
    forced: tuple[float, float, int] | None = None  # final of a small warm sample fermented out: SG, its error, when
    past: tuple[float, float, str] | None = None  # apparent attenuation of batches like it: mean, sd, which they were
    yeast_low: float | None = None
    yeast_high: float | None = None
    alcohol_limit: float | None = None
    start_within_ms: int = 0
    homes: list[tuple[int, str]] = field(default_factory=list)  # since when it has been in which vessel, oldest first
    split_off: bool = False  # it began as a part of another batch
    first_stage: str = "fermenting"
    stage: str = "fermenting"
    closed: bool = False
    closed_ms: int | None = None
    # what has been seen
    first_ms: int | None = None  # the earliest gravity
    probe_ms: int | None = None  # the latest gravity of a probe
    baseline: float | None = None  # the highest steady gravity of the probe since pitch: the fall is counted from it
    started_ms: int | None = None
    peak_rate: float = 0.0  # SG a day, fastest fall of a 24 h window
    window_from_ms: int = 0  # no window of a trend reaches back beyond this
    reference_c: float | None = None  # 24 h mean temperature at the start of the window
    active_c: float | None = None  # mean temperature while it worked
    slowed_ms: int | None = None
    climate: tuple[float, float, float] | None = None  # around that time: coldest, warmest, and by how much it cooled
    glide: float | None = None  # how it came to rest; see arrival.py
    ended_ms: int | None = None  # since when its rest has been small enough, and its slope flat
    rests_ms: int | None = None  # since when it has hardly moved
    added_ms: int | None = None
    added_before: float | None = None
    added_known: bool = False
    added_of: int | None = None  # when that was received
    fed_ms: int | None = None  # the latest addition that was announced
    step_ms: int | None = None  # a step in gravity that nobody announced, asked about until answered
    step_probe: str = ""
    step_by: float = 0.0
    step_thins: bool = False  # it was this one that made it be taken for thinned
    # what has been said
    verdict: VerdictName | None = None
    hint: Hint | None = None
    last_gravity: float | None = None
    since_ms: int = 0
    said_ms: int = 0
    rest: VerdictName | None = None  # finished or stalled, from when it was said until it moves again
    rest_gravity: float | None = None
    too_warm_ms: int | None = None
    too_cold_ms: int | None = None
    hand: list[HandPoint] = field(default_factory=list)
    struck: list[HandPoint] = field(default_factory=list)  # hand readings that were taken back: no rule sees them
    truths: dict[str, ProbeTruth] = field(default_factory=dict)  # of each gravity probe, by hand readings
    hand_warmth: tuple[int, float] | None = None  # the latest temperature typed by hand, and when

    def placed_ms(self) -> int:
        """The first whole hour in its vessel: what the probes there said before was of something else; 0 at first."""
        return -(-self.homes[-1][0] // HOUR) * HOUR if len(self.homes) > 1 or self.split_off else 0

    def read_original(self, value: float, now_ms: int) -> None:
        """Take the original gravity as it was read: all that went in so far is in it."""
        self.original, self.base, self.forecast_sd, self.contains_ms = value, None, None, now_ms
        self.rises.clear()

    def tell_original(self, value: float | None) -> None:
        """Take the original gravity as it was at pitch, by a person or reckoned; what went in later comes on top."""
        self.base, self.contains_ms = value, 0
        self.original = value if value is None else value + math.fsum(self.rises.values())

    def raise_by(self, of: int, by: float) -> None:
        """What was received at `of` raised the original gravity by so much; nothing where that is not known."""
        if self.original is None:
            return
        if not self.rises:
            self.base = self.original
        self.rises[of] = by
        assert self.base is not None
        self.original = self.base + math.fsum(self.rises.values())

    def take_back(self, of: int) -> None:
        """What was received at `of` raised nothing after all."""
        if self.rises.pop(of, None) is not None and self.base is not None:
            self.original = self.base + math.fsum(self.rises.values())

    def start_by_hand(self) -> HandPoint | None:
        """The hand reading that tells its original gravity: the highest of the day around pitch; None without one."""
        early = [point for point in self.hand if point.at_ms - self.pitched_ms < DAY]
        return max(early, key=lambda point: point.gravity, default=None)

    def seen_late(self) -> bool:
        """Whether its first gravity came a day or more after it was pitched: its start was not seen."""
        return self.first_ms is not None and self.first_ms - self.pitched_ms >= DAY

    def start_gravity(self) -> float | None:
        """What it fell from: the original gravity, or what is usual where nobody saw the start."""
        if self.original is not None or self.baseline is None:
            return self.original
        return max(self.baseline, USUAL_ORIGINAL) if self.seen_late() else self.baseline

    def cold_below(self) -> tuple[float, str]:
        """Below which liquid temperature a standstill proves nothing, and why that figure."""
        if self.yeast_low is not None:
            return self.yeast_low, f"the yeast's range starts at {self.yeast_low:g} °C"
        if self.active_c is not None and self.active_c - COOLED_BY_K > COLD_UNTOLD_C:
            limit = self.active_c - COOLED_BY_K
            return limit, f"it worked at {self.active_c:.1f} °C and no yeast range is set"
        return COLD_UNTOLD_C, "no yeast range is set"


Expectation = Final


def expectation(batch: BatchState) -> Expectation | None:
    """The expected final gravity; None while not even the original gravity is known."""
    told = (batch.expected_final, batch.expected_sd) if batch.expected_final is not None else None
    guessed = USUAL_ORIGINAL_SD if batch.original is None and batch.seen_late() else batch.forecast_sd or 0.0
    return expected_final(
        batch.start_gravity(),
        told,
        batch.forced,
        batch.past,
        batch.fermentables,
        mix=batch.mix,
        original_sd=guessed,
    )
