"""The pages of a batch, of the shelf and of a jar, as a browser without a script uses them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from monitor.model.deeds import Clarity, Fined, Held, HoldEnded, JarUsed, Noted, Racked
from monitor.model.inputs import JournalEntry
from monitor.store import photos
from monitor.store.reader import Reader
from tests.web.cellar import House
from tests.web.conftest import client_of, may_change
from tests.web.markup import Element, read

PNG = b"\x89PNG\r\n\x1a\n" + b"a picture" * 20
AT = "2026-03-13T04:00:00Z"


def journal(house: House, *kinds: type) -> list[Any]:
    with Reader(house.desk.path) as reader:
        return [entry for entry in reader.journal() if isinstance(entry, kinds or (object,))]


@pytest.fixture
def browser(house: House) -> Iterator[httpx.Client]:
    with client_of(house, follow_redirects=True) as client:
        yield client


@pytest.fixture
def stocked(house: House) -> House:
    """With two jars from one wash, a starter of both, and the packet they come from."""
    with client_of(house) as client:
        person = may_change(client)
        for deed in (
            {
                "kind": "jar",
                "jar": "packet-1",
                "strain": "cellar",
                "origin": "packet",
                "volume_ml": 12,
                "at": "2026-03-02T19:00:00Z",
            },
            {"kind": "jar-used", "jar": "packet-1", "ml": 12, "batch": "meadow-north", "at": "2026-03-02T19:10:00Z"},
            {
                "kind": "harvest",
                "wash": "wash-1",
                "batch": "meadow-north",
                "strain": "cellar",
                "generation": 1,
                "volume_ml": 900,
                "at": "2026-03-12T20:00:00Z",
            },
            {"kind": "wash-round", "wash": "wash-1", "water_ml": 1500, "at": "2026-03-12T20:00:00Z"},
            {
                "kind": "jar",
                "jar": "lees-1",
                "strain": "cellar",
                "origin": "wash",
                "wash": "wash-1",
                "volume_ml": 250,
                "generation": 1,
            },
            {
                "kind": "jar",
                "jar": "lees-2",
                "strain": "cellar",
                "origin": "wash",
                "wash": "wash-1",
                "volume_ml": 240,
                "generation": 1,
            },
            {
                "kind": "jar",
                "jar": "starter-1",
                "strain": "cellar",
                "origin": "starter",
                "volume_ml": 500,
                "parents": ["lees-1", "lees-2"],
                "generation": 2,
            },
        ):
            answer = person.post("/api/deeds", json={"at": AT, **deed})
            assert answer.status_code == 200, answer.text
    return house


def page_of(browser: httpx.Client, path: str, status: int = 200) -> Element:
    answer = browser.get(path)
    assert answer.status_code == status
    return read(answer.text)


def send(browser: httpx.Client, path: str, form: str, /, **fields: str) -> httpx.Response:
    """Fill a form of a page and send it, with its hidden fields and defaults, as a browser does."""
    page = page_of(browser, path)
    [found] = [each for each in page.all("form") if each.attrs["action"].endswith(f"/{form}")]
    names = {each.attrs["name"] for tag in ("input", "select", "textarea") for each in found.all(tag)}
    assert set(fields) <= names
    typed = {each.attrs["name"]: each.attrs.get("value", "") for each in found.all("input")
             if each.attrs.get("type") != "checkbox"}  # fmt: skip
    for select in found.all("select"):
        chosen = [each for each in select.all("option") if "selected" in each.attrs] or select.all("option")
        typed[select.attrs["name"]] = chosen[0].attrs["value"]
    return browser.post(found.attrs["action"], data={**typed, **fields})


def test_a_batchs_page_says_what_it_is_and_where_its_card_is(browser: httpx.Client):
    """Verdict, figures with their sources, its curve, and the way back."""
    page = page_of(browser, "/batch/meadow-north")
    assert page.all("h1")[0].text.startswith("meadow-north in north")
    facts = {each.all("dt")[0].text: each.all("dd")[0].text for each in page.all("dl")[0].all("div")}
    assert facts["Strength"].startswith("9.")
    assert "% by volume" in facts["Strength"]
    assert facts["Original gravity"].endswith("read")
    assert page.all("path", class_="gravity")
    assert {each.attrs["href"] for each in page.all("a")} >= {"/", "/shelf", "/#batch-meadow-north"}


@pytest.mark.parametrize(
    ("form", "fields", "kind", "wanted"),
    [
        ("note", {"text": "smells of <b>bread</b>", "sort": "tasting", "score": "7"}, Noted,
         {"sort": "tasting", "score": 7}),
        ("clarity", {"clearness": "hazy"}, Clarity, {"clearness": "hazy", "ntu": None}),
        ("clarity", {"ntu": "12,5"}, Clarity, {"clearness": None, "ntu": 12.5}),
        ("fining", {"what": "silica sol", "anyway": "true", "ml_per_l": "1,5"}, Fined,
         {"part": 1, "dose_ml": 28.5, "anyway": True}),
        ("rack", {"to": "jug", "volume_l": "3,6"}, Racked, {"to": "jug", "volume_l": 3.6}),
        ("hold", {"hours": "24"}, Held, {"target_c": 4.0, "hours": 24.0}),
    ],
)  # fmt: skip
def test_each_form_tells_its_deed(
    house: House, browser: httpx.Client, form: str, fields: dict[str, str], kind: type, wanted: dict[str, Any]
):
    """What was typed is in the journal, it is said, and it stands in the history, escaped."""
    answer = send(browser, "/batch/meadow-south", form, **fields)
    assert (answer.status_code, str(answer.url).partition("?")[2]) == (200, "said=told#history")
    page = read(answer.text)
    assert page.all(class_="said")[0].text == "It is noted."
    [deed] = journal(house, kind)
    assert {name: getattr(deed, name) for name in wanted} == wanted
    assert len(page.by_id("history").all("li")) == 2
    assert not page.by_id("history").all("b")


def test_a_hold_begins_at_the_warmth_of_its_probe_and_ends(house: House, browser: httpx.Client):
    """Where nobody says how warm it was, its probe does; and while it is held, the page offers to end that."""
    send(browser, "/batch/meadow-south", "hold")
    [held] = journal(house, Held)
    assert 15.0 < held.from_c < 25.0
    assert held.from_c != 20.0
    page = page_of(browser, "/batch/meadow-south")
    assert "Held at 4 °C or below for 48 h" in page.text
    assert send(browser, "/batch/meadow-south", "unhold").status_code == 200
    assert journal(house, HoldEnded)


@pytest.mark.parametrize(
    ("form", "fields", "status", "said"),
    [
        ("rack", {"to": "jug", "volume_l": "900"}, 400, "900 L do not fit into jug, which holds 4 L."),
        ("fining", {"what": "chitosan"}, 409, "Finished: its verdict is stalled; racked: no racking is noted;"),
        ("fining", {"what": "chitosan", "part": "2"}, 409, "No first part is noted for meadow-south."),
        ("fining", {"what": "chitosan", "ml_per_l": "much"}, 400, "Ml_per_l: much is not a number from 0 to 100."),
        ("clarity", {}, 400, "How clear is it?"),
        ("note", {"text": "x", "score": "12"}, 400, "Score: Input should be less than or equal to 10."),
        ("hold", {"target_c": "cold"}, 400, "Target_c: Input should be a valid number"),
        ("note", {"text": "x", "at": "2027-01-01T00:00"}, 400, "is still to come."),
    ],
)
def test_a_form_that_cannot_be_is_shown_again_with_the_reason(
    house: House, browser: httpx.Client, form: str, fields: dict[str, str], status: int, said: str
):
    """Open, with what was typed, the reason tied to the form and announced; nothing is written."""
    before = journal(house)
    answer = send(browser, "/batch/meadow-south", form, **fields)
    page = read(answer.text)
    assert answer.status_code == status
    assert journal(house) == before
    section = page.by_id(f"batch-{form}")
    assert "open" in section.attrs
    assert said in section.text
    assert page.all(role="alert")[0].text.startswith("Nothing was noted: ")
    wrong = section.all("form")[0].attrs["aria-describedby"]
    assert said in page.by_id(wrong).text
    for name, value in fields.items():
        [box] = [each for tag in ("input", "select", "textarea") for each in section.all(tag)
                 if each.attrs.get("name") == name]  # fmt: skip
        options = [each.attrs["value"] for each in box.all("option") if "selected" in each.attrs]
        assert (options or [box.attrs.get("value", box.text)])[0] == value
    assert sum("autofocus" in each.attrs for tag in ("input", "select", "textarea") for each in page.all(tag)) == 1


def test_what_was_told_is_taken_back_and_counts_again(house: House, browser: httpx.Client):
    """Each line of the history has its button; what is taken back is struck out, with its own."""
    send(browser, "/batch/meadow-south", "rack", to="jug")
    page = page_of(browser, "/batch/meadow-south")
    [button] = page.by_id("history").all("form")
    assert button.all("button")[0].attrs["aria-label"] == "Take back: racked to jug"
    fields = {each.attrs["name"]: each.attrs["value"] for each in button.all("input")}
    page = read(browser.post(button.attrs["action"], data=fields).text)
    assert page.all("h1")[0].text.startswith("meadow-south in south")
    assert [each.text for each in page.by_id("history").all("s")] == ["racked to jug"]
    [again] = page.by_id("history").all("form")
    assert again.all("button")[0].text == "Count again"
    fields = {each.attrs["name"]: each.attrs["value"] for each in again.all("input")}
    page = read(browser.post(again.attrs["action"], data=fields).text)
    assert page.all("h1")[0].text.startswith("meadow-south in jug")
    assert not page.by_id("history").all("s")
    twice = browser.post(again.attrs["action"], data=fields)
    assert twice.status_code == 409
    assert "taken back already" in read(twice.text).all(role="alert")[0].text


def test_an_undoing_of_another_thing_is_refused(house: House, browser: httpx.Client):
    """A batch's page takes back what is in its own history alone."""
    send(browser, "/batch/meadow-north", "note", text="of the other one")
    [note] = journal(house, Noted)
    page = page_of(browser, "/batch/meadow-south")
    token = page.all("input", name="csrf")[0].attrs["value"]
    of = note.model_dump(mode="json")["received"]
    assert browser.post("/batch/meadow-south/undo", data={"csrf": token, "of": of}).status_code == 400


