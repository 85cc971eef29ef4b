"""The report of a batch as a reader, a browser and a curious stranger meet it."""

from __future__ import annotations

import io
import re
import struct
from base64 import b64decode
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from PIL import Image

from monitor.batches.clearing import has_allergen
from monitor.engine.lives import life_of
from monitor.model.clock import HOUR, MINUTE
from monitor.report.curve import Curve, Line
from monitor.report.figure import NARROW, figure
from monitor.report.gather import Report, gather, sibling_of, state_in
from monitor.report.page import report_html
from monitor.report.pictures import bare
from monitor.report.words import Site
from monitor.report.yeast import ancestry
from monitor.store.reader import Reader
from tests.report.conftest import SECRET, photo
from tests.report.shed import START
from tests.web.markup import Element, read

NOW = START + 190 * HOUR
SITE = Site(ZoneInfo("Europe/Lisbon"))


def made(folder: Path, name: str, beside: str | None = None) -> Report:
    with Reader(folder / "store.db") as reader:
        return gather(reader, state_in(reader), name, NOW, SITE, folder / "photos", beside)


@pytest.fixture(scope="module")
def page(filled: Path) -> tuple[Report, str, Element]:
    report = made(filled, "hedge-left")
    html = report_html(report, SITE)
    return report, html, read(html)


def test_it_is_one_file_that_fetches_nothing(page: tuple[Report, str, Element]):
    """No script, no link and no address but data inside it; its own policy forbids anything else."""
    _, html, root = page
    assert not root.all("script")
    assert not root.all("link")
    assert all(image.attrs["src"].startswith("data:") for image in root.all("img"))
    assert not re.findall(r"https?://|url\(|@import", html)
    (policy,) = root.all("meta", http_equiv="Content-Security-Policy")
    assert policy.attrs["content"] == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_what_people_typed_is_shown_and_never_run(page: tuple[Report, str, Element]):
    """Names, notes and captions with angle brackets and quotes appear as typed, in text and in attributes."""
    _, html, root = page
    assert "Foam <b>ring</b> & pears" in root.text
    assert "Orchard <shed> & co" in root.text
    assert not [bold for bold in root.all("b") if bold.text == "ring"]
    (image,) = root.all("img")
    assert image.attrs["alt"] == 'A "clear" <jug>.'
    assert "<shed>" not in html


def test_assistive_technology_finds_its_way(page: tuple[Report, str, Element]):
    """One h1, landmarks, a heading for each section, a table head for each table, words for each drawing."""
    _, _, root = page
    assert [each.text for each in root.all("h1")] == ["hedge-left"]
    assert len(root.all("main")) == len(root.all("header")) == len(root.all("footer")) == 1
    for section in root.all("section"):
        heading = root.by_id(section.attrs["aria-labelledby"])
        assert heading.tag == "h2"
        assert heading.text
    assert all(table.all("th", scope="col") for table in root.all("table"))
    drawings = [each for each in root.all("svg") if each.attrs.get("aria-hidden") != "true"]
    assert drawings
    assert all(each.has("role", "img") and len(each.attrs["aria-label"]) > 40 for each in drawings)


def test_the_headline_says_how_strong_it_is_and_where_it_stands(page: tuple[Report, str, Element], filled: Path):
    """Strength with its range as the batch's life has it, and the stage with since when, on the site's clock."""
    report, _, root = page
    with Reader(filled / "store.db") as reader:
        life = life_of(state_in(reader), "hedge-left", NOW)
    assert life is not None
    assert life.strength is not None
    assert f"{life.strength.abv:.1f} %" in report.headline.replace("\N{NO-BREAK SPACE}", " ")
    assert f"between {life.strength.abv_low:.1f} and {life.strength.abv_high:.1f}" in report.headline
    assert "It stands to clear, since Mon 13 April 2026, 01:42." in report.headline
    assert root.all("p", class_="lede")[0].text == report.headline.replace("\N{NO-BREAK SPACE}", " ")


def test_each_number_says_where_it_comes_from(page: tuple[Report, str, Element]):
    """Every row has a value and a source; strength names its formula, gravity its probe or hydrometer."""
    report, _, _ = page
    rows = {row.name: row for row in report.numbers}
    assert all(row.value and row.source for row in report.numbers)
    assert "Balling" in rows["Alcohol, % by volume"].source
    assert "float-left" in rows["Last gravity, SG 20/20"].source
    assert rows["Original gravity, SG 20/20"].source.startswith("the original gravity you told")
    assert rows["Ice begins at, °C"].value.startswith("−")
    assert rows["Left behind at racking, L"].value == "1.1"


def test_the_fall_is_measured_where_the_truth_has_it(page: tuple[Report, str, Element]):
    """Half of a logistic fall about its middle, 34 h after pitch, is found there within its error."""
    report, _, _ = page
    row = next(row for row in report.numbers if row.name.startswith("Until half"))
    assert float(row.value) == pytest.approx(34.0, abs=1.5)


def test_the_story_holds_deeds_verdicts_and_what_was_taken_back(page: tuple[Report, str, Element]):
    """In order of time; what was taken back stays, struck through and with when; deeds on the curve have letters."""
    report, _, root = page
    assert [each.at_ms for each in report.story] == sorted(each.at_ms for each in report.story)
    kinds = {each.kind for each in report.story}
    assert {"deed", "verdict"} <= kinds
    (back,) = (each for each in report.story if not each.counts)
    assert back.text == "80 g nutrient added."
    assert back.why.startswith("taken back on ")
    assert [row.text for row in root.all("tr", class_="off")] == [f"{back.when} {back.text} ({back.why})"]
    assert [each.letter for each in report.story if each.letter] == list("ABCDE")
    assert report.wide is not None
    assert [flag.letter for flag in report.wide.flags] == list("ABCDE")


