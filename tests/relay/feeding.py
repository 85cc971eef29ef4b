"""A whole daemon as a process of its own, to be killed: eight probes speak a hundred times a second, the relay sends.

    python -m tests.relay.feeding STORE URL SECONDS [end]

With `end` it waits, before it ends, until nothing is left to be sent or held.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from monitor.app import Daemon
from monitor.model.clock import SystemClock
from monitor.model.inputs import Message, Sample
from monitor.settings import parse_settings
from monitor.store.reader import Reader

PROBES = [f"float-{letter}" for letter in "abcdefgh"]
HOLD_S = 15  # VictoriaMetrics forgets what is up to ten seconds old


def configuration(url: str) -> str:
    """Fast, and without what is not tried here."""
    probes = "".join(f'[[probe]]\nname = "{name}"\nsource = "hand"\n' for name in PROBES)
    return f"""
[web]
enabled = false
[relay]
url = "{url}"
every = "0.2s"
hold = "{HOLD_S}s"
timeout = "2s"
rows = 200
{probes}"""


def main(store: Path, url: str, seconds: float, *, end: bool) -> None:
    """See above."""
    clock = SystemClock()
    daemon = Daemon(parse_settings(configuration(url)), store, clock, calendar=False, group_ms=20)
    daemon.start()
    until, number = time.monotonic() + seconds, 0
    while time.monotonic() < until:
        for name in PROBES:
            now = clock.wall_ms()
            sample = Sample("temperature", 20.0 + number % 1_000 / 100, now)
            daemon.writer.submit(Message("mqtt", name, now, clock.mono_ms(), (sample,)))
        number += 1
        time.sleep(0.01)
    while end and not _all_gone(store):
        time.sleep(0.2)
    daemon.stop()


def _all_gone(store: Path) -> bool:
    with Reader(store) as reader:
        found = reader.backlog()
    return found.waiting == found.held == 0


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]), end="end" in sys.argv[4:])
