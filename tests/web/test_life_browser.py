"""The pages of a batch, of the shelf and of a jar in a real browser without a script, on a phone and on a desktop."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.web.cellar import House
from tests.web.test_browser import CHROMIUM, CONTRAST, DESKTOP, overflow, sync_api
from tests.web.test_life_pages import stocked  # noqa: F401 - a fixture

PHONE = {"width": 390, "height": 844}

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_pages_read_well(
    stocked: House,  # noqa: F811
    chromium: Any,
    size: dict[str, int],
    scheme: str,
):
    """Nothing overflows with every form open, all text has contrast, and what is tapped is large enough."""
    for path in ("/batch/meadow-north", "/shelf", "/jar/starter-1"):
        page = chromium.new_page(viewport=size, color_scheme=scheme)
        errors: list[str] = []
        page.on("console", lambda told, errors=errors: errors.append(told.text))
        assert page.goto(f"{stocked.url}{path}").status == 200
        assert overflow(page) == 0
        page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        assert overflow(page) == 0
        told = page.evaluate(CONTRAST)
        assert told["seen"] > 40
        assert told["poor"] == []
        heights = page.evaluate(
            "[...document.querySelectorAll('button, input:not([type=hidden]):not([type=checkbox]), select, textarea,"
            " summary, nav a')].map((each) => each.getBoundingClientRect().height)"
        )
        assert min(heights) >= 44
        assert errors == []
        page.close()


def test_a_deed_is_told_corrected_and_taken_back_without_a_script(stocked: House, chromium: Any):  # noqa: F811
    """A mistake comes back with what was typed; corrected it is noted; taken back it is struck out."""
    context = chromium.new_context(viewport=PHONE, java_script_enabled=False)
    page = context.new_page()
    page.set_default_timeout(8_000)
    page.goto(f"{stocked.url}/")
    page.click("#batch-meadow-south h3 a")
    page.click("#batch-rack summary")
    page.fill("#batch-rack-volume_l", "900")
    page.click("#batch-rack button")
    sync_api.expect(page.locator("[role=alert]")).to_contain_text("900 L do not fit into jug")
    sync_api.expect(page.locator("#batch-rack-volume_l")).to_have_value("900")
    page.fill("#batch-rack-volume_l", "3,5")
    page.click("#batch-rack button")
    sync_api.expect(page.locator("[role=status]")).to_have_text("It is noted.")
    sync_api.expect(page.locator("h1")).to_contain_text("in jug")
    page.get_by_role("button", name="Take back: racked to jug").click()
    sync_api.expect(page.locator("#history s")).to_have_text("racked to jug, 3.5 L arrived")
    context.close()
