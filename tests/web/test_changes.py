from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import httpx
import pytest

from monitor.model.clock import DAY, HOUR, MINUTE, iso, parse_time
from monitor.model.inputs import Acknowledged, HandReading, Shelved, Ticked
from monitor.science.gravity import hydrometer_sg, rescale_hydrometer
from monitor.store.reader import Reader
from tests.web.cellar import House
from tests.web.conftest import client_of, may_change


def standing(client: httpx.Client) -> dict[str, dict[str, Any]]:
    return {each["alert"]: each for each in client.get("/api/alerts").json()["standing"]}


def journal(house: House, kind: type) -> list[Any]:
    with Reader(house.desk.path) as reader:
        return [item for item in reader.inputs() if isinstance(item, kind)]


# --- alerts --------------------------------------------------------------------------------------------------------


def test_acknowledged_alert_stays_but_is_seen(house: House, person: httpx.Client):
    """Acknowledging an alert changes its state, keeps it standing, and is in the journal and the events."""
    number = standing(person)["ferment-stalled"]["id"]
    answer = person.post(f"/api/alerts/{number}/acknowledge")
    assert answer.status_code == 200
    assert answer.json()["done"] == "acknowledged"
    assert standing(person)["ferment-stalled"]["state"] == "acknowledged"
    (entry,) = journal(house, Acknowledged)
    assert (entry.id, iso(entry.received)) == (number, answer.json()["received"])
    assert person.get("/api/alerts?limit=1").json()["lately"][0]["change"] == "acknowledged"


@pytest.mark.parametrize(("span", "ms"), [("2h", 2 * HOUR), ("12h", 12 * HOUR), ("3 d", 3 * DAY)])
def test_shelved_for_a_span(house: House, person: httpx.Client, span: str, ms: int):
    """Shelving for a span sets the alert aside until then, and the list says so."""
    number = standing(person)["ferment-stalled"]["id"]
    assert person.post(f"/api/alerts/{number}/shelve", json={"for": span}).status_code == 200
    told = standing(person)["ferment-stalled"]
    assert told["state"] == "shelved"
    assert parse_time(told["shelved_until"]) == house.desk.clock.wall_ms() + ms
    assert journal(house, Shelved)[0].by == "page"


def test_shelved_until_tomorrow_means_eight_in_the_morning_here(person: httpx.Client):
    """Until tomorrow is eight in the morning of the site's zone; on this day Lisbon is at UTC."""
    number = standing(person)["ferment-finished"]["id"]
    person.post(f"/api/alerts/{number}/shelve", json={"for": "tomorrow"})
    assert standing(person)["ferment-finished"]["shelved_until"] == "2026-03-14T08:00:00.000Z"


@pytest.mark.parametrize(
    "body", [{}, {"for": "2h", "until": "2026-03-20T00:00:00Z"}, {"for": "40d"}, {"until": "2026-03-01T00:00:00Z"},
             {"for": "a while"}, {"until": "soon"}, {"weeks": 2}, [1], "x"],
)  # fmt: skip
def test_shelving_without_sense_is_refused(person: httpx.Client, body: Any):
    """A shelve needs one span or time within the next 30 days."""
    number = standing(person)["ferment-stalled"]["id"]
    answer = person.post(f"/api/alerts/{number}/shelve", json=body)
    assert answer.status_code == 400
    assert answer.json()["remedy"]
    assert standing(person)["ferment-stalled"]["state"] == "unacknowledged"


def test_a_notice_is_done_and_gone(house: House, person: httpx.Client):
    """Marking a notice as done returns it to normal."""
    number = standing(person)["ferment-finished"]["id"]
    assert person.post(f"/api/alerts/{number}/done").status_code == 200
    assert "ferment-finished" not in standing(person)
    assert [entry.id for entry in journal(house, Ticked)] == [number]


def test_only_a_good_reading_ends_what_readings_raised(person: httpx.Client):
    """An alert that is no notice cannot be marked as done: silence resolves nothing, and neither does a tap."""
    number = standing(person)["ferment-stalled"]["id"]
    answer = person.post(f"/api/alerts/{number}/done")
    assert answer.status_code == 409
    assert "ferment-stalled" in standing(person)


