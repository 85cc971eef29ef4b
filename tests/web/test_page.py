from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import HOUR, parse_time
from monitor.model.inputs import BatchClosed, Message, Sample, StageChanged, Unreadable
from monitor.settings import parse_settings
from monitor.web.page import SAID
from tests.web.cellar import START, House, house_of
from tests.web.conftest import client_of
from tests.web.markup import Element, read

Still = Callable[..., House]
UNREAD = """
[mqtt]
[[probe]]
name = "float-a"
source = "mqtt"
topic = "cellar/float-a"
[[probe]]
name = "air"
source = "mqtt"
topic = "cellar/air"
[[probe]]
name = "spare"
source = "mqtt"
topic = "cellar/spare"
[[vessel]]
name = "bucket-a"
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "bucket-a"
pitched = 2026-03-02T18:00:00Z
[[fridge]]
name = "larder"
probes = ["air"]
"""


def page_of(house: House, path: str = "/") -> Element:
    with client_of(house) as client:
        answer = client.get(path, follow_redirects=True)
    assert answer.status_code == 200
    return read(answer.text)


def told_of(house: House, batch: str) -> dict[str, Any]:
    """The same batch as the API tells it."""
    with client_of(house) as client:
        told: dict[str, Any] = client.get(f"/api/batches/{batch}").json()
    return told


def test_each_batch_says_what_is_so_how_sure_why_and_what_next(still: Still):
    """A card holds the verdict in words, how sure it is, because of what, and what to do."""
    page = page_of(still())
    told = told_of(still(), "meadow-south")["judgement"]
    south = page.by_id("batch-meadow-south").text
    assert re.search(r"Stalled, or very slow, at 1\.03\d\d, 0\.03\d above where it should end \(\d\d % sure\)\.", south)
    assert told["because"]
    for why in told["because"]:
        assert why[1:] in south.partition("Because")[2]
    assert south.partition("What next")[2].startswith(" Check")
    assert "Do not seal it: it may start again." in south
    north = page.by_id("batch-meadow-north").text
    assert re.search(r"Finished at 0\.998\d \(\d\d % sure\)\.", north)
    assert "Finished is a verdict for racking, not for sealing: do not close a vessel tight on it." in north
    assert "air the room before you bend over an open vessel" in north


def test_figures_come_with_their_range_and_time(still: Still):
    """Gravity, expected final and strength each show their range."""
    facts = page_of(still()).by_id("batch-meadow-north").all("dl")[0].text
    assert re.search(r"Gravity 0\.998\d 0\.99[56]\d to 1\.00[012]\d, today 05:5\d", facts)
    assert "Should end at 0.9980 0.9931 to 1.0029; as you set it; the range is ours, as no expected_final_sd" in facts
    assert re.search(r"Alcohol so far 9\.1 % by volume 8\.\d to 9\.\d, from 1\.06\d\d to 0\.998\d", facts)


@pytest.mark.parametrize(("more", "ours"), [("", True), ("expected_final_sd = 0.001", False)])
def test_whose_range_it_is_is_said(tmp_path: Path, more: str, ours: bool):
    """Beside a final gravity that a person set, the range is ours until they set that too."""
    settings = parse_settings(UNREAD.replace("[[fridge]]", f"expected_final = 1.008\n{more}\n[[fridge]]"))
    house = house_of(tmp_path / "s.db", settings, START + HOUR)
    try:
        text = page_of(house).by_id("batch-amber-1").text
    finally:
        house.close()
    assert "Should end at 1.0080" in text
    assert "as you set it" in text
    assert ("the range is ours, as no expected_final_sd is set" in text) is ours


def test_a_working_batch_says_when_it_should_be_done(still: Still):
    """While it works, the finish is given with the range it lies in."""
    card = page_of(still("two-siblings", 68.0)).by_id("batch-meadow-north").text
    assert re.search(r"(Working|Slowing down), falling 0\.0\d+ a day", card)
    assert re.search(r"It should be done about .+, between .+ and .+\.", card)


