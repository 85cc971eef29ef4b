"""Labels: what they say is true of the thing, fits on the label, and the code as printed opens its page."""

from __future__ import annotations

import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.engine.state import State
from monitor.model.clock import HOUR
from monitor.model.errors import UsageError
from monitor.report.gather import state_in
from monitor.report.labels import CHITOSAN, LEAST_MODULE, MARGIN, SMALLEST, Drawn, Label, draw, label_for, size_of
from monitor.report.page import pdf, render
from monitor.report.widths import width_of
from monitor.report.words import Site
from monitor.store.reader import Reader
from tests.report.shed import PUBLIC, START

NOW = START + 190 * HOUR
SITE = Site(ZoneInfo("Europe/Lisbon"))


@pytest.fixture(scope="module")
def state(filled: Path) -> State:
    with Reader(filled / "store.db") as reader:
        return state_in(reader)


def one(state: State, name: str, public_url: str | None = PUBLIC) -> Label:
    (found,) = label_for(state, name, NOW, SITE, public_url)
    return found


def test_a_jug_says_what_is_in_it_and_how_strong(state: State):
    """Name, recipe, day of pitching, strength with its range, and that nobody rated it for pressure."""
    label = one(state, "hedge-left")
    assert label.what == "batch · recipe hedge"
    assert label.lines[0] == "pitched 6 Apr 2026"
    assert label.lines[1].startswith("7.0 % vol (6.6–7.4)")
    assert "Not rated for pressure: no tight lid" in label.cautions
    assert label.code == "https://shed.example:8650/batch/hedge-left"


def test_chitosan_is_named_where_it_went_in_and_nowhere_else(state: State):
    """On the fined batch and the part split from it; not on its sibling, nor on yeast taken before the finings."""
    fined = {name for name in ("hedge-left", "hedge-right", "hedge-part", "hedge-jar-1", "packet")
             if CHITOSAN in one(state, name).cautions}  # fmt: skip
    assert fined == {"hedge-left", "hedge-part"}


def test_a_batch_that_may_still_work_says_so(state: State):
    """One at work lets gas out; one that stands to clear does not say that it is at work."""
    assert "Still at work: gas must get out" in one(state, "silent").cautions
    assert "strength not known" in one(state, "silent").lines
    assert "Still at work: gas must get out" not in one(state, "hedge-left").cautions


def test_a_rating_is_claimed_only_where_it_was_noted(state: State):
    """Steel may be rated: nothing is said of it but that nobody noted so; glass and plastic are not rated."""
    assert one(state, "silent").cautions[0] == "No pressure rating noted: no tight lid"
    assert one(state, "hedge-right").cautions[0] == "Not rated for pressure: no tight lid"


def test_a_jar_says_its_generation_and_until_when(state: State):
    """Strain, generation and layer, when it was put up, the days of the settings' practice, a loose lid."""
    label = one(state, "hedge-jar-1")
    assert label.what == "yeast hill <ale>"
    assert label.lines == (
        "generation 1 · 90 mL", "put up 14 Apr 2026", "best by 5 May 2026", "discard 12 Aug 2026",
    )  # fmt: skip
    assert label.cautions[0] == "Loose lid, not rated for pressure"
    assert label.code == "https://shed.example:8650/jar/hedge-jar-1"


def test_a_packet_goes_by_its_own_date(state: State):
    """Not by the weeks that lees keep: the shelf does not either."""
    lines = one(state, "packet").lines
    assert lines[-1] == "best by the date on its packet"
    assert not any(line.startswith("discard") for line in lines)


def test_what_is_gone_or_unknown_gets_no_label(state: State):
    """A discarded jar and an unknown name are refused, with what there is."""
    with pytest.raises(UsageError, match="was discarded"):
        label_for(state, "hedge-jar-2", NOW, SITE, None)
    with pytest.raises(UsageError, match=r"hedge-left.*jars: packet"):
        label_for(state, "nobody", NOW, SITE, None)


def test_without_a_public_address_the_code_holds_the_name(state: State):
    """No address of the page is known: the code says what it is in plain text."""
    assert one(state, "hedge-jar-1", None).code == "jar hedge-jar-1"


@pytest.mark.parametrize("text", ["62", "axb", "62x", "10x10", "500x38", "nanx38"])
def test_a_size_that_cannot_be_is_refused(text: str):
    """Sizes are two numbers of millimetres within a sheet of paper."""
    with pytest.raises(UsageError):
        size_of(text)


