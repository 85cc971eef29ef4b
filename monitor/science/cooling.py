"""How long a vessel takes to follow a fridge, and when its *liquid* has been cold for long enough.

Two mistakes are common: taking the air's temperature for the liquid's, and starting the clock when the vessel
goes in. A jar lags its air by hours, a bucket by most of a day; unseen hours count as not cold.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from monitor.science import thermal
from monitor.science._checks import positive, within
from monitor.science.limits import Estimate

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

CONDUCTIVITY: Final = 0.58
"""Heat conductivity of water at 10 °C, W/(m K) (from memory)."""

MAX_GAP_S: Final = 3600.0
"""A longer silence is unseen time: it counts as not cold."""

Sample = tuple[float, float]
"""Time in seconds, temperature in °C."""


@dataclass(frozen=True, slots=True)
class Cooling:
    """Hours until a vessel's liquid passes a temperature."""

    hours: Estimate
    biot: float
    """Film over inside: below 0.1 one lump is exact; above, it rests on the liquid stirring itself. It is up to a
    tenth low for glass, whose own heat is counted against the film."""


@dataclass(frozen=True, slots=True)
class Held:
    """How long a liquid has been at or below a temperature."""

    hours: float
    unseen_hours: float
    """Time in gaps, counted as not cold."""
    done_s: float | None
    """When the wanted hours were full; None while they are not."""
    now_c: float
    """The last temperature."""


def biot(litres: float, film_w_m2k: float) -> float:
    """Biot number of a vessel: film × volume / area over the liquid's conductivity, as if it stood quite still.

    0.05–2000 litres, film 0.1–1000 W/(m² K); ValueError outside. Source: definition (textbook).
    """
    within("volume", litres, 0.05, 2000.0, "litres")
    within("film", film_w_m2k, 0.1, 1000.0, "W/(m² K)")
    return film_w_m2k * math.cbrt(litres / 1000.0) / thermal.AREA_FACTOR / CONDUCTIVITY


def cooling(
    litres: float, start_c: float, target_c: float, air_c: float, material: thermal.Material = "plastic"
) -> Cooling:
    """Hours until the liquid of a vessel in air of constant temperature passes the target, cooling or warming.

    0.05–2000 litres; temperatures -30–60 °C, the target between start and air; material plastic, glass or
    steel; ValueError outside, and when it never gets there. 0 when it is there already.
    Source: `thermal.time_constant` (lumped capacitance, film figures from memory). The slow end adds what the
    core of a long cylinder lags when nothing in it moves: half a Biot number more (textbook, small Biot).
    """
    for name, value in (("start", start_c), ("target", target_c), ("air", air_c)):
        within(f"{name} temperature", value, -30.0, 60.0, "°C")
    tau = thermal.time_constant(litres, material)
    usual = thermal.seconds_to_reach(start_c, target_c, air_c, tau.usual_s)
    if math.isinf(usual):
        raise ValueError(
            f"the target must lie between the start and the air; from {start_c:g} °C in air of {air_c:g} °C "
            f"it never gets to {target_c:g} °C"
        )
    low, high = (thermal.seconds_to_reach(start_c, target_c, air_c, each) for each in (tau.low_s, tau.high_s))
    still = 1.0 + _biot_at(litres, tau.high_s) / 2.0
    return Cooling(Estimate(usual / 3600.0, low / 3600.0, high * still / 3600.0), _biot_at(litres, tau.usual_s))


def held(liquid: Iterable[Sample], target_c: float, wanted_h: float, max_gap_s: float = MAX_GAP_S) -> Held:
    """Hours that a liquid was at or below a temperature, summed over its samples in order of time.

    Between samples the temperature runs straight. A gap over max_gap_s (above 0) is unseen and counts as not
    cold. A warm spell stops the clock, it does not set it back. wanted_h 0–10,000; ValueError outside, for
    no samples, for temperatures that are not finite, or for time that does not rise. Source: definition.
    """
    within("wanted hours", wanted_h, 0.0, 10_000.0, "h")
    positive("longest gap", max_gap_s, "s")
    samples = _checked(liquid)
    cold = unseen = 0.0
    done = samples[0][0] if wanted_h == 0.0 else None
    for (t0, c0), (t1, c1) in pairwise(samples):
        if t1 - t0 > max_gap_s:
            unseen += t1 - t0
            continue
        begin, end = _below(c0, c1, target_c)
        piece = (end - begin) * (t1 - t0)
        if done is None and piece > 0.0 and cold + piece >= wanted_h * 3600.0:
            done = t0 + begin * (t1 - t0) + wanted_h * 3600.0 - cold
        cold += piece
    return Held(cold / 3600.0, unseen / 3600.0, done, samples[-1][1])


