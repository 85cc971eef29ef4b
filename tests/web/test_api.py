from __future__ import annotations

import json
from collections.abc import Callable

import httpx
import pytest

from monitor.model.clock import parse_time
from monitor.model.inputs import Message, Unreadable
from monitor.store.reader import Reader
from monitor.web.app import WAYS
from tests.web.cellar import House
from tests.web.conftest import client_of


def test_overview_tells_what_stands(visitor: httpx.Client):
    """The overview holds batches with their verdicts, the fridge with what is in it, alerts and probes."""
    told = visitor.get("/api/overview").json()
    north, south = told["batches"]
    assert (north["verdict"], south["verdict"]) == ("finished", "stalled")
    assert north["judgement"]["verdict"] == "finished"
    assert north["judgement"]["because"]
    assert 8.0 < north["alcohol"]["abv_range"][0] < north["alcohol"]["abv"] < north["alcohol"]["abv_range"][1] < 10.0
    (fridge,) = told["fridges"]
    assert fridge["learned"]
    assert [each["vessel"] for each in fridge["contents"]] == ["jug", "jar-1", "jar-2"]
    jug = fridge["contents"][0]
    assert jug["freezes"] < -2.0  # nine per cent alcohol
    assert jug["margin"] == pytest.approx(jug["temperature"] - jug["freezes"], abs=0.02)
    assert {each["alert"] for each in told["alerts"]} == {"ferment-finished", "ferment-stalled"}
    assert all(probe["status"] == "good" for probe in told["probes"])


def test_one_batch_and_all_batches_agree(visitor: httpx.Client):
    """A batch by its name is the same as in the list, and an unknown name is refused with those there are."""
    listed = visitor.get("/api/batches").json()
    assert visitor.get("/api/batches/meadow-south").json() == listed[1]
    refused = visitor.get("/api/batches/nothing")
    assert refused.status_code == 404
    assert "meadow-north" in refused.json()["remedy"]


def test_alerts_hold_what_stands_and_what_was(visitor: httpx.Client):
    """The alerts are those that stand, most urgent first, and the latest events of all."""
    told = visitor.get("/api/alerts?limit=4").json()
    assert [each["priority"] for each in told["standing"]] == ["medium", "low"]
    assert len(told["lately"]) == 4
    assert all(each["event"] == "alert" for each in told["lately"])


def test_probes_name_place_health_and_last_values(visitor: httpx.Client):
    """A calibrated probe shows what it said and what that means."""
    south = next(each for each in visitor.get("/api/probes").json() if each["name"] == "float-south")
    assert south["place"] == "vessel:south"
    angle = next(each for each in south["quantities"] if each["quantity"] == "float_angle")
    assert angle["unit"] == "deg"
    assert angle["calibrated"]["value"] == pytest.approx(1.0345, abs=0.003)


def test_curve_runs_from_original_to_final_gravity(visitor: httpx.Client):
    """The whole curve starts near the original gravity and ends near the final one, in no more cells than asked."""
    told = visitor.get("/api/batches/meadow-north/curve?cells=100").json()
    line = next(each for each in told["lines"] if each["quantity"] == "gravity")
    points = [point for part in line["parts"] for point in part]
    assert len(points) <= 101
    assert points[0][1] == pytest.approx(1.0667, abs=0.003)
    assert points[-1][1] == pytest.approx(0.9985, abs=0.003)
    times = [parse_time(at) for at, _ in points]
    assert times == sorted(times)


def test_curve_of_a_span_holds_only_that_span(visitor: httpx.Client):
    """`from` and `to` cut the curve, and a span that ends before it starts is refused."""
    span = {"from": "2026-03-05T00:00:00Z", "to": "2026-03-06T00:00:00Z"}
    told = visitor.get("/api/batches/meadow-north/curve", params=span).json()
    times = [parse_time(at) for line in told["lines"] for part in line["parts"] for at, _ in part]
    assert times
    assert parse_time(span["from"]) <= min(times)
    assert max(times) <= parse_time(span["to"])
    back = {"from": span["to"], "to": span["from"]}
    assert visitor.get("/api/batches/meadow-north/curve", params=back).status_code == 400
    assert visitor.get("/api/batches/meadow-north/curve?from=soon").json()["what"] == "'soon' is not a time"


def test_unreadable_messages_are_shown_with_their_reason(house: House, client: httpx.Client):
    """What could not be read is listed with where it came from and why, bytes and all."""
    bad = Unreadable("mqtt", "cellar/odd", "it is no JSON", b"\xff{<script>")
    now = house.desk.clock.wall_ms()
    house.desk.record(Message("mqtt", None, now, 0, unreadable=(bad,))).result(10)
    (told,) = client.get("/api/unreadable").json()
    assert (told["source"], told["origin"], told["reason"]) == ("mqtt", "cellar/odd", "it is no JSON")
    assert told["content_base64"] == "/3s8c2NyaXB0Pg=="
    assert told["content"].endswith("{<script>")


