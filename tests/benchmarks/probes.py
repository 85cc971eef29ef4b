"""How soon and how surely probe health is told, on simulated probes of several resolutions, noises and intervals.

    python -m tests.benchmarks.probes [--seeds report|develop] [--probes N]

Truth: a lag of 6 to 36 h, a logistic fall, a slow tail or none, then a standstill to the end of 21 days. The liquid
stands in a cellar (day and night, slow weather), in a steady room, or in a place held to a few hundredths of a kelvin,
and is warmed by the ferment. Noise is white; values are rounded to the probe's step. One author wrote this and the
rules: see it as a check of arithmetic and of chance, not of how probes of this world fail.

Bounds on rates are exact (Garwood 1936 for Poisson counts).
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from monitor.model.clock import DAY, HOUR
from monitor.rules.health import ProbeHealth, SeriesHealth
from monitor.rules.stuck import hear
from monitor.rules.truth import Pair, ProbeTruth

SEEDS = {"develop": 20_000, "report": 70_000}
START = 1_772_474_400_000
DAYS = 21
INTERVALS = (1, 5, 10, 15)


@dataclass(frozen=True, slots=True)
class Kind:
    """A probe: what it rounds to, and the standard deviation of its white noise (SG, kelvin)."""

    name: str
    gravity_step: float
    kelvin_step: float
    gravity_sd: float
    kelvin_sd: float


KINDS = (
    Kind("fine", 0.0001, 0.01, 0.0004, 0.03),
    Kind("fine, quiet", 0.0001, 0.01, 0.00005, 0.01),
    Kind("sixteenths of a degree", 0.0001, 0.0625, 0.0005, 0.04),
    Kind("whole points, noisy", 0.001, 0.1, 0.0008, 0.06),
    Kind("whole points", 0.001, 0.1, 0.0005, 0.05),
)
COARSE = (
    Kind("whole points, quiet", 0.001, 0.1, 0.0003, 0.03),
    Kind("whole points, half degrees", 0.001, 0.5, 0.0003, 0.05),
    Kind("whole points, no noise", 0.001, 0.1, 0.0, 0.0),
)


@dataclass(frozen=True, slots=True)
class Said:
    """What a probe says: times (ms), gravities, temperatures."""

    at: np.ndarray
    gravity: np.ndarray
    kelvin: np.ndarray
    wash: np.ndarray  # the true gravity


def truth(rng: np.random.Generator, minutes: int, days: float = DAYS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times (ms) and the true gravity and temperature then."""
    count = round(days * 1440 / minutes)
    hours = (np.arange(count) * minutes + rng.normal(0, 0.001 * minutes, count) + rng.uniform(0, minutes)) / 60
    original, final = rng.uniform(1.045, 1.100), rng.uniform(0.988, 1.018)
    lag, steep = rng.uniform(6, 36), rng.uniform(0.04, 0.12)
    middle = lag + rng.uniform(3, 6) / steep
    done = 1 / (1 + np.exp(-steep * (hours - middle)))
    done = np.where(hours < lag, 0.0, done - 1 / (1 + math.exp(-steep * (lag - middle))))
    tail = rng.uniform(0.0, 0.08) * (rng.random() < 0.5)
    slow = np.clip(1 - np.exp(-(hours - middle) / rng.uniform(24, 120)), 0, 1)
    gravity = original - (original - final) * ((1 - tail) * np.clip(done, 0, 1) + tail * slow)
    warm = rng.uniform(0.3, 2.5) * 4 * done * (1 - done)
    return START + np.round(hours * HOUR).astype(np.int64), gravity, _place(rng, hours) + warm


def _place(rng: np.random.Generator, hours: np.ndarray) -> np.ndarray:
    """The temperature around a vessel."""
    middle, place = rng.uniform(4, 26), rng.choice(("cellar", "room", "held"))
    grid = np.arange(0, hours[-1] + 2)
    walk = np.zeros(grid.size)
    pushes = rng.normal(0, 1, grid.size)
    for i in range(1, grid.size):
        walk[i] = 0.98 * walk[i - 1] + 0.2 * pushes[i]
    slow = np.interp(hours, grid, walk)
    if place == "cellar":
        return middle + rng.uniform(0.3, 1.5) * np.sin((hours - rng.uniform(0, 24)) * math.pi / 12) + 0.8 * slow
    return middle + (0.15 if place == "room" else 0.015) * slow


