"""What probes measure: the truth with their errors, before any message is made of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random

from simulators.parts import Move, Probe, Silent, Stuck
from simulators.world import World

UNITS = {
    "gravity": "1",
    "temperature": "Cel",
    "float_angle": "deg",
    "hydrometer": "1",
    "battery": "V",
    "signal": "dBm",
    "bubbles": "1/min",
    "mass": "kg",
    "contact": "0/1",
    "power": "W",
}
_NOISE = {
    "gravity": 0.0004, "temperature": 0.05, "float_angle": 0.0, "hydrometer": 0.0004, "battery": 0.004,
    "signal": 2.5, "bubbles": 0.0, "mass": 0.003, "contact": 0.0, "power": 0.4,
}  # fmt: skip
_STEP = {
    "gravity": 0.0001, "temperature": 0.01, "float_angle": 0.01, "hydrometer": 0.0005, "battery": 0.01,
    "signal": 1.0, "bubbles": 0.1, "mass": 0.005, "contact": 1.0, "power": 0.1,
}  # fmt: skip
BUBBLE_ML = 3.0
TARE_KG = 1.35


@dataclass(frozen=True, slots=True)
class Sample:
    """What a probe measured at one time."""

    hours: float
    values: dict[str, float]


def float_angle(gravity: float) -> float:
    """Degrees from upright at which a weighted float lies in liquid of `gravity` (an invented float).

    It leans over as the liquid carries more of it, ever less so near lying flat.
    """
    return 25.0 + 58.0 * -math.expm1(-(gravity - 1.0) * 8.6)


def place_at(first: str, moves: list[Move], hours: float) -> str:
    """Where a thing that began at `first` is at `hours`."""
    place = first
    for move in sorted(moves, key=lambda move: move.at_h):
        if move.at_h <= hours:
            place = move.to
    return place


class Sampler:
    """One probe's measurements in order of time; the same world and probe give the same ones."""

    def __init__(self, world: World, probe: Probe) -> None:
        self._world = world
        self._probe = probe
        self._seed = f"{world.scenario.seed}:{probe.name}"
        self._noise = Random(f"{self._seed}:noise")
        self._foam = Random(f"{self._seed}:bubbles")
        self._peaks = {name: kept.gas_peak for name, kept in world.vessels.items()}
        self._wander = 0.0
        self._spike: list[float] = []
        self._held: dict[str, float] = {}
        self._before: float | None = None

    def __iter__(self) -> Iterator[Sample]:
        for hours in self._times():
            values = self._measure(hours)
            silent = any(isinstance(f, Silent) and f.holds(hours) for f in self._probe.fault)
            if values and not silent:
                yield Sample(hours, values)

    def _times(self) -> Iterator[float]:
        days, probe = self._world.scenario.days, self._probe
        if probe.wire == "hand":
            yield from (hours for hours in sorted(probe.at_h) if hours <= days * 24)
            return
        chance = Random(f"{self._seed}:times")
        seconds = chance.uniform(0, probe.every_s)
        while seconds <= days * 86400:
            yield round(seconds, 3) / 3600
            seconds += probe.every_s * (1 + chance.gauss(0, 0.001))

    def _measure(self, hours: float) -> dict[str, float]:
        place = place_at(self._probe.place, self._probe.move, hours)
        values = {}
        for quantity in self._probe.quantities:
            value = self._value(quantity, place, hours)
            if value is not None:
                values[quantity] = self._rounded(quantity, value + self._probe.offset.get(quantity, 0.0))
        self._before = hours
        return self._stick(hours, values)

    def _value(self, quantity: str, place: str, hours: float) -> float | None:
        noise = self._probe.noise.get(quantity, _NOISE[quantity]) * self._noise.gauss()
        if quantity in ("gravity", "float_angle"):
            gravity = self._gravity(place, hours)
            return gravity if quantity == "gravity" or gravity is None else float_angle(gravity)
        if quantity == "battery":
            return 4.08 - 0.004 * hours / 24 - self._flatness(hours) + float(noise)
        if quantity == "signal":
            return -67 + float(noise)
        true = _TRUE[quantity](self._world, self._probe, place, hours)
        return None if true is None else true + float(noise)

    def _gravity(self, place: str, hours: float) -> float | None:
        probe, kept = self._probe, self._world.vessels.get(place)
        noise = probe.noise.get("gravity", _NOISE["gravity"]) * self._noise.gauss()
        if kept is None:  # lying on a shelf: neither a gravity nor steady
            return 1.16 + 0.004 * math.sin(hours) + 3 * noise
        gap = hours - (self._before if self._before is not None else hours)
        keep = math.exp(-gap / 6)
        self._wander = keep * self._wander + probe.wander * math.sqrt(1 - keep * keep) * self._noise.gauss()
        foam = kept.gas_g_h.at(hours) / self._peaks[place]
        return (
            kept.gravity.at(hours)
            + noise
            + self._wander
            + probe.drift_per_week * hours / 168
            + probe.per_kelvin * (kept.celsius.at(hours) - 20)
            + probe.krausen * math.pow(foam, 1.5)
            + self._bubble(foam, gap)
        )

    def _bubble(self, foam: float, gap_h: float) -> float:
        """A bubble lifts or tips the float for one to three readings."""
        chance = self._foam
        start, size, length = chance.random(), chance.expovariate(1 / 0.004), chance.randint(1, 3)
        if not self._spike and start < self._probe.bubbles * foam * gap_h / 24:
            self._spike = [size * chance.choice((1, 1, -1))] * length
        return self._spike.pop() if self._spike else 0.0

    def _flatness(self, hours: float) -> float:
        """Volts lost by a dying battery over its last 36 hours."""
        ends = [fault.from_h for fault in self._probe.fault if isinstance(fault, Silent) and fault.battery]
        left = min((end - hours for end in ends if end >= hours), default=math.inf)
        return math.pow(max(0.0, 1 - left / 36), 1.5)

    def _rounded(self, quantity: str, value: float) -> float:
        step = self._probe.step.get(quantity, _STEP[quantity])
        return round(round(value / step) * step, 6)

    def _stick(self, hours: float, values: dict[str, float]) -> dict[str, float]:
        for fault in self._probe.fault:
            if isinstance(fault, Stuck) and fault.holds(hours):
                frozen = {"gravity", "float_angle"} | ({"temperature"} if fault.what == "pair" else set())
                return {q: self._held.setdefault(q, v) if q in frozen else v for q, v in values.items()}
        self._held = dict(values)
        return values


