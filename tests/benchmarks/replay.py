"""How fast a long recording replays: `python -m tests.benchmarks.replay [DAYS] [--profile]`, in the project's folder.

The recording is two vessels with a float each and a fridge, every probe once a minute, as the simulator says it. The
peer of the same run is the physical limit of any reader in this language: the same file through the `csv` module alone.
The parts are measured one on top of the other, each pass over the whole file, so that their differences are what each
part costs.
"""

from __future__ import annotations

import cProfile
import csv
import pstats
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from monitor.intake.recording import Recording
from monitor.model.inputs import Reading
from monitor.replay.replay import GROUP, replay
from monitor.settings import parse_settings
from monitor.store.store import Store
from simulators.configure import configuration
from simulators.play import Player
from simulators.record import recording
from simulators.scenario import load

DAYS = 21.0


@dataclass(frozen=True, slots=True)
class Measured:
    """Seconds for the whole file."""

    readings: int
    events: int
    csv_alone: float  # the peer: what the csv module takes to go through the file
    read: float  # our reader: times, units, ranges checked
    stored: float  # and every reading filed in a private store
    replayed: float  # and every rule run over it: the command's own path

    def lines(self) -> list[str]:
        """For people."""
        per = 1e6 / self.readings
        return [
            f"{self.readings} readings, {self.events} events",
            f"csv module alone  {self.csv_alone:7.2f} s  {self.csv_alone * per:6.1f} µs a reading   (the peer)",
            f"reading           {self.read:7.2f} s  {self.read * per:6.1f} µs",
            f"store             {self.stored - self.read:7.2f} s  {(self.stored - self.read) * per:6.1f} µs",
            f"engine            {self.replayed - self.stored:7.2f} s  {(self.replayed - self.stored) * per:6.1f} µs",
            f"replay, all told  {self.replayed:7.2f} s  {self.replayed * per:6.1f} µs",
            f"{self.replayed / self.csv_alone:.0f} times the peer; "
            f"{self.readings / self.replayed:,.0f} readings a second",
        ]


def long_recording(folder: Path, days: float = DAYS) -> tuple[Path, str]:
    """The recording and its configuration; made once in a folder."""
    out, config = folder / f"long-{days:g}.csv", folder / f"long-{days:g}.toml"
    scenario = load("two-siblings")
    probes = [probe.model_copy(update={"every_s": 60.0}) for probe in scenario.probe if probe.name != "cellar-air"]
    for probe in probes:
        probe.quantities[:] = [quantity for quantity in probe.quantities if quantity != "battery"]
    player = Player(scenario.model_copy(update={"days": days, "probe": probes}))
    if not out.exists():
        recording(player, out)
        config.write_text(configuration(player.scenario), encoding="utf-8")
    return out, config.read_text(encoding="utf-8")


def measure(path: Path, config: str) -> Measured:
    """Go through the file four times."""
    settings = parse_settings(config).for_rules()
    count = sum(1 for _ in Recording(path))
    told: list[object] = []
    return Measured(
        readings=count,
        csv_alone=_seconds(lambda: _drain(path)),
        read=_seconds(lambda: sum(1 for _ in Recording(path))),
        stored=_seconds(lambda: _store(path)),
        replayed=_seconds(lambda: replay(path, settings, told.append)),
        events=len(told),
    )


def _seconds(run: Callable[[], object]) -> float:
    begun = time.perf_counter()
    run()
    return time.perf_counter() - begun


def _drain(path: Path) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        for _ in csv.reader(file):
            pass


def _store(path: Path) -> None:
    """As replay commits, with an engine that does nothing."""
    with Store.private() as store:
        group: list[Reading] = []
        for reading in Recording(path):
            group.append(reading)
            if len(group) >= GROUP:
                _commit(store, group)
                group = []
        _commit(store, group)


def _commit(store: Store, group: list[Reading]) -> None:
    with store.transaction():
        for reading in group:
            store.add_reading(reading)


def profile(path: Path, config: str, rows: int = 35) -> None:
    """Where the time goes, function by function (slower under the profiler, the shares hold)."""
    settings = parse_settings(config).for_rules()
    profiler = cProfile.Profile()
    profiler.runcall(replay, path, settings, lambda _: None)
    pstats.Stats(profiler).sort_stats("tottime").print_stats(rows)


def main(arguments: list[str]) -> None:
    """Measure and print."""
    days = next((float(each) for each in arguments if each[0] != "-"), DAYS)
    folder = Path(tempfile.gettempdir()) / "leeswatch-benchmark"
    folder.mkdir(exist_ok=True)
    path, config = long_recording(folder, days)
    if "--profile" in arguments:
        profile(path, config)
        return
    print("\n".join(measure(path, config).lines()))


if __name__ == "__main__":
    main(sys.argv[1:])
