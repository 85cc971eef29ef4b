"""Templates and the files beside them, read once."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from http import HTTPStatus
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.responses import HTMLResponse, Response

HERE = Path(__file__).parent
TYPES = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml"}
A_YEAR = 365 * 24 * 3600


class Pages:
    """Renders templates; serves the style, the script and the mark under names that change with their content."""

    def __init__(self) -> None:
        self.files = {path.name: path.read_bytes() for path in sorted((HERE / "static").iterdir())}
        self._jinja = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=select_autoescape(default=True, default_for_string=True),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._jinja.globals["static"] = self.static

    def static(self, name: str) -> str:
        """Where a file of ours is fetched."""
        return f"/static/{name}?v={hashlib.blake2s(self.files[name], digest_size=6).hexdigest()}"

    def render(
        self, template: str, status: int = 200, headers: Mapping[str, str] | None = None, **values: Any
    ) -> Response:
        """A page."""
        return HTMLResponse(self._jinja.get_template(template).render(**values), status, headers)

    def error(self, status: int, what: str, remedy: str, headers: Mapping[str, str] | None = None) -> Response:
        """A plain page that says what is wrong and what to do."""
        title = HTTPStatus(status).phrase
        return self.render("error.html", status, headers, title=title, what=what, remedy=remedy)

    def file(self, name: str) -> Response | None:
        """One of the files; None when there is no such file."""
        content = self.files.get(name)
        if content is None:
            return None
        headers = {"Cache-Control": f"public, max-age={A_YEAR}, immutable"}
        return Response(content, media_type=TYPES[Path(name).suffix], headers=headers)
