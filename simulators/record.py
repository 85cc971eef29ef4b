"""Writes a scenario as files: the recording, the configuration that goes with it, and the truth."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from simulators.configure import configuration
from simulators.play import Emission, Player
from simulators.says import rfc3339
from simulators.truth import Found, truth

HEADER = ("time", "probe", "quantity", "value", "unit")


def rows(emissions: list[Emission]) -> Iterator[tuple[str, str, str, str, str, str]]:
    """Recording rows in received order, as one would come out of a store.

    `received` is the send time made strictly increasing; a value that came twice is written once; of two
    values for one probe, quantity and time the first stays.
    """
    received, seen = -1, set()
    for emission in emissions:
        for said in emission.readings:
            key = (emission.probe, said.quantity, said.measured_ms)
            if key in seen:
                continue
            seen.add(key)
            received = max(received + 1, emission.send_ms)
            yield (
                rfc3339(said.measured_ms),
                emission.probe,
                said.quantity,
                repr(said.value),
                said.unit,
                rfc3339(received),
            )


def recording(player: Player, path: Path, *, received: bool = True) -> int:
    """Write the recording to `path`; return its rows. Without `received` rows stand in time order."""
    lines = list(rows(player.emissions))
    if not received:
        lines.sort(key=lambda row: row[0])
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow((*HEADER, "received") if received else HEADER)
        writer.writerows(lines if received else (line[:5] for line in lines))
    return len(lines)


def truth_json(player: Player, found: Found) -> dict[str, Any]:
    """The truth as JSON, its hours also as times."""

    def when(hours: float | None) -> str | None:
        return None if hours is None else rfc3339(player.start_ms + round(hours * 3_600_000))

    return {
        "scenario": player.scenario.name,
        "start": rfc3339(player.start_ms),
        "end": rfc3339(player.end_ms),
        "batches": {name: asdict(outcome) | {"at": when(outcome.at_h)} for name, outcome in found.batches.items()},
        "faults": [asdict(fault) | {"start": when(fault.from_h), "end": when(fault.to_h)} for fault in found.faults],
        "coldest_c": {name: {"celsius": low, "at": when(hours)} for name, (low, hours) in found.coldest_c.items()},
        "freezes": {name: when(hours) for name, hours in found.freezes_h.items()},
        "deeds": [deed._asdict() | {"at": rfc3339(deed.at_ms)} for deed in player.deeds],
    }


def curves(player: Player) -> Iterator[tuple[str, str, str, str]]:
    """The true gravity and temperature of each vessel by the hour: time, vessel, quantity, value."""
    for hour in range(int(player.scenario.days * 24) + 1):
        time = rfc3339(player.start_ms + hour * 3_600_000)
        for name, kept in player.world.vessels.items():
            yield time, name, "gravity", f"{kept.gravity.at(hour):.6f}"
            yield time, name, "temperature", f"{kept.celsius.at(hour):.3f}"


def write(player: Player, folder: Path, *, received: bool = True) -> dict[str, Path]:
    """All files of a scenario into `folder` (made if needed); returns what was written."""
    folder.mkdir(parents=True, exist_ok=True)
    name = player.scenario.name
    paths = {
        "recording": folder / f"{name}.csv",
        "configuration": folder / f"{name}.toml",
        "truth": folder / "truth.json",
        "curves": folder / "true-curves.csv",
    }
    recording(player, paths["recording"], received=received)
    paths["configuration"].write_text(configuration(player.scenario, start_ms=player.start_ms), encoding="utf-8")
    found = truth(player.scenario, player.world)
    paths["truth"].write_text(json.dumps(truth_json(player, found), indent=1) + "\n", encoding="utf-8")
    with paths["curves"].open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("time", "vessel", "quantity", "value"))
        writer.writerows(curves(player))
    return paths
