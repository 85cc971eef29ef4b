"""Sixty days of a real room's air (open data, tests/data/room_air) through the whole replay path.

The air is real, hourly, in degrees Fahrenheit. It is played as the liquid's thermometer of a batch without any gravity
and as the air of a fridge set to a room's temperature: real wander, days and nights, and hours that are missing.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from monitor.model.events import AlertEvent, Event, VerdictEvent
from monitor.replay.replay import replay
from monitor.settings import parse_settings

DATA = Path(__file__).parents[1] / "data" / "room_air" / "data.csv"
CONFIGURATION = """
[[vessel]]
name = "bucket"
probes = ["well-a"]
[[fridge]]
name = "closet"
target_c = 21.5
band_k = 3.0
probes = ["air-a"]
[[batch]]
name = "amber-1"
vessel = "bucket"
pitched = 2013-07-04T00:00:00Z
expected_final = 1.010
"""


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> list[Event]:
    """What replay says of it."""
    path = tmp_path_factory.mktemp("room") / "room.csv"
    lines = ["time,probe,quantity,value,unit"]
    with DATA.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            at, celsius = row["timestamp"].replace(" ", "T") + "Z", (float(row["value"]) - 32.0) / 1.8
            lines += [f"{at},well-a,temperature,{celsius:.3f},Cel", f"{at},air-a,temperature,{celsius:.3f},Cel"]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    events: list[Event] = []
    assert replay(path, parse_settings(CONFIGURATION).for_rules(), events.append).problems == []
    return events


def test_temperature_alone_never_carries_a_verdict(told: list[Event]):
    """Two months of it: unknown throughout, because there is no gravity source, and nothing finished or stalled."""
    verdicts = [event for event in told if isinstance(event, VerdictEvent)]
    assert len(verdicts) > 200
    assert {event.verdict for event in verdicts[1:]} == {"unknown"}  # the first hour is too young for anything
    assert verdicts[0].verdict == "waiting"
    assert "no gravity source" in verdicts[-1].because[0]


def test_hourly_readings_blame_no_door(told: list[Event]):
    """An hour between readings cannot tell a door from anything: no door alarm, and no fear of ice in a warm room."""
    alerts = {event.alert for event in told if isinstance(event, AlertEvent) and event.change == "raised"}
    assert not alerts & {"fridge-door", "freeze-risk", "ferment-finished", "ferment-stalled"}
