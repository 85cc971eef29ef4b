"""Deeds by the API: what a batch has been through, telling of a deed, taking one back."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from monitor.model.clock import iso
from monitor.model.deeds import DeedEntry
from monitor.model.inputs import JournalEntry
from monitor.store.reader import Reader
from tests.web.cellar import House

AT = "2026-03-13T04:00:00Z"


def journal(house: House) -> list[JournalEntry]:
    with Reader(house.desk.path) as reader:
        return list(reader.journal())


def tell(person: httpx.Client, **deed: Any) -> httpx.Response:
    return person.post("/api/deeds", json={"at": AT, **deed})


def test_a_deed_is_told_and_is_in_the_life_of_its_batch(house: House, person: httpx.Client):
    """A note stands in the journal as told, in the history, and in the list of deeds."""
    answer = tell(person, kind="note", about="batch:meadow-south", text="smells of bread")
    assert answer.status_code == 200
    life = person.get("/api/batches/meadow-south/life").json()
    assert [each["text"] for each in life["notes"]] == ["smells of bread"]
    assert life["history"][-1]["received"] == answer.json()["received"]
    assert (life["clearing"]["first"], life["hold"], life["closed_vessels"]) == (None, None, [])
    [row] = person.get("/api/deeds", params={"about": "batch:meadow-south"}).json()
    assert (row["kind"], row["time"], row["counts"]) == ("note", "2026-03-13T04:00:00.000Z", True)
    assert row in person.get("/api/deeds").json()
    assert journal(house)[-1].model_dump(mode="json") == row["entry"]


def test_a_racking_moves_a_batch_and_taking_it_back_moves_it_again(person: httpx.Client):
    """What follows from a deed follows at once, and so does what follows from undoing it, and from undoing that."""
    racked = tell(person, kind="racked", batch="meadow-south", to="jug", volume_l=3.5).json()["received"]
    assert person.get("/api/batches/meadow-south").json()["vessel"] == "jug"
    undone = person.post("/api/deeds/undo", json={"of": racked}).json()["received"]
    assert person.get("/api/batches/meadow-south").json()["vessel"] == "south"
    assert person.post("/api/deeds/undo", json={"of": racked}).status_code == 409
    assert person.post("/api/deeds/undo", json={"of": undone}).status_code == 200
    assert person.get("/api/batches/meadow-south").json()["vessel"] == "jug"
    rows = person.get("/api/deeds", params={"about": "batch:meadow-south"}).json()
    assert [(row["kind"], row["counts"]) for row in rows] == [("racked", True), ("undone", False), ("undone", True)]


def test_a_deed_without_a_time_was_done_now(house: House, person: httpx.Client):
    """The time is the clock's that readings live in."""
    person.post("/api/deeds", json={"kind": "note", "about": "batch:meadow-south", "text": "now"})
    [row] = person.get("/api/deeds").json()
    assert row["time"] == iso(house.desk.clock.wall_ms())


def test_a_jar_comes_on_the_shelf_is_used_and_is_gone(person: httpx.Client):
    """Each deed of a jar finds it, and what cannot be is refused."""
    assert tell(person, kind="jar", jar="lees-1", strain="house", origin="given", volume_ml=200).status_code == 200
    assert tell(person, kind="jar", jar="lees-1", strain="house", origin="given", volume_ml=200).status_code == 409
    assert tell(person, kind="jar-used", jar="lees-1", ml=150, batch="meadow-south").status_code == 200
    too_much = tell(person, kind="jar-used", jar="lees-1", ml=60)
    assert (too_much.status_code, too_much.json()["what"]) == (400, "60 mL cannot be taken: 50 mL are left")
    assert tell(person, kind="jar-discarded", jar="lees-1", why="old").status_code == 200
    assert tell(person, kind="jar-used", jar="lees-1", ml=1).status_code == 409
    assert len(person.get("/api/deeds", params={"about": "jar:lees-1"}).json()) == 3


def test_finings_go_in_when_what_practice_asks_is_so(person: httpx.Client):
    """The first part is refused with each reason, unless it went in anyway; the second is refused before its time."""
    refused = tell(person, kind="fining", batch="meadow-south", part=1, what="silica sol")
    assert refused.status_code == 409
    assert "racked: no racking is noted" in refused.json()["what"]
    assert "degassed" in refused.json()["what"]
    assert tell(person, kind="fining", batch="meadow-south", part=2, what="chitosan").status_code == 409
    assert tell(person, kind="fining", batch="meadow-south", part=1, what="silica sol", anyway=True).status_code == 200
    early = tell(person, kind="fining", batch="meadow-south", part=2, what="chitosan")
    assert early.status_code == 409
    assert early.json()["what"].startswith("the second part is due in 60 min, Fri 13 Mar 05:00")
    later = {"at": "2026-03-13T05:00:00Z"}
    assert tell(person, kind="fining", batch="meadow-south", part=2, what="chitosan", **later).status_code == 200
    clearing = person.get("/api/batches/meadow-south/life").json()["clearing"]
    assert (clearing["first"]["what"], clearing["second"]["what"]) == ("silica sol", "chitosan")