def test_a_batch_that_is_over_takes_words(house: House, browser: httpx.Client):
    """Its page stays, with its curve, and asks for notes alone."""
    page = page_of(browser, "/batch/meadow-south")
    token = page.all("input", name="csrf")[0].attrs["value"]
    browser.post("/api/batches/meadow-south/close", data={"csrf": token, "sure": "yes"})
    page = page_of(browser, "/batch/meadow-south")
    told = {each.attrs["action"] for each in page.all(class_="tells")[0].all("form")}
    assert told == {"/batch/meadow-south/note"}
    assert page.all("path", class_="gravity")
    assert browser.post("/batch/meadow-south/rack", data={"csrf": token, "to": "jug"}).status_code == 404
    assert not journal(house, Racked)


def test_the_shelf_says_of_each_jar_how_old_and_how_alive(stocked: House):
    """Age, generation, what is left, living share with its range, dates, and what speaks against it."""
    with client_of(stocked) as browser:
        page = page_of(browser, "/shelf")
    cards = {each.all("a")[0].text: each for each in page.all("article")}
    assert list(cards) == ["lees-1", "lees-2", "starter-1"]
    assert "Generation 1 wash" in cards["lees-1"].text
    assert "250 mL" in cards["lees-1"].text
    assert "about 95 %" in cards["lees-1"].text
    assert "Fresh yeast is safer: it worked up to 9." in cards["lees-1"].text
    assert "packet-1, cellar, generation 0: used up" in page.text