def test_event_lines_are_those_of_the_store(house: House, client: httpx.Client):
    """Paging through the event lines gives every event of the store, byte for byte and in order."""
    lines: list[str] = []
    after = "0"
    while True:
        answer = client.get("/api/events.jsonl", params={"after": after, "limit": 40})
        assert answer.headers["content-type"].startswith("application/x-ndjson")
        found = answer.text.splitlines()
        if not found:
            break
        assert len(found) <= 40
        lines += found
        after = answer.headers["Last-Event-ID"]
    with Reader(house.desk.path) as reader:
        assert lines == list(reader.event_lines())
    assert {json.loads(line)["event"] for line in lines} == {"verdict", "alert"}


@pytest.mark.parametrize("query", ["after=-1", "after=x", "limit=0", "after=" + "9" * 5000, "limit=99999"])
def test_numbers_that_make_no_sense_are_refused(visitor: httpx.Client, query: str):
    """A query that is no whole number in its range is refused with the range."""
    answer = visitor.get(f"/api/events.jsonl?{query}")
    assert answer.status_code == 400
    assert "is not a whole number" in answer.json()["what"]


def test_description_names_every_way_in(house: House, client: httpx.Client):
    """The OpenAPI document holds every route of the application, with its method."""
    document = client.get("/api/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    described = {(method.upper(), path) for path, about in document["paths"].items() for method in about}
    served = {(method, route.path) for route in house.app.routes for method in route.methods or () if method != "HEAD"}
    assert served == described
    assert len(described) == len(WAYS)
    for path, about in document["paths"].items():
        for operation in about.values():
            named = {each["name"] for each in operation.get("parameters", []) if each["in"] == "path"}
            assert all(f"{{{name}}}" in path for name in named)
            assert operation["summary"].endswith(".")


def test_bodies_are_described_field_by_field(visitor: httpx.Client):
    """The description of a reading names its fields and their bounds, so that a visitor can be written from it."""
    document = visitor.get("/api/openapi.json").json()
    about = document["paths"]["/api/batches/{name}/reading"]["post"]
    schema = about["requestBody"]["content"]["application/json"]["schema"]
    assert schema["required"] == ["gravity"]
    assert schema["properties"]["gravity"]["minimum"] == 0.95
    assert {"401", "403", "404", "400", "503"} <= set(about["responses"])


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [("GET", "/api/none", 404), ("DELETE", "/api/overview", 405), ("GET", "/api/alerts/x/acknowledge", 405)],
)
def test_errors_of_the_api_are_json_with_a_remedy(visitor: httpx.Client, method: str, path: str, status: int):
    """Programs are told in JSON what is wrong and what to do."""
    answer = visitor.request(method, path)
    assert answer.status_code == status
    assert answer.json()["what"]
    assert answer.json()["remedy"]


def test_errors_for_people_are_a_plain_page(visitor: httpx.Client):
    """People are told on a page, with a way back."""
    answer = visitor.get("/none")
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert '<a href="/">' in answer.text


def test_a_store_that_is_not_there_is_said(house: House, client: httpx.Client):
    """Without a store the API answers 503 with what to do, and the page says the same in words."""
    for path in house.desk.path.parent.glob(house.desk.path.name + "*"):
        path.rename(path.with_name("gone-" + path.name))
    answer = client.get("/api/overview")
    assert answer.status_code == 503
    assert "leeswatch run" in answer.json()["remedy"]
    page = client.get("/")
    assert page.status_code == 503
    assert "There is no store at" in page.text


def test_health_is_503_with_the_reasons(house: House, client: httpx.Client):
    """/healthz is 200 while all is well, and 503 with each reason when it is not."""
    well = client.get("/healthz")
    assert (well.status_code, well.json()["ok"]) == (200, True)
    assert well.json()["sources"][0]["name"] == "mqtt"
    house.desk.reasons.append("source mqtt has not been heard for 3 h")
    ill = client.get("/healthz")
    assert ill.status_code == 503
    assert ill.json()["reasons"] == ["source mqtt has not been heard for 3 h"]
    assert "It is not well" in client.get("/").text


def test_head_asks_for_nothing_but_headers(visitor: httpx.Client):
    """HEAD is answered at once everywhere, even where a stream would follow."""
    for path in ("/", "/api/overview", "/api/events", "/healthz"):
        answer = visitor.head(path)
        assert answer.status_code == 200
        assert answer.content == b""


def test_a_silent_probe_is_told_as_failed(still: Callable[..., House]):
    """A probe that fell silent has failed by NE 107, and its batch says that its gravity cannot be believed."""
    with client_of(still("silent-probe", 160.0)) as client:
        told = client.get("/api/overview").json()
    failed = [each for each in told["probes"] if each["status"] == "failure"]
    assert failed
    assert "silent" in failed[0]["why"]