def healthy(seed: int, kind: Kind, minutes: int, days: float = DAYS) -> Said:
    """A probe that works."""
    rng = np.random.default_rng(seed)
    at, gravity, kelvin = truth(rng, minutes, days)
    said = _round(gravity + rng.normal(0, 1, at.size) * kind.gravity_sd, kind.gravity_step)
    warm = _round(kelvin + rng.normal(0, 1, at.size) * kind.kelvin_sd, kind.kelvin_step)
    return Said(at, said, warm, gravity)


def _round(values: np.ndarray, step: float) -> np.ndarray:
    return np.round(np.round(values / step) * step, 6)


def frozen(said: Said, at_h: float, *, pair: bool) -> Said:
    """From an hour on it repeats what it said last: both values, or its gravity alone."""
    first = int(np.searchsorted(said.at, START + at_h * HOUR))
    gravity, kelvin = said.gravity.copy(), said.kelvin.copy()
    gravity[first:] = gravity[first - 1]
    if pair:
        kelvin[first:] = kelvin[first - 1]
    return Said(said.at, gravity, kelvin, said.wash)


def told(said: Said, probe: ProbeHealth | None = None) -> Iterator[tuple[int, ProbeHealth, bool | None]]:
    """Hear it all as the engine does: after each message its time, the probe, and whether it got stuck (or loose)."""
    probe = probe or ProbeHealth(series={"gravity": SeriesHealth(), "temperature": SeriesHealth()})
    for at, gravity, kelvin in zip(said.at.tolist(), said.gravity.tolist(), said.kelvin.tolist(), strict=True):
        change = hear(probe, "gravity", at, at, gravity)
        change = hear(probe, "temperature", at, at, kelvin) or change
        yield at, probe, None if change is None else change.stuck


def false_stuck(seed: int, kind: Kind, minutes: int, days: float = DAYS) -> int:
    """How often a healthy probe is called stuck."""
    return sum(stuck is True for _, _, stuck in told(healthy(seed, kind, minutes, days)))


def stuck_delay(seed: int, kind: Kind, minutes: int, *, pair: bool, first_day: bool = False) -> float | None:
    """Hours until a frozen probe is told; None if it never is, or if it was called stuck before it was."""
    rng = np.random.default_rng(seed + 1)
    at_h = rng.uniform(4, 24) if first_day else rng.uniform(26, 300)
    days = (at_h + 60) / 24
    for at, _, stuck in told(frozen(healthy(seed, kind, minutes, days), at_h, pair=pair)):
        if stuck:
            # Values repeat from the last good one on; a run may have begun just before.
            return None if at < START + at_h * HOUR else (at - START) / HOUR - at_h
    return None


# --- noise, fouling, drift, clock --------------------------------------------------------------------------------


def noisier(said: Said, kind: Kind, at_h: float, times: float, seed: int) -> Said:
    """From an hour on its gravity is `times` as noisy."""
    rng = np.random.default_rng(seed + 2)
    more = np.where(said.at >= START + at_h * HOUR, math.sqrt(times**2 - 1.0) * kind.gravity_sd, 0.0)
    return Said(said.at, _round(said.gravity + more * rng.normal(0, 1, said.at.size), kind.gravity_step), said.kelvin,
                said.wash)  # fmt: skip


def fouled(said: Said, kind: Kind, at_h: float, seed: int) -> Said:
    """Foam settles on it within three hours: 0.003 to 0.010 higher, and three times as noisy."""
    rise = np.random.default_rng(seed + 3).uniform(0.003, 0.010)
    more = rise * np.clip((said.at - START - at_h * HOUR) / (3 * HOUR), 0.0, 1.0)
    lifted = Said(said.at, said.gravity + more, said.kelvin, said.wash)
    return noisier(lifted, kind, at_h, 3.0, seed)


def maintenance(said: Said, at_h: float, words: str) -> tuple[bool, float | None]:
    """Whether maintenance was asked for before an hour, and how long after it the status said `words`."""
    early, quantity = False, "gravity"
    for at, probe, _ in told(said):
        series = probe.series[quantity]
        follow_course(probe, series.value, at)
        noisy = series.noise.noisy(at)
        if at < START + at_h * HOUR:
            early |= noisy or probe.course.fouled_ms is not None
        elif (words == "noisy" and noisy) or (words == "fouled" and probe.course.fouled_ms is not None):
            return early, (at - START) / HOUR - at_h
    return early, None


def follow_course(probe: ProbeHealth, value: float, at: int) -> None:
    """What the engine does with a gravity in time."""
    gaps = probe.series["gravity"].gaps
    probe.course.take(gaps[-1] if gaps else 0, value)
    probe.course.judge("gravity", probe.series["gravity"].noise, at)


