"""A simulated shed with a running daemon, in which time stands still while a command runs.

The daemon, its broker, serial line, store, socket and page are real; commands are processes of their own, as a person
types them. Only time is moved by hand.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.app import Daemon
from monitor.model.clock import DAY, HOUR, MINUTE, ManualClock, iso, real_s
from monitor.settings import parse_settings
from simulators.configure import configuration
from simulators.play import Player
from simulators.rig import Rig
from simulators.scenario import load
from simulators.wires import private_broker

TOP = Path(__file__).parents[2]
STEP = 5 * MINUTE
CATCH_UP_S = 5.0


@dataclass
class Shed:
    """One run: `until` lets time pass, `do` and `ask` are what the keeper types."""

    rig: Rig
    daemon: Daemon
    clock: ManualClock
    folder: Path
    typed: list[str] = field(default_factory=list)
    sent: int = 0
    took_before: int = 0

    @property
    def config(self) -> Path:
        """The configuration file."""
        return self.folder / "shed.toml"

    def now(self) -> str:
        """The simulated time."""
        return iso(self.clock.wall_ms())

    def until(self, day: float, hour: float = 0.0) -> None:
        """Let time pass up to so many days and hours after the start."""
        end = self.rig.player.start_ms + round(day * DAY + hour * HOUR)
        assert end >= self.clock.wall_ms(), "time only goes forward"
        while self.clock.wall_ms() < end:
            self.clock.advance(min(STEP, end - self.clock.wall_ms()))
            self.sent += self.rig.deliver_until(self.clock.wall_ms())
            patience = real_s() + CATCH_UP_S
            while self.daemon.writer.status.messages < self.took_before + self.sent and real_s() < patience:
                time.sleep(0.0005)

    def do(self, *words: object, code: int = 0) -> str:
        """Type a command; what it printed. It has to end with `code`, and says nothing on stderr where that is 0."""
        line = [str(word) for word in words]
        self.typed.append(" ".join(line))
        done = subprocess.run(
            [sys.executable, "-m", "monitor.cli.main", *line, "--config", str(self.config)],
            cwd=self.folder, capture_output=True, text=True, check=False, timeout=60,
            env={**os.environ, "PYTHONPATH": str(TOP), "PYTHONWARNINGS": "error", "COLUMNS": "120"},
        )  # fmt: skip
        told = f"$ leeswatch {' '.join(line)}\n{done.stdout}{done.stderr}"
        assert done.returncode == code, told
        assert code or not done.stderr, told
        return done.stdout + done.stderr

    def ask(self, *words: object) -> Any:
        """Type a command that prints JSON."""
        return json.loads(self.do(*words, "--json"))

    def get(self, path: str) -> str:
        """What the page's server gives at a path."""
        assert self.daemon.web is not None
        with urllib.request.urlopen(f"{self.daemon.web.url.rstrip('/')}{path}", timeout=10) as answer:
            return answer.read().decode()

    def alerts(self) -> set[str]:
        """What stands, as `alert about`."""
        return {f"{each['alert']} {each['about']}" for each in self.ask("alert", "list")}


@contextlib.contextmanager
def shed(scenario: str, folder: Path, more: str = "") -> Iterator[Shed]:
    """A shed in which a scenario's physics go on, but whose batches nobody has told of yet."""
    player = Player(load(scenario))
    clock = ManualClock(player.start_ms)
    with (
        private_broker(folder / "broker") as broker,
        Rig(player, folder / "wires", mqtt_port=broker.port) as rig,
    ):
        untold = player.scenario.model_copy(update={"batch": []})
        ports = {name: line.path for name, line in rig.lines.items()}
        store = folder / "store.db"
        text = configuration(untold, mqtt_port=broker.port, serial_ports=ports, store=store)
        text = f"{text}\n[web]\nport = 0\n{more}"
        (folder / "shed.toml").write_text(text, encoding="utf-8")
        daemon = Daemon(parse_settings(text, "shed.toml"), store, clock, calendar=False, group_ms=0)
        daemon.start()
        try:
            here = Shed(rig, daemon, clock, folder)
            here.sent = rig.deliver_until(player.start_ms)
            yield here
        finally:
            daemon.stop()
