from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from monitor.model.clock import HOUR
from monitor.store.store import Store
from tests.web.cellar import House, copy_of, house_of
from tests.web.conftest import Filled, client_of

NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
SAMPLE = re.compile(rf'({NAME})(?:\{{((?:[a-z_]+="(?:[^"\\\n]|\\["\\n])*",?)+)\}})? (-?[0-9.e+-]+|NaN)')
SUFFIX = {"counter": "_total", "info": "_info", "gauge": ""}

Samples = dict[str, list[tuple[dict[str, str], float]]]


def parse(text: str) -> Samples:
    """Read an exposition strictly: what a scraper would refuse, this refuses."""
    lines = text.split("\n")
    assert lines[-2:] == ["# EOF", ""]
    kinds: dict[str, str] = {}
    found: Samples = {}
    current, seen = "", set()
    for line in lines[:-2]:
        if line.startswith("# TYPE "):
            _, _, current, kind = line.split(" ")
            assert current not in kinds, "a family comes once, its samples together"
            kinds[current], found[current] = kind, []
        elif line.startswith(("# HELP ", "# UNIT ")):
            assert line.split(" ")[2] == current
        else:
            match = SAMPLE.fullmatch(line)
            assert match, line
            assert match[1] == current + SUFFIX[kinds[current]]
            assert (match[1], match[2]) not in seen
            seen.add((match[1], match[2]))
            labels = dict(re.findall(r'([a-z_]+)="((?:[^"\\]|\\.)*)"', match[2] or ""))
            found[current].append((labels, float(match[3])))
    assert all(found.values()), "no family without samples"
    return found


def scraped(client: httpx.Client) -> Samples:
    answer = client.get("/metrics")
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    return parse(answer.text)


def test_values_and_counts_are_told(visitor: httpx.Client):
    """The latest gravity and temperature of each place, the alerts that stand, and the counters are there."""
    told = scraped(visitor)
    gravity = {labels["place"]: value for labels, value in told["leeswatch_gravity"]}
    assert gravity["vessel:north"] == pytest.approx(0.9985, abs=0.003)
    assert gravity["vessel:south"] == pytest.approx(1.0345, abs=0.003)
    warmth = {labels["place"]: value for labels, value in told["leeswatch_temperature_celsius"]}
    assert 2.0 < warmth["fridge:larder"] < 6.0
    assert {"vessel:north", "vessel:south", "room:cellar"} <= set(warmth)
    standing = {(each["priority"], each["state"]): count for each, count in told["leeswatch_alerts"]}
    assert standing["medium", "unacknowledged"] == 1
    assert standing["high", "unacknowledged"] == 0
    assert told["leeswatch_duplicates"] == [({}, 0.0)]
    assert told["leeswatch_healthy"] == [({}, 1.0)]


def test_waiting_deliveries_and_commits_are_told(house: House, client: httpx.Client):
    """What waits for a route, and how old the latest commit is, are there to be watched."""

    def chore(store: Store) -> None:
        store._connection.execute(
            "INSERT INTO notices (time, alert_id, alert, about, priority, reason, title, body)"
            " VALUES (1, 'a', 'probe-silent', 'probe:x', 'medium', 'first', 't', 'b')"
        )
        store._connection.execute("INSERT INTO deliveries (notice, route) SELECT max(id), 'phone' FROM notices")
        store.count("unreadable:mqtt", 3)
        store.count('odd:a "b"\\', 1)

    house.desk.writer.do(chore).result(10)
    house.desk.writer.status.last_commit_mono_ms = house.desk.clock.mono_ms() - 12_500
    told = scraped(client)
    assert told["leeswatch_deliveries_waiting"] == [({"route": "phone"}, 1.0)]
    assert told["leeswatch_unreadable"] == [({"of": "mqtt"}, 3.0)]
    assert told["leeswatch_commit_age_seconds"] == [({}, 12.5)]
    assert told["leeswatch_odd"][0][0]["of"] == 'a \\"b\\"\\\\'


def test_a_probe_that_is_not_heard_has_no_value(still: Callable[..., House]):
    """The last word of a dead probe is no measurement of now."""
    with client_of(still("silent-probe", 160.0)) as client:
        told = scraped(client)
    assert "leeswatch_gravity" not in told


def test_values_from_before_an_outage_are_not_told(recorded: Callable[[str, float | None], Filled], tmp_path: Path):
    """Just after a restart nothing is called silent yet, but what was heard three hours ago is no value of now."""
    filled = recorded("two-siblings", None)
    house = house_of(copy_of(filled.path, tmp_path / "s.db"), filled.settings, filled.last_ms + 3 * HOUR)
    try:
        with client_of(house) as client:
            told = scraped(client)
    finally:
        house.close()
    assert "leeswatch_gravity" not in told
    assert "leeswatch_temperature_celsius" not in told
