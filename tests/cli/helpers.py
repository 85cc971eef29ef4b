"""What the tests of the commands share: a cellar on disk, its history, a running daemon, running a command."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.main import main
from monitor.ledger import Ledger
from monitor.model.clock import HOUR, MINUTE, SystemClock
from monitor.model.inputs import Configured, Reading, Started
from monitor.settings import load_settings, store_path
from monitor.store.store import Store

TOP = Path(__file__).parents[2]
DAY_AGO = SystemClock().wall_ms() // HOUR * HOUR - 24 * HOUR

CELLAR = """\
[site]
name = "Cellar"
timezone = "Europe/Lisbon"
[store]
path = "store.db"
[web]
enabled = false
[[probe]]
name = "float-a"
source = "mqtt"
topic = "cellar/float-a"
[[probe]]
name = "larder-air"
source = "serial"
port = "/dev/serial/by-id/larder"
pattern = "T=(?P<temperature>-?[0-9.]+)"
[[vessel]]
name = "bucket-a"
probes = ["float-a"]
[[vessel]]
name = "bucket-b"
[[room]]
name = "cellar"
[[fridge]]
name = "larder"
probes = ["larder-air"]
[[batch]]
name = "amber-1"
vessel = "bucket-a"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.062
expected_final = 1.008
yeast_range_c = [16, 26]
[jobs]
backup = "03:40"
"""


def cellar(folder: Path, *, port: int = 1, more: str = "") -> Path:
    """A configuration whose broker is at `port` (by default where none can be)."""
    file = folder / "cellar.toml"
    file.write_text(f'{CELLAR}[mqtt]\nport = {port}\nclient_id = "test-{folder.name[-20:]}"\n{more}', encoding="utf-8")
    return file


def with_history(config: Path, *, hours: int = 6, fault: bool = True) -> None:
    """File a day-old history: gravity and temperature of float-a, and at its end, by `fault`, an alert that stands."""
    settings = load_settings(config)
    with Store.open(store_path(settings)) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        received = iter(range(DAY_AGO, DAY_AGO + 10**9))

        def put(quantity: str, measured_ms: int, value: float) -> None:
            ledger.put(Reading("float-a", quantity, measured_ms, value, measured_ms + 300 + next(received) % 200))

        with ledger.commit():
            ledger.put(Started(version="0.1.0", watched_until=None, received=DAY_AGO))
            ledger.put(Configured(settings=settings.for_rules().as_json(), received=DAY_AGO + 1))
            for number in range(hours * 12):
                at = DAY_AGO + MINUTE + number * 5 * MINUTE
                put("gravity", at, round(1.040 - number * 0.0001, 4))
                put("temperature", at + 1, round(20.0 + number % 7 / 20, 2))
            if fault:
                for number in range(4):
                    put("temperature", DAY_AGO + hours * HOUR + number * MINUTE + 2 * MINUTE, 120.0 + number)


Command = Callable[..., tuple[int, str, str]]


def run_here(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    """Run a command in this process; its exit code, and what it printed on both outputs."""
    capsys.readouterr()
    code = main([str(word) for word in words])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def environment(**more: str) -> dict[str, str]:
    """What a command sees of the surroundings. At its very end the MQTT library leaves its wake-up sockets open."""
    warnings = "error,ignore:unclosed <socket:ResourceWarning"
    return {**os.environ, "PYTHONPATH": str(TOP), "PYTHONWARNINGS": warnings, "COLUMNS": "160", **more}


def run_there(*words: object, cwd: Path | None = None, **more: str) -> subprocess.CompletedProcess[str]:
    """Run a command as a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli.main", *map(str, words)],
        cwd=cwd or TOP, env=environment(**more), capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


class Daemon:
    """A `leeswatch run` as a process, its log line by line."""

    def __init__(self, config: Path, **more: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli.main", "run", "--config", str(config)],
            cwd=config.parent, env=environment(**more), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.lines: list[str] = []
        self.errors: list[str] = []
        self._readers = [
            threading.Thread(target=self._read, args=pair)
            for pair in ((self.process.stdout, self.lines), (self.process.stderr, self.errors))
        ]
        for reader in self._readers:
            reader.start()

    def _read(self, pipe: Any, lines: list[str]) -> None:
        lines.extend(iter(pipe.readline, ""))

    @property
    def log(self) -> str:
        return "".join(self.lines)

    def wait_for(self, words: str, seconds: float = 20.0) -> None:
        """Wait until the log holds these words."""
        until(lambda: words in self.log or self.process.poll() is not None, seconds)
        assert words in self.log, self.log + "".join(self.errors)

    def end(self, how: signal.Signals = signal.SIGTERM, seconds: float = 20.0) -> int:
        """Tell it to stop; its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        code = self.process.wait(seconds)
        for reader in self._readers:
            reader.join(5.0)
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe is not None
            pipe.close()
        return code


@contextlib.contextmanager
def daemon(config: Path, **more: str) -> Iterator[Daemon]:
    """A daemon that watches, ended on the way out."""
    running = Daemon(config, **more)
    try:
        running.wait_for("watching; the store is")
        yield running
    finally:
        if running.process.poll() is None:
            running.process.kill()
        running.end()


def until(truth: Callable[[], object], seconds: float = 20.0) -> None:
    """Wait until something is so, or fail."""
    end = time.monotonic() + seconds
    while not truth():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


def parsed(text: str) -> Any:
    """The one JSON value that was printed."""
    return json.loads(text)


def all_shown(leader: int) -> bytes:
    """Everything that a program writes to its terminal, until it ends (Linux then fails the read)."""
    shown = b""
    with contextlib.suppress(OSError):
        while piece := os.read(leader, 65_536):
            shown += piece
    return shown
