"""A scenario lived through: rooms, fridges, vessels and yeast together, with what happened kept as curves.

The outer step is five minutes; fridges go in quarter minutes inside it. All randomness comes from the
scenario's seed, so the same scenario is the same world on every machine.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field
from functools import cached_property

from simulators.parts import Batch, Vessel
from simulators.parts import Fridge as FridgeSpec
from simulators.physics.ferment import HEXOSE_PER_SUCROSE, Brew, Yeast, pitched
from simulators.physics.fridge import Cabinet, Fridge, Inside, Trouble
from simulators.physics.liquid import ETHANOL_DENSITY_20, Mixture
from simulators.physics.room import RoomAir
from simulators.physics.vessel import Warmth, loss_w_per_k
from simulators.scenario import Scenario

STEP_H = 1 / 12
STEP_S = 300.0
WATER_BATH_FILM = 150.0
"""W/m²K from a wall into water standing around it (order of magnitude, from memory)."""
SNAPSHOT_STEPS = 72


@dataclass(slots=True)
class Curve:
    """Values at equal steps from the start."""

    step_h: float
    values: list[float] = field(default_factory=list)

    def at(self, hours: float) -> float:
        """Straight-line value at `hours`; held at the ends."""
        place = min(max(hours / self.step_h, 0.0), len(self.values) - 1.0)
        low = int(place)
        high = min(low + 1, len(self.values) - 1)
        return self.values[low] + (self.values[high] - self.values[low]) * (place - low)


@dataclass(slots=True)
class Kept:
    """One vessel as it goes along, and its curves."""

    spec: Vessel
    warmth: Warmth
    place: str
    mixture: Mixture
    brew: Brew | None = None
    strain: Yeast = field(default_factory=Yeast)
    heat_w: float = 0.0
    celsius: Curve = field(default_factory=lambda: Curve(STEP_H))
    gravity: Curve = field(default_factory=lambda: Curve(STEP_H))
    gas_g_h: Curve = field(default_factory=lambda: Curve(STEP_H))
    mass_kg: Curve = field(default_factory=lambda: Curve(STEP_H))
    dry_gravity: Curve = field(default_factory=lambda: Curve(STEP_H))
    mixtures: list[Mixture] = field(default_factory=list)
    """Hourly, for hydrometers."""
    snapshots: list[tuple[float, Brew]] = field(default_factory=list)
    """The brew every six hours, for asking what would have come of it."""

    @property
    def gas_peak(self) -> float:
        """Strongest gassing of the whole batch, g/h; never 0."""
        return max(max(self.gas_g_h.values, default=0.0), 1e-9)


@dataclass(slots=True)
class Cold:
    """One fridge as it goes along, and its curves by the minute."""

    spec: FridgeSpec
    fridge: Fridge
    air_c: Curve = field(default_factory=lambda: Curve(1 / 60))
    wall_c: Curve = field(default_factory=lambda: Curve(1 / 60))
    power_w: Curve = field(default_factory=lambda: Curve(1 / 60))
    door: Curve = field(default_factory=lambda: Curve(1 / 60))

    def trouble(self, hours: float) -> Trouble:
        """What is wrong at `hours`."""
        now = {fault.kind: fault.amount for fault in self.spec.fault if fault.holds(hours)}
        return Trouble(
            door_open="door" in now,
            compressor_dead="compressor" in now,
            thermostat_off_k=now.get("thermostat", 0.0),
            weakness=now.get("weak", 0.0),
        )


class World:
    """The whole of a scenario from its start to its end."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        days = scenario.days
        self._rooms = {
            room.name: RoomAir(
                mean_c=room.mean_c,
                swing_k=room.swing_k,
                warmest_hour=room.warmest_hour,
                wander_k=room.wander_k,
                days=days,
                seed=f"{scenario.seed}:room:{room.name}",
            )
            for room in scenario.room
        }
        self._start_hour = scenario.start.hour + scenario.start.minute / 60
        self.fridges = {
            spec.name: Cold(spec, Fridge(_cabinet(spec), spec.target_c, spec.target_c - 1.0))
            for spec in scenario.fridge
        }
        self.vessels = {
            spec.name: Kept(spec, Warmth(spec.celsius), spec.place, _filled(spec)) for spec in scenario.vessel
        }
        for kept in self.vessels.values():
            kept.warmth.freezing_c = kept.mixture.freezing_c
        self._batches = {batch.vessel: batch for batch in scenario.batch}
        self._live()

    def room_c(self, name: str, hours: float) -> float:
        """Air of a room, °C."""
        return self._rooms[name].at(hours, self._start_hour + hours)

    def vessel_of(self, batch: str) -> Kept:
        """The vessel a batch is in."""
        (found,) = (b for b in self.scenario.batch if b.name == batch)
        return self.vessels[found.vessel]

    def mixture(self, vessel: str, hours: float) -> Mixture:
        """What a vessel's liquid was made of at `hours` (to the hour)."""
        mixtures = self.vessels[vessel].mixtures
        return mixtures[min(max(round(hours), 0), len(mixtures) - 1)]

    @cached_property
    def steps(self) -> int:
        """Five-minute steps in the scenario."""
        return round(self.scenario.days * 24 / STEP_H)

    def _live(self) -> None:
        for number in range(self.steps + 1):
            hours = number * STEP_H
            self._rack(hours)
            for kept in self.vessels.values():
                _events(kept, self._batches.get(kept.spec.name), hours)
                _note(kept, number)
                if kept.brew is not None:
                    kept.heat_w = kept.brew.step(STEP_H, kept.warmth.celsius, kept.strain) / STEP_S
                    kept.mixture = kept.brew.mixture
                    kept.warmth.freezing_c = kept.mixture.freezing_c
            self._thermal(hours)

    def _rack(self, hours: float) -> None:
        for kept in self.vessels.values():
            for rack in kept.spec.rack:
                if _due(rack.at_h, hours) and kept.brew is not None:
                    _draw_off(kept, self.vessels[rack.to], rack.loss_l)

    def _thermal(self, hours: float) -> None:
        inside: dict[str, list[Inside]] = {name: [] for name in self.fridges}
        for kept in self.vessels.values():
            litres, capacity = kept.spec.litres, kept.mixture.heat_capacity
            bath = next((bath for bath in kept.spec.bath if bath.holds(hours)), None)
            if bath is not None:
                loss = loss_w_per_k(litres, WATER_BATH_FILM)
                kept.warmth.settle(STEP_S, bath.celsius, loss, kept.heat_w, capacity)
            elif kept.place in inside:
                loss = loss_w_per_k(litres)
                inside[kept.place].append(Inside(kept.warmth, loss, capacity, kept.heat_w))
            else:
                around = self.room_c(kept.place, hours)
                kept.warmth.settle(STEP_S, around, loss_w_per_k(litres), kept.heat_w, capacity)
        for name, cold in self.fridges.items():
            self._cool(cold, inside[name], hours)

    def _cool(self, cold: Cold, inside: list[Inside], hours: float) -> None:
        room_c = self.room_c(cold.spec.room, hours)
        for minute in range(5):
            trouble = cold.trouble(hours + minute / 60)
            cold.air_c.values.append(cold.fridge.air_c)
            cold.wall_c.values.append(cold.fridge.wall_c)
            cold.power_w.values.append(cold.fridge.power_w(trouble))
            cold.door.values.append(float(trouble.door_open))
            cold.fridge.step(60, room_c, inside, trouble)


