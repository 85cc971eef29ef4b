"""A report or labels as one file: HTML that needs nothing else, or PDF made of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from monitor import __version__
from monitor.batches.siblings import TITLES, shown
from monitor.model.errors import UsageError
from monitor.report.gather import Report
from monitor.report.words import Site

REMEDY: Final = (
    "PDF needs the library weasyprint (`pip install 'leeswatch[report]'`) and, on Debian, `sudo apt-get install "
    "libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0`; or write an .html file and print that"
)


def _templates() -> Environment:
    found = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters["capitalize_first"] = lambda text: text[:1].upper() + text[1:]
    return found


def render(template: str, **values: Any) -> str:
    """A template of ours; everything in it is escaped."""
    return _templates().get_template(template).render(**values)


def report_html(report: Report, site: Site) -> str:
    """The report as one HTML file: no script, nothing fetched."""
    return render("report.html", report=report, site=site, version=__version__, titles=TITLES, shown=shown)


def pdf(html: str) -> bytes:
    """The same as PDF; UsageError where the library or what it needs of the system is missing.

    Nothing but data inside the file is read: no address is fetched and no file of the disk.
    """
    try:
        from weasyprint import HTML  # noqa: PLC0415 - optional, and heavy
        from weasyprint.urls import URLFetcher  # noqa: PLC0415
    except (ImportError, OSError) as error:  # OSError: the library is there, Pango is not
        raise UsageError(f"no PDF can be made here: {str(error).strip().splitlines()[0]}", REMEDY) from error
    fetcher = URLFetcher(allowed_protocols=("data",), allow_redirects=False)
    made: bytes = HTML(string=html, base_url="about:blank", url_fetcher=fetcher).write_pdf(pdf_tags=True)
    return made
