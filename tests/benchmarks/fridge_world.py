"""Fridges that never were: air, plate and contents as heat flows, a thermostat that jitters, people, and faults.

Written for the benchmark alone: it shares no formula with the rules, nor with the simulator of the demo. Spans are
those measured on household fridges: air answers in 4 to 9 minutes, cycles last 14 to 100 minutes, contents lag by 3 to
8 hours, and half of the fridges defrost by themselves every 6 to 24 hours (three of four with a heater for 15 to
40 minutes, the others by resting for as long, which looks exactly like a compressor that stopped until it comes back).
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field

STEP_S = 20
LITRE = 4186.0  # J/K
DEFROST_ENDS_C = 12.0
Span = tuple[int, int]  # s


@dataclass(frozen=True)
class Build:
    """One fridge, its probe and its people, drawn from a seed."""

    set_point: float
    half: float  # hysteresis, K
    jitter: float
    air_cap: float
    plate_cap: float
    hold: float  # W/K from air to plate
    insulation: float
    gasket: float
    cooling: float
    room: float
    room_swing: float
    door: float  # W/K through a wide-open door
    litres: tuple[float, float]
    lag_s: tuple[float, float]
    every_min: int
    noise: float
    grain: float
    offset: float
    probe_lag_s: float
    defrost_every_s: int  # 0: none
    defrost_s: int
    drip_s: int
    heater_w: float  # 0: it only rests
    target: float
    band: float


def build(chance: random.Random, every_min: int | None = None) -> Build:
    """A fridge that cycles within the measured spans; the probe is any of those on sale."""
    while True:
        drawn = _draw(chance, every_min)
        lengths = cycle_lengths(drawn)
        if lengths and 14 <= sum(lengths) / len(lengths) <= 100:
            return drawn


def _draw(chance: random.Random, every_min: int | None) -> Build:
    hold, insulation, gasket = chance.uniform(5, 12), chance.uniform(0.9, 2.2), chance.uniform(0.05, 0.2)
    room, set_point = chance.uniform(15, 28), chance.uniform(2.5, 6.0)
    litres = (chance.uniform(0.3, 4.0), chance.uniform(4.0, 20.0))
    lag_s = (chance.uniform(3, 5) * 3600, chance.uniform(4, 8) * 3600)
    inside = sum(v * LITRE / lag for v, lag in zip(litres, lag_s, strict=True))
    load = (insulation + gasket) * (room - set_point)
    self_defrosting = chance.random() < 0.5
    by_heat = chance.random() < 0.75
    offset = chance.gauss(0, 0.3)
    return Build(
        set_point=set_point,
        half=chance.uniform(0.4, 2.0),
        jitter=chance.uniform(0.02, 0.15),
        air_cap=chance.uniform(4, 9) * 60 * (hold + inside + gasket),
        plate_cap=math.exp(chance.uniform(math.log(3e3), math.log(35e3))),
        hold=hold,
        insulation=insulation,
        gasket=gasket,
        cooling=load / chance.uniform(0.25, 0.55),
        room=room,
        room_swing=chance.uniform(0.3, 2.5),
        door=chance.uniform(15, 40),
        litres=litres,
        lag_s=lag_s,
        every_min=every_min or chance.choices((1, 5, 15), (6, 3, 1))[0],
        noise=chance.uniform(0.01, 0.08),
        grain=chance.choice((0.0625, 0.1, 0.125, 0.25, 0.5)),
        offset=offset,
        probe_lag_s=chance.uniform(30, 150),
        defrost_every_s=round(chance.uniform(6, 24) * 3600) if self_defrosting else 0,
        defrost_s=round(chance.uniform(15, 40) * 60),
        drip_s=round(chance.uniform(3, 8) * 60),
        heater_w=chance.uniform(40, 200) if by_heat else 0.0,
        target=round((set_point + offset + chance.gauss(0, 0.3)) * 2) / 2,
        band=2.0,
    )


@dataclass
class Life:
    """What happens to it. Times in s from the start."""

    days: float
    opened: list[Span] = field(default_factory=list)
    ajar: list[tuple[int, int, float]] = field(default_factory=list)  # and W/K
    loads: list[tuple[int, float, bool]] = field(default_factory=list)  # when, litres at room temperature, announced
    dialled: list[tuple[int, float]] = field(default_factory=list)  # when, K added to the set point
    stopped_s: int | None = None
    short_s: int | None = None  # its overload switch trips from here on
    icing_s: int | None = None
    icing_days: float = 5.0


def usual_life(chance: random.Random, days: float, *, quiet_from_s: int | None = None) -> Life:
    """Looks inside by day, a longer stay most days, a warm load or a turned dial now and then.

    From `quiet_from_s` on only the short looks go on: a fault is scored by itself.
    """
    life = Life(days)
    for day in range(math.ceil(days)):
        for _ in range(chance.randint(4, 14)):
            at = round((day * 24 + chance.uniform(7, 23)) * 3600)
            life.opened.append((at, at + chance.randint(10, 60)))
        if chance.random() < 0.7:
            at = round((day * 24 + chance.uniform(8, 22)) * 3600)
            life.opened.append((at, at + chance.randint(90, 240)))
        if chance.random() < 0.1:
            at = round((day * 24 + chance.uniform(9, 22)) * 3600)
            life.opened.append((at, at + chance.randint(30, 120)))
            life.loads.append((at, chance.uniform(1, 20), chance.random() < 0.5))
        if chance.random() < 1 / 60:
            life.dialled.append((round((day * 24 + chance.uniform(9, 22)) * 3600), chance.uniform(-1.5, 1.5)))
    if quiet_from_s is not None:
        life.opened = [each for each in life.opened if each[0] < quiet_from_s or each[1] - each[0] <= 60]
        life.loads = [each for each in life.loads if each[0] < quiet_from_s - 8 * 3600]
        life.dialled = [each for each in life.dialled if each[0] < quiet_from_s - 12 * 3600]
    life.opened.sort()
    return life


@dataclass
class Minute:
    """One minute: what the probe says, if it speaks, and what is so."""

    minute: int
    reading: float | None
    air: float
    contents: tuple[float, float]
    running: bool
    announced: bool
    defrosting: bool


class World:
    """A fridge living its life, minute by minute."""

    def __init__(self, fridge: Build, life: Life, chance: random.Random) -> None:
        self.fridge, self.life, self.chance = fridge, life, chance
        self.air = self.plate = self.sense = self.probe = fridge.set_point
        self.small = self.big = fridge.set_point + chance.gauss(0, 0.3)
        self.extra: list[list[float]] = []  # warm things put in: temperature, W/K, J/K
        self.running = self.melted = False
        self.cut = fridge.set_point + fridge.half
        self.since_s = 0  # since when it runs, or rests
        self.phase_s = chance.randrange(fridge.defrost_every_s) if fridge.defrost_every_s else 0

    def minutes(self) -> Iterator[Minute]:
        """Every minute of its life."""
        fridge, life = self.fridge, self.life
        opened, ajar, loads, dialled = list(life.opened), list(life.ajar), list(life.loads), list(life.dialled)
        dial, rest_until = 0.0, 0
        shift = self.chance.randrange(fridge.every_min)
        for minute in range(round(life.days * 1440)):
            announced = False
            start = minute * 60
            room = fridge.room + fridge.room_swing * math.sin(2 * math.pi * (start / 86400 - 0.4))
            while loads and loads[0][0] < start + 60:
                _, litres, told = loads.pop(0)
                self.extra.append([room, litres * LITRE / (3600 * (3 + litres / 5)), litres * LITRE])
                announced = announced or told
            while dialled and dialled[0][0] < start + 60:
                dial += dialled.pop(0)[1]
            while opened and opened[0][1] <= start:
                opened.pop(0)
            hold = fridge.hold
            if life.icing_s is not None and start > life.icing_s:
                hold *= max(0.25, 1.0 - 0.75 * (start - life.icing_s) / (life.icing_days * 86400))
            for now in range(start, start + 60, STEP_S):
                defrosting, heat = self._defrost(now)
                leak = fridge.gasket
                for from_s, to_s in opened[:3]:
                    if from_s < now + STEP_S and now < to_s:
                        leak += fridge.door * min(1.0, (min(to_s, now + STEP_S) - max(from_s, now)) / STEP_S)
                for from_s, to_s, gap in ajar:
                    leak += gap if from_s <= now < to_s else 0.0
                if not defrosting:
                    rest_until = self._thermostat(now, dial, rest_until)
                works = self.running and not defrosting and (life.stopped_s is None or now < life.stopped_s)
                self._flow(room, leak, hold, (self._cooling() if works else 0.0) - heat)
            speaks = (minute + shift) % fridge.every_min == 0
            reading = None
            if speaks:
                raw = self.probe + fridge.offset + self.chance.gauss(0, fridge.noise)
                reading = round(round(raw / fridge.grain) * fridge.grain, 4)
            yield Minute(minute, reading, self.air, (self.small, self.big), works, announced, defrosting)

    def _defrost(self, now: int) -> tuple[bool, float]:
        fridge = self.fridge
        if not fridge.defrost_every_s:
            return False, 0.0
        into = (now + self.phase_s) % fridge.defrost_every_s
        if into < STEP_S:
            self.melted = False
        self.melted = self.melted or self.plate >= DEFROST_ENDS_C  # a cut-out ends the heating (common practice)
        heats = into < fridge.defrost_s and not self.melted
        return into < fridge.defrost_s + fridge.drip_s, fridge.heater_w if heats else 0.0

    def _cooling(self) -> float:
        """A colder plate takes up less: some 2.5 % a kelvin (from memory), and never under 30 %."""
        return self.fridge.cooling * max(0.3, 1.0 + 0.025 * (self.plate - self.fridge.set_point + 12.0))

    def _thermostat(self, now: int, dial: float, rest_until: int) -> int:
        fridge = self.fridge
        if self.running:
            trips = self.life.short_s is not None and now >= self.life.short_s and now - self.since_s >= 150
            if trips or self.sense <= self.cut + dial:
                self.running, self.since_s = False, now
                self.cut = fridge.set_point + fridge.half + self.chance.gauss(0, fridge.jitter)
                rest_until = now + (240 if trips else 120)
        elif self.sense >= self.cut + dial and now >= rest_until:
            self.running, self.since_s = True, now
            self.cut = fridge.set_point - fridge.half + self.chance.gauss(0, fridge.jitter)
        return rest_until

    def _flow(self, room: float, leak: float, hold: float, drawn_w: float) -> None:
        fridge, air = self.fridge, self.air
        to_plate = hold * (air - self.plate)
        gain = leak * (room - air) - to_plate
        for which, at in ((0, self.small), (1, self.big)):
            flow = fridge.litres[which] * LITRE / fridge.lag_s[which] * (air - at)
            gain -= flow
            moved = at + (air - at) * STEP_S / fridge.lag_s[which]
            if which == 0:
                self.small = moved
            else:
                self.big = moved
        for thing in self.extra:
            flow = thing[1] * (air - thing[0])
            gain -= flow
            thing[0] += flow * STEP_S / thing[2]
        self.plate += (to_plate + fridge.insulation * (room - self.plate) - drawn_w) * STEP_S / fridge.plate_cap
        self.air += gain * STEP_S / fridge.air_cap
        self.sense += (self.air - self.sense) * STEP_S / 90.0
        self.probe += (self.air - self.probe) * STEP_S / (fridge.probe_lag_s + STEP_S / 2)


def cycle_lengths(fridge: Build) -> list[float]:
    """Minutes between starts over a quiet day without defrost."""
    chance = random.Random(1)
    still = Build(**{**fridge.__dict__, "defrost_every_s": 0, "every_min": 1})
    starts, before = [], False
    for minute in World(still, Life(0.7), chance).minutes():
        if minute.running and not before and minute.minute > 240:
            starts.append(minute.minute)
        before = minute.running
    return [float(b - a) for a, b in itertools.pairwise(starts)]