def test_a_jar_is_used_and_discarded_from_the_shelf(stocked: House):
    """The forms of the shelf lead to the jar's page; too much is refused there, with the form open."""
    with client_of(stocked, follow_redirects=True) as browser:
        page = page_of(browser, "/shelf")
        token = page.all("input", name="csrf")[0].attrs["value"]
        answer = browser.post("/jar/lees-1/use", data={"csrf": token, "ml": "80", "batch": "meadow-south"})
        assert str(answer.url).endswith("/jar/lees-1?said=told#history")
        assert "170 mL of 250" in read(answer.text).text
        answer = browser.post("/jar/lees-1/use", data={"csrf": token, "ml": "174"})
        assert answer.status_code == 400
        assert "174 mL cannot be taken: 170 mL are left" in read(answer.text).by_id("jar-use").text
        answer = browser.post("/jar/lees-1/discard", data={"csrf": token, "why": "smelled off"})
        assert "Gone: smelled off." in read(answer.text).text
        assert {each.attrs["action"] for each in read(answer.text).all(class_="tells")[0].all("form")} == {
            "/jar/lees-1/note"
        }
    [used] = journal(stocked, JarUsed)[1:]
    assert (used.ml, used.batch) == (80.0, "meadow-south")


def test_a_jars_page_draws_where_it_comes_from(stocked: House):
    """Back to the packet, through both jars, their wash and its batch; the list beside the drawing says the same."""
    with client_of(stocked) as browser:
        page = page_of(browser, "/jar/starter-1")
    [tree] = page.all("svg")
    heads = [each for each in tree.all("text") if "font-weight" in each.attrs]
    rows = {each.text: float(each.attrs["y"]) for each in heads}
    assert set(rows) == {
        "jar lees-1",
        "jar lees-2",
        "batch meadow-north",
        "jar packet-1",
        "jar starter-1",
        "wash wash-1",
    }
    assert rows["jar packet-1"] < rows["batch meadow-north"] < rows["wash wash-1"] < rows["jar lees-1"]
    assert rows["jar lees-1"] == rows["jar lees-2"] < rows["jar starter-1"]
    assert len(tree.all("path")) == 6
    assert "Jar packet-1 (cellar, generation 0, a packet) became batch meadow-north" in page.text


