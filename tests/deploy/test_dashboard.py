"""The example dashboard: each of its queries is put to a real server that holds what the relay writes."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.relay.codes import HINTS, PRIORITIES, VERDICTS
from tests.deploy.sites import BARN, CELLAR, NOW, QUIET, two_sites
from tests.relay.servers import Served, VictoriaMetrics, said, serving

TOP = Path(__file__).parents[2]
BOARD = json.loads((TOP / "deploy/dashboard/leeswatch.json").read_text(encoding="utf-8"))
PANELS = BOARD["panels"]
TARGETS = [(panel["title"], target) for panel in PANELS for target in panel["targets"]]
PLAIN = {"and", "avg", "avg_over_time", "by", "count", "group_left", "last_over_time", "max", "max_over_time", "on",
         "or", "time", "timestamp", "vector"}  # fmt: skip
STEP = 900

AMBER = {"site": CELLAR, "batch": "amber-1", "place": "vessel:jug-c"}
WASH = {"site": CELLAR, "batch": "wash-1", "place": "vessel:bucket-b"}
PEAR = {"site": BARN, "batch": "pear-1", "place": "vessel:bucket-a"}
RYE = {"site": BARN, "batch": "rye-1", "place": "vessel:bucket-b"}
OLD = {"site": BARN, "batch": "old-1"}  # nine hours ago: a curve's past, no part of now

Series = dict[tuple[tuple[str, str], ...], float]


def series(*each: tuple[dict[str, str], float]) -> Series:
    return {tuple(sorted(labels.items())): value for labels, value in each}


def of(batch: dict[str, str]) -> dict[str, str]:
    return {name: batch[name] for name in ("site", "batch")}


# What each query says of the two sites at that moment; of a curve, its last point of the latest seven hours.
EXPECTED = {
    ("What wants somebody", "A"): series(({}, 1)),
    ("What wants somebody", "B"): series(({}, 1)),
    ("What wants somebody", "C"): series(({}, 1)),
    ("What wants somebody", "D"): series(({}, 1)),
    ("Alerts that stand", "A"): series(
        ({"site": CELLAR, "alert": "ferment-finished", "about": "batch:amber-1", "change": "acknowledged"}, 1),
        ({"site": CELLAR, "alert": "ferment-stalled", "about": "batch:wash-1", "change": "raised"}, 2),
        ({"site": BARN, "alert": "freeze-risk", "about": "fridge:larder", "change": "raised"}, 3),
    ),
    ("Quiet sites", "A"): series(({}, 1)),
    ("Each batch now", "A"): series((AMBER, 4), (WASH, 5), (PEAR, 3), (RYE, 0)),
    ("Each batch now", "B"): series((AMBER, 0), (WASH, 0), (PEAR, 1), (RYE, 0)),
    ("Each batch now", "C"): series((AMBER, 0.93), (WASH, 0.85), (PEAR, 0.91)),
    ("Each batch now", "D"): series((AMBER, 1.0082), (WASH, 1.0342), (PEAR, 1.0125)),
    ("Each batch now", "E"): series((AMBER, 1.0079), (WASH, 0.998), (PEAR, 1.002)),
    ("Each batch now", "F"): series((PEAR, NOW + DAY)),
    ("Gravity, and where it should end", "A"): series(
        (of(AMBER), 1.0082), (of(WASH), 1.0342), (of(PEAR), 1.0125), (OLD, 1.01)
    ),
    ("Gravity, and where it should end", "B"): series(
        (of(AMBER), 1.0079), (of(WASH), 0.998), (of(PEAR), 1.002), (OLD, 1.01)
    ),
    ("Verdicts over time", "A"): series((of(AMBER), 4), (of(WASH), 5), (of(PEAR), 3), (of(RYE), 0), (OLD, 4)),
    ("Temperature by place", "A"): series(
        ({"site": CELLAR, "place": "vessel:bucket-b", "probe": "well-b"}, 20.25),
        ({"site": CELLAR, "place": "fridge:larder", "probe": "fridge-air"}, 4.5),
        ({"site": BARN, "place": "vessel:bucket-a", "probe": "well-a"}, 17.5),
    ),
    ("What waits to be sent", "A"): series(({"site": CELLAR}, 3), ({"site": BARN}, QUIET // MINUTE)),
    ("When each site was last heard", "A"): series(({"site": CELLAR}, 0), ({"site": BARN}, QUIET / 1000)),
}  # fmt: skip


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A VictoriaMetrics with what two sites have sent, and what a collector has read at a daemon's /metrics."""
    with serving(VictoriaMetrics, tmp_path_factory.mktemp("board")) as served:
        served.write([*two_sites(), f"leeswatch_relay,instance=pi,of=today waiting=9i {NOW}"])
        yield served