@settings(max_examples=60, deadline=None)
@given(
    st.from_regex(r"[a-z0-9][a-z0-9._-]{0,62}", fullmatch=True),
    st.text("abcmwMW <&>", min_size=1, max_size=60),
    st.floats(30, 120),
    st.floats(20, 120),
    st.integers(0, 3),
)
def test_whatever_is_written_fits_or_is_refused(name: str, what: str, width: float, height: float, cautions: int):
    """Any name on any size: every word lies inside the label and clear of the code, readable; else it is refused."""
    told = ("Not rated for pressure: no tight lid", CHITOSAN, "Still at work: gas must get out")[:cautions]
    label = Label(name, what, ("pitched 6 Apr 2026", "7.0 % vol (6.6–7.4)"), told, f"{PUBLIC}batch/{name}")
    try:
        drawn = draw(label, width, height)
    except UsageError:
        assert width < 120 or height < 100
        return
    assert drawn.module >= LEAST_MODULE - 1e-4
    side = drawn.module * drawn.squares
    for words in drawn.words:
        right = words.x + width_of(words.text, words.size, bold=words.bold)
        assert words.size >= SMALLEST
        assert right <= width - MARGIN + 0.01
        assert words.y - 0.7 * words.size >= MARGIN
        assert words.y <= height - 0.5
        if words.y < drawn.code_y + side - 0.5:
            assert right <= drawn.code_x + 4 * drawn.module + 0.01  # the white round the code is part of it
    assert "".join(word.text for word in drawn.words).replace(" ", "").startswith(name)


def test_the_sheet_is_well_formed_and_escaped(state: State):
    """The SVG parses, holds every label, and shows angle brackets as typed."""
    drawn = [draw(one(state, name), 62, 38) for name in ("hedge-left", "hedge-jar-1")]
    root = ET.fromstring(render("labels.svg", labels=drawn).strip())
    assert root.attrib["height"] == "78mm"
    texts = [each.text for each in root.iter("{http://www.w3.org/2000/svg}text")]
    assert "yeast hill <ale>" in texts


# --- the code, by another decoder ----------------------------------------------------------------------------------

needs_zbar = pytest.mark.skipif(shutil.which("zbarimg") is None, reason="zbarimg is missing (Debian: zbar-tools)")


def decoded(image: Path) -> set[str]:
    """What zbar reads in a picture."""
    found = subprocess.run(
        ["zbarimg", "-q", "--raw", str(image)], capture_output=True, text=True, timeout=30, check=False
    )
    return set(found.stdout.split("\n")) - {""}


def sheet(state: State, public_url: str | None = PUBLIC) -> list[Drawn]:
    names = ("hedge-left", "hedge-right", "hedge-jar-1")
    return [draw(one(state, name, public_url), 62, 38) for name in names]


@needs_zbar
@pytest.mark.browser
@pytest.mark.parametrize("public_url", [PUBLIC, None], ids=["address", "plain"])
def test_the_label_as_a_browser_prints_it_is_read_back(state: State, tmp_path: Path, public_url: str | None):
    """A real browser draws the sheet; an independent decoder reads every code on it."""
    from playwright.sync_api import sync_playwright

    drawn = sheet(state, public_url)
    html = render("labels.html", labels=drawn, site="Shed")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 560, "height": 700}, device_scale_factor=3)
        page.set_content(html)
        for index, each in enumerate(drawn):
            page.locator("li").nth(index).screenshot(path=tmp_path / f"{index}.png")
            assert decoded(tmp_path / f"{index}.png") == {each.label.code}
        browser.close()


@needs_zbar
@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm is missing (Debian: poppler-utils)")
def test_the_label_as_pdf_is_read_back(state: State, tmp_path: Path):
    """The PDF at a printer's 300 dots an inch: every code is read."""
    drawn = sheet(state)
    (tmp_path / "l.pdf").write_bytes(pdf(render("labels.html", labels=drawn, site="Shed")))
    subprocess.run(["pdftoppm", "-r", "300", "-png", tmp_path / "l.pdf", tmp_path / "l"], check=True, timeout=60)
    (image,) = tmp_path.glob("l-*.png")
    assert decoded(image) == {each.label.code for each in drawn}