def test_alerts_can_be_acknowledged_shelved_and_done_without_a_script(still: Still):
    """Each alert has plain forms with the session's token: acknowledge, shelve, and done where it is a notice."""
    page = page_of(still())
    told = {each.text.split(" ", 3)[-1][:20]: each for each in page.all("li", class_="alert")}
    assert len(told) == 2
    stalled, finished = page.all("li", class_="alert")
    actions = [form.attrs["action"].rsplit("/", 1)[1] for form in stalled.all("form")]
    assert actions == ["acknowledge", "shelve"]
    assert [form.attrs["action"].rsplit("/", 1)[1] for form in finished.all("form")] == [
        "acknowledge",
        "done",
        "shelve",
    ]
    for form in page.all("form"):
        assert form.attrs["method"] == "post"
        (token,) = form.all("input", name="csrf")
        assert len(token.attrs["value"]) > 30


def test_forms_alone_do_the_work(house: House):
    """Filling in and sending the page's own forms changes what they say, and the page tells so."""
    with client_of(house, follow_redirects=True) as browser:
        page = read(browser.get("/").text)
        form = page.all("li", class_="alert")[0].all("form")[0]
        fields = {each.attrs["name"]: each.attrs["value"] for each in form.all("input")}
        after = read(browser.post(form.attrs["action"], data=fields).text)
        assert SAID["acknowledged"] in after.by_id("news").text
        assert "Acknowledged; it stands since" in after.all("li", class_="acknowledged")[0].text
        form = next(each for each in page.by_id("batch-meadow-south").all("form") if "reading" in each.attrs["action"])
        names = [each.attrs["name"] for each in form.all("input")]
        assert names == ["csrf", "gravity", "temperature", "calibrated", "at"]
        fields = {"csrf": fields["csrf"], "gravity": "1.035", "temperature": "21", "calibrated": "20", "at": ""}
        after = read(browser.post(form.attrs["action"], data=fields).text)
        assert SAID["read"] in after.by_id("news").text
        assert "Last hydrometer reading: 1.0352 at 20 °C" in after.by_id("batch-meadow-south").text
        undo = next(each for each in after.all("form") if each.attrs["action"].endswith("/undo"))
        again = read(browser.post(undo.attrs["action"], data={e.attrs["name"]: e.attrs["value"]
                                                              for e in undo.all("input")}).text)  # fmt: skip
        assert SAID["undone"] in again.by_id("news").text
        assert "Last hydrometer reading" not in again.text


def test_a_form_that_cannot_be_used_says_why(house: House):
    """A wrong figure is answered with a plain page that names it."""
    with client_of(house) as browser:
        token = read(browser.get("/").text).all("input", name="csrf")[0].attrs["value"]
        answer = browser.post("/api/batches/meadow-south/reading", data={"csrf": token, "gravity": "1034"})
    assert answer.status_code == 400
    assert "Gravity 1034 is not a gravity: write it like 1.012" in read(answer.text).text


def test_times_are_local_and_the_zone_is_named(house: House):
    """Times are those of the site, with summer time, and the page says whose they are."""
    text = page_of(house).text
    assert "Times are those of Europe/Lisbon (WET, UTC+00:00)." in text
    house.desk.clock.advance(parse_time("2026-07-01T12:00:00Z") - house.desk.clock.wall_ms())
    text = page_of(house).text
    assert "As it stood today 13:00." in text
    assert "Europe/Lisbon (WEST, UTC+01:00)" in text


def test_what_comes_from_outside_is_never_markup(house: House):
    """A message full of markup is shown as text."""
    bad = Unreadable("mqtt", 'cellar/"><script>x</script>', "<b>no</b>", b"<img src=x onerror=alert(1)>")
    probe = Message("mqtt", "odd<i>", house.desk.clock.wall_ms(), 0, samples=(Sample("temperature", 21.0),))
    house.desk.record(Message("mqtt", None, 1, 1, unreadable=(bad,)), probe).result(10)
    page = page_of(house)
    assert not page.all("img")
    assert not page.all("b")
    assert not page.all("i")
    assert [each.attrs.get("src", "")[:8] for each in page.all("script")] == ["/static/"]
    assert "<img src=x onerror=alert(1)>" in page.by_id("unreadable").text


def test_nothing_is_inline_and_nothing_comes_from_elsewhere(still: Still):
    """No style or handler attributes, no inline script, and every address is one of ours."""
    page = page_of(still())
    for element in page.all():
        assert "style" not in element.attrs
        assert not [name for name in element.attrs if name.startswith("on")]
        for name in ("src", "href", "action"):
            assert element.attrs.get(name, "/").startswith(("/", "#"))
    assert all(not script.text for script in page.all("script"))
    assert not page.all("style")


