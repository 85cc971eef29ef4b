"""Hand readings by the page and the API: given again, taken back, struck out, counted again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from monitor.model.deeds import Undone
from monitor.model.inputs import HandReading, ReadingUndone
from monitor.store.reader import Reader
from tests.web.cellar import House
from tests.web.conftest import client_of
from tests.web.markup import Element, read

BATCH = "/api/batches/meadow-south"
AT = "2026-03-13T04:10:00.000Z"


def journal(house: House, kind: type) -> list[Any]:
    with Reader(house.desk.path) as reader:
        return [entry for entry in reader.journal() if isinstance(entry, kind)]


def history(person: httpx.Client) -> list[tuple[str, bool]]:
    """Of each reading: gravity, and whether it counts."""
    told = person.get(f"{BATCH}/life").json()["history"]
    return [(line["text"][14:20], line["counts"]) for line in told if line["by_hand"]]


def enter(person: httpx.Client, gravity: float) -> httpx.Response:
    return person.post(f"{BATCH}/reading", json={"gravity": gravity, "temperature": 20, "at": AT})


def take_back(person: httpx.Client) -> None:
    at = person.get(BATCH).json()["last_hand"]["time"]
    assert person.post(f"{BATCH}/reading/undo", json={"at": at}).status_code == 200


def test_a_reading_that_was_taken_back_is_given_again_at_the_same_time(house: House, person: httpx.Client):
    """With another figure or the same: it counts, and what was taken back stays beside it."""
    for gravity in (1.034, 1.014):
        assert enter(person, gravity).status_code == 200
        take_back(person)
    for _ in range(2):  # the same twice is no harm
        assert enter(person, 1.034).status_code == 200
    told = person.get(BATCH).json()
    assert (told["hand_readings"], told["last_hand"]["gravity"]) == (1, pytest.approx(1.034, abs=1e-4))
    assert history(person) == [("1.0340", False), ("1.0140", False), ("1.0340", True)]


def test_another_figure_of_a_time_is_refused(house: House, person: httpx.Client):
    """The first would stay and the second be lost without a word."""
    enter(person, 1.034)
    answer = enter(person, 1.014)
    assert answer.status_code == 409
    assert answer.json() == {"what": f"there is a reading of {AT} already", "remedy": "take it back first"}
    assert len(journal(house, HandReading)) == 1


def test_a_reading_counts_again_by_its_undoing(house: House, person: httpx.Client):
    """The history names it; one that stands in its place must go first."""
    enter(person, 1.034)
    take_back(person)
    [line] = [each for each in person.get(f"{BATCH}/life").json()["history"] if each["by_hand"]]
    assert (line["counts"], line["why"]) == (False, f"taken back on {line['taken_back']}")
    again = {"of": line["taken_back"]}
    enter(person, 1.014)
    answer = person.post("/api/deeds/undo", json=again)
    assert answer.status_code == 409
    assert answer.json()["remedy"].startswith("take that one back first: leeswatch batch reading meadow-south --undo")
    take_back(person)
    assert person.post("/api/deeds/undo", json=again).status_code == 200
    assert history(person) == [("1.0340", True), ("1.0140", False)]
    assert person.post("/api/deeds/undo", json=again).status_code == 409
    rows = person.get("/api/deeds", params={"about": "batch:meadow-south"}).json()
    assert rows[0]["text"] == f"takes back the hand reading of {AT}"
    assert len(journal(house, Undone)) == 1


def test_a_reading_is_no_deed(person: httpx.Client):
    """Whoever takes it back as one is told where it is done."""
    enter(person, 1.034)
    answer = person.post("/api/deeds/undo", json={"of": AT})
    assert answer.status_code == 404
    assert f"POST {BATCH}/reading/undo" in answer.json()["remedy"]


def test_a_batch_that_is_over_gives_no_reading_back(house: House, person: httpx.Client):
    """The rules would not see it: it is refused, and nothing is written."""
    enter(person, 1.034)
    person.post(f"{BATCH}/close", json={"sure": "yes"})
    assert person.post(f"{BATCH}/reading/undo", json={"at": AT}).status_code == 409
    assert journal(house, ReadingUndone) == []


# --- by the page -----------------------------------------------------------------------------------------------------


@pytest.fixture
def browser(house: House) -> Iterator[httpx.Client]:
    with client_of(house, follow_redirects=True) as client:
        yield client


def press(browser: httpx.Client, page: Element, label: str) -> Element:
    """The page after the one button of that label in its history was pressed."""
    [form] = [each for each in page.by_id("history").all("form")
              if each.all("button")[0].attrs["aria-label"].startswith(label)]  # fmt: skip
    fields = {each.attrs["name"]: each.attrs["value"] for each in form.all("input")}
    answer = browser.post(form.attrs["action"], data=fields)
    assert answer.status_code == 200, answer.text
    return read(answer.text)


def test_a_reading_is_taken_back_and_counts_again_in_the_life_of_its_batch(house: House, browser: httpx.Client):
    """As any other line: with its button, struck out once it is taken back, and then with the other button."""
    token = browser.get("/api/session").json()["csrf"]
    browser.post(f"{BATCH}/reading", data={"gravity": "1.034", "temperature": "20", "at": AT, "csrf": token})
    page = press(browser, read(browser.get("/batch/meadow-south").text), "Take back: read by hand: 1.0340")
    [struck] = page.by_id("history").all("s")
    assert struck.text.startswith("read by hand: 1.0340")
    assert "(taken back on 13 March" in page.by_id("history").text
    page = press(browser, page, "Count again: read by hand: 1.0340")
    assert page.by_id("history").all("s") == []
    assert "counted again on" in page.by_id("history").text
    assert len(journal(house, ReadingUndone)) == len(journal(house, Undone)) == 1
