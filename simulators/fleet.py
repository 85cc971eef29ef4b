"""A fleet: hundreds of vessels on several sites, each with a float that says gravity and temperature.

    python -m simulators.fleet --vessels 1000 --sites 5 --out fleet             # a configuration for each site
    python -m simulators.fleet --vessels 200 --play site-1=1883 --minutes 10    # and readings over real brokers

Every vessel has its own wash, yeast, room and start, drawn from the seed; the kinetics are those of `physics/`, stepped
only as far as somebody asks, so that a thousand vessels can be had. A probe's noise is white; a few probes fall silent
for good. Same seed, same numbers: same bytes.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import NamedTuple

from monitor.model.inputs import Reading
from simulators.physics.ferment import Brew, Yeast, pitched
from simulators.physics.room import RoomAir
from simulators.physics.vessel import Warmth, loss_w_per_k
from simulators.says import rfc3339
from simulators.wires import BrokerLink

MINUTE_MS = 60_000
HOUR_MS = 3_600_000
START_MS = 1_772_474_400_000  # 2026-03-02T18:00:00Z
STEP_H = 0.25
DAYS = 40.0  # of room air
NOISE_SG, NOISE_K = 0.0004, 0.05
SILENT_SHARE = 0.01  # of probes, some time within the first two days


class Message(NamedTuple):
    """What a float says at once, with its own time; `topic` and `payload` as they go over the wire."""

    site: str
    probe: str
    measured_ms: int
    gravity: float
    celsius: float

    @property
    def topic(self) -> str:
        """Where it is said."""
        return f"cellar/{self.probe}"

    @property
    def payload(self) -> bytes:
        """A SenML pack (RFC 8428)."""
        return json.dumps(
            [
                {"bn": f"{self.topic}/", "bt": self.measured_ms / 1000, "n": "gravity", "u": "1", "v": self.gravity},
                {"n": "temperature", "u": "Cel", "v": self.celsius},
            ],
            separators=(",", ":"),
        ).encode()


@dataclass(slots=True)
class Vat:
    """One vessel: its wash as it goes along. `pitched_h` is from the fleet's start, and may lie before it."""

    number: int
    site: str
    litres: float
    pitched_h: float
    silent_h: float
    offset_ms: int
    brew: Brew
    strain: Yeast
    air: RoomAir
    chance: Random
    original: float
    warmth: Warmth
    hours: float = 0.0
    before: tuple[float, float] = field(default=(0.0, 0.0))
    after: tuple[float, float] = field(default=(0.0, 0.0))

    @property
    def name(self) -> str:
        """Of the vessel; its float and its batch have it too, with another word before it."""
        return f"vat-{self.number:04}"

    def at(self, hours: float) -> tuple[float, float]:
        """True gravity and temperature so many hours after the fleet's start; asked in order of time."""
        while self.hours < hours:
            self._step()
        share = 1.0 - (self.hours - hours) / STEP_H
        (gravity, celsius), (gravity_2, celsius_2) = self.before, self.after
        return gravity + (gravity_2 - gravity) * share, celsius + (celsius_2 - celsius) * share

    def _step(self) -> None:
        self.before = self.after
        heat_w = self.brew.step(STEP_H, self.warmth.celsius, self.strain) / (STEP_H * 3600)
        mixture = self.brew.mixture
        around = self.air.at(self.hours - self.pitched_h, self.hours % 24)
        self.warmth.settle(STEP_H * 3600, around, loss_w_per_k(self.litres), heat_w, mixture.heat_capacity)
        self.hours += STEP_H
        self.after = mixture.gravity, self.warmth.celsius


class Fleet:
    """`vessels` of them over `sites`, from `start_ms` on; at the start they are in all phases of their work."""

    def __init__(self, vessels: int, sites: int = 1, seed: int = 1, start_ms: int = START_MS) -> None:
        if not 1 <= sites <= vessels:
            raise ValueError("a fleet has one site at least, and each site a vessel")
        self.start_ms = start_ms
        self.sites = tuple(f"site-{number + 1}" for number in range(sites))
        self.vats = [_vat(number, vessels, self.sites[number % sites], seed) for number in range(vessels)]

    def at(self, site: str) -> list[Vat]:
        """The vessels of one site."""
        return [vat for vat in self.vats if vat.site == site]

    def messages(
        self, from_ms: int, to_ms: int, every_ms: int = MINUTE_MS, site: str | None = None
    ) -> Iterator[Message]:
        """What the floats say from one time up to another, in order of time; never backwards over several calls."""
        vats = self.vats if site is None else self.at(site)
        by_offset = sorted(vats, key=lambda vat: vat.offset_ms)
        for slot_ms in range(from_ms, to_ms, every_ms):
            for vat in by_offset:
                measured_ms = slot_ms + vat.offset_ms * every_ms // MINUTE_MS
                hours = (measured_ms - self.start_ms) / HOUR_MS
                if vat.pitched_h <= hours < vat.silent_h:
                    gravity, celsius = vat.at(hours)
                    yield Message(
                        vat.site, f"float-{vat.name}", measured_ms,
                        round(gravity + vat.chance.gauss(0.0, NOISE_SG), 4),
                        round(celsius + vat.chance.gauss(0.0, NOISE_K), 2),
                    )  # fmt: skip

    def readings(self, from_ms: int, to_ms: int, every_ms: int = MINUTE_MS) -> Iterator[Reading]:
        """The same as readings for a ledger, received as soon as they are measured, each at a time of its own."""
        last_ms = 0
        for message in self.messages(from_ms, to_ms, every_ms):
            for quantity, value in (("gravity", message.gravity), ("temperature", message.celsius)):
                last_ms = max(message.measured_ms, last_ms + 1)
                yield Reading(message.probe, quantity, message.measured_ms, value, last_ms)

    def configuration(self, site: str, *, mqtt_port: int | None = None, store: str | Path | None = None) -> str:
        """TOML for the watcher of a site."""
        lines = ["[site]", f'name = "{site}"', "[web]", "enabled = false"]
        if store is not None:
            lines += ["[store]", f"path = {json.dumps(str(store))}"]
        lines += ["[mqtt]", f"port = {mqtt_port or 1883}", f'client_id = "leeswatch-{site}"']
        for vat in self.at(site):
            pitched_at = rfc3339(self.start_ms + round(vat.pitched_h * HOUR_MS))
            lines += [
                "[[probe]]", f'name = "float-{vat.name}"', 'source = "mqtt"', f'topic = "cellar/float-{vat.name}"',
                "[[vessel]]", f'name = "{vat.name}"', f"volume_l = {vat.litres}", f'probes = ["float-{vat.name}"]',
                "[[batch]]", f'name = "wash-{vat.name}"', f'vessel = "{vat.name}"', f"pitched = {pitched_at}",
                f"original_gravity = {vat.original:.3f}", "expected_final = 0.992", "expected_final_sd = 0.004",
                'fermentables = "sugar"', "yeast_range_c = [14, 32]",
            ]  # fmt: skip
        return "\n".join(lines) + "\n"


