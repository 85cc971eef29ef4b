"""A store with its writer, and a relay that is turned by hand."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from random import Random
from typing import Any

from monitor.ledger import Ledger
from monitor.model.clock import Clock, ManualClock
from monitor.model.config import Relay
from monitor.model.inputs import Configured, JournalEntry, Message, Reading, Sample, Started, Trouble
from monitor.relay.sender import Sender
from monitor.relay.server import InfluxServer
from monitor.settings import parse_settings
from monitor.store.reader import Reader
from monitor.store.store import Store
from monitor.writer import Writer

NOW = 1_790_000_000_000
SITE = "North cellar"
PLAIN = """
[site]
name = "North cellar"
[[probe]]
name = "float-a"
source = "mqtt"
topic = "float-a"
[[vessel]]
name = "bucket-a"
volume_l = 19
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "bucket-a"
pitched = 2026-09-20T18:00:00Z
original_gravity = 1.060
expected_final = 1.008
"""


class Tower:
    """`say` files readings through the real writer; `turn` is one step of the relay."""

    def __init__(
        self, path: Path, url: str, configuration: str = PLAIN, *, relaying: bool = True, **relay: Any
    ) -> None:  # fmt: skip
        self.path = path
        self.clock = ManualClock(NOW, 1_000)
        self.store = Store.open(path)
        self.configuration = configuration
        self.starts(relaying=relaying)
        self.troubles: list[Trouble] = []
        self.relay = Relay(url=url, **{"every": 5.0, "timeout": 2.0, **relay})
        self.sender = self.sender_anew()

    def starts(self, *, relaying: bool) -> None:
        """The writer of a run begins, with a relay configured or without."""
        self.ledger = Ledger(self.store, strict=True, relaying=relaying)
        self.writer = Writer(self.ledger, self.clock)
        self.writer.begin(parse_settings(self.configuration).for_rules())
        self.writer.settle()

    def sender_anew(self, real: Clock | None = None, record: Callable[[Trouble], Future[int]] | None = None) -> Sender:
        """A relay as a daemon that starts makes it; its server's time is ours unless another clock is given."""
        return Sender(
            self.relay, SITE, self.path, self.do, record or self.record, self.clock,
            lambda: InfluxServer(self.relay, self.clock), chance=Random(1), real=real or self.clock,
        )  # fmt: skip

    def do(self, chore: Any) -> Future[Any]:
        """The writer does it, at once."""
        answer = self.writer.do(chore)
        self.writer.settle()
        return answer

    def record(self, entry: Trouble) -> Future[int]:
        """What the relay tells goes into the journal."""
        self.troubles.append(entry)
        return self.tell(entry)

    def tell(self, *entries: JournalEntry) -> Future[int]:
        """Entries, committed."""
        answer = self.writer.record(*entries)
        self.writer.settle()
        return answer

    def say(self, count: int = 1, quantity: str = "temperature", probe: str = "float-a", value: float = 20.0) -> None:
        """Readings a second apart."""
        for number in range(count):
            self.clock.advance(1_000)
            sample = Sample(quantity, value + number % 7 / 100, self.clock.wall_ms())  # type: ignore[arg-type]
            self.writer.submit(Message("mqtt", probe, self.clock.wall_ms(), self.clock.mono_ms(), (sample,)))
            self.writer.settle()

    def turn(self, most: int = 50) -> None:
        """Turn until the relay wants to wait for longer than a moment."""
        for _ in range(most):
            if self.sender.turn() > 0:
                return
        raise AssertionError("the relay never rests")

    def wait(self, seconds: float) -> None:
        """Time passes in steps of a second, and the relay turns in each."""
        for _ in range(round(seconds)):
            self.clock.advance(1_000)
            self.turn()

    def waiting(self) -> tuple[int, int, int]:
        """Rows that wait, that are held, and that were refused."""
        with Reader(self.path) as reader:
            found = reader.backlog()
        return found.waiting, found.held, found.refused

    def close(self) -> None:
        """End."""
        self.sender.close()
        self.store.close()


__all__ = ["NOW", "PLAIN", "SITE", "Configured", "Reading", "Started", "Tower"]