@pytest.mark.parametrize("action", ["acknowledge", "done", "shelve"])
def test_an_alert_that_does_not_stand_is_not_found(house: House, person: httpx.Client, action: str):
    """An id that stands no longer is refused, and nothing is written."""
    answer = person.post(f"/api/alerts/nothing/{action}", json={"for": "2h"} if action == "shelve" else None)
    assert answer.status_code == 404
    assert journal(house, Acknowledged) + journal(house, Ticked) + journal(house, Shelved) == []


# --- hydrometer readings -------------------------------------------------------------------------------------------


def test_reading_is_kept_as_typed_and_as_corrected(house: House, person: httpx.Client):
    """The journal holds what was typed; the readings are on the 20 °C scale; the batch shows the corrected gravity."""
    typed = {"gravity": 1.036, "temperature": 24, "calibrated": 15.56, "at": "2026-03-13T05:30:00Z"}
    answer = person.post("/api/batches/meadow-south/reading", json=typed)
    assert answer.status_code == 200, answer.text
    (entry,) = journal(house, HandReading)
    assert (entry.vessel, entry.hydrometer, entry.temperature, entry.calibrated) == ("south", 1.036, 24.0, 15.56)
    at = parse_time(typed["at"])
    with Reader(house.desk.path) as reader:
        ((when, scale),) = reader.curve("hand:south", "hydrometer", 0, 2**60)
        assert reader.curve("hand:south", "temperature", 0, 2**60) == [(at, 24.0)]
    assert when == at
    assert scale == pytest.approx(rescale_hydrometer(1.036, 15.56, 20.0), abs=1e-6)
    told = person.get("/api/batches/meadow-south").json()["last_hand"]
    assert told["gravity"] == pytest.approx(hydrometer_sg(1.036, 24.0, 15.56), abs=1e-4)
    assert told["temperature_from"] == "typed with it"


def test_reading_and_its_entry_stand_or_fall_together(house: House, person: httpx.Client):
    """The entry and the readings are one commit: they follow each other without anything between."""
    answer = person.post("/api/batches/meadow-north/reading", json={"gravity": 0.999, "temperature": 20})
    assert answer.status_code == 200
    with Reader(house.desk.path) as reader:
        items = list(reader.inputs())
    kinds = [getattr(item, "kind", getattr(item, "quantity", "")) for item in items[-3:]]
    assert kinds == ["hand-reading", "temperature", "hydrometer"]


def test_verdict_never_sees_an_uncorrected_reading(serve: Callable[..., House]):
    """A batch that lives on readings is judged on the corrected figure only: the temperature comes first."""
    house = serve("hand-only", 150.0)
    with client_of(house) as client:
        may_change(client)
        before = client.get("/api/overview").json()["batches"][0]
        assert before["gravity_probes"] == []
        client.post(f"/api/batches/{before['name']}/reading", json={"gravity": 0.999, "temperature": 38})
        after = client.get(f"/api/batches/{before['name']}").json()
        assert after["gravity"] == pytest.approx(after["last_hand"]["gravity"], abs=1e-5)
        assert after["gravity"] == pytest.approx(hydrometer_sg(0.999, 38.0), abs=1e-4)


def test_local_time_and_decimal_comma_are_understood(house: House, person: httpx.Client):
    """A form's local time is one of the site's zone, and 1,012 is 1.012."""
    fields = {"gravity": "1,034", "temperature": "19,5", "at": "2026-03-12T22:15", "csrf": csrf_of(person)}
    answer = person.post("/api/batches/meadow-south/reading", data=fields)
    assert answer.status_code == 303
    (entry,) = journal(house, HandReading)
    assert (entry.hydrometer, entry.temperature, iso(entry.at)) == (1.034, 19.5, "2026-03-12T22:15:00.000Z")


