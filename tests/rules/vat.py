"""A vat in a room, for the witnesses beside gravity: physics of its own, none of the monitor's formulas.

Ten-minute steps. Sugar falls by a logistic with a slow tail; its gas first dissolves and leaves with a delay, past a
lid that may leak, through an airlock whose bubbles grow with the flow; its heat warms the liquid, whose room swings
with the day; the vat stands on a scale that drifts and dries out.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.rules.track import Track

PITCHED = 1_772_474_400_000
STEP = 10 * MINUTE
QUANTITIES = ("gravity", "gas_flow", "bubbles", "mass", "liquid", "air")


@dataclass
class Vat:
    """One seeded batch; `tracks` are what its probes said, `sg` what it truly was at each step."""

    seed: int
    days: int = 18
    leak: float | None = None  # share of the fastest flow that goes past the counter; None: by chance
    dead_h: float | None = None  # the counter stops at this hour
    stuck_h: float | None = None  # it repeats itself from this hour on
    evaporation: float | None = None  # kg a day
    ends_h: float | None = None  # the fall stops at once at this hour
    tracks: dict[str, Track] = field(default_factory=lambda: {each: Track() for each in QUANTITIES})
    sg: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._rng = random.Random(f"vat:{self.seed}")
        rng = self._rng
        self.litres = 19.0
        self.original, fall = rng.uniform(1.045, 1.100), 0.0
        fall = (self.original - 1.0) * rng.uniform(0.72, 1.05)
        self._fall, self._middle, self._steep = fall, rng.uniform(30, 80), rng.uniform(0.04, 0.12)
        self._tail = rng.choice([0.0, rng.uniform(0.02, 0.10)])
        self._tail_h = rng.uniform(24, 110)
        self._run()

    def _gravity(self, hours: float) -> float:
        at = min(hours, self.ends_h) if self.ends_h is not None else hours
        first = 1.0 / (1.0 + math.exp(-self._steep * (at - 12.0 - self._middle)))
        start = 1.0 / (1.0 + math.exp(self._steep * (12.0 + self._middle)))
        main = (first - start) / (1.0 - start)
        late = main * -math.expm1(-max(at - self._middle, 0.0) / self._tail_h)
        return self.original - self._fall * ((1.0 - self._tail) * main + self._tail * late)

    def _run(self) -> None:
        rng = self._rng
        leak = self.leak
        if leak is None:
            leak = rng.choices([0.0, rng.uniform(0.0, 0.03), rng.uniform(0.05, 0.3)], [0.6, 0.25, 0.15])[0]
        grams_per_sg = self.litres * 1000.0 * rng.uniform(0.95, 1.04)
        lets_go = rng.uniform(0.8, 4.0)  # g an hour of a litre, for an excess of 1 g/L squared
        bubble, grows = rng.uniform(0.0025, 0.008), rng.uniform(0.0, 0.15)
        meter, zero = rng.gauss(1.0, 0.07), rng.choice([0.0, rng.gauss(0.0, 0.0004)])
        heat_k = rng.uniform(0.9, 1.1) * 1.25 / 4.19 * 1000.0  # K for 1 SG
        tau_h = rng.uniform(5.5, 11.0)
        offset, layers = rng.gauss(0.0, 0.3), 0.0
        level = rng.uniform(17.0, 22.0)
        swing, warming = rng.uniform(0.0, 2.0), rng.gauss(0.0, 0.25)
        drying = self.evaporation if self.evaporation is not None else rng.uniform(0.0, 0.006)
        resolution, coupling = rng.choice([0.001, 0.005, 0.01]), rng.gauss(0.0, 0.0004)
        noise, quantum = rng.uniform(0.0003, 0.0012), rng.choice([0.0, 0.001])
        drift, by_warmth = rng.gauss(0.0, 0.00012), rng.gauss(0.0, 0.00015)
        liquid, dissolved, scale, released = level, 0.0, 0.0, 0.0
        sg = self._gravity(0.0)
        steps = self.days * 144
        rates = [self._gravity(i / 6) - self._gravity((i + 1) / 6) for i in range(steps)]
        most = max(rates) * 6 * grams_per_sg  # g/h
        weather = 0.0
        frozen: float | None = None
        for i in range(steps):
            hours = i / 6
            ms = PITCHED + i * STEP + round(rng.uniform(0, 60_000))
            weather += rng.gauss(0.0, 0.03)
            weather *= 0.999
            room = level + swing * math.sin(2 * math.pi * hours / 24.0) + weather + warming * hours / 24.0 * 0.3
            layers += -layers / 72.0 + rng.gauss(0.0, 0.1 * math.sqrt(2.0 / 72.0))
            sg = self._gravity(hours)
            self.sg.append(sg)
            liquid += (room + layers - liquid) / tau_h / 6.0 + rates[i] * heat_k
            grams = rates[i] * grams_per_sg
            dissolved += grams
            holds = self.litres * 1.7 * math.exp(-0.027 * (liquid - 20.0))
            excess = (dissolved - holds) / self.litres
            out = self.litres * lets_go * excess * abs(excess) / 6.0 if excess > 0.0 else 0.0
            dissolved -= out
            released += max(out, 0.0)
            flow = max(0.0, out * 6.0 - leak * most) / 1.84 / 60.0  # L/min of gas
            volume = bubble * (1.0 + grows * flow / (most / 110.4))
            counted = _poisson(rng, 10.0 * flow / volume) / 10.0
            measured = max(0.0, flow * meter * (1.0 + rng.gauss(0.0, 0.03)) + zero + rng.gauss(0.0, 0.0005))
            if self.dead_h is not None and hours >= self.dead_h:
                counted = measured = 0.0
            if self.stuck_h is not None and hours >= self.stuck_h:
                frozen = frozen if frozen is not None else measured
                measured = frozen
            scale += rng.gauss(0.0, 0.002 / 12.0) - scale / 1000.0
            mass = 21.0 - released / 1000.0 - drying * hours / 24.0 + scale + coupling * (room - level)
            mass = round((mass + rng.gauss(0.0, 0.001)) / resolution) * resolution
            float_sg = sg + drift * hours / 24.0 + by_warmth * (liquid - level) + rng.gauss(0.0, noise)
            if quantum:
                float_sg = round(float_sg / quantum) * quantum
            said = (float_sg, measured, min(counted, 150.0), mass, liquid + rng.gauss(0.0, 0.06),
                    room + offset + rng.gauss(0.0, 0.06))  # fmt: skip
            for quantity, value in zip(QUANTITIES, said, strict=True):
                self.tracks[quantity].add(ms, value)

    def fell(self, from_ms: int, to_ms: int) -> float:
        """The true mean fall between two times, SG a day."""
        first, last = (min(round((ms - PITCHED) / STEP), len(self.sg) - 1) for ms in (from_ms, to_ms))
        return (self.sg[first] - self.sg[last]) * DAY / (to_ms - from_ms)

    def hour(self, number: int) -> int:
        """The time of an hour after pitching."""
        return PITCHED + number * HOUR


def _poisson(rng: random.Random, mean: float) -> int:
    if mean > 60.0:
        return max(0, round(rng.gauss(mean, math.sqrt(mean))))
    least, count, product = math.exp(-mean), 0, rng.random()
    while product > least:
        count += 1
        product *= rng.random()
    return count
