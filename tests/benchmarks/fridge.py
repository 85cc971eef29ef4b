"""How well the fridge's rules do: delays, false alarms and ranges on fridges that no rule was tuned on.

    python -m tests.benchmarks.fridge            # the report, on the seeds kept for it
    python -m tests.benchmarks.fridge --develop  # the same on the seeds that rules may be tuned on
    python -m tests.benchmarks.fridge --scale 0.1

The seeds kept for the report are a fresh range, not looked at while the rules were tuned; when they have been looked at
and a rule changes, the range moves on (it was 7,000,000 before).

The world is in `fridge_world.py`. Beside the rules three baselines see the same readings. Rates come with exact
bounds: Clopper and Pearson 1934 for shares, Garwood 1936 for counts over time, both 95 %.
"""

from __future__ import annotations

import argparse
import itertools
import random
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from scipy import stats

from monitor.model.clock import MINUTE
from monitor.rules.contents import Content
from monitor.rules.fridge import FridgeState, take, take_power
from monitor.rules.fridge_says import check, until
from monitor.science.thermal import time_constant

from .fridge_world import Build, Life, Minute, World, build, usual_life

DEVELOP, REPORT = 1_000_000, 23_000_000  # first seeds; the second are for reporting only
T0 = 1_772_474_400_000
LEARNING_DAYS = 4
OURS = "the rules"
ALERTS = ("fridge-door", "fridge-compressor", "fridge-drift", "freeze-risk")


# --- baselines ---------------------------------------------------------------------------------------------------


@dataclass
class FixedLimit:
    """Above 8 °C for 15 minutes."""

    name = "fixed limit 8 °C, 15 min"
    since: int | None = None

    def take(self, minute: int, value: float) -> bool:
        """Whether it alarms."""
        self.since = None if value <= 8.0 else minute if self.since is None else self.since
        return self.since is not None and minute - self.since >= 15