def test_the_allergen_stands_on_top_where_chitosan_went_in(filled: Path, page: tuple[Report, str, Element]):
    """Named for the batch that was fined and for what was split from it later, and for no other."""
    assert has_allergen("chitosan")
    _, _, root = page
    assert "Allergen:" in root.all("header")[0].text
    assert made(filled, "hedge-part").allergen
    assert not made(filled, "hedge-right").allergen


def test_finings_yeast_notes_and_photos_are_there(page: tuple[Report, str, Element]):
    """Both parts with their doses, the jar it came from, what its lees became, the tasting with its score."""
    report, _, root = page
    assert [(each.part, each.what, each.dose, each.allergen) for each in report.finings] == [
        (1, "silica sol", "20 mL", False), (2, "chitosan", "60 mL", True),
    ]  # fmt: skip
    assert report.cleared == "It was first seen clear 24 h after the second part; 12 h after it, it was not."
    assert any(each.startswith("Pitched from jar packet: hill <ale>, generation 0") for each in report.yeast)
    assert any("which filled hedge-jar-1 and hedge-jar-2" in each for each in report.yeast)
    assert ("Tasting, 7 of 10", "Tue 14 April 2026, 05:00", "Dry, a little pear.") in report.notes
    assert "common practice, no source" in root.text


def test_yeast_is_followed_back_to_its_packet(filled: Path):
    """A jar's line goes over the wash and the batch before it to the packet; an unknown jar has none."""
    with Reader(filled / "store.db") as reader:
        state = state_in(reader)
    assert ancestry(state, "hedge-jar-1") == "washed from hedge-left, from jar packet, a packet"
    assert ancestry(state, "nobody") == ""


def test_glass_that_was_closed_tight_is_warned_of(page: tuple[Report, str, Element]):
    """A seal in glass that nobody rated is among the cautions, in plain words."""
    report, _, _ = page
    assert any("not rated for pressure: it can burst" in each for each in report.cautions)


def test_a_sibling_is_found_by_its_recipe_or_named(filled: Path, page: tuple[Report, str, Element]):
    """The batch of the same recipe stands beside it with both lines told apart by form; another one when asked."""
    report, _, root = page
    assert report.beside is not None
    assert report.beside.name == "hedge-right"
    drawing = next(each for each in root.all("svg", class_="wide") if "hedge-right" in each.attrs["aria-label"])
    lines = [each for each in drawing.all("path") if each.attrs.get("stroke-width") == "2"]
    assert {each.attrs.get("stroke-dasharray") for each in lines} == {None, "7 4"}
    assert report.beside.comparison.summary in root.text
    with Reader(filled / "store.db") as reader:
        assert sibling_of(state_in(reader), "silent") is None
    other = made(filled, "hedge-left", "silent").beside
    assert other is not None
    assert "cannot be compared yet" in other.comparison.summary


def test_a_batch_of_which_nothing_is_known_makes_a_report_in_words(filled: Path):
    """No reading, no deed but its pitch: sentences instead of empty tables."""
    report = made(filled, "silent")
    root = read(report_html(report, SITE))
    assert report.headline == "It was pitched on Tue 14 April 2026, 09:00. No gravity was read yet."
    assert "nothing to draw" in root.text
    assert report.beside is None
    assert report.cautions


def test_a_photo_tells_which_way_is_up_and_nothing_else(page: tuple[Report, str, Element]):
    """What a camera noted is left out; the picture stays whole, and turned as it was taken."""
    report, _, _ = page
    content = b64decode(report.photos[0].uri.partition(",")[2])
    assert SECRET.encode() not in content
    assert SECRET.encode() in photo()
    before, after = Image.open(io.BytesIO(photo())), Image.open(io.BytesIO(content))
    assert after.getexif()[0x0112] == 6
    assert len(after.getexif()) == 1
    assert before.tobytes() == after.tobytes()


def test_pictures_that_are_broken_or_others_stay_as_they_are():
    """A torn JPEG, and a PNG with a comment: no crash; the comment goes, the chunks stay."""
    torn = photo()[:40]
    assert bare(torn) == torn
    assert bare(b"RIFF....WEBP") == b"RIFF....WEBP"

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + b"crc!"

    png = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", b"head") + chunk(b"tEXt", b"who") + chunk(b"IEND", b"")
    assert bare(png) == b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", b"head") + chunk(b"IEND", b"")


def test_what_hangs_behind_a_photo_goes_too():
    """Some cameras hang a second file, with its own notes, behind the picture: it does not travel along."""
    assert bare(photo() + b"\xff\xd8" + SECRET.encode()) == bare(photo())


def test_letters_on_the_curve_do_not_cover_each_other():
    """Deeds within an hour stand one below the other."""
    points = [(START + hour * HOUR, 1.05 - hour * 0.0001) for hour in range(100)]
    curve = Curve("a", START, START + 100 * HOUR, HOUR, [Line("float", "gravity", [points])])
    drawn = figure(
        [curve], NARROW, None, [(START + 50 * HOUR + number * MINUTE, "ABCDE"[number]) for number in range(5)]
    )
    assert drawn is not None
    places = [(flag.x, flag.y) for flag in drawn.flags]
    assert len(places) == 5
    assert all(abs(a[0] - b[0]) >= 12 or abs(a[1] - b[1]) >= 12 for a in places for b in places if a is not b)
