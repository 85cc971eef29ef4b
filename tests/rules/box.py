"""A fridge on the bench: simulated air, read as a probe would, minute by minute."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from monitor.model.clock import MINUTE
from monitor.model.events import AlertName
from monitor.model.findings import Finding
from monitor.rules.fridge import Content, FridgeState, take, take_contact, take_power
from monitor.rules.fridge_says import check
from monitor.science.thermal import time_constant
from simulators.physics.fridge import WELL, Cabinet, Fridge, Inside, Trouble
from simulators.physics.vessel import Warmth, loss_w_per_k

T0 = 1_772_474_400_000
Weather = Callable[[float], Trouble]


def content(litres: float = 0.5, celsius: float = 4.0, freezes: float = 0.0, *, at_ms: int = 0) -> Content:
    """A vessel as the rule knows it."""
    tau = time_constant(litres, "glass").usual_s
    return Content(celsius, at_ms, tau, freezes, "for the test")


@dataclass
class Box:
    """Simulated fridge, and the rule that watches it; `heard` keeps what was found at each minute."""

    target: float = 4.0
    room: float = 20.0
    every: int = 1  # minutes between readings
    noise: float = 0.03
    defrost_every_h: float = 0.0
    seed: int = 1
    meter: bool = False
    contact: bool = False
    state: FridgeState = field(init=False)
    heard: list[tuple[float, list[Finding]]] = field(default_factory=list)
    minute: int = 0

    def __post_init__(self) -> None:
        cabinet = Cabinet(target_c=self.target, defrost_every_h=self.defrost_every_h)
        self.fridge = Fridge(cabinet, self.target, self.target - 1.0)
        self.state = FridgeState("larder", self.target, 2.0)
        self.inside = [Inside(Warmth(self.target), loss_w_per_k(4.0), 4.0 * 4180.0)]
        self._chance = random.Random(self.seed)

    def hours(self, until_h: float, trouble: Weather = lambda _: WELL, *, quiet: bool = False) -> None:
        """Go on to an hour; `quiet`: no readings come meanwhile."""
        while self.minute < until_h * 60:
            now = T0 + self.minute * MINUTE
            wrong = trouble(self.minute / 60)
            self.fridge.step(60, self.room, self.inside, wrong)
            self.minute += 1
            if quiet:
                continue
            if self.minute % self.every == 0:
                value = self.fridge.air_c + self._chance.gauss(0, self.noise)
                take(self.state, now, round(value / 0.0625) * 0.0625)
            if self.meter:
                take_power(self.state, now, self.fridge.power_w(wrong))
            if self.contact:
                take_contact(self.state, now, float(wrong.door_open))
            self.heard.append((self.minute / 60, check(self.state, now)))

    def raised(self, alert: AlertName, from_h: float = 0.0) -> list[float]:
        """Hours at which an alert became so."""
        found, before = [], False
        for hours, findings in self.heard:
            states = [each.active for each in findings if each.alert == alert]
            now = states[0] if states else before
            if now and not before and hours >= from_h:
                found.append(hours)
            before = now
        return found

    def ended(self, alert: AlertName, after_h: float) -> float | None:
        """The first hour after one at which it was said not to be so."""
        return next(
            (h for h, found in self.heard if h > after_h and any(e.alert == alert and not e.active for e in found)),
            None,
        )

    def said(self, alert: AlertName) -> Finding:
        """The last time it was said to be so."""
        return [e for _, found in self.heard for e in found if e.alert == alert and e.active][-1]


def door(from_h: float, to_h: float) -> Weather:
    """An open door."""
    return lambda hours: Trouble(door_open=True) if from_h <= hours < to_h else WELL


def dead(from_h: float, to_h: float = 1e9) -> Weather:
    """A compressor that does not run."""
    return lambda hours: Trouble(compressor_dead=True) if from_h <= hours < to_h else WELL


ALARMS: tuple[AlertName, ...] = ("fridge-door", "fridge-compressor", "fridge-drift", "freeze-risk")
