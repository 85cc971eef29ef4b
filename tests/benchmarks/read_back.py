"""How fast readings come back from each real server, and in how much memory: `python -m tests.benchmarks.read_back`."""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from monitor.model.config import Relay
from monitor.relay.lines import lines_of
from monitor.relay.past import past_of
from monitor.store.outbox import Row
from tests.relay.servers import Influxd, VictoriaMetrics, serving

START = 1_772_474_400_000
SITE = "Bench"
PIECE = 5_000


def lines(count: int) -> list[str]:
    """Ten probes that speak once a minute, in five vessels."""
    found: list[str] = []
    for n in range(count):
        probe = n % 10
        at = START + n // 10 * 60_000 + probe
        quantity = "gravity" if probe % 2 else "temperature"
        value = round(1.06 - n % 5_000 * 1e-5, 5)
        row = Row(n + 1, "reading", at, at + 100, f"vessel:v-{probe // 2}", f"batch-{probe // 2}", f"probe-{probe}",
                  quantity, value)  # fmt: skip
        found += lines_of(row, SITE)
    return found


def measure(url: str) -> None:
    """In a process of its own: read all back and print how long it took, and the largest memory it ever had."""
    before = most()
    began = time.perf_counter()
    with past_of(Relay(url=url)) as past:
        count = sum(1 for _ in past.readings(SITE))
        took = time.perf_counter() - began
        began = time.perf_counter()
        gaps = past.gaps(SITE)
        looked = time.perf_counter() - began
        how = past.how
    print(
        f"{how}: {count} readings in {took:.2f} s, {count / took:,.0f} a second, {most():.0f} MiB at most "
        f"({before:.0f} MiB before); {len(gaps)} gaps found in {looked:.2f} s"
    )


def most() -> float:
    """The largest resident size so far, MiB."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) / 1024


def main() -> None:
    """Measure against each server."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=150_000)
    parser.add_argument("--url", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.url:
        measure(args.url)
        return
    sent = lines(args.readings)
    for kind in (VictoriaMetrics, Influxd):
        with tempfile.TemporaryDirectory() as folder, serving(kind, Path(folder)) as server:
            for at in range(0, len(sent), PIECE):
                server.write(sent[at : at + PIECE])
            subprocess.run([sys.executable, "-m", "tests.benchmarks.read_back", "--url", server.base], check=True)


if __name__ == "__main__":
    main()