@pytest.mark.parametrize(
    ("body", "word"),
    [
        ({}, "gravity is missing"),
        ({"gravity": 1012}, "write it like 1.012"),
        ({"gravity": "one"}, "write it like 1.012"),
        ({"gravity": float("1e400")}, "write it like 1.012"),
        ({"gravity": 1.012, "temperature": 55}, "between 0 and 40"),
        ({"gravity": 1.012, "colour": "red"}, "colour is not known here"),
        ({"gravity": 1.012, "at": "2030-01-01T00:00:00Z"}, "still to come"),
        ({"gravity": 1.012, "at": "2026-03-01T00:00:00Z"}, "before batch meadow-south was pitched"),
    ],
)
def test_readings_that_cannot_be_are_refused(house: House, person: httpx.Client, body: dict[str, Any], word: str):
    """A reading is refused with the field and the reason, and nothing is written."""
    content = json.dumps(body)  # infinity too, as a sloppy client writes it
    answer = person.post(
        "/api/batches/meadow-south/reading", content=content, headers={"Content-Type": "application/json"}
    )
    assert answer.status_code == 400
    assert word in answer.json()["what"]
    assert journal(house, HandReading) == []


def test_a_reading_can_be_taken_back(person: httpx.Client):
    """Taking a reading back makes the rules pass it over; one that is not there cannot be taken back."""
    person.post("/api/batches/meadow-south/reading", json={"gravity": 1.034, "temperature": 20})
    told = person.get("/api/batches/meadow-south").json()
    assert told["hand_readings"] == 1
    undo = {"at": told["last_hand"]["time"]}
    assert person.post("/api/batches/meadow-south/reading/undo", json=undo).status_code == 200
    assert person.get("/api/batches/meadow-south").json()["hand_readings"] == 0
    assert person.post("/api/batches/meadow-south/reading/undo", json=undo).status_code == 404


def test_reading_of_an_unknown_batch_is_not_found(person: httpx.Client):
    """The refusal names the batches there are."""
    answer = person.post("/api/batches/amber/reading", json={"gravity": 1.01})
    assert answer.status_code == 404
    assert "meadow-north" in answer.json()["remedy"]


# --- the writer and the wire ---------------------------------------------------------------------------------------


def csrf_of(client: httpx.Client) -> str:
    return str(client.get("/api/session").json()["csrf"])


def test_a_form_leads_back_to_the_page(person: httpx.Client):
    """A plain form, as a browser without a script sends it, is answered with the way back to what it changed."""
    number = standing(person)["ferment-stalled"]["id"]
    answer = person.post(f"/api/alerts/{number}/acknowledge", data={"csrf": csrf_of(person)})
    assert answer.status_code == 303
    assert answer.headers["location"] == "/?said=acknowledged#alerts"


def test_a_full_disk_is_said_and_nothing_is_half_done(house: House, person: httpx.Client):
    """When the store refuses, the change is answered 503 with what to do, and is not done later by surprise."""
    pages = house.desk.writer.do(lambda s: s._connection.execute("PRAGMA page_count").fetchone()[0]).result(10)
    house.desk.writer.do(lambda s: s._connection.execute(f"PRAGMA max_page_count = {pages}")).result(10)
    done = 0
    for minute in range(200):
        typed = {"gravity": 1.03, "at": iso(parse_time("2026-03-12T00:00:00Z") + minute * MINUTE)}
        answer = person.post("/api/batches/meadow-south/reading", json=typed)
        if answer.status_code != 200:
            break
        done += 1
    assert answer.status_code == 503
    assert "free space" in answer.json()["remedy"]
    house.desk.writer.do(lambda s: s._connection.execute("PRAGMA max_page_count = 1073741823")).result(10)
    house.desk.clock.advance(MINUTE)
    assert person.post("/api/batches/meadow-south/reading", json={"gravity": 1.02}).status_code == 200
    assert [entry.hydrometer for entry in journal(house, HandReading)] == [1.03] * done + [1.02]


def test_an_endless_body_is_cut_off(person: httpx.Client):
    """A body larger than any form is refused while it is read."""
    answer = person.post("/api/batches/meadow-south/reading", content=b"x" * 100_000)
    assert answer.status_code == 413


def test_a_body_that_is_no_json_is_refused(person: httpx.Client):
    """Broken JSON, or JSON nested without end, is a refusal and no fault."""
    for content in (b"{", b"\xff\xfe", b"[" * 9_000):
        answer = person.post("/api/batches/meadow-south/reading", content=content)
        assert answer.status_code == 400
        assert "cannot be read" in answer.json()["what"]