def test_the_shelf_by_the_api(stocked: House):
    """The same as JSON: jars with their ranges, one with its past, a wash with its rounds."""
    with client_of(stocked) as client:
        shelf = client.get("/api/shelf").json()
        found = {each["jar"]: each for each in shelf["jars"]}
        assert found["packet-1"]["gone"] == "used up"
        assert found["lees-1"]["viability"]["low"] <= found["lees-1"]["viability"]["usual"] <= 95.0
        assert [each["wash"] for each in shelf["washes"]] == ["wash-1"]
        jar = client.get("/api/jars/starter-1").json()
        assert jar["lineage"]["root"] == "jar:starter-1"
        assert [each["kind"] for each in jar["deeds"]] == ["jar"]
        wash = client.get("/api/washes/wash-1").json()
        assert (len(wash["stands"]), wash["jars"]) == (1, ["lees-1", "lees-2"])
        assert wash["next"].startswith("it is put up")
        assert wash["stands"][0]["how"] == "put up"
        assert client.get("/api/jars/none").status_code == 404
        assert client.get("/api/washes/none").status_code == 404


def test_a_wash_that_stands_is_on_the_shelfs_page(stocked: House):
    """With what is next."""
    with client_of(stocked) as browser:
        may_change(browser).post("/api/deeds", json={
            "kind": "harvest", "wash": "wash-2", "batch": "meadow-south", "strain": "cellar", "generation": 1,
            "volume_ml": 500,
        })  # fmt: skip
        assert "wash-2: put on several times its volume" in page_of(browser, "/shelf").text


