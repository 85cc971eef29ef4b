"""What many vessels cost: `python -m tests.benchmarks.fleet [--vessels 2,10,50,200,500,1000] [--hours 2]`.

Each number of vessels in a process of its own. Floats say gravity and temperature; eight days of history, every half
hour, are filed first, so that batches are in all phases and the estimator has all of its window. Then `--hours` at one
reading a minute go through the ledger into a store on disk, 15 rows a commit as the writer does. Times are of the
processor, not of the wall. At the end the exponent by which each cost grows with the number of vessels: 1 is linear.

`--daemon 200` runs the daemon itself as a process instead, under a real mosquitto, with such a history, and asks the
kernel what it took: `--minutes` at `--rate` times the usual number of messages.
"""

from __future__ import annotations

import argparse
import contextlib
import cProfile
import json
import math
import os
import pstats
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import islice
from pathlib import Path

from monitor import ledger as filing
from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.inputs import Configured, Reading, Started, Tick
from monitor.settings import parse_settings
from monitor.store.store import Store
from monitor.writer import GROUP_ROWS
from simulators.fleet import Fleet, play
from simulators.wires import private_broker

VESSELS = (2, 10, 50, 200, 500, 1000)
HISTORY, SPARSE = 8 * DAY, HOUR // 2
GROUP = 2_000


@dataclass(slots=True)
class Cost:
    """Processor seconds, by what was done; counts beside them."""

    vessels: int
    hours: float
    readings: int = 0
    commits: int = 0
    ticks: int = 0
    reading_s: float = 0.0  # rules over a reading
    minute_s: float = 0.0  # rules on a tick that is no whole hour
    hour_s: float = 0.0  # rules on the hour: every verdict
    hour_ticks: int = 0
    all_s: float = 0.0  # rules and store
    events: int = 0
    memory_mib: float = 0.0

    @property
    def rules_s(self) -> float:
        """All rules."""
        return self.reading_s + self.minute_s + self.hour_s

    def figures(self) -> dict[str, float]:
        """What is compared from one number of vessels to the next."""
        span_s = self.hours * 3600
        return {
            "rules, % of a core": 100 * self.rules_s / span_s,
            "rules and store, %": 100 * self.all_s / span_s,
            "a reading, rules, µs": 1e6 * self.reading_s / self.readings,
            "store, µs a reading": 1e6 * (self.all_s - self.rules_s) / self.readings,
            "a minute's tick, ms": 1e3 * self.minute_s / max(1, self.ticks - self.hour_ticks),
            "the hour, ms": 1e3 * self.hour_s / max(1, self.hour_ticks),
            "memory, MiB": self.memory_mib,
        }


def filled(fleet: Fleet, store: Store, site: str) -> Ledger:
    """A ledger with the fleet's history up to its start."""
    ledger = Ledger(store, strict=True)
    ledger.load()
    settings = parse_settings(fleet.configuration(site)).for_rules().as_json()
    begin = fleet.start_ms - HISTORY
    with ledger.commit():
        ledger.put(Started(version="0", watched_until=None, received=begin - 2))
        ledger.put(Configured(settings=settings, received=begin - 1))
    readings = fleet.readings(begin, fleet.start_ms, SPARSE)
    while group := list(islice(readings, GROUP)):
        with ledger.commit():
            for reading in group:
                ledger.put(reading)
    with ledger.commit():
        ledger.tick(fleet.start_ms)
    return ledger


def measured(vessels: int, hours: float, folder: Path, *, profile: bool = False) -> Cost:
    """What one number of vessels costs."""
    fleet = Fleet(vessels)
    with Store.open(folder / "store.db") as store:
        ledger = filled(fleet, store, fleet.sites[0])
        cost = Cost(vessels, hours)
        readings = list(fleet.readings(fleet.start_ms, fleet.start_ms + round(hours * HOUR)))
        cost.readings = len(readings)
        profiler = cProfile.Profile(time.thread_time) if profile else None
        with _timed_steps(cost), profiler or contextlib.nullcontext():
            begun = time.thread_time()
            for group in _groups(readings):
                with ledger.commit() as out:
                    for reading in group:
                        ledger.put(reading)
                cost.events += len(out.events)
                cost.commits += 1
            cost.all_s = time.thread_time() - begun
        if profiler is not None:
            pstats.Stats(profiler).sort_stats("tottime").print_stats(40)
    cost.memory_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return cost


def _groups(readings: list[Reading]) -> Iterator[list[Reading]]:
    """As the writer commits: 15 rows, or what came within two seconds."""
    group: list[Reading] = []
    for reading in readings:
        if group and (len(group) >= GROUP_ROWS or reading.received_ms - group[0].received_ms >= 2_000):
            yield group
            group = []
        group.append(reading)
    yield group


@contextlib.contextmanager
def _timed_steps(cost: Cost) -> Iterator[None]:
    """Have each step of the engine timed meanwhile."""
    step = filing.step

    def timed(state: object, item: object, now_ms: int, out: object) -> int:
        begun = time.thread_time()
        flags = step(state, item, now_ms, out)
        took = time.thread_time() - begun
        if isinstance(item, Reading):
            cost.reading_s += took
        elif isinstance(item, Tick):
            cost.ticks += 1
            if now_ms % HOUR == 0:
                cost.hour_s += took
                cost.hour_ticks += 1
            else:
                cost.minute_s += took
        return flags

    filing.step = timed
    try:
        yield
    finally:
        filing.step = step