def test_what_a_seal_goes_by_is_not_taken_from_the_client(house: House, person: httpx.Client):
    """A sent bound of nothing left to fall would make a closed vessel look safer than is known."""
    sent = {"gravity": 0.99, "fall_most": 0.0, "abv": 1.0}
    vessel = {"litres": 4, "headspace_l": 0.3, "sealed_at_c": 20, "stored_at_c": 25}
    assert tell(person, kind="sealed", batch="meadow-south", **vessel, **sent).status_code == 200
    (told,) = [each for each in journal(house) if each.kind == "sealed"]
    assert told.gravity != 0.99
    assert told.fall_most is None or told.fall_most > 0.001


def test_lees_after_finings_are_never_kept(person: httpx.Client):
    """Once finings are in, a harvest is refused; the same lees before them are taken."""
    lees = {"kind": "harvest", "batch": "meadow-south", "strain": "house", "generation": 1, "volume_ml": 400}
    assert tell(person, **lees, wash="w-1").status_code == 200
    assert tell(person, kind="fining", batch="meadow-south", part=1, what="silica sol", anyway=True).status_code == 200
    refused = tell(person, **lees, wash="w-2")
    assert refused.status_code == 409
    assert "was fined" in refused.json()["what"]


@pytest.mark.parametrize(
    ("deed", "status", "word"),
    [
        ({"kind": "brew"}, 400, "kind is not one of"),
        ({}, 400, "kind is not one of"),
        ({"kind": "note", "about": "batch:meadow-south"}, 400, "text is missing"),
        ({"kind": "note", "about": "batch:meadow-south", "text": "x", "tone": "low"}, 400, "tone is not known here"),
        ({"kind": "note", "about": "batch:amber-9", "text": "x"}, 404, "there is no batch amber-9"),
        ({"kind": "note", "about": "jar:lees-9", "text": "x"}, 404, "there is no jar lees-9"),
        ({"kind": "note", "about": "batch:meadow-south", "text": "x", "received": AT}, 400, "received is not known"),
        ({"kind": "note", "about": "batch:meadow-south", "text": "x", "at": "noon"}, 400, "'noon' is not a time"),
        ({"kind": "note", "about": "batch:meadow-south", "text": "x", "at": 5}, 400, "at is not a time"),
        ({"kind": "note", "about": "batch:meadow-south", "text": "x", "at": "2027-01-01T00:00:00Z"}, 400, "to come"),
        ({"kind": "note", "about": "batch:meadow-south", "text": "x", "at": "2026-01-01T00:00:00Z"}, 400, "pitched"),
        ({"kind": "racked", "batch": "meadow-south", "to": "north"}, 409, "vessel north holds batch meadow-north"),
        ({"kind": "racked", "batch": "meadow-south", "to": "south"}, 409, "is in south already"),
        ({"kind": "racked", "batch": "meadow-south", "to": "tun"}, 404, "there is no vessel tun"),
        ({"kind": "racked", "batch": "meadow-south", "to": "jug", "volume_l": 900}, 400, "do not fit"),
        ({"kind": "split", "batch": "meadow-south", "name": "meadow-north", "vessel": "jug", "volume_l": 1}, 409, "is"),
        ({"kind": "merged", "batch": "meadow-south", "into": "meadow-south"}, 400, "into itself"),
        ({"kind": "batch-reopened", "batch": "meadow-south"}, 409, "is not over"),
        ({"kind": "clarity", "batch": "meadow-south"}, 400, "how clear is it?"),
        ({"kind": "hold-ended", "about": "batch:meadow-south"}, 409, "is not held cold"),
        ({"kind": "wash-round", "wash": "w-1", "water_ml": 500}, 404, "there is no wash w-1"),
        ({"kind": "jar-count", "jar": "lees-9", "cells_per_ml": 1e9}, 404, "there is no jar lees-9"),
        ({"kind": "jar", "jar": "l-1", "strain": "s", "origin": "wash", "volume_ml": 9, "wash": "w-1"}, 404, "no wash"),
        ({"kind": "photo", "about": "batch:meadow-south", "file": "0123456789abcdef.jpg"}, 404, "there is no photo"),
        ({"kind": "stage", "batch": "meadow-south", "stage": "cold"}, 400, "kind is not one of"),
    ],
)  # fmt: skip
def test_deeds_that_cannot_be_are_refused(
    house: House, person: httpx.Client, deed: dict[str, Any], status: int, word: str
):
    """Each refusal says what is wrong and what to do, and nothing is written."""
    before = journal(house)
    answer = tell(person, **deed)
    assert (answer.status_code, answer.json()["what"]) == (status, answer.json()["what"])
    assert word in answer.json()["what"]
    assert answer.json()["remedy"]
    assert journal(house) == before


