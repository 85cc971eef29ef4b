"""A fridge: air, wall with its cold plate, and what stands inside, with a thermostat on the air.

Three nodes and their heat flows (W/K), the common lumped picture of a household fridge. The figures are
chosen so that the air answers in 4 to 9 minutes and cycles last 14 to 100 minutes, the span measured on
real ones; they are not those of any one appliance.
"""

from __future__ import annotations

from dataclasses import dataclass

from simulators.physics.vessel import Warmth

SUBSTEP_S = 15.0


@dataclass(frozen=True, slots=True)
class Cabinet:
    """What the fridge is built of."""

    target_c: float = 4.0
    swing_k: float = 1.2
    """Thermostat: off at target - swing, on at target + swing."""
    air_j_k: float = 3200.0
    wall_j_k: float = 16000.0
    air_wall: float = 8.0
    wall_room: float = 1.5
    gasket: float = 0.12
    """Air leaking past a closed door."""
    door: float = 28.0
    """Air exchanged through an open door."""
    cooling_w: float = 95.0
    defrost_every_h: float = 0.0
    """0: no automatic defrost."""
    defrost_minutes: float = 22.0
    defrost_w: float = 130.0
    defrost_melts: float = 0.5
    """Part of the defrost's heat that melts the frost and drains away with it (assumed: some 250 g)."""


@dataclass(slots=True)
class Inside:
    """A vessel standing in the fridge, as the fridge sees it."""

    warmth: Warmth
    loss: float
    capacity: float
    heat_w: float = 0.0


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with the fridge just now."""

    door_open: bool = False
    compressor_dead: bool = False
    thermostat_off_k: float = 0.0
    """Added to the thermostat's target."""
    weakness: float = 0.0
    """Part of the cooling lost, 0 to 1 (refrigerant leaking away)."""


WELL = Trouble()


@dataclass(slots=True)
class Fridge:
    """The state of one fridge."""

    cabinet: Cabinet
    air_c: float
    wall_c: float
    running: bool = False
    seconds: float = 0.0

    @property
    def defrosting(self) -> bool:
        """Whether the automatic defrost heats the plate now."""
        every = self.cabinet.defrost_every_h * 3600
        return every > 0 and self.seconds >= every and self.seconds % every < self.cabinet.defrost_minutes * 60

    def power_w(self, trouble: Trouble = WELL) -> float:
        """What the plug draws: a dead compressor draws nothing but its electronics."""
        if self.defrosting:
            return self.cabinet.defrost_w
        return 85.0 if self.running and not trouble.compressor_dead else 1.5

    def step(self, seconds: float, room_c: float, inside: list[Inside], trouble: Trouble = WELL) -> None:
        """Move on by `seconds` in steps of a quarter minute."""
        cabinet = self.cabinet
        target = cabinet.target_c + trouble.thermostat_off_k
        warm = cabinet.defrost_w * (1 - cabinet.defrost_melts)
        leak = cabinet.gasket + (cabinet.door if trouble.door_open else 0.0)
        for _ in range(round(seconds / SUBSTEP_S)):
            self._thermostat(target)
            defrost = self.defrosting
            cold = self.running and not trouble.compressor_dead and not defrost
            out = cabinet.cooling_w * (1 - trouble.weakness) if cold else 0.0
            to_air = cabinet.air_wall * (self.wall_c - self.air_c) + leak * (room_c - self.air_c)
            for thing in inside:
                flow = thing.loss * (self.air_c - thing.warmth.celsius)
                to_air -= flow
                thing.warmth.gain((flow + thing.heat_w) * SUBSTEP_S, thing.capacity)
            to_wall = cabinet.wall_room * (room_c - self.wall_c) - out + (warm if defrost else 0.0)
            self.wall_c += (to_wall - cabinet.air_wall * (self.wall_c - self.air_c)) * SUBSTEP_S / cabinet.wall_j_k
            self.air_c += to_air * SUBSTEP_S / cabinet.air_j_k
            self.seconds += SUBSTEP_S

    def _thermostat(self, target: float) -> None:
        if self.air_c >= target + self.cabinet.swing_k:
            self.running = True
        elif self.air_c <= target - self.cabinet.swing_k:
            self.running = False