# --- the curve ---------------------------------------------------------------------------------------------------


def exponent(points: list[tuple[float, float]]) -> float:
    """The slope of log cost over log vessels, by least squares."""
    logs = [(math.log(x), math.log(y)) for x, y in points if y > 0]
    mean_x, mean_y = (sum(each[i] for each in logs) / len(logs) for i in (0, 1))
    over = sum((x - mean_x) ** 2 for x, _ in logs)
    return sum((x - mean_x) * (y - mean_y) for x, y in logs) / over if over else math.nan


def table(costs: list[Cost]) -> list[str]:
    """For people; the exponent is of what all vessels cost together, from ten on."""
    names = list(costs[0].figures())
    lines = [f"{'vessels':>24}" + "".join(f"{cost.vessels:>9}" for cost in costs) + "   grows as"]
    for name in names:
        values = [cost.figures()[name] for cost in costs]
        each = name.endswith("reading, rules, µs") or name.startswith("store")
        whole = [
            (c.vessels, v * c.vessels if each else v) for c, v in zip(costs, values, strict=True) if c.vessels >= 10
        ]
        power = f"n^{exponent(whole):.2f}" if len(whole) > 1 else ""
        lines.append(f"{name:>24}" + "".join(f"{value:9.3g}" for value in values) + f"   {power}")
    return lines


# --- the daemon itself -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Taken:
    """What the kernel counts of a process."""

    cpu_s: float
    rss_mib: float


def taken(pid: int) -> Taken:
    """Now."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return Taken(
        (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK"), pages * os.sysconf("SC_PAGE_SIZE") / 2**20
    )


def daemon(vessels: int, minutes: float, rate: float, folder: Path) -> list[str]:
    """The daemon under a real broker for so many minutes; lines for people."""
    span = minutes * rate * MINUTE
    # What is said has its own time, which must not run ahead of the clock.
    start_ms = round(time.time() * 1000 - span * (1 - 1 / rate))
    fleet = Fleet(vessels, start_ms=start_ms)
    (site,) = fleet.sites
    store = folder / "store.db"
    with Store.open(store) as opened:
        filled(fleet, opened, site)
    with private_broker(folder / "broker") as broker:
        config = folder / "site.toml"
        config.write_text(fleet.configuration(site, mqtt_port=broker.port, store=store))
        process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli.main", "run", "--config", str(config)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        for line in process.stdout:
            if "watching; the store is" in line:
                break
        drain = threading.Thread(target=process.stdout.read, daemon=True)
        drain.start()
        try:
            time.sleep(3.0)  # until it has subscribed: a broker keeps nothing for a session that it does not know
            before, begun = taken(process.pid), time.monotonic()
            sent = play(fleet, {site: broker.port}, minutes, rate)
            time.sleep(3.0)
            after, gone = taken(process.pid), time.monotonic() - begun
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(60)
            drain.join(10)
            process.stdout.close()
    share = (after.cpu_s - before.cpu_s) / gone
    hours = int((time.time()) // 3600) - int((time.time() - gone) // 3600)
    with Store.open(store) as opened:
        stored = sum(isinstance(each, Reading) and each.measured_ms >= start_ms for each in opened.inputs())
    return [
        f"{vessels} vessels, {sent} messages of two readings in {gone:.0f} s ({rate:g} times the usual number), "
        f"{stored} readings stored; {hours} whole hours fell into it",
        f"the daemon took {after.cpu_s - before.cpu_s:.2f} s of a processor, {100 * share:.1f} % of a core; "
        f"{after.rss_mib:.0f} MiB resident (at the start {before.rss_mib:.0f})",
    ]  # fmt: skip


def main(arguments: list[str]) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.fleet")
    parser.add_argument("--vessels", default=",".join(map(str, VESSELS)))
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--one", type=int, help="this many, here, as JSON (what each process runs)")
    parser.add_argument("--profile", action="store_true", help="with --one: where the time goes")
    parser.add_argument("--daemon", type=int, help="the daemon itself with this many vessels")
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--rate", type=float, default=1.0)
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="leeswatch-fleet-") as folder:
        if given.daemon:
            print("\n".join(daemon(given.daemon, given.minutes, given.rate, Path(folder))))
        elif given.one:
            print(json.dumps(asdict(measured(given.one, given.hours, Path(folder), profile=given.profile))))
        else:
            costs = []
            for vessels in map(int, given.vessels.split(",")):
                words = ["--one", str(vessels), "--hours", str(given.hours)]
                done = subprocess.run(
                    [sys.executable, "-m", "tests.benchmarks.fleet", *words],
                    check=True,
                    stdout=subprocess.PIPE,
                    text=True,
                )
                costs.append(Cost(**json.loads(done.stdout.splitlines()[-1])))
                print(
                    f"{vessels}: {costs[-1].readings} readings, {costs[-1].events} events", file=sys.stderr, flush=True
                )
            print("\n".join(table(costs)))


if __name__ == "__main__":
    main(sys.argv[1:])