def drift_told(seed: int, per_week: float) -> tuple[bool, float, bool]:
    """A calibrated probe drifts; careful hand readings each four days. Whether told, after how many days, in range."""
    rng = np.random.default_rng(seed)
    truth_of = ProbeTruth(START, 0.0005)
    first, days, off = rng.normal(0, 0.0005), 0.0, 0.0
    while days < 28:
        days += rng.uniform(2, 6)
        off = first + per_week * days / 7
        truth_of.take(Pair(START + round(days * DAY), 1.010, 0.0002, 1.010 + off + rng.normal(0, 0.001), 0.001))
        solved = truth_of.solve()
        if solved.drifted() is not None:
            offset, sd = solved.at(START + round(days * DAY))
            return True, days, abs(offset - off) <= 1.645 * sd
    offset, sd = truth_of.offset_at(START + round(days * DAY))
    return False, days, abs(offset - off) <= 1.645 * sd


# --- the report --------------------------------------------------------------------------------------------------


def poisson_upper(count: int, per: float, confidence: float = 0.95) -> float:
    """One-sided exact upper bound of a rate."""
    return float(chi2.ppf(confidence, 2 * count + 2)) / 2 / per


def _spread(values: list[float | None]) -> str:
    """Median, 95th percentile and longest, and how many were never told."""
    known = np.array([each for each in values if each is not None])
    missed = len(values) - known.size
    if not known.size:
        return f"never told, or before it was ({missed})"
    most = f"{np.median(known):5.2f} / {np.percentile(known, 95):5.2f} / {known.max():5.2f} h"
    return f"{most}, {missed} of {len(values)} never, or before it was" if missed else most


def report(seeds: str, probes: int) -> None:
    """Everything, printed."""
    first = SEEDS[seeds]
    print(f"seeds {seeds} from {first}, {probes} probes each, {DAYS} days")
    total: dict[str, list[int]] = {"fine": [0, 0], "coarse": [0, 0]}
    for kind in (*KINDS, *COARSE):
        for minutes in INTERVALS:
            many = probes if minutes > 1 else max(1, probes // 5)
            wrong = [false_stuck(first + 17 * i + minutes, kind, minutes) for i in range(many)]
            days = many * DAYS
            told_of = total["fine" if kind in KINDS else "coarse"]
            told_of[0] += sum(wrong)
            told_of[1] += days
            row = f"{kind.name:27} {minutes:2} min: false stuck {sum(wrong)} in {days} days"
            some = max(1, many // 2)
            for name, pair, young in (("pair", True, False), ("first day", True, True), ("gravity", False, False)):
                delays = [
                    stuck_delay(first + 5000 + 23 * i + minutes, kind, minutes, pair=pair, first_day=young)
                    for i in range(some)
                ]
                row += f" | {name} {_spread(delays)}"
            print(row, flush=True)
    _report_noise(first, probes)
    _report_drift(first, probes)
    for name, (count, days) in total.items():
        bound = 1000 * poisson_upper(count, days)
        print(f"{name}: {count} false in {days} probe-days, at most {bound:.2f} per 1,000 with 95 %")


def _report_noise(first: int, probes: int) -> None:
    for kind in KINDS:
        row = f"{kind.name:27}"
        for minutes in (5, 15):
            for words, times in (("noisy", 3.0), ("noisy", 2.0), ("fouled", 3.0)):
                delays, early = [], 0
                for i in range(probes):
                    seed = first + 9000 + 31 * i + minutes
                    said, at_h = healthy(seed, kind, minutes, 12), 100.0 + 8 * (i % 10)
                    said = (
                        noisier(said, kind, at_h, times, seed) if words == "noisy" else fouled(said, kind, at_h, seed)
                    )
                    before, delay = maintenance(said, at_h, words)
                    early += before
                    delays.append(delay)
                row += f" | {minutes} min {words} x{times:g}: {_spread(delays)}, {early} early"
        print(row, flush=True)


def _report_drift(first: int, probes: int) -> None:
    for per_week in (0.0, 0.0005, 0.001, 0.002):
        found = [drift_told(first + 13 * i, per_week) for i in range(10 * probes)]
        days = [when for yes, when, _ in found if yes]
        print(
            f"drift {per_week:.4f} a week: told {len(days)} of {len(found)} in four weeks"
            + (f", after {np.median(days):.1f} days (95 %: {np.percentile(days, 95):.1f})" if days else "")
            + f"; the 90 % range holds the truth in {100 * np.mean([inside for _, _, inside in found]):.1f} %"
        )


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", choices=sorted(SEEDS), default="report")
    parser.add_argument("--probes", type=int, default=40)
    told_by = parser.parse_args()
    report(told_by.seeds, told_by.probes)


if __name__ == "__main__":
    main()