def follow(air: Iterable[Sample], start_c: float, tau_s: float, max_gap_s: float = MAX_GAP_S) -> list[Sample]:
    """Temperature of the liquid at each sample of its air, starting at start_c (-30–60 °C).

    tau_s and max_gap_s above 0; ValueError outside, or as `held`. Air runs straight between samples. After a
    gap the warmer of the last estimate and the new air is taken: cautious, yet a long warm spell that was over
    before anyone looked stays unknown. Source: exact solution of dT/dt = (air - T) / tau for a ramp.
    """
    within("start temperature", start_c, -30.0, 60.0, "°C")
    positive("time constant", tau_s, "s")
    positive("longest gap", max_gap_s, "s")
    samples = _checked(air)
    found = [(samples[0][0], start_c)]
    for (t0, a0), (t1, a1) in pairwise(samples):
        before, dt = found[-1][1], t1 - t0
        if dt > max_gap_s:
            found.append((t1, max(before, a1)))
            continue
        lag = (a1 - a0) / dt * tau_s
        found.append((t1, a1 - lag + (before - a0 + lag) * math.exp(-dt / tau_s)))
    return found


@dataclass(frozen=True, slots=True)
class HeldByAir:
    """A hold judged from the air alone."""

    hours: Estimate
    unseen_hours: float
    done_s: float | None
    """When even the least hours of the range were full."""
    now_c: Estimate


def held_by_air(
    air: Iterable[Sample],
    start_c: float,
    litres: float,
    target_c: float,
    wanted_h: float,
    material: thermal.Material = "plastic",
    max_gap_s: float = MAX_GAP_S,
) -> HeldByAir:
    """`held` for a vessel without a probe in its liquid, by the air around it.

    Ranges as `thermal.time_constant`, `follow` and `held`. The hold is done when it is done for the fastest,
    the usual and the slowest time constant alike. Source: as those.
    """
    samples = list(air)
    tau = thermal.time_constant(litres, material)
    slow = tau.high_s * (1.0 + _biot_at(litres, tau.high_s) / 2.0)
    each = [
        held(follow(samples, start_c, seconds, max_gap_s), target_c, wanted_h, max_gap_s)
        for seconds in (tau.usual_s, tau.low_s, slow)
    ]
    hours, now = [one.hours for one in each], [one.now_c for one in each]
    done = [one.done_s for one in each]
    finished = [one for one in done if one is not None]
    return HeldByAir(
        hours=Estimate(hours[0], min(hours), max(hours)),
        unseen_hours=each[0].unseen_hours,
        done_s=max(finished) if len(finished) == len(done) else None,
        now_c=Estimate(now[0], min(now), max(now)),
    )


def _biot_at(litres: float, tau_s: float) -> float:
    """Biot number with the film that belongs to a time constant."""
    heat = thermal.WATER_HEAT * math.cbrt(litres / 1000.0) / thermal.AREA_FACTOR
    return biot(litres, heat / tau_s)


def _checked(samples: Iterable[Sample]) -> Sequence[Sample]:
    found = list(samples)
    if not found:
        raise ValueError("there must be at least one sample; there is none")
    if not all(math.isfinite(number) for sample in found for number in sample):
        raise ValueError("times and temperatures must be finite numbers")
    if any(later[0] <= earlier[0] for earlier, later in pairwise(found)):
        raise ValueError("samples must be in order of time, each later than the one before")
    return found


def _below(first: float, last: float, target: float) -> tuple[float, float]:
    """The part of a straight stretch at or below the target, as shares of it."""
    if first <= target and last <= target:
        return 0.0, 1.0
    if first > target and last > target:
        return 0.0, 0.0
    crossing = (target - first) / (last - first)
    return (0.0, crossing) if first <= target else (crossing, 1.0)
