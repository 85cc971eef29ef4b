"""The page in a real browser, as a phone and as a desktop see it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from monitor.model.clock import HOUR, MINUTE
from monitor.model.inputs import Acknowledged, Message, Sample
from monitor.settings import parse_settings
from monitor.web import stream
from tests.web.cellar import START, House, house_of
from tests.web.conftest import client_of

sync_api = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
]

PHONE = {"width": 360, "height": 780}
DESKTOP = {"width": 1280, "height": 900}
Look = Callable[..., Any]

# Contrast of every piece of text against what lies behind it, by WCAG 2.2's formula; what is hidden is passed over.
CONTRAST = """
() => {
  const rgb = (text) => {
    const [r, g, b, a = 1] = text.match(/[0-9.]+/g).map(Number);
    return { r, g, b, a };
  };
  const light = ({ r, g, b }) => {
    const [x, y, z] = [r, g, b].map((c) => c / 255).map((c) => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
    return 0.2126 * x + 0.7152 * y + 0.0722 * z;
  };
  const behind = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const colour = rgb(getComputedStyle(at).backgroundColor);
      if (colour.a === 1) return colour;
    }
    return { r: 255, g: 255, b: 255 };
  };
  const poor = [];
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let seen = 0;
  while (texts.nextNode()) {
    const element = texts.currentNode.parentElement;
    if (!texts.currentNode.textContent.trim() || !element.checkVisibility()) continue;
    const style = getComputedStyle(element);
    const inside = element.closest("svg");
    const ink = light(rgb(inside ? style.fill : style.color));
    const ground = light(behind(element));
    const ratio = (Math.max(ink, ground) + 0.05) / (Math.min(ink, ground) + 0.05);
    seen += 1;
    if (ratio < 4.5) poor.push([texts.currentNode.textContent.trim().slice(0, 40), ratio.toFixed(2)]);
  }
  return { seen, poor };
}
"""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


@pytest.fixture
def look(chromium: Any, monkeypatch: pytest.MonkeyPatch) -> Iterator[Look]:
    """Opens a page; whatever it writes to the console as an error fails the test."""
    monkeypatch.setattr(stream, "LOOK_EVERY", 0.05)
    contexts: list[Any] = []
    errors: list[str] = []

    def open_page(house: House, size: dict[str, int] = PHONE, **options: Any) -> Any:
        context = chromium.new_context(viewport=size, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(8_000)
        page.on("console", lambda told: errors.append(told.text) if told.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(f"{house.url}/")
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert errors == []


def first_alert(house: House) -> str:
    with client_of(house) as client:
        return str(client.get("/api/alerts").json()["standing"][0]["id"])


def overflow(page: Any) -> int:
    """How far the page is wider than its window."""
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_reads_well(serve: Callable[..., House], look: Look, size: dict[str, int], scheme: str):
    """On phone and desktop, light and dark: the verdicts are there, nothing overflows, all text has contrast."""
    house = serve("two-siblings", 140.5)
    page = look(house, size, color_scheme=scheme)
    sync_api.expect(page.locator("#batch-meadow-south .verdict")).to_contain_text("Stalled, or very slow, at 1.03")
    sync_api.expect(page.locator("#fridge-larder .verdict")).to_contain_text("The door seems to stand open")
    sync_api.expect(page.locator("#live")).to_have_text("It keeps itself up to date.")
    assert overflow(page) == 0
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert overflow(page) == 0
    told = page.evaluate(CONTRAST)
    assert told["seen"] > 150
    assert told["poor"] == []


def test_more_evidence_is_folded_on_a_phone_only(serve: Callable[..., House], look: Look):
    """There it opens by keyboard; on a desktop all of it stands there, with nothing to open."""
    house = serve("two-siblings", 140.5)
    phone, desk = look(house), look(house, DESKTOP)
    for page, folded in ((phone, True), (desk, False)):
        fold = page.locator("#evidence-meadow-south")
        sync_api.expect(page.locator("#batch-meadow-south-now")).to_contain_text(
            "No fall to speak of since it was said."
        )
        summary, rest = fold.locator("summary"), fold.get_by_text("Most likely: it stopped")
        assert summary.is_visible() is folded
        assert rest.evaluate("(e) => e.checkVisibility({ contentVisibilityAuto: true })") is not folded
        assert page.locator("#evidence-meadow-north").count() == 0
    phone.locator("#evidence-meadow-south summary").focus()
    phone.keyboard.press("Enter")
    sync_api.expect(phone.locator("#evidence-meadow-south").get_by_text("Most likely: it stopped")).to_be_visible()


@pytest.mark.parametrize("scenario", ["hand-only", "silent-probe", "temperature-only", "probe-moved"])
def test_other_cellars_fit_a_phone(serve: Callable[..., House], look: Look, scenario: str):
    """With readings by hand, gaps, or no gravity at all, the page fits 360 px and the drawing stays in its frame."""
    page = look(serve(scenario, 160.0))
    assert overflow(page) == 0
    assert page.evaluate(CONTRAST)["poor"] == []
    boxes = page.evaluate(
        """() => [...document.querySelectorAll("svg")].flatMap((svg) => {
            const frame = svg.getBoundingClientRect();
            return [...svg.querySelectorAll("*")].map((each) => each.getBoundingClientRect())
                .filter((box) => box.left < frame.left - 1 || box.right > frame.right + 1
                    || box.top < frame.top - 1 || box.bottom > frame.bottom + 1);
        }).length"""
    )
    assert boxes == 0


def test_long_names_and_large_text_do_not_break_the_page(look: Look, tmp_path: Path):
    """Names of 63 letters and text twice as large still fit a phone."""
    name = "a" * 63
    settings = parse_settings(
        f"""
        [site]
        name = "{"w" * 80}"
        [mqtt]
        [[probe]]
        name = "{name}"
        source = "mqtt"
        topic = "{"t/" * 60}"
        [[vessel]]
        name = "{name}"
        probes = ["{name}"]
        [[batch]]
        name = "{name}"
        vessel = "{name}"
        pitched = 2026-03-02T18:00:00Z
        [[fridge]]
        name = "{name}"
        contents = ["{name}"]
        """
    )
    house = house_of(tmp_path / "s.db", settings, START + HOUR)
    try:
        now = house.desk.clock.wall_ms()
        samples = tuple(Sample("temperature", 20.0, now - each * MINUTE) for each in range(3))
        house.desk.record(Message("mqtt", name, now, 0, samples=samples)).result(10)
        page = look(house)
        assert overflow(page) == 0
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        assert overflow(page) == 0
    finally:
        house.close()


def test_an_alert_is_acknowledged_by_a_tap(house: House, look: Look):
    """Tapping Acknowledge goes through the writer into the store, and the page says so."""
    page = look(house)
    page.get_by_role("button", name="Acknowledge: batch meadow-south: stalled").click()
    sync_api.expect(page.locator("#news")).to_contain_text("Acknowledged: you will not be reminded of it.")
    sync_api.expect(page.locator("li.acknowledged")).to_contain_text("meadow-south")
    with client_of(house) as client:
        told = client.get("/api/alerts").json()
    assert next(each for each in told["standing"] if each["alert"] == "ferment-stalled")["state"] == "acknowledged"
    assert told["lately"][0]["change"] == "acknowledged"
    assert page.url.endswith("/#alerts")


def test_everything_works_without_a_script(house: House, look: Look):
    """With scripts switched off an alert is shelved and a reading entered all the same."""
    page = look(house, java_script_enabled=False)
    page.get_by_role("button", name="Shelve until tomorrow morning").first.click()
    sync_api.expect(page.locator("#news")).to_contain_text("Set aside")
    sync_api.expect(page.locator("li.shelved")).to_contain_text("Shelved until tomorrow 08:00")
    card = page.locator("#batch-meadow-south")
    card.get_by_text("Enter a hydrometer reading").click()
    card.get_by_label("Gravity on the scale").fill("1.035")
    card.get_by_label("Temperature of the sample, °C").fill("23,5")
    card.get_by_role("button", name="Enter").click()
    sync_api.expect(page.locator("#news")).to_contain_text("The reading is in.")
    sync_api.expect(card).to_contain_text("Last hydrometer reading: 1.03")


def test_news_comes_by_itself_and_is_announced(serve: Callable[..., House], look: Look):
    """When an alert changes elsewhere the open page follows, without being loaded again; what is new is announced."""
    house = serve("two-siblings", 139.0)
    page = look(house)
    page.evaluate("window.sameDocument = true")
    sync_api.expect(page.locator("#live")).to_have_text("It keeps itself up to date.")
    number = first_alert(house)
    house.desk.record(Acknowledged(id=number)).result(10)
    sync_api.expect(page.locator(f"#alert-{number}")).to_contain_text("Acknowledged; it stands since")
    start = house.desk.clock.wall_ms()
    samples = tuple(
        Sample("temperature", min(4.0 + 0.8 * minute, 16.0), start + minute * MINUTE) for minute in range(40)
    )
    house.desk.clock.advance(41 * MINUTE)
    house.desk.record(Message("serial", "larder-air", start, 0, samples=samples)).result(10)
    house.desk.clock.advance(MINUTE)
    sync_api.expect(page.locator("#news")).to_contain_text("The door of fridge larder seems to stand open")
    assert page.locator("#news").get_attribute("aria-live") == "polite"
    assert page.evaluate("window.sameDocument") is True


def test_what_is_being_typed_is_not_lost_to_news(house: House, look: Look):
    """A half-typed reading and an opened fold stay as they are while the page follows the news."""
    page = look(house, DESKTOP)
    sync_api.expect(page.locator("#live")).to_have_text("It keeps itself up to date.")
    card = page.locator("#batch-meadow-south")
    card.get_by_text("Day by day, in figures").click()
    card.get_by_text("Enter a hydrometer reading").click()
    card.get_by_label("Gravity on the scale").fill("1.03")
    number = first_alert(house)
    house.desk.record(Acknowledged(id=number)).result(10)
    sync_api.expect(page.locator(f"#alert-{number}")).to_contain_text("Acknowledged; it stands since")
    assert card.get_by_label("Gravity on the scale").input_value() == "1.03"
    assert card.locator("details", has_text="Day by day").get_attribute("open") is not None


def test_a_lost_connection_is_said(house: House, look: Look, monkeypatch: pytest.MonkeyPatch):
    """When the watcher cannot be reached the page says that it may be out of date."""
    page = look(house)
    sync_api.expect(page.locator("#live")).to_have_text("It keeps itself up to date.")
    page.context.set_offline(True)
    house.app.state.streams.stop()
    sync_api.expect(page.locator("#live")).to_have_text("The connection is lost: this may be out of date.")


def test_keys_alone_lead_everywhere(house: House, look: Look):
    """The first Tab offers the way to the alerts, focus is always visible, and every control is large enough."""
    page = look(house)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the alerts"
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    seen = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        told = page.evaluate(
            """() => { const e = document.activeElement; const s = getComputedStyle(e);
            return [e.tagName, s.outlineStyle, parseFloat(s.outlineWidth)]; }"""
        )
        if told[0] == "BODY":
            break
        seen.add(told[0])
        assert told[1] != "none"
        assert told[2] >= 2
    assert {"A", "BUTTON", "SUMMARY"} <= seen
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, input:not([type=hidden])")].filter((e) => e.checkVisibility())
            .map((e) => e.getBoundingClientRect()).filter((box) => box.height < 43 || box.width < 43).length"""
    )
    assert small == 0


def test_signing_in_from_a_browser(serve: Callable[..., House], look: Look, tmp_path: Path):
    """With a password set, a browser is led to the form, and after it to the page and back out again."""
    password = tmp_path / "password"
    password.write_text("barley and rain\n")
    page = look(serve(password_file=password))
    assert page.url.endswith("/login")
    page.get_by_label("Password").fill("barley and rain")
    page.get_by_role("button", name="Sign in").click()
    sync_api.expect(page.locator("#batch-meadow-north .verdict")).to_contain_text("Finished")
    page.get_by_role("button", name="Sign out").click()
    sync_api.expect(page.get_by_label("Password")).to_be_visible()
    assert page.evaluate(CONTRAST)["poor"] == []
