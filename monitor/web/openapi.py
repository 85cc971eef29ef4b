"""The API's description (OpenAPI 3.1), made from the same table as its routes."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from monitor import __version__
from monitor.web.ways import Way

_PATH = {
    "name": "Its name.",
    "form": "Which form of the page.",
    "id": "An alert's id, as the list of alerts gives it.",
    "file": "A file's name.",
}
_REFUSALS = {
    "400": "What was sent cannot be used.",
    "401": "A session or token is needed.",
    "403": "The CSRF token is missing or of another session.",
    "404": "There is no such thing.",
    "409": "It cannot be done as things stand.",
    "503": "The store or the writer cannot answer just now.",
}


def document(ways: Sequence[Way]) -> dict[str, Any]:
    """The whole document."""
    paths: dict[str, dict[str, Any]] = {}
    parts: dict[str, Any] = {}  # what several bodies refer to
    for way in ways:
        paths.setdefault(way.path, {})[way.method.lower()] = _operation(way, parts)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Leeswatch",
            "version": __version__,
            "summary": "What a watcher of fermenting vessels and a fridge knows.",
            "description": "Gravities are SG 20/20, temperatures degrees Celsius, times RFC 3339 in UTC; what is not "
            "known is null. A change needs the session cookie with the header X-CSRF-Token (see /api/session), or "
            "the bearer token. Errors carry `what` is wrong and a `remedy`.",
        },
        "paths": paths,
        "components": {
            "securitySchemes": {
                "session": {"type": "apiKey", "in": "cookie", "name": "leeswatch_session"},
                "token": {"type": "http", "scheme": "bearer", "description": "The content of the password file."},
            },
            "schemas": {
                "Refusal": {
                    "type": "object",
                    "required": ["what", "remedy"],
                    "properties": {"what": {"type": "string"}, "remedy": {"type": "string"}},
                },
                **parts,
            },
        },
    }


def _operation(way: Way, parts: dict[str, Any]) -> dict[str, Any]:
    told: dict[str, Any] = {
        "summary": way.about,
        "operationId": f"{way.method.lower()} {way.path}",
        "responses": {"200": {"description": "Done.", "content": {way.media: {}}}, **_refusals(way)},
    }
    parameters = [
        {"name": name, "in": "path", "required": True, "schema": {"type": "string"}, "description": _PATH[name]}
        for name in re.findall(r"{(\w+)", way.path)
    ]
    parameters += [
        {"name": each.name, "in": "query", "schema": {"type": each.kind}, "description": each.about}
        for each in way.query
    ]
    if parameters:
        told["parameters"] = parameters
    if way.body is not None:
        schema = way.body.model_json_schema(by_alias=True, ref_template="#/components/schemas/{model}")
        parts.update(schema.pop("$defs", {}))
        told["requestBody"] = {"content": {"application/json": {"schema": schema}}}
    if way.access != "open":
        told["security"] = [{"session": []}, {"token": []}]
    return told


def _refusals(way: Way) -> dict[str, Any]:
    codes = {"503"}
    if way.access != "open":
        codes.add("401")
    if way.access == "change":
        codes |= {"400", "403"}
    if way.query:
        codes.add("400")
    if "{" in way.path:
        codes.add("404")
    body = {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Refusal"}}}}
    return {code: {"description": _REFUSALS[code], **body} for code in sorted(codes)}
