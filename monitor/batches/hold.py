"""Holding cold: how long the liquid has been at its target. The clock starts at the liquid, not at the air.

The liquid is a probe's word where there is one in it; else an estimate that follows the air with the vessel's time
constant, kept three times over: for the usual time constant, the fastest and the slowest. The hold is done when the
hours are full for all three. A warm spell stops the clock and does not set it back; hours that nobody watched, and
hours without a reading of the air, are never counted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal

from monitor.batches.record import counting
from monitor.model.clock import HOUR, MINUTE
from monitor.model.config import ColdPractice
from monitor.model.deeds import Held, HoldEnded, JarDiscarded, Material, Merged
from monitor.model.inputs import BatchClosed, JournalEntry
from monitor.science import cooling, thermal
from monitor.science.freezing import freezing
from monitor.science.limits import Estimate

By = Literal["told", "probe", "fridge", "air", "nothing"]

FREEZE_CARE_K: Final = 1.0  # this close to its freezing point a liquid is in danger
FREEZE_BACK_K: Final = 1.3
COLD_SPOT_K: Final = 1.0  # a wall is colder than the air's mean by this or more (common practice, no source)
LATE_MS: Final = 2 * MINUTE
REST_MS: Final = HOUR  # one that is done is brought up to date this often, at whole hours
GLASS_CAUTION: Final = "ice bursts glass, and its splinters cut: never leave glass where its contents can freeze"


@dataclass(slots=True)
class HoldState:
    """What the hold clock remembers: the estimated liquid, and the hours it was cold for. Temperatures Cel."""

    liquid_c: float
    at_ms: int  # of the estimate
    held_ms: int = 0  # at or below the target, as far as it was watched
    since_ms: int | None = None  # since when it has been cold without a break
    unseen_ms: int = 0  # not watched: never counted
    done: bool = False
    # which deed it belongs to, and the same liquid with the fastest and the slowest time constant
    of_ms: int = 0
    began_ms: int = 0
    quick_c: float | None = None
    slow_c: float | None = None
    quick_held_ms: int = 0
    slow_held_ms: int = 0
    by: By = "told"  # what told the liquid at the latest look
    seen_ms: int | None = None  # when that spoke
    own: bool = False  # it keeps an estimate of its own: the fridge knows another beginning
    breaks: int = 0  # how often it warmed up again after it had been cold
    done_ms: int | None = None

    def low_c(self) -> float:
        """The cold end of the estimate."""
        return min(self._ways())

    def high_c(self) -> float:
        """The warm end of the estimate."""
        return max(self._ways())

    def _ways(self) -> tuple[float, float, float]:
        quick = self.liquid_c if self.quick_c is None else self.quick_c
        return self.liquid_c, quick, self.liquid_c if self.slow_c is None else self.slow_c

    def hours(self) -> Estimate:
        """Hours held so far: by the usual estimate, at least, at most."""
        ways = [each / HOUR for each in (self.held_ms, self.quick_held_ms, self.slow_held_ms)]
        return Estimate(ways[0], min(ways), max(ways))


@dataclass(frozen=True, slots=True)
class Thing:
    """What is held: its vessel, for how fast it follows the air, and where it begins to freeze."""

    litres: float
    material: Material
    freezes_c: float
    why: str
    tender: str = ""
    """What it is, in words: the most tender thing of a fridge is named so."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known at a minute. Cel; None for what was not heard lately."""

    probe: tuple[str, float, int] | None = None  # its name, what it says, when
    fridge: tuple[float, float, float, int] | None = None  # the fridge's own estimate: usual, low, high, when
    air: tuple[float, int] | None = None
    taus: tuple[float, float, float] | None = None  # learned by the fridge: usual, fast, slow, s
    watched_from_ms: int = 0


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a hold stands, for people. Hours; times UTC ms, as (likely, earliest, latest); None: not in sight."""

    held: Estimate
    wanted: float
    liquid_c: Estimate
    cold: bool
    cold_at_ms: tuple[int, int, int | None] | None
    done_at_ms: tuple[int, int, int | None] | None
    unseen_hours: float
    by: By
    margin_k: float
    """How far the cold end of the liquid is above where it begins to freeze."""
    breaks: int = 0
    sentences: tuple[str, ...] = field(default=())


def active(record: Iterable[JournalEntry]) -> Held | None:
    """The hold that runs by a record: the latest that was not ended."""
    held: Held | None = None
    for entry in counting(record):
        if isinstance(entry, Held):
            held = entry
        elif held is not None and _ends(entry, held.about):
            held = None
    return held


def _ends(entry: JournalEntry, about: str) -> bool:
    """Whether what was held is out of the cold, or not there any more."""
    if isinstance(entry, Merged):
        return about == f"batch:{entry.batch}"
    return isinstance(entry, HoldEnded | BatchClosed | JarDiscarded)


# --- how it cools ------------------------------------------------------------------------------------------------


def taus(litres: float, material: Material) -> tuple[float, float, float]:
    """Time constants of a vessel, s: usual, fast, slow; the slow end as if nothing in it stirred.

    Source: `thermal.time_constant`, and `cooling.biot` for the lag of a still core, as `cooling.cooling` has it.
    """
    bounded = min(max(litres, 0.05), 2000.0)
    tau = thermal.time_constant(bounded, material)
    heat = thermal.WATER_HEAT * math.cbrt(bounded / 1000.0) / thermal.AREA_FACTOR
    return tau.usual_s, tau.low_s, tau.high_s * (1.0 + cooling.biot(bounded, heat / tau.high_s) / 2.0)


def begin(held: Held, now_ms: int, *, fridge_c: float | None) -> HoldState:
    """A new hold; what it was told of too late is not counted. `fridge_c`: where the fridge believes it to be."""
    late = now_ms - held.at > LATE_MS
    return HoldState(
        liquid_c=held.from_c,
        at_ms=held.at if late else now_ms,  # the next look takes what lies between as a span that nobody watched
        of_ms=held.received,
        began_ms=held.at,
        quick_c=held.from_c,
        slow_c=held.from_c,
        own=fridge_c is not None and abs(fridge_c - held.from_c) > 3.0,
    )


def advance(state: HoldState, held: Held, thing: Thing, seen: Seen, practice: ColdPractice, now_ms: int) -> bool:
    """Bring a hold up to a minute; says whether it has just become done."""
    span = now_ms - state.at_ms
    if span <= 0:
        return False
    # Over a span that nobody watched, and where nothing is heard, all that is certain is that it is not known.
    unseen = seen.watched_from_ms > state.at_ms or span > (REST_MS if state.done else 0) + 5 * MINUTE
    before = (state.liquid_c, state.quick_c, state.slow_c)
    known = _follow(state, thing, seen, span, unseen=unseen)
    state.at_ms = now_ms
    if unseen or not known:
        state.unseen_ms += span
        state.since_ms = None
        return False
    _count(state, held.target_c + practice.within_k, before, span, now_ms)
    done = min(state.held_ms, state.quick_held_ms, state.slow_held_ms) >= held.hours * HOUR
    if done and not state.done:
        state.done, state.done_ms = True, now_ms
        return True
    return False


def _follow(state: HoldState, thing: Thing, seen: Seen, span: int, *, unseen: bool) -> bool:
    """Move the estimate; False where nothing tells."""
    if seen.probe is not None:
        _, value, at_ms = seen.probe
        state.liquid_c = state.quick_c = state.slow_c = value
        state.by, state.seen_ms, state.own = "probe", at_ms, True  # from its last word on if it falls silent
        return True
    if seen.fridge is not None and not state.own:
        state.liquid_c, state.quick_c, state.slow_c, state.seen_ms = seen.fridge
        state.by = "fridge"
        return True
    if seen.air is None:
        state.by = "nothing"
        return False
    blind_ms = span if unseen else 0
    if state.by == "nothing":
        blind_ms = state.at_ms + span - (state.began_ms if state.seen_ms is None else state.seen_ms)
    air, state.seen_ms = seen.air
    state.by = "air"
    quick = state.liquid_c if state.quick_c is None else state.quick_c
    slow = state.liquid_c if state.slow_c is None else state.slow_c
    usual_s, fast_s, slow_s = seen.taus or taus(thing.litres, thing.material)
    if blind_ms > 0:
        # It may have warmed meanwhile, as far as to the air that is there now; for ice it counts that it may as well
        # have cooled: the cold end has followed that air all the while.
        state.liquid_c, state.slow_c = max(state.liquid_c, air), max(slow, air)
        state.quick_c = min(quick, thermal.lag_step(quick, air, blind_ms / 1000.0, fast_s))
        return True
    seconds = span / 1000.0
    state.liquid_c = thermal.lag_step(state.liquid_c, air, seconds, usual_s)
    state.quick_c = thermal.lag_step(quick, air, seconds, fast_s)
    state.slow_c = thermal.lag_step(slow, air, seconds, slow_s)
    return True


def _count(
    state: HoldState, limit: float, before: tuple[float, float | None, float | None], span: int, now_ms: int
) -> None:
    """Add the span where the liquid was at or below the limit at both of its ends."""
    was = [each if each is not None else before[0] for each in before]
    cold = [max(a, b) <= limit for a, b in zip(was, _three(state), strict=True)]
    state.held_ms += span if cold[0] else 0
    state.quick_held_ms += span if cold[1] else 0
    state.slow_held_ms += span if cold[2] else 0
    if cold[0]:
        state.since_ms = now_ms - span if state.since_ms is None else state.since_ms
    elif state.since_ms is not None:
        state.since_ms, state.breaks = None, state.breaks + 1


def _three(state: HoldState) -> tuple[float, float, float]:
    quick = state.liquid_c if state.quick_c is None else state.quick_c
    return state.liquid_c, quick, state.liquid_c if state.slow_c is None else state.slow_c


# --- freezing ----------------------------------------------------------------------------------------------------


def freezes(abv_low: float | None, *, yeast: bool = False) -> tuple[float, str]:
    """Where ice may begin, Cel, and why: by the lower end of the strength; water where nothing is known of it."""
    if abv_low is None:
        what = "yeast under water freezes at" if yeast else "its strength is not known, so it is taken for water:"
        return 0.0, f"{what} 0.0 °C"
    point = freezing(min(max(abv_low, 0.0), 80.0)).high_c
    return point, f"with {abv_low:.1f} % alcohol at the least, ice may begin at {point:.1f} °C"


def too_cold(name: str, thing: Thing, appliance: str, set_c: float) -> str | None:
    """Advice where what an appliance is set to would freeze a thing; None where it would not."""
    if set_c - thing.freezes_c > FREEZE_CARE_K:
        return None
    warmest = thing.freezes_c + FREEZE_CARE_K + COLD_SPOT_K
    return (
        f"{appliance} is set to {set_c:g} °C, and that is too cold for {name}: {thing.why}. "
        f"Set it to {warmest:.0f} °C or warmer ({FREEZE_CARE_K + COLD_SPOT_K:g} K above, for cold spots), or take "
        f"{name} out; {GLASS_CAUTION}"
    )


# --- where it stands ---------------------------------------------------------------------------------------------


def standing(
    state: HoldState, held: Held, thing: Thing, practice: ColdPractice, air_c: float | None,
    taus_s: tuple[float, float, float] | None = None,
) -> Standing:  # fmt: skip
    """Where a hold stands, and when it should be cold and done if the air stays as it is on average (`air_c`)."""
    limit = held.target_c + practice.within_k
    ways = taus_s or taus(thing.litres, thing.material)
    usual, quick, slow = _three(state)
    cold_s: list[float] = []
    for liquid, tau in zip((usual, quick, slow), ways, strict=True):
        there = liquid <= limit
        cold_s.append(0.0 if there else math.inf if air_c is None else _reach(liquid, limit, air_c, tau))
    left = [max(0.0, held.hours * HOUR - each) for each in (state.held_ms, state.quick_held_ms, state.slow_held_ms)]
    cold_at = _times(state.at_ms, [each * 1000.0 for each in cold_s])
    done_at = _times(state.at_ms, [c * 1000.0 + each for c, each in zip(cold_s, left, strict=True)])
    return Standing(
        held=state.hours(),
        wanted=held.hours,
        liquid_c=Estimate(state.liquid_c, state.low_c(), state.high_c()),
        cold=usual <= limit,
        cold_at_ms=cold_at,
        done_at_ms=None if state.done else done_at,
        unseen_hours=state.unseen_ms / HOUR,
        by=state.by,
        margin_k=state.low_c() - thing.freezes_c,
        breaks=state.breaks,
    )


def _reach(liquid: float, limit: float, air: float, tau: float) -> float:
    return thermal.seconds_to_reach(liquid, limit, air, tau) if air < limit else math.inf


def _times(now_ms: int, spans_ms: list[float]) -> tuple[int, int, int | None] | None:
    """Likely, earliest, latest; None where not even the likely one is in sight."""
    if math.isinf(spans_ms[0]):
        return None
    latest = max(spans_ms)
    return (
        now_ms + round(spans_ms[0]),
        now_ms + round(min(spans_ms)),
        None if math.isinf(latest) else now_ms + round(latest),
    )


def done_sentence(what: str, state: HoldState, held: Held, practice: ColdPractice) -> str:
    """The sentence of `cold-hold-done`."""
    how = "by a probe in it" if state.by == "probe" else "by estimate from the air around it"
    unseen = f" {state.unseen_ms / HOUR:.1f} h that nobody saw are not counted." if state.unseen_ms > LATE_MS else ""
    times = "once" if state.breaks == 1 else f"{state.breaks} times"
    rest = f" It warmed up {times} in between; the clock only stood meanwhile." if state.breaks else ""
    return (
        f"{what} has been cold for long enough: its liquid was at {held.target_c:g} °C "
        f"(up to {held.target_c + practice.within_k:g}) for {held.hours:g} h, {how}.{rest}{unseen}"
    )