@dataclass
class MeanShift:
    """The mean over half an hour stands above what it learned in two days, for half an hour."""

    name = "learned mean shift, held 30 min"
    seen: list[float] = field(default_factory=list)
    limit: float = 99.0
    mean: float | None = None
    at: int = 0
    since: int | None = None

    def take(self, minute: int, value: float) -> bool:
        """Whether it alarms."""
        share = 1.0 - 2.718 ** (-(minute - self.at) / 30)
        self.mean = value if self.mean is None else self.mean + share * (value - self.mean)
        self.at = minute
        if minute < 2880:
            if minute > 180:
                self.seen.append(self.mean)
            return False
        if self.limit > 90.0:
            ordered = sorted(self.seen)
            middle, high = ordered[len(ordered) // 2], ordered[int(0.95 * len(ordered))]
            self.limit = max(high, middle + 0.3) + 0.3
        self.since = None if self.mean <= self.limit else minute if self.since is None else self.since
        return self.since is not None and minute - self.since >= 30


@dataclass
class Overdue:
    """It rises for longer than 1.3 times the longest rise of two days, and five minutes."""

    name = "cycle overdue (1.3 x longest + 5 min)"
    level: float | None = None
    low: float = 0.0
    low_at: int = 0
    high: float = 0.0
    longest: int = 0

    def take(self, minute: int, value: float) -> bool:
        """Whether it alarms."""
        self.level = value if self.level is None else self.level + 0.4 * (value - self.level)
        if minute == 0:
            self.low = self.high = self.level
        if self.level <= self.low:
            self.low, self.low_at, self.high = self.level, minute, self.level
        self.high = max(self.high, self.level)
        if self.level < self.high - 0.5:  # it fell: a new rise begins
            if minute < 2880:
                self.longest = max(self.longest, minute - self.low_at)
            self.low, self.low_at, self.high = self.level, minute, self.level
        return minute >= 2880 and minute - self.low_at > 1.3 * self.longest + 5


# --- one run -----------------------------------------------------------------------------------------------------


@dataclass
class Run:
    """What one fridge's watchers said, and what was so."""

    fridge: Build
    life: Life
    told: dict[str, list[tuple[str, int]]]  # by watcher: alert and minute it began
    contents: dict[int, tuple[float, float]]  # by hour
    covered: Counter[str] = field(default_factory=Counter)
    width: list[float] = field(default_factory=list)
    left: list[tuple[float, float, float]] = field(default_factory=list)  # h: soonest, true, latest
    phase_s: int = 0
    says: list[str] = field(default_factory=list)
    cost_s: float = 0.0
    readings: int = 0
    warmest: dict[int, tuple[float, float]] = field(default_factory=dict)


def live(fridge: Build, life: Life, chance: random.Random, *, metered: bool = False) -> Run:
    """Let a fridge live, and everyone watch."""
    state = FridgeState("it", fridge.target, fridge.band)
    for name, litres in zip(("small", "big"), fridge.litres, strict=True):
        tau = time_constant(litres, "glass").usual_s
        state.contents[name] = Content(fridge.target, 0, tau, 0.0, "for the test")
    baselines = (FixedLimit(), MeanShift(), Overdue())
    run = Run(fridge, life, {OURS: []} | {each.name: [] for each in baselines}, {})
    on: dict[tuple[str, str], bool] = {}
    world, pending = World(fridge, life, chance), []
    run.phase_s = world.phase_s
    for now in world.minutes():
        at = T0 + now.minute * MINUTE
        if now.announced:
            state.loaded_ms = at
        run.warmest[now.minute] = now.contents
        if metered:
            take_power(state, at, 85.0 if now.running else 130.0 if now.defrosting and fridge.heater_w else 1.5)
        if now.reading is not None:
            start = time.perf_counter()
            take(state, at, now.reading)
            run.cost_s += time.perf_counter() - start
            run.readings += 1
            for each in baselines:
                _edge(on, run.told[each.name], each.name, "alarm", now.minute, so=each.take(now.minute, now.reading))
        for found in check(state, at):
            if _edge(on, run.told[OURS], OURS, found.alert, now.minute, so=found.active):
                run.says.append(found.message + " " + "; ".join(found.because))
                if (
                    found.alert == "fridge-compressor"
                    and life.stopped_s is not None
                    and at - T0 >= life.stopped_s * 1000
                ):
                    pending = _promises(state, now)
        pending = _kept(run, pending, now, state.target + state.band)
        if now.minute > 720 and now.minute % 60 == 0:
            _cover(run, state, now)
    return run


def _edge(
    on: dict[tuple[str, str], bool], told: list[tuple[str, int]], who: str, what: str, minute: int, *, so: bool
) -> bool:
    before = on.get((who, what), False)
    on[who, what] = so
    if so and not before:
        told.append((what, minute))
    return so and not before


Promise = tuple[int, int, float, float]


def _promises(state: FridgeState, now: Minute) -> list[Promise]:
    """What was said of the time left, for contents not too warm yet: which, minute, soonest and latest hours."""
    top, found = state.target + state.band, []
    for index, name in enumerate(("small", "big")):
        soon, about, late = until(state, state.contents[name], top)
        if state.contents[name].estimate < top and now.contents[index] < top and about < 48 * 3600:
            found.append((index, now.minute, soon / 3600, late / 3600))
    return found


def _kept(run: Run, pending: list[Promise], now: Minute, top: float) -> list[Promise]:
    left = []
    for promise in pending:
        index, since, soon, late = promise
        if now.contents[index] >= top:
            run.left.append((soon, (now.minute - since) / 60, late))
        else:
            left.append(promise)
    return left


def _cover(run: Run, state: FridgeState, now: Minute) -> None:
    for name, true in zip(("small", "big"), now.contents, strict=True):
        content = state.contents[name]
        run.covered["in" if content.low() <= true <= content.high() else "out"] += 1
        run.width.append((content.high() - content.low()) / 2)


# --- bounds ------------------------------------------------------------------------------------------------------


def share(hits: int, of: int) -> str:
    """A share with its exact 95 % bounds (Clopper and Pearson)."""
    if of == 0:
        return "none"
    low = stats.beta.ppf(0.025, hits, of - hits + 1) if hits else 0.0
    high = stats.beta.ppf(0.975, hits + 1, of - hits) if hits < of else 1.0
    return f"{hits}/{of} = {100 * hits / of:.1f} % ({100 * low:.1f}-{100 * high:.1f})"


def rate(count: int, days: float) -> str:
    """A count per 1,000 days with its exact 95 % bounds (Garwood)."""
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(0.975, 2 * count + 2) / 2
    return f"{1000 * count / days:.2f} ({1000 * low / days:.2f}-{1000 * high / days:.2f}) per 1,000 days"


def quantiles(values: list[float]) -> str:
    """Median and 95th percentile."""
    if not values:
        return "-"
    ordered = sorted(values)
    return f"{ordered[len(ordered) // 2]:.1f} / {ordered[min(len(ordered) - 1, int(0.95 * len(ordered)))]:.1f}"


# --- scenarios ---------------------------------------------------------------------------------------------------


@dataclass
class Scored:
    """Runs of one kind."""

    delays: dict[str, list[float]] = field(default_factory=dict)  # min
    missed: Counter[str] = field(default_factory=Counter)
    named: Counter[str] = field(default_factory=Counter)  # what the rules said first
    warmed: dict[str, list[float]] = field(default_factory=dict)  # the content that warmed most, K
    cooled: dict[str, list[float]] = field(default_factory=dict)  # the mean of the contents, K
    left: list[tuple[float, float, float]] = field(default_factory=list)  # h: soonest, true, latest
    runs: list[Run] = field(default_factory=list)


def faulty(seeds: Iterator[int], runs: int, kind: str, *, every_min: int | None = None, hours: float = 10.0) -> Scored:
    """Fridges that live for four to five days and then fail in one way."""
    scored = Scored()
    for _ in range(runs):
        chance = random.Random(next(seeds))
        fridge = build(chance, every_min)
        at = round((LEARNING_DAYS + chance.random()) * 86400)
        life = usual_life(chance, at / 86400 + hours / 24, quiet_from_s=at)
        FAULTS[kind](life, at, fridge, chance)
        run = live(fridge, life, chance)
        scored.runs.append(run)
        score(scored, run, at // 60, WANTED[kind])
        if kind == "stop":
            scored.left += [each for each in run.left if each[0] >= 0.0]
    return scored


def by_delay(scored: Scored) -> str:
    """How far the contents had warmed so long after the stop, whoever watched: what a delay is worth, by itself."""
    words = []
    for minutes in (30, 45, 60, 77, 90, 120):
        warm = []
        for run in scored.runs:
            assert run.life.stopped_s is not None
            at = run.life.stopped_s // 60
            both = zip(run.warmest[at], run.warmest[at + minutes], strict=True)
            warm.append([late - early for early, late in both])
        small, big = (sum(each[which] for each in warm) / len(warm) for which in (0, 1))
        words.append(f"{minutes} min {(small + big) / 2:.2f} K (small {small:.2f}, big {big:.2f})")
    return ", ".join(words)


def _stop(life: Life, at: int, _: Build, __: random.Random) -> None:
    life.stopped_s = at


def _wide(life: Life, at: int, fridge: Build, _: random.Random) -> None:
    life.ajar.append((at, at + 4 * 3600, fridge.door))


def _ajar(life: Life, at: int, _: Build, chance: random.Random) -> None:
    life.ajar.append((at, at + 4 * 3600, chance.uniform(4, 10)))


def _short(life: Life, at: int, _: Build, __: random.Random) -> None:
    life.short_s = at


def _icing(life: Life, at: int, _: Build, __: random.Random) -> None:
    life.icing_s = at


def _slip(life: Life, at: int, fridge: Build, chance: random.Random) -> None:
    to = fridge.target + chance.choice((-1, 1)) * (fridge.band + chance.uniform(0.7, 2.5)) - fridge.offset
    life.dialled.append((at, to - fridge.set_point - sum(by for _, by in life.dialled)))


def _healthy(seeds: Iterator[int], runs: int, days: int = 14) -> list[Run]:
    found = []
    for _ in range(runs):
        chance = random.Random(next(seeds))
        fridge = build(chance)
        found.append(live(fridge, usual_life(chance, days), chance))
    return found


FAULTS: dict[str, Callable[[Life, int, Build, random.Random], None]] = {
    "stop": _stop, "wide": _wide, "ajar": _ajar, "short": _short, "icing": _icing, "slip": _slip,
}  # fmt: skip
WANTED = {"stop": ("fridge-compressor", "fridge-door"), "wide": ("fridge-door", "fridge-compressor"),
          "ajar": ("fridge-door", "fridge-compressor"), "short": ("fridge-compressor", "fridge-drift"),
          "icing": ("fridge-drift", "fridge-compressor"), "slip": ("fridge-drift",)}  # fmt: skip


def score(scored: Scored, run: Run, at: int, wanted: tuple[str, ...]) -> None:
    """When each watcher first said what is wanted after the fault, and how far the contents had warmed by then."""
    for who, told in run.told.items():
        after = [(minute, alert) for alert, minute in told if minute >= at and alert in (*wanted, "alarm")]
        if not after:
            scored.missed[who] += 1
            continue
        minute, alert = min(after)
        if who == OURS:
            scored.named[alert] += 1
        scored.delays.setdefault(who, []).append(minute - at)
        warm = [late - early for early, late in zip(run.warmest[at], run.warmest[minute], strict=True)]
        scored.warmed.setdefault(who, []).append(max(warm))
        scored.cooled.setdefault(who, []).append(sum(warm) / len(warm))


# --- the report --------------------------------------------------------------------------------------------------

OFFSETS = {"healthy": 0, "stop": 10_000, "wide": 20_000, "ajar": 30_000, "short": 40_000, "icing": 50_000,
           "slip": 60_000, "stop at 1": 70_000, "stop at 5": 80_000, "stop at 15": 90_000}  # fmt: skip
RUNS = {"healthy": 150, "stop": 200, "wide": 100, "ajar": 60, "slip": 60, "short": 30, "icing": 20}
HOURS = {"short": 24.0, "icing": 168.0, "slip": 24.0}


def blame(run: Run, minute: int) -> str:
    """What of a healthy life was going on when something was told."""
    at, life, fridge = minute * 60, run.life, run.fridge
    for when, _, told in life.loads:
        if 0 <= at - when <= 8 * 3600:
            return "announced load" if told else "load"
    if any(0 <= at - when <= 6 * 3600 for when, _ in life.dialled):
        return "dial"
    phase = (at + run.phase_s) % fridge.defrost_every_s if fridge.defrost_every_s else 1_000_000
    if phase < fridge.defrost_s + 2400:
        return "defrost"
    return "look" if any(0 <= at - from_s <= 1800 for from_s, _ in life.opened) else "nothing"


def report_healthy(seeds: Iterator[int], runs: int) -> list[str]:
    """False alarms by kind and by what was going on, and how well the contents are estimated."""
    found = _healthy(seeds, runs)
    days = sum(run.life.days for run in found)
    lines = [f"healthy: {runs} fridges, {days:.0f} days, {sum(1 for r in found if r.fridge.defrost_every_s)} defrost"]
    for alert in ALERTS:
        told = [(run, minute) for run in found for name, minute in run.told[OURS] if name == alert]
        causes = Counter(blame(run, minute) for run, minute in told)
        late = sum(minute >= LEARNING_DAYS * 1440 for _, minute in told)
        lines.append(f"  {alert}: {rate(len(told), days)}; {late} after day {LEARNING_DAYS}; {dict(causes)}")
    others = list(found[0].told)[1:]
    lines += [f"  {name}: {rate(sum(len(run.told[name]) for run in found), days)}" for name in others]
    covered = sum((run.covered for run in found), Counter[str]())
    width = [each for run in found for each in run.width]
    lines.append(
        f"  contents in their 90 % range: {100 * covered['in'] / covered.total():.1f} % of {covered.total()} "
        f"(hours of one fridge are not independent), half width {sum(width) / len(width):.2f} K"
    )
    cost, readings = sum(run.cost_s for run in found), sum(run.readings for run in found)
    lines.append(f"  cost: {1e6 * cost / readings:.0f} us a reading, {readings} readings")
    return lines


def report_fault(seeds: Iterator[int], runs: int, kind: str, every_min: int | None = None) -> list[str]:
    """Delays of one kind of fault, beside the baselines'."""
    scored = faulty(seeds, runs, kind, every_min=every_min, hours=HOURS.get(kind, 10.0))
    unit = 60.0 if kind in HOURS else 1.0
    title = f"{kind}" + (f", a reading each {every_min} min" if every_min else "")
    lines = [f"{title}: {runs} fridges; delay median / p95 in {'h' if unit > 1 else 'min'}"]
    for who in scored.runs[0].told:
        delays = [each / unit for each in scored.delays.get(who, [])]
        warm = scored.warmed.get(who, [])
        mean = f"{sum(warm) / len(warm):.2f} K" if warm else "-"
        small = f"{sum(scored.cooled.get(who, [])) / len(warm):.2f} K" if warm else "-"
        lines.append(
            f"  {who}: {quantiles(delays)}; told {share(len(delays), runs)}; "
            f"contents warmed {small}, the one that warmed most {mean}"
        )
    lines.append(f"  told first as: {dict(scored.named)}")
    if kind == "stop":
        lines.append(f"  contents warmed by a set delay: {by_delay(scored)}")
    if scored.left:
        inside = sum(soon <= true <= late for soon, true, late in scored.left)
        safe = sum(soon <= true for soon, true, _ in scored.left)
        lines.append(f"  time left: true within the said range {share(inside, len(scored.left))}, "
                     f"not before its soonest {share(safe, len(scored.left))}")  # fmt: skip
    return lines


PARTS: dict[str, Callable[[int, float], list[str]]] = {
    "healthy": lambda base, scale: report_healthy(_seeds(base, "healthy"), _runs("healthy", scale)),
    "stop": lambda base, scale: report_fault(_seeds(base, "stop"), _runs("stop", scale), "stop"),
    **{
        f"stop at {every}": lambda base, scale, every=every: report_fault(  # type: ignore[misc]
            _seeds(base, f"stop at {every}"), max(1, round(60 * scale)), "stop", every
        )
        for every in (1, 5, 15)
    },
    "wide": lambda base, scale: report_fault(_seeds(base, "wide"), _runs("wide", scale), "wide", 1),
    "ajar": lambda base, scale: report_fault(_seeds(base, "ajar"), _runs("ajar", scale), "ajar", 1),
    "slip": lambda base, scale: report_fault(_seeds(base, "slip"), _runs("slip", scale), "slip"),
    "short": lambda base, scale: report_fault(_seeds(base, "short"), _runs("short", scale), "short"),
    "icing": lambda base, scale: report_fault(_seeds(base, "icing"), _runs("icing", scale), "icing"),
}


def _seeds(base: int, part: str) -> Iterator[int]:
    return itertools.count(base + OFFSETS[part])


def _runs(part: str, scale: float) -> int:
    return max(1, round(RUNS[part] * scale))


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser(description="Benchmark of the fridge's rules.")
    parser.add_argument("--develop", action="store_true", help="on the seeds that rules may be tuned on")
    parser.add_argument("--scale", type=float, default=1.0, help="share of the runs")
    parser.add_argument("--part", choices=sorted(PARTS), action="append", help="only this part; may be given again")
    told = parser.parse_args()
    for part in told.part or PARTS:
        print("\n".join(PARTS[part](DEVELOP if told.develop else REPORT, told.scale)), flush=True)


if __name__ == "__main__":
    main()
