from __future__ import annotations

from typing import Any

import httpx
import pytest

from monitor.model.inputs import Added, BatchClosed, BatchStarted, StageChanged
from monitor.store.reader import Reader
from tests.web.cellar import House
from tests.web.conftest import client_of
from tests.web.markup import read


def journal(house: House, *kinds: type) -> list[Any]:
    with Reader(house.desk.path) as reader:
        return [item for item in reader.inputs() if isinstance(item, kinds)]


def test_a_stage_changes_and_its_alerts_return(person: httpx.Client):
    """A batch that was racked is in its new stage, and what stood about the old one has returned."""
    assert person.post("/api/batches/meadow-south/stage", json={"stage": "clearing"}).status_code == 200
    told = person.get("/api/overview").json()
    assert told["batches"][1]["stage"] == "clearing"
    assert "batch:meadow-south" not in {each["about"] for each in told["alerts"]}


def test_an_addition_rebases_the_original_gravity(house: House, person: httpx.Client):
    """Sugar whose rise is known raises the original gravity by that much, and the batch is judged anew."""
    before = person.get("/api/batches/meadow-south").json()["original"]["gravity"]
    body = {"what": "sugar syrup", "gravity_rise": 0.012, "at": "2026-03-13T05:00:00Z"}
    assert person.post("/api/batches/meadow-south/addition", json=body).status_code == 200
    after = person.get("/api/batches/meadow-south").json()
    assert after["original"]["gravity"] == pytest.approx(before + 0.012, abs=1e-5)
    assert after["verdict"] not in ("stalled", "finished")
    assert journal(house, Added)[0].what == "sugar syrup"


def test_a_batch_is_over_only_when_said_twice(person: httpx.Client):
    """Closing asks for a plain yes; after it the batch takes no more changes."""
    assert person.post("/api/batches/meadow-south/close", json={}).status_code == 400
    assert person.post("/api/batches/meadow-south/close", json={"sure": "yes"}).status_code == 200
    told = person.get("/api/batches/meadow-south").json()
    assert told["closed"]
    assert told["closed_at"]
    for path, body in (("close", {"sure": "yes"}), ("stage", {"stage": "cold"}), ("reading", {"gravity": 1.01}),
                       ("addition", {"what": "water"})):  # fmt: skip
        assert person.post(f"/api/batches/meadow-south/{path}", json=body).status_code == 409


def test_a_batch_starts_with_its_recipe_and_yeast(house: House, person: httpx.Client):
    """What like batches are known by is kept as told; a name that is none is refused."""
    body = {"name": "pear-2", "vessel": "jug", "pitched": "2026-03-13T04:00:00Z", "recipe": "pear", "yeast": "wine-2"}
    assert person.post("/api/batches", json=body | {"recipe": "My Pear!"}).status_code == 400
    assert person.post("/api/batches", json=body).status_code == 200
    told = journal(house, BatchStarted)[-1].batch
    assert (told["recipe"], told["yeast"]) == ("pear", "wine-2")


def test_a_batch_starts_in_a_free_vessel(person: httpx.Client):
    """A new batch is watched at once, with what was said of it."""
    body = {"name": "pear-1", "vessel": "jug", "pitched": "2026-03-13T04:00:00Z", "original_gravity": 1.055,
            "fermentables": "sugar"}  # fmt: skip
    assert person.post("/api/batches", json=body).status_code == 200
    told = person.get("/api/batches/pear-1").json()
    assert (told["vessel"], told["pitched"], told["stage"]) == ("jug", "2026-03-13T04:00:00.000Z", "fermenting")
    assert told["original"] == {"gravity": 1.055, "told": True}


@pytest.mark.parametrize(
    ("body", "status", "word"),
    [
        ({"name": "meadow-north", "vessel": "jug"}, 409, "there is a batch meadow-north already"),
        ({"name": "pear-1", "vessel": "north"}, 409, "vessel north holds batch meadow-north"),
        ({"name": "pear-1", "vessel": "tun"}, 404, "there is no vessel tun"),
        ({"name": "Pear One", "vessel": "jug"}, 400, "a name is 1 to 63 of a-z"),
        ({"name": "pear-1"}, 400, "vessel is missing"),
        ({"name": "pear-1", "vessel": "jug", "pitched": "2026-05-01T00:00:00Z"}, 400, "still to come"),
        ({"name": "pear-1", "vessel": "jug", "original_gravity": 1055}, 400, "original gravity 1055 is not a gravity"),
        ({"name": "pear-1", "vessel": "jug", "original_gravity": 1.01, "expected_final": 1.05}, 400, "below"),
    ],
)
def test_starts_that_cannot_be_are_refused(
    house: House, person: httpx.Client, body: dict[str, Any], status: int, word: str
):
    """A start is refused with the reason, and nothing is written."""
    answer = person.post("/api/batches", json=body)
    assert answer.status_code == status
    assert word in answer.json()["what"]
    assert journal(house, BatchStarted) == []


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("stage", {"stage": "bottled"}),
        ("addition", {"what": ""}),
        ("addition", {"what": "x" * 81}),
        ("addition", {"what": "sugar", "gravity_rise": 12}),
        ("addition", {"what": "sugar", "at": "2026-03-01T00:00:00Z"}),
        ("addition", {"what": "sugar", "at": "2026-04-01T00:00:00Z"}),
    ],
)
def test_deeds_that_cannot_be_are_refused(house: House, person: httpx.Client, path: str, body: dict[str, Any]):
    """An unknown stage or an impossible addition is refused, and nothing is written."""
    answer = person.post(f"/api/batches/meadow-south/{path}", json=body)
    assert answer.status_code == 400
    assert answer.json()["what"]
    assert journal(house, Added, StageChanged, BatchClosed) == []


def test_the_pages_own_forms_tell_what_was_done(house: House):
    """The forms of a card, sent as a browser without a script does, note an addition, move and end a batch."""
    with client_of(house, follow_redirects=True) as browser:
        page = read(browser.get("/").text)
        token = page.all("input", name="csrf")[0].attrs["value"]
        for path, fields, said in (
            ("addition", {"what": "water", "gravity_rise": "-0,004", "at": ""}, "The addition is noted"),
            ("stage", {"stage": "cold"}, "The batch is in its new stage."),
            ("close", {"sure": "yes"}, "The batch is over."),
        ):
            forms = [form.attrs["action"] for form in page.all("form")]
            action = f"/api/batches/meadow-south/{path}"
            assert action in forms
            after = read(browser.post(action, data={"csrf": token, **fields}).text)
            assert said in after.by_id("news").text
        assert "meadow-south" in after.by_id("past").text
        free = [option.text for option in after.by_id("start-vessel").all("option")]
        assert free == ["south", "jug", "jar-1", "jar-2"]
        started = {"csrf": token, "name": "pear-1", "vessel": "south", "pitched": "", "original_gravity": "1,05",
                   "expected_final": "", "fermentables": ""}  # fmt: skip
        after = read(browser.post("/api/batches", data=started).text)
        assert "The batch is watched from now on." in after.by_id("news").text
        assert after.by_id("batch-pear-1")