def test_a_batch_that_is_over_takes_words_alone(person: httpx.Client):
    """A tasting may come a year later; a racking may not."""
    person.post("/api/batches/meadow-south/close", json={"sure": "yes"})
    assert tell(person, kind="note", about="batch:meadow-south", sort="tasting", text="clean").status_code == 200
    assert tell(person, kind="racked", batch="meadow-south", to="jug").status_code == 409


@pytest.mark.parametrize(("of", "status"), [("2026-03-13T04:00:00Z", 404), ("soon", 400)])
def test_what_is_not_there_cannot_be_taken_back(house: House, person: httpx.Client, of: str, status: int):
    """An undoing names a deed that is there."""
    before = journal(house)
    assert person.post("/api/deeds/undo", json={"of": of}).status_code == status
    assert journal(house) == before


def test_taking_a_move_back_never_puts_two_batches_into_one_vessel(house: House, person: httpx.Client):
    """Another batch is in the old vessel by now: the undoing is refused, and says which."""
    racked = tell(person, kind="racked", batch="meadow-south", to="jug").json()["received"]
    assert person.post("/api/batches", json={"name": "pear-1", "vessel": "south"}).status_code == 200
    before = journal(house)
    answer = person.post("/api/deeds/undo", json={"of": racked})
    assert answer.status_code == 409
    assert "meadow-south and pear-1 into one vessel" in answer.json()["what"]
    assert journal(house) == before


@pytest.mark.parametrize("path", ["/api/deeds", "/api/deeds/undo"])
def test_deeds_need_a_session_and_its_token(house: House, client: httpx.Client, path: str):
    """Without them nothing is written."""
    before = journal(house)
    assert client.post(path, json={"kind": "note"}).status_code == 401
    client.get("/api/session")
    assert client.post(path, json={"kind": "note"}).status_code == 403
    assert journal(house) == before


def test_two_batches_are_compared(visitor: httpx.Client):
    """The same as the command line's: each difference with its error, and a paragraph."""
    found = visitor.get("/api/batches/meadow-north/compare", params={"with": "meadow-south"}).json()
    assert (found["first"], found["second"]) == ("meadow-north", "meadow-south")
    assert len(found["differences"]) == 8
    assert found["summary"]


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/batches/meadow-north/compare", 400),
        ("/api/batches/meadow-north/compare?with=meadow-north", 400),
        ("/api/batches/meadow-north/compare?with=amber-9", 404),
        ("/api/batches/amber-9/life", 404),
        ("/api/deeds?about=jar:lees-9", 404),
        ("/api/deeds?limit=0", 400),
        ("/api/deeds?limit=many", 400),
    ],
)
def test_questions_about_what_is_not_there_are_refused(visitor: httpx.Client, path: str, status: int):
    """With the reason and a remedy."""
    answer = visitor.get(path)
    assert answer.status_code == status
    assert answer.json()["remedy"]


def test_every_deed_is_described(visitor: httpx.Client):
    """The description of the API names each kind of deed with its fields, and every reference in it leads somewhere."""
    document = visitor.get("/api/openapi.json").json()
    schemas = document["components"]["schemas"]
    for kind in DeedEntry.__args__:
        assert "at" in schemas[kind.__name__]["properties"]
    text = visitor.get("/api/openapi.json").text
    for piece in text.split('"$ref":"')[1:]:
        reference = piece.split('"')[0]
        assert reference.startswith("#/components/schemas/")
        assert reference.rsplit("/", 1)[1] in schemas


def test_deeds_are_listed_up_to_a_limit(person: httpx.Client):
    """The latest ones."""
    for text in ("first", "second", "third"):
        tell(person, kind="note", about="batch:meadow-south", text=text)
    rows = person.get("/api/deeds", params={"limit": 2}).json()
    assert [row["text"] for row in rows] == ["note: second", "note: third"]