def _vat(number: int, vessels: int, site: str, seed: int) -> Vat:
    chance = Random(f"{seed}:vat:{number}")
    litres = chance.choice((10.0, 20.0, 30.0, 60.0))
    celsius = chance.uniform(17.0, 24.0)
    strain = Yeast(alcohol_limit=chance.uniform(12.0, 16.0), uptake=chance.uniform(0.5, 0.9))
    brew = pitched(
        litres=litres,
        sucrose_kg=litres * chance.uniform(0.12, 0.2),
        yeast_g=litres * chance.uniform(0.3, 0.8),
        nitrogen_mg_l=chance.uniform(120.0, 250.0),
        lag_h=chance.uniform(4.0, 16.0),
        yeast=strain,
        at_c=celsius,
    )
    pitched_h = -STEP_H * round(chance.uniform(0.0, 8.0) * 24 / STEP_H)
    now = (brew.mixture.gravity, celsius)
    return Vat(
        number, site, litres, pitched_h,
        silent_h=chance.uniform(1.0, 48.0) if chance.random() < SILENT_SHARE else float("inf"),
        offset_ms=number * MINUTE_MS // vessels,
        brew=brew,
        strain=strain,
        air=RoomAir(mean_c=celsius, swing_k=chance.uniform(0.3, 2.0), warmest_hour=16.0, wander_k=0.5, days=DAYS,
                    seed=f"{seed}:air:{number}"),
        chance=chance,
        original=brew.mixture.gravity,
        warmth=Warmth(celsius, brew.mixture.freezing_c),
        hours=pitched_h,
        before=now,
        after=now,
    )  # fmt: skip


def play(fleet: Fleet, ports: Mapping[str, int], minutes: float, rate: float = 1.0) -> int:
    """Say all that is due over each site's broker for so many real minutes, `rate` simulated ones in each.

    Returns how many messages that were, all of them acknowledged.
    """
    links = {site: BrokerLink(port, name=f"floats-{site}") for site, port in ports.items()}
    begun, sent = time.monotonic(), 0
    try:
        for message in fleet.messages(fleet.start_ms, fleet.start_ms + round(minutes * rate * MINUTE_MS)):
            due = begun + (message.measured_ms - fleet.start_ms) / 1000 / rate
            if (wait := due - time.monotonic()) > 0:
                time.sleep(wait)
            if message.site in links:
                links[message.site].publish(message.topic, message.payload)
                sent += 1
        for link in links.values():
            link.settle()
    finally:
        for link in links.values():
            link.close()
    return sent


def main(arguments: list[str] | None = None) -> int:
    """Run the command; 0 done, 2 wrong use."""
    parser = argparse.ArgumentParser(prog="python -m simulators.fleet", description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument("--vessels", type=int, default=1000)
    parser.add_argument("--sites", type=int, default=1)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, metavar="DIR", help="write a configuration for each site here")
    parser.add_argument("--play", nargs="+", metavar="SITE=PORT", help="brokers on this machine to say readings on")
    parser.add_argument("--minutes", type=float, default=5.0, help="how long to play (default 5)")
    parser.add_argument("--rate", type=float, default=1.0, help="simulated minutes in a real one (default 1)")
    given = parser.parse_args(arguments)
    ports = {site: int(port) for site, _, port in (each.partition("=") for each in given.play or [])}
    if given.rate < 1.0:
        parser.error("--rate is 1 at least")
    # What is said has its own time, which comes up with the clock at the end and never runs ahead of it.
    span_ms = given.minutes * given.rate * MINUTE_MS
    start_ms = round(time.time() * 1000 - span_ms * (1.0 - 1.0 / given.rate))
    try:
        fleet = Fleet(given.vessels, given.sites, given.seed, start_ms if ports else START_MS)
    except ValueError as reason:
        parser.error(str(reason))
    if strange := set(ports) - set(fleet.sites):
        parser.error(f"there is no site {', '.join(sorted(strange))}; there are {', '.join(fleet.sites)}")
    if given.out is not None:
        given.out.mkdir(parents=True, exist_ok=True)
        for site in fleet.sites:
            path = given.out / f"{site}.toml"
            path.write_text(fleet.configuration(site, mqtt_port=ports.get(site)), encoding="utf-8")
            sys.stdout.write(f"{len(fleet.at(site)):5} vessels  {path}\n")
    if ports:
        sys.stdout.write(f"{play(fleet, ports, given.minutes, given.rate)} messages\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