def _filled(spec: Vessel) -> Mixture:
    """Water, or alcohol and water, up to the vessel's volume."""
    ethanol = spec.litres * 10 * spec.abv * ETHANOL_DENSITY_20
    share = Mixture((spec.litres * 1000 - ethanol) * 0.98, ethanol=ethanol)
    return Mixture(share.water * spec.litres / share.volume, ethanol=ethanol * spec.litres / share.volume)


def _cabinet(spec: FridgeSpec) -> Cabinet:
    return Cabinet(
        target_c=spec.target_c,
        swing_k=spec.swing_k,
        cooling_w=spec.cooling_w,
        defrost_every_h=spec.defrost_every_h,
    )


def _due(at_h: float, hours: float) -> bool:
    return hours - STEP_H / 2 <= at_h < hours + STEP_H / 2


def _draw_off(kept: Kept, into: Kept, loss_l: float) -> None:
    """What was settled stays behind; what hung in the liquid goes with it."""
    left, kept.brew = kept.brew, None
    assert left is not None
    into.brew = left.part(max(0.0, 1.0 - loss_l / left.mixture.volume))
    into.strain, into.mixture = kept.strain, into.brew.mixture
    into.warmth.celsius, into.warmth.freezing_c = kept.warmth.celsius, into.mixture.freezing_c
    kept.heat_w = 0.0


def _events(kept: Kept, batch: Batch | None, hours: float) -> None:
    for move in kept.spec.move:
        if _due(move.at_h, hours):
            kept.place = move.to
    if batch is None:
        return
    if _due(batch.pitched_h, hours):
        kept.strain = batch.strain
        kept.brew = pitched(
            litres=kept.spec.litres,
            sucrose_kg=batch.sucrose_kg,
            dextrin_kg=batch.dextrin_kg,
            slow_share=batch.slow_share,
            yeast_g=batch.yeast_g,
            nitrogen_mg_l=batch.nitrogen_mg_l,
            lag_h=batch.lag_h,
            yeast=batch.strain,
            at_c=kept.spec.celsius,
        )
        kept.mixture = kept.brew.mixture
    if kept.brew is None:
        return
    for addition in batch.addition:
        if _due(addition.at_h, hours):
            kept.brew.hexose += addition.sucrose_kg * 1000 * HEXOSE_PER_SUCROSE
            kept.brew.water += addition.water_l * 998.2 - addition.sucrose_kg * 1000 * (HEXOSE_PER_SUCROSE - 1)
            kept.brew.nitrogen += addition.nitrogen_g
            kept.mixture = kept.brew.mixture
    for rouse_h in batch.rouse_h:
        if _due(rouse_h, hours):
            kept.brew.rouse()


def _note(kept: Kept, number: int) -> None:
    brew, mixture = kept.brew, kept.mixture
    kept.celsius.values.append(kept.warmth.celsius)
    kept.gravity.values.append(mixture.gravity)
    kept.gas_g_h.values.append(brew.gas_rate if brew else 0.0)
    kept.mass_kg.values.append((mixture.mass + (brew.yeast + brew.settled if brew else 0.0)) / 1000)
    kept.dry_gravity.values.append(brew.dry_mixture.gravity if brew else mixture.gravity)
    if number % 12 == 0:
        kept.mixtures.append(mixture)
    if brew is not None and number % SNAPSHOT_STEPS == 0:
        kept.snapshots.append((number * STEP_H, copy(brew)))
