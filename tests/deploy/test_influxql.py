"""The dashboard's questions in InfluxQL, as deploy/README.md gives them: each is put to a real InfluxDB."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import HOUR, MINUTE, iso, parse_time
from tests.deploy.sites import BARN, CELLAR, NOW, QUIET, two_sites
from tests.relay.servers import BUCKET, Influxd, Served, said, serving

TOP = Path(__file__).parents[2]
BLOCK = re.search(r"(?s)```sql\n(.*?)```", (TOP / "deploy/README.md").read_text(encoding="utf-8"))
QUERIES = dict(re.findall(r"(?m)^-- (.+)\n(.+)$", BLOCK[1] if BLOCK else ""))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An InfluxDB 1.6.7 that holds what two sites have sent."""
    with serving(Influxd, tmp_path_factory.mktemp("influxql")) as served:
        served.write(two_sites())
        yield served


def asked(server: Served, name: str) -> list[tuple[dict[str, str], list[dict[str, Any]]]]:
    """Tags and rows of each series that a query of the document finds, at the moment of the two sites."""
    query = QUERIES[name].replace("now()", f"'{iso(NOW)}'")
    answer = json.loads(said(f"{server.base}/query", db=BUCKET, q=query))["results"]
    assert len(answer) == 1
    return [
        (each.get("tags", {}), [dict(zip(each["columns"], row, strict=True)) for row in each["values"]])
        for each in answer[0].get("series", [])
    ]


def test_the_document_asks_what_the_dashboard_asks() -> None:
    """Six questions, each of them tried below."""
    assert list(QUERIES) == [
        "each batch now", "alerts that stand", "gravity, and where it should end", "temperature by place",
        "what waits to be sent", "when each site was last heard: the row's time",
    ]  # fmt: skip


def test_each_batch_is_told_once_by_its_latest_verdict(server: Served) -> None:
    """Whatever vessel it stood in before; who was last heard of nine hours ago is no part of now."""
    found = {
        (tags["site"], tags["batch"]): tuple(rows[0][name] for name in ("verdict", "hint", "gravity", "final_expected"))
        for tags, rows in asked(server, "each batch now")
        if len(rows) == 1
    }

    assert found == {
        (CELLAR, "amber-1"): (4, 0, 1.0082, 1.0079),
        (CELLAR, "wash-1"): (5, 0, 1.0342, 0.998),
        (BARN, "pear-1"): (3, 1, 1.0125, 1.002),
        (BARN, "rye-1"): (0, 0, None, None),
    }


def test_what_has_returned_does_not_stand(server: Served) -> None:
    """Of each alert about a thing the latest change decides."""
    found = {
        (tags["site"], tags["alert"], tags["about"]): [(row["standing"], row["priority"]) for row in rows]
        for tags, rows in asked(server, "alerts that stand")
    }

    assert found == {
        (CELLAR, "ferment-finished", "batch:amber-1"): [(1, 1)],
        (CELLAR, "ferment-stalled", "batch:wash-1"): [(1, 2)],
        (BARN, "freeze-risk", "fridge:larder"): [(1, 3)],
    }


def test_curves_have_a_row_for_each_verdict_and_each_quarter_of_an_hour(server: Served) -> None:
    """Gravity beside its expected final, temperature by place, and what waits."""
    curves = {tags["batch"]: rows for tags, rows in asked(server, "gravity, and where it should end")}
    assert [(row["gravity"], row["final_expected"]) for row in curves["amber-1"][-2:]] == [
        (1.0091, 1.0079),
        (1.0082, 1.0079),
    ]
    assert len(curves["amber-1"]) == 11

    warmth = {
        (tags["site"], tags["place"], tags["probe"]): rows for tags, rows in asked(server, "temperature by place")
    }
    assert {key: {row["mean"] for row in rows} for key, rows in warmth.items()} == {
        (CELLAR, "vessel:bucket-b", "well-b"): {20.25},
        (CELLAR, "fridge:larder", "fridge-air"): {4.5},
        (BARN, "vessel:bucket-a", "well-a"): {17.5},
    }
    assert len(warmth[CELLAR, "fridge:larder", "fridge-air"]) == 3 * HOUR // (15 * MINUTE) + 1

    waits = {tags["site"]: rows for tags, rows in asked(server, "what waits to be sent")}
    assert {row["last"] for row in waits[CELLAR]} == {3}
    assert waits[BARN][-1]["last"] == QUIET // MINUTE


def test_the_row_of_a_site_tells_when_it_was_last_heard(server: Served) -> None:
    """To the millisecond."""
    found = asked(server, "when each site was last heard: the row's time")

    assert {tags["site"]: parse_time(rows[0]["time"]) for tags, rows in found} == {CELLAR: NOW, BARN: NOW - QUIET}