def test_every_input_has_a_label_and_every_button_a_name(still: Still):
    """Labels point at their inputs, buttons have a name of their own, and no id is used twice."""
    page = page_of(still())
    ids = [each.attrs["id"] for each in page.all() if "id" in each.attrs]
    assert len(ids) == len(set(ids))
    labels = {each.attrs.get("for") for each in page.all("label")}
    for field in page.all("input") + page.all("select"):
        inside = field.parent is not None and field.parent.tag == "label"
        assert inside or field.attrs.get("type") == "hidden" or field.attrs["id"] in labels
    names = [button.attrs.get("aria-label") or button.text for button in page.all("button")]
    assert all(names)
    for element in page.all():
        for name in ("aria-labelledby", "for"):
            assert element.attrs.get(name, ids[0]) in ids


def test_landmarks_and_headings_lead_through_the_page(still: Still):
    """One main, header, footer and named navigation; headings go down one level at a time; news is announced."""
    page = page_of(still())
    assert [len(page.all(tag)) for tag in ("main", "header", "footer", "nav", "h1")] == [1, 1, 1, 1, 1]
    levels = [int(each.tag[1]) for each in page.all() if re.fullmatch(r"h[1-6]", each.tag)]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert page.by_id("news").attrs["aria-live"] == "polite"
    assert page.all("html")[0].attrs["lang"] == "en"
    for link in page.all("nav")[0].all("a"):
        assert page.all(id=link.attrs["href"][1:])
    for drawing in page.all("svg"):
        assert drawing.attrs["role"] == "img"
        assert drawing.attrs["aria-label"]


def test_colour_is_never_the_only_sign(still: Still):
    """Each mark stands beside the word it stands for."""
    page = page_of(still())
    for mark in page.all("span", class_="mark"):
        assert mark.attrs["aria-hidden"] == "true"
        assert mark.parent is not None
        assert len(mark.parent.text) > len(mark.text) + 2


def test_curve_has_a_gap_where_nothing_came(still: Still):
    """While the probe was silent the line is broken and the span shaded, and the drawing says what that means."""
    card = page_of(still("silent-probe")).by_id("batch-quiet-1")
    (line,) = card.all("path", class_="gravity")
    assert line.attrs["d"].count("M") >= 2
    gaps = card.all("rect", class_="gap")
    assert gaps
    assert max(float(each.attrs["width"]) for each in gaps) > 50
    assert "Shaded: nothing was heard." in card.all("figcaption")[0].text


def test_a_batch_without_a_probe_shows_its_readings(still: Still):
    """Readings by hand are diamonds with their error, and the form to enter the next one is open."""
    house = still("hand-only", 150.0)
    card = page_of(house).by_id("batch-plain-1")
    readings = told_of(house, "plain-1")["hand_readings"]
    assert readings > 2
    assert len(card.all("path", class_="hand")) == len(card.all("line", class_="error")) == readings
    assert "open" in card.all("details", class_="enter")[0].attrs


def test_empty_places_say_what_they_wait_for(tmp_path: Path):
    """With a configuration and nothing heard, the page names the topic it waits for and what can be done."""
    settings = parse_settings(
        """
        [mqtt]
        [[probe]]
        name = "float-a"
        source = "mqtt"
        topic = "cellar/float-a"
        [[vessel]]
        name = "bucket-a"
        material = "glass"
        probes = ["float-a"]
        [[batch]]
        name = "amber-1"
        vessel = "bucket-a"
        pitched = 2026-03-02T18:00:00Z
        [[fridge]]
        name = "larder"
        """
    )
    house = house_of(tmp_path / "s.db", settings, START + HOUR)
    try:
        page = page_of(house)
    finally:
        house.close()
    assert "No alert stands." in page.by_id("alerts").text
    card = page.by_id("batch-amber-1").text
    assert "Nothing heard yet. Because Probe float-a was not heard yet: waiting for topic cellar/float-a." in card
    assert "A glass jug or jar is never rated for pressure" in card
    assert "waiting for topic cellar/float-a ? never heard" in page.by_id("probes").text
    assert "No probe sits in it" in page.by_id("fridge-larder").text


