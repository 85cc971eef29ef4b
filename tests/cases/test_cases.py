"""Each folder here is named after what a user saw: a configuration, a recording (with its journal, if any), and what
must be said of it.

`expected.jsonl` holds, in order, each change of a verdict and each change of an alert but reminders. A line may give
play for its time in hours (`give_h`): a rule that becomes quicker or slower within it breaks no case. The recordings
are simulated, unless the folder says otherwise.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import HOUR, parse_time
from monitor.model.events import Event, VerdictEvent
from monitor.replay.replay import replay
from monitor.settings import load_settings

FOLDERS = sorted(path.parent for path in Path(__file__).parent.glob("*/expected.jsonl"))


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_case(folder: Path) -> None:
    """The recording brings exactly what its folder expects, in order, at its time."""
    lines = (folder / "expected.jsonl").read_text(encoding="utf-8").splitlines()
    expected = [json.loads(line) for line in lines]
    found = said(folder)
    assert [_what(line) for line in found] == [_what(line) for line in expected]
    for one, other in zip(found, expected, strict=True):
        apart = abs(parse_time(one["time"]) - parse_time(other["time"]))
        assert apart <= other.get("give_h", 0) * HOUR, (one, other)


def test_there_are_cases() -> None:
    """Every folder beside this file is a case."""
    assert sorted(path for path in Path(__file__).parent.iterdir() if (path / "config.toml").exists()) == FOLDERS
    assert len(FOLDERS) >= 5


def said(folder: Path) -> list[dict[str, Any]]:
    """The essentials of what replay says of a folder's recording."""
    events: list[Event] = []
    done = replay(folder / "recording.csv", load_settings(folder / "config.toml").for_rules(), events.append)
    assert done.problems == []
    found, before = [], {}
    for event in events:
        record = event.record()
        if isinstance(event, VerdictEvent):
            if before.get(event.batch) != event.verdict:
                before[event.batch] = event.verdict
                found.append({key: record[key] for key in ("time", "batch", "verdict")})
        elif event.change != "reminded":
            found.append({key: record[key] for key in ("time", "alert", "change", "about")})
    return found


def _what(line: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in line.items() if key not in ("time", "give_h")}