def _surroundings(world: World, place: str, hours: float) -> float:
    if place in world.fridges:
        return world.fridges[place].air_c.at(hours)
    room = place if place != "out" else world.scenario.room[0].name
    return world.room_c(room, hours)


def _temperature(world: World, probe: Probe, place: str, hours: float) -> float | None:
    if place in world.fridges and probe.measures == "wall":
        return world.fridges[place].wall_c.at(hours)
    kept = world.vessels.get(place)
    if kept is None:
        return _surroundings(world, place, hours)
    liquid = kept.celsius.at(hours)
    if probe.measures != "wall":
        return liquid
    # A sensor taped outside under a pad reads mostly the liquid (the share is an assumption).
    return 0.85 * liquid + 0.15 * _surroundings(world, place_at(kept.spec.place, kept.spec.move, hours), hours)


def _hydrometer(world: World, probe: Probe, place: str, hours: float) -> float | None:
    del probe
    kept = world.vessels.get(place)
    return None if kept is None else world.mixture(place, hours).hydrometer(kept.celsius.at(hours))


def _bubbles(world: World, probe: Probe, place: str, hours: float) -> float | None:
    """Airlock bubbles a minute: a gram of CO2 is 546 mL at 20 °C; a busy airlock runs together at 120."""
    kept = world.vessels.get(place)
    if kept is None:
        return None
    mean = min(kept.gas_g_h.at(hours) * 546 / 60 / BUBBLE_ML, 120.0)
    count = Random(f"{world.scenario.seed}:{probe.name}:{round(hours * 3600)}").gauss(mean, math.sqrt(mean / 10))
    return max(0.0, count)


def _mass(world: World, probe: Probe, place: str, hours: float) -> float | None:
    del probe
    kept = world.vessels.get(place)
    return None if kept is None else kept.mass_kg.at(hours) + TARE_KG


def _stepwise(values: list[float], step_h: float, hours: float) -> float:
    return values[min(max(int(hours / step_h), 0), len(values) - 1)]


def _contact(world: World, probe: Probe, place: str, hours: float) -> float | None:
    del probe
    cold = world.fridges.get(place)
    return None if cold is None else _stepwise(cold.door.values, cold.door.step_h, hours)


def _power(world: World, probe: Probe, place: str, hours: float) -> float | None:
    del probe
    cold = world.fridges.get(place)
    return None if cold is None else _stepwise(cold.power_w.values, cold.power_w.step_h, hours)


_TRUE: dict[str, Callable[[World, Probe, str, float], float | None]] = {
    "temperature": _temperature,
    "hydrometer": _hydrometer,
    "bubbles": _bubbles,
    "mass": _mass,
    "contact": _contact,
    "power": _power,
}