def test_an_empty_shelf_says_so(browser: httpx.Client):
    """And how a jar comes there."""
    assert "No jar stands on the shelf." in page_of(browser, "/shelf").text


@pytest.mark.parametrize("path", ["/batch/none", "/jar/none", "/photo/none.png", "/photo/..%2fstore.db"])
def test_what_is_not_there_is_a_plain_page(browser: httpx.Client, path: str):
    """With a way back."""
    assert page_of(browser, path, 404).all("a", href="/")


def test_a_photo_that_was_told_of_is_shown(house: House, browser: httpx.Client):
    """From the folder beside the store; one that no deed tells of is not."""
    name = photos.keep(house.desk.path, PNG)
    other = photos.keep(house.desk.path, PNG + b"x")
    assert name == f"{hashlib.sha256(PNG).hexdigest()[:16]}.png"
    may_change(browser).post("/api/deeds", json={"kind": "photo", "about": "batch:meadow-south", "file": name,
                                                 "caption": "by the window"})  # fmt: skip
    page = page_of(browser, "/batch/meadow-south")
    [image] = page.all("img")
    assert image.attrs == {"src": f"/photo/{name}", "alt": "by the window"}
    answer = browser.get(f"/photo/{name}")
    assert (answer.content, answer.headers["content-type"]) == (PNG, "image/png")
    assert browser.get(f"/photo/{other}").status_code == 404


def test_a_form_without_its_token_writes_nothing(house: House, browser: httpx.Client):
    """As every other change."""
    page_of(browser, "/batch/meadow-south")
    before: list[JournalEntry] = journal(house)
    for path in ("/batch/meadow-south/note", "/batch/meadow-south/undo", "/jar/lees-1/use", "/jar/lees-1/undo"):
        assert browser.post(path, data={"text": "x"}).status_code == 403
    assert journal(house) == before


@pytest.mark.parametrize("path", ["/batch/meadow-south", "/shelf", "/jar/starter-1"])
def test_every_field_has_its_label_and_every_id_is_one(stocked: House, path: str):
    """As whoever listens to the page needs it."""
    with client_of(stocked) as browser:
        page = page_of(browser, path)
    numbers = [each.attrs["id"] for each in page.all() if "id" in each.attrs]
    assert len(numbers) == len(set(numbers))
    labelled = {each.attrs["for"] for each in page.all("label") if "for" in each.attrs}
    for tag in ("input", "select", "textarea"):
        for each in page.all(tag):
            if each.attrs.get("type") in ("hidden", "checkbox"):
                continue
            assert each.attrs["id"] in labelled
    assert len(page.all("h1")) == 1
    assert not page.all("script")


def test_the_front_page_leads_to_each_batch_and_to_the_shelf(browser: httpx.Client):
    """Open ones from their cards, past ones from their list."""
    page = page_of(browser, "/")
    token = page.all("input", name="csrf")[0].attrs["value"]
    browser.post("/api/batches/meadow-south/close", data={"csrf": token, "sure": "yes"})
    page = page_of(browser, "/")
    links = {each.attrs["href"] for each in page.all("a")}
    assert {"/batch/meadow-north", "/batch/meadow-south", "/shelf"} <= links
    assert page.by_id("past").all("a", href="/batch/meadow-south")


def test_what_people_type_never_becomes_markup(house: House):
    """A strain, a wash or a note that looks like an element stands there as text, in the drawing too."""
    with client_of(house) as browser:
        person = may_change(browser)
        evil = '<img src=x onerror="alert(1)">'
        for jar, more in (("a", {"origin": "packet"}), ("b", {"origin": "starter", "parents": ["a"]})):
            deed = {"kind": "jar", "jar": jar, "strain": evil, "volume_ml": 9, **more}
            assert person.post("/api/deeds", json=deed).status_code == 200
        person.post("/api/deeds", json={"kind": "note", "about": "jar:b", "text": evil})
        for path in ("/shelf", "/jar/b"):
            page = page_of(browser, path)
            assert not page.all("img")
            assert evil in page.text