def test_a_probe_that_speaks_unreadably_was_heard(tmp_path: Path):
    """Page, API and /healthz say that it was heard and why nothing came of it; once it is understood, no longer."""
    house = house_of(tmp_path / "s.db", parse_settings(UNREAD), START + HOUR)
    now = START + HOUR
    bad = [Unreadable("mqtt", f"cellar/{name}", "it holds sg", b'{"sg":1.01}') for name in ("float-a", "air")]
    try:
        house.desk.record(*(Message("mqtt", None, now, 0, unreadable=(each,)) for each in bad)).result(10)
        page = page_of(house)
        with client_of(house) as client:
            probes = {each["name"]: each for each in client.get("/api/probes").json()}
            health = client.get("/healthz")
        house.desk.record(Message("mqtt", "float-a", now, 1, samples=(Sample("gravity", 1.05),))).result(10)
        after = page_of(house)
    finally:
        house.close()
    said = "heard, but unreadable: it holds sg"
    assert (probes["float-a"]["status"], probes["float-a"]["why"]) == ("unreadable", said)
    assert probes["float-a"]["unreadable"]["reason"] == "it holds sg"
    assert (probes["spare"]["status"], probes["spare"]["why"], probes["spare"]["unreadable"]) == (
        None,
        "never heard",
        None,
    )
    assert health.status_code == 200
    assert health.json()["unread"] == [f"probe float-a: {said}", f"probe air: {said}"]
    rows = {row.all("th")[0].text.split(" ")[0]: row.text for row in page.by_id("probes").all("tr")[1:]}
    assert f"▲ {said}" in rows["float-a"]
    assert "never heard" not in rows["float-a"]
    assert "never heard" in rows["spare"]
    assert f"Probe air was {said}." in page.by_id("fridge-larder").text
    assert "Nothing that could be read yet" in page.by_id("fridge-larder").text
    card = page.by_id("batch-amber-1").text
    assert f"Nothing that could be read yet. Because Probe float-a was {said}." in card
    assert said not in after.by_id("batch-amber-1").text
    rows = {row.all("th")[0].text.split(" ")[0]: row.text for row in after.by_id("probes").all("tr")[1:]}
    assert said not in rows["float-a"]
    assert said in rows["air"]


def test_with_no_configuration_at_all_the_page_still_helps(tmp_path: Path):
    """A bare start shows where batches, fridges and probes come from."""
    house = house_of(tmp_path / "s.db", parse_settings(""), START)
    try:
        text = page_of(house).text
    finally:
        house.close()
    for section in ("[[batch]]", "[[fridge]]", "[[probe]]"):
        assert section in text


def test_a_batch_at_rest_or_over_leaves_the_verdicts(house: House):
    """A batch in the cold says so instead of a verdict; one that is over moves to the past batches."""
    house.desk.record(StageChanged(batch="meadow-north", stage="cold")).result(10)
    house.desk.record(BatchClosed(batch="meadow-south")).result(10)
    page = page_of(house)
    assert "In the cold." in page.by_id("batch-meadow-north").text
    assert not page.all(id="batch-meadow-south")
    assert "meadow-south" in page.by_id("past").text


def test_fridge_trouble_is_said_in_words(still: Still):
    """An open door shows on the fridge's card and on top, with its cause and how the contents fare."""
    page = page_of(still("two-siblings", 140.5))
    assert "3 alerts to look at: 1 high, 1 medium, 1 low." in page.by_id("summary").text
    card = page.by_id("fridge-larder")
    assert "The door seems to stand open." in card.text
    assert re.search(r"Above it since today 13:2\d most likely the door", card.text)
    rows = [[cell.text for cell in row.children] for row in card.all("tbody")[0].all("tr")]
    assert [row[0] for row in rows] == ["jug", "jar-1", "jar-2"]
    assert all(re.fullmatch(r"\d\.\d °C estimated", row[1]) for row in rows)
    assert all(re.fullmatch(r"\d+\.\d K", row[3]) for row in rows)


@pytest.mark.parametrize("said", ["nothing", "<script>", ""])
def test_only_our_own_words_are_said_back(still: Still, said: str):
    """The address cannot put words into the page's mouth."""
    page = page_of(still(), f"/?said={said}")
    assert page.by_id("news").text == ""
