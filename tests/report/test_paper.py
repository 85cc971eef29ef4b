"""The report in a real browser and as PDF."""

from __future__ import annotations

import http.server
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.model.errors import UsageError
from monitor.report.page import pdf, report_html
from tests.report.test_reports import SITE, made


@pytest.fixture(scope="module")
def html(filled: Path) -> str:
    return report_html(made(filled, "hedge-left"), SITE)


@pytest.fixture
def asked() -> Iterator[tuple[str, list[str]]]:
    """A server on loopback, and what it was asked for."""
    paths: list[str] = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            paths.append(self.path)
            self.send_error(404)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_address[1]}", paths
    server.shutdown()
    server.server_close()
    thread.join()


def test_a_pdf_is_made_without_a_warning(html: str):
    """Several pages of PDF; whatever the library has to complain of would fail here."""
    made = pdf(html)
    assert made.startswith(b"%PDF-")
    assert len(made) > 10_000


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is missing (Debian: poppler-utils)")
def test_the_pdf_holds_the_words_of_the_report(html: str, tmp_path: Path):
    """Text, not pictures of text: the name, the strength and the cautions can be found and copied."""
    (tmp_path / "r.pdf").write_bytes(pdf(html))
    told = subprocess.run(
        ["pdftotext", tmp_path / "r.pdf", "-"], capture_output=True, text=True, check=True, timeout=60
    )
    words = " ".join(told.stdout.split())
    for expected in ("hedge-left", "Allergen:", "Alcohol, % by volume", "hedge-right", "not rated for pressure"):
        assert expected in words


def test_making_a_pdf_fetches_nothing(html: str, asked: tuple[str, list[str]], tmp_path: Path):
    """An address or a file smuggled in is not read, and the PDF is made all the same."""
    url, paths = asked
    secret = tmp_path / "secret.svg"
    secret.write_text('<svg xmlns="http://www.w3.org/2000/svg"><text>secret</text></svg>')
    more = f'<img src="{url}/a.png"><link rel="stylesheet" href="{url}/b.css"><img src="{secret.as_uri()}">'
    plain, odd = pdf(html), pdf(html.replace("<main>", f"<main>{more}"))
    assert paths == []
    assert odd.startswith(b"%PDF-")
    assert abs(len(odd) - len(plain)) < 2_000


def test_without_the_library_the_remedy_is_said(html: str, monkeypatch: pytest.MonkeyPatch):
    """No weasyprint: a refusal with what to install, and that HTML can be printed."""
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(UsageError, match=r"pip install 'leeswatch\[report\]'.*libpango-1.0-0.*\.html"):
        pdf(html)


@pytest.mark.browser
def test_it_fits_a_phone_and_follows_the_scheme(html: str, tmp_path: Path):
    """At 390 px nothing is wider than the screen and the narrow drawing shows; dark where the reader wants it dark."""
    from playwright.sync_api import sync_playwright

    file = tmp_path / "r.html"
    file.write_text(html, encoding="utf-8")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        asked: list[str] = []
        for width, scheme, paper in ((390, "dark", "rgb(19, 26, 23)"), (1100, "light", "rgb(255, 255, 255)")):
            page = browser.new_page(viewport={"width": width, "height": 844}, color_scheme=scheme)
            page.on("request", lambda request: asked.append(request.url))
            page.on("console", lambda message: pytest.fail(message.text))
            page.goto(file.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert page.evaluate("getComputedStyle(document.body).backgroundColor") == paper
            assert page.locator("svg.narrow").first.is_visible() == (width == 390)
            assert page.locator("svg.wide").first.is_visible() == (width == 1100)
        page.emulate_media(media="print", color_scheme="dark")
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert {url.partition(":")[0] for url in asked} <= {"file", "data"}
        browser.close()