def filled(expression: str) -> str:
    """A query with every site and batch chosen, as the viewer writes it."""
    for variable in BOARD["templating"]["list"][1:]:
        expression = expression.replace(f"${variable['name']}", variable["allValue"])
    assert "$" not in expression
    return expression


def asked(server: Served, target: dict[str, Any]) -> Series:
    """What the server answers to a query of the dashboard."""
    query = filled(target["expr"])
    if target["instant"]:
        answer = said(f"{server.base}/api/v1/query", query=query, time=str(NOW / 1000))
    else:
        first, last = (NOW - 7 * HOUR) / 1000, NOW / 1000
        answer = said(f"{server.base}/api/v1/query_range", query=query, start=str(first), end=str(last), step=str(STEP))
    found = json.loads(answer)["data"]["result"]
    return series(*((each["metric"], float((each.get("values") or [each["value"]])[-1][1])) for each in found))


@pytest.mark.parametrize(("title", "target"), TARGETS, ids=[f"{title} {each['refId']}" for title, each in TARGETS])
def test_each_query_tells_what_the_sites_have_sent(server: Served, title: str, target: dict[str, Any]) -> None:
    """Labels and values are those of the sites, none missing and none too many."""
    assert asked(server, target) == pytest.approx(EXPECTED[title, target["refId"]])


def test_every_query_has_its_expectation_and_none_is_left_over() -> None:
    """A query that is added to the dashboard cannot go untried."""
    assert sorted(EXPECTED) == sorted((title, target["refId"]) for title, target in TARGETS)


def test_the_viewer_can_ask_which_sites_and_batches_there_are(server: Served) -> None:
    """What stands in the choices at the top is asked for by names that exist."""
    found = {}
    for variable in BOARD["templating"]["list"][1:]:
        asks = re.fullmatch(r"label_values\((.+), (\w+)\)", variable["query"]["query"])
        assert asks
        about = filled(asks[1])
        answer = said(f"{server.base}/api/v1/label/{asks[2]}/values", **{"match[]": about, "start": "0"})
        found[variable["name"]] = json.loads(answer)["data"]

    assert found == {"site": [BARN, CELLAR], "batch": ["amber-1", "old-1", "pear-1", "rye-1", "wash-1"]}


def test_the_queries_are_plain_so_that_other_servers_answer_them_too() -> None:
    """No function that only one maker's dialect knows."""
    used = {
        word for _, target in TARGETS for word in re.findall(r"\b([a-z_]+) ?\(", re.sub(r"\{.*?\}", "", target["expr"]))
    }

    assert used <= PLAIN


def mappings(panel: dict[str, Any]) -> Iterator[tuple[str, dict[str, int]]]:
    """Each of a panel's mappings from numbers to words, with the column it is for."""
    field = panel["fieldConfig"]
    places = [(panel["title"], field["defaults"].get("mappings", []))]
    places += [
        (override["matcher"]["options"], each["value"])
        for override in field["overrides"]
        for each in override["properties"]
        if each["id"] == "mappings"
    ]
    for where, found in places:
        for mapping in found:
            yield where, {option["text"]: int(number) for number, option in mapping["options"].items()}


def test_words_stand_for_the_numbers_that_the_relay_sends() -> None:
    """The words shown for codes are those of the relay, all of them."""
    found = [each for panel in PANELS for each in mappings(panel)]

    assert found == [
        ("priority", PRIORITIES),
        ("verdict", VERDICTS),
        ("hint", {name or "none": code for name, code in HINTS.items()}),
        ("Verdicts over time", VERDICTS),
    ]


def test_each_count_is_of_the_verdict_it_stands_under() -> None:
    """The numbers in the queries are the relay's codes of the words beside them."""
    asks = {target["legendFormat"]: target["expr"] for title, target in TARGETS if title == "What wants somebody"}
    going_on = {code for name, code in VERDICTS.items() if name in ("waiting", "working", "slowing")}

    assert going_on == {1, 2, 3}
    assert " > 0 < 4) or " in asks.pop("going on")
    assert asks.keys() == {"stalled", "unknown", "finished"}
    assert all(f" == {VERDICTS[name]}) or " in expression for name, expression in asks.items())


def test_panels_lie_side_by_side_in_the_grid() -> None:
    """None covers another, none sticks out."""
    cells = [
        (x, y)
        for grid in (panel["gridPos"] for panel in PANELS)
        for x in range(grid["x"], grid["x"] + grid["w"])
        for y in range(grid["y"], grid["y"] + grid["h"])
    ]

    assert len(cells) == len(set(cells))
    assert {x for x, _ in cells} == set(range(24))


def test_every_panel_asks_the_source_that_was_chosen() -> None:
    """No panel is tied to somebody's own server."""
    sources = [part["datasource"] for panel in PANELS for part in (panel, *panel["targets"])]
    sources += [variable["datasource"] for variable in BOARD["templating"]["list"][1:]]

    assert all(source == {"type": "prometheus", "uid": "${source}"} for source in sources)
