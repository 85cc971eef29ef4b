"""A scenario as the messages its probes send, in the order they are sent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from random import Random
from typing import Literal, NamedTuple

from simulators.parts import Garbage, Lost, Offline, PowerOn, Probe, Repeated, Silent, WrongClock
from simulators.probes import Sample, Sampler
from simulators.says import Said, device_of, payload, said, topic_of, torn
from simulators.scenario import Scenario
from simulators.world import World

Wire = Literal["mqtt", "serial", "onewire", "hand"]
HOUR_MS = 3_600_000


@dataclass(frozen=True, slots=True)
class Emission:
    """One message on its way: when it is sent, over what, and what a reader should make of it."""

    send_ms: int
    wire: Wire
    probe: str
    line: str
    """MQTT topic, serial line (by its probe's name), one-wire device, or `hand:<vessel>`."""
    payload: bytes
    readings: tuple[Said, ...] = ()
    """Empty for what cannot be read."""
    retained: bool = False


class Deed(NamedTuple):
    """Something the keeper did, which a watcher learns only if told (`announced`)."""

    at_ms: int
    what: Literal["addition", "probe-moved", "vessel-moved", "rouse"]
    about: str
    detail: dict[str, float | str]
    announced: bool


class Player:
    """Plays a scenario from `start_ms` (default: its own start). Same scenario, same start: same bytes."""

    def __init__(self, scenario: Scenario, start_ms: int | None = None) -> None:
        self.scenario = scenario
        self.start_ms = scenario.start_ms if start_ms is None else start_ms
        self._next = 0

    @cached_property
    def world(self) -> World:
        """The physical truth behind the messages."""
        return World(self.scenario)

    @property
    def end_ms(self) -> int:
        """When the scenario ends."""
        return self.start_ms + round(self.scenario.days * 24 * HOUR_MS)

    @cached_property
    def emissions(self) -> list[Emission]:
        """All of them, in send order."""
        found = [emission for probe in self.scenario.probe for emission in self._of(probe)]
        return sorted(found, key=lambda emission: emission.send_ms)

    def emissions_until(self, to_ms: int) -> list[Emission]:
        """Those not given yet that are sent at or before `to_ms`."""
        first = self._next
        while self._next < len(self.emissions) and self.emissions[self._next].send_ms <= to_ms:
            self._next += 1
        return self.emissions[first : self._next]

    @cached_property
    def deeds(self) -> list[Deed]:
        """What the keeper did, in order."""
        return sorted(self._deeds(), key=lambda deed: deed.at_ms)

    def _ms(self, hours: float) -> int:
        return self.start_ms + round(hours * HOUR_MS)

    def _of(self, probe: Probe) -> Iterator[Emission]:
        chance = Random(f"{self.scenario.seed}:{probe.name}:sending")
        samples = Sampler(self.world, probe)
        held: dict[Offline, list[Emission]] = {}
        for sample in samples:
            for emission in self._messages(probe, sample, chance):
                away = next((f for f in probe.fault if isinstance(f, Offline) and f.holds(sample.hours)), None)
                if away is None:
                    yield emission
                else:
                    held.setdefault(away, []).append(emission)
        for away, kept in held.items():
            yield from self._burst(probe, away, kept, chance)
        if probe.status:
            yield from self._status(probe)

    def _messages(self, probe: Probe, sample: Sample, chance: Random) -> Iterator[Emission]:
        """What becomes of one sample: a message, a torn one, two, or none."""
        luck = {kind: chance.random() for kind in ("lost", "torn", "twice", "awake")}
        values, now = dict(sample.values), [fault for fault in probe.fault if fault.holds(sample.hours)]
        own_ms = measured_ms = self._ms(sample.hours)
        send_ms = measured_ms + chance.randint(15, 220)
        for fault in now:
            if isinstance(fault, PowerOn) and luck["awake"] < fault.share and "temperature" in values:
                values["temperature"] = 85.0
            elif isinstance(fault, WrongClock):
                own_ms += round(fault.offset_s * 1000)
            elif isinstance(fault, Lost) and luck["lost"] < fault.share:
                return
        carries = probe.timed
        claimed = own_ms if carries else measured_ms if probe.wire == "hand" else send_ms
        whole = Emission(
            send_ms=send_ms,
            wire=probe.wire,
            probe=probe.name if probe.wire != "hand" else f"hand:{probe.place}",
            line=_line(probe),
            payload=payload(probe, values, own_ms if carries else None),
            readings=said(probe, values, claimed),
            retained=probe.retained,
        )
        if any(isinstance(fault, Garbage) and luck["torn"] < fault.share for fault in now):
            yield replace(whole, payload=torn(probe, whole.payload, chance), readings=())
            return
        yield whole
        if any(isinstance(fault, Repeated) and luck["twice"] < fault.share for fault in now):
            yield replace(whole, send_ms=send_ms + chance.randint(300, 4000))

    def _burst(self, probe: Probe, away: Offline, kept: list[Emission], chance: Random) -> Iterator[Emission]:
        """All that was held back, some forty milliseconds apart; a message without a clock takes its new time."""
        if away.shuffled:
            chance.shuffle(kept)
        send_ms = self._ms(min(away.to_h, self.scenario.days * 24))
        for emission in kept:
            send_ms += chance.randint(20, 60)
            readings = emission.readings
            if not probe.timed:
                readings = tuple(one._replace(measured_ms=send_ms) for one in readings)
            yield replace(emission, send_ms=send_ms, readings=readings)

    def _status(self, probe: Probe) -> Iterator[Emission]:
        """Retained online and offline words of a probe that keeps them."""
        ends = self.scenario.days * 24
        words = [(0.0, b"online")]
        for fault in probe.fault:
            if isinstance(fault, Silent | Offline):
                words.append((fault.from_h, b"offline"))
                if fault.to_h < ends:
                    words.append((fault.to_h, b"online"))
        for hours, word in words:
            topic = f"{topic_of(probe)}/status"
            yield Emission(self._ms(hours), "mqtt", probe.name, topic, word, retained=True)

    def _deeds(self) -> Iterator[Deed]:
        for batch in self.scenario.batch:
            for addition in batch.addition:
                detail: dict[str, float | str] = {
                    "sucrose_kg": addition.sucrose_kg,
                    "water_l": addition.water_l,
                    "nitrogen_g": addition.nitrogen_g,
                }
                yield Deed(self._ms(addition.at_h), "addition", batch.name, detail, addition.announced)
            for rouse_h in batch.rouse_h:
                yield Deed(self._ms(rouse_h), "rouse", batch.name, {}, announced=False)
        for probe in self.scenario.probe:
            for move in probe.move:
                yield Deed(self._ms(move.at_h), "probe-moved", probe.name, {"to": move.to}, move.announced)
        for vessel in self.scenario.vessel:
            for move in vessel.move:
                yield Deed(self._ms(move.at_h), "vessel-moved", vessel.name, {"to": move.to}, move.announced)


def _line(probe: Probe) -> str:
    if probe.wire == "mqtt":
        return topic_of(probe)
    if probe.wire == "onewire":
        return device_of(probe)
    return f"hand:{probe.place}" if probe.wire == "hand" else probe.name
