"""Past batches for replays under other settings: simulated, with and without a journal; and what is told of them."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import iso, parse_time
from monitor.settings import load_settings
from simulators.configure import configuration
from simulators.play import Player
from simulators.record import recording
from simulators.scenario import load

from .helpers import run_here, until

DAYS = {"roused-stall": 9.5, "quiet-beer": 5.0, "hand-only": 14.0}  # stalled, at work, finished


def record_past(folder: Path) -> dict[str, Path]:
    """Recordings by the name of their scenario, each with its configuration beside it as X.toml."""
    for name, days in DAYS.items():
        player = Player(load(name).model_copy(update={"days": days}))
        recording(player, folder / f"{name}.csv")
        (folder / f"{name}.toml").write_text(configuration(player.scenario), encoding="utf-8")
    return {name: folder / f"{name}.csv" for name in DAYS}


def with_journal(path: Path, folder: Path, *entries: dict[str, Any], **batch: object) -> Path:
    """A copy of a recording, with a journal that holds its configuration (its batch changed), and more entries."""
    copy = folder / path.name
    copy.write_bytes(path.read_bytes())
    settings = load_settings(path.with_suffix(".toml")).for_rules().as_json()
    settings["batch"] = [each | batch for each in settings["batch"]]
    told = [{"kind": "configuration", "received": began(path), "settings": settings}, *entries]
    lines = "".join(f"{json.dumps(entry)}\n" for entry in told)
    copy.with_suffix(".journal.jsonl").write_text(lines, encoding="utf-8")
    return copy


def began(path: Path) -> str:
    """Just before the first row."""
    with path.open(encoding="utf-8") as file:
        next(file)
        return iso(parse_time(next(file).split(",")[0]) - 1000)


def changed(path: Path, out: Path, *pairs: tuple[str, str]) -> Path:
    """Another configuration: the same but for some of its text."""
    text = path.with_suffix(".toml").read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    out.write_text(text, encoding="utf-8")
    return out


def events_of(path: Path, config: Path, out: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    """What a plain replay tells, through its file of events."""
    assert run_here(capsys, "replay", path, "--config", config, "--events", out)[0] == 0
    return [json.loads(line) for line in out.read_text(encoding="utf-8").splitlines()]


def verdicts(events: list[dict[str, Any]]) -> list[tuple[str, str]]:
    """Each change of a verdict with its time."""
    found: list[tuple[str, str]] = []
    for event in events:
        if event["event"] == "verdict" and (not found or found[-1][1] != event["verdict"]):
            found.append((event["time"], event["verdict"]))
    return found


def until_there(group: int) -> list[int]:
    """Wait for the processes of a sweep, two at a time: its own, both, and the one that counts their semaphores."""
    until(lambda: len(members(group)) >= 4)
    return members(group)


def members(group: int) -> list[int]:
    """Processes of a group that have not ended."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            state, _, its_group = stat.read_text(encoding="utf-8").rpartition(") ")[2].split()[:3]
        except OSError:
            continue
        if int(its_group) == group and state not in "ZX":
            found.append(int(stat.parent.name))
    return found


def processor_s(process: int) -> float:
    """Seconds of processor a process has had."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(") ")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / float(os.sysconf("SC_CLK_TCK"))
