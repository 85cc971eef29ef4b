"""What programs ask for: JSON, JSON lines, a stream of events, and the watcher's own health."""

from __future__ import annotations

import base64
from dataclasses import asdict
from typing import Any

from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse

from monitor.engine import view
from monitor.model.clock import iso
from monitor.model.events import as_line
from monitor.report.curve import Curve, draw
from monitor.rules.batch import HandPoint
from monitor.web import actions
from monitor.web.look import load, picture, reading
from monitor.web.metrics import exposition
from monitor.web.refusal import BadRequest, NotNow
from monitor.web.unread import never_read, words
from monitor.web.ways import Ask

LINES = 1_000
LINES_MOST = 10_000
CELLS_MOST = 5_000


# --- to read -----------------------------------------------------------------------------------------------------


def overview(ask: Ask) -> Response:
    """Everything that stands."""
    return JSONResponse(_told(ask))


def _told(ask: Ask) -> dict[str, Any]:
    desk = ask.house.desk
    with reading(desk.path) as reader:
        return picture(reader, load(reader), ask.local.now_ms, desk.settings.probe)


def _part(ask: Ask, name: str) -> Any:
    return _told(ask)[name]


def batches(ask: Ask) -> Response:
    """All batches."""
    return JSONResponse(_part(ask, "batches"))


def batch(ask: Ask) -> Response:
    """One batch."""
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
        actions.find_batch(state, ask.path("name"))
        told = picture(reader, state, ask.local.now_ms)["batches"]
    return JSONResponse(next(each for each in told if each["name"] == ask.path("name")))


def curve(ask: Ask) -> Response:
    """A batch's gravity and temperature."""
    desk = ask.house.desk
    with reading(desk.path) as reader:
        state = load(reader)
        found = actions.find_batch(state, ask.path("name"))
        from_ms = _time(ask, "from", found.pitched_ms)
        to_ms = _time(ask, "to", ask.local.now_ms)
        if to_ms <= from_ms:
            raise BadRequest("`to` is not later than `from`", "give a span of time, or leave both out")
        cells = _whole(ask, "cells", 360, 1, CELLS_MOST)
        return JSONResponse(_curve(draw(reader, state, found, from_ms, to_ms, cells)))


def _curve(told: Curve) -> dict[str, Any]:
    digits = {"gravity": 5, "temperature": 2}
    return {
        "batch": told.batch,
        "from": iso(told.from_ms),
        "to": iso(told.to_ms),
        "cell_minutes": round(told.cell_ms / 60_000, 2),
        "lines": [
            {
                "probe": line.probe,
                "quantity": line.quantity,
                "parts": [
                    [[iso(at), round(value, digits[line.quantity])] for at, value in part] for part in line.parts
                ],
            }
            for line in told.lines
        ],
        "hand": [_hand(point) for point in told.hand],
    }


def _hand(point: HandPoint) -> dict[str, Any]:
    return {"time": iso(point.at_ms), "gravity": round(point.gravity, 5), "error": round(point.error, 5)}


def alerts(ask: Ask) -> Response:
    """What stands, and what became of alerts lately."""
    with reading(ask.house.desk.path) as reader:
        standing = view.alerts(load(reader), ask.local.now_ms)
        return JSONResponse({"standing": standing, "lately": reader.alerts(_whole(ask, "limit", 50, 0, LINES))})


def probes(ask: Ask) -> Response:
    """All probes."""
    return JSONResponse(_part(ask, "probes"))


def unreadable(ask: Ask) -> Response:
    """Messages that could not be read, newest first."""
    with reading(ask.house.desk.path) as reader:
        rows = reader.unreadable(_whole(ask, "limit", 50, 1, 500))
    return JSONResponse(
        [
            {
                "received": iso(received),
                "source": source,
                "origin": origin,
                "reason": reason,
                "content": content.decode("utf-8", "replace"),
                "content_base64": base64.b64encode(content).decode(),
            }
            for received, source, origin, reason, content in rows
        ]
    )


# --- events ------------------------------------------------------------------------------------------------------


async def events(ask: Ask) -> Response:
    """Server-sent events."""
    house = ask.house
    resumed = ask.request.headers.get("last-event-id") or ask.query("after")
    after = None if resumed is None else _number("after", resumed, 0, 2**62)
    house.streams.room()
    session = ask.session

    def allowed() -> bool:
        return house.guard.free or ask.token or (session is not None and house.guard.session(session.token) is not None)

    headers = {"X-Accel-Buffering": "no"}
    if ask.request.method == "HEAD":
        return Response(media_type="text/event-stream", headers=headers)
    lines = house.streams.follow(house.desk.path, after, allowed)
    return StreamingResponse(lines, media_type="text/event-stream", headers=headers)


def events_jsonl(ask: Ask) -> Response:
    """Events as lines of JSON, a page at a time: the header Last-Event-ID says where to go on."""
    after = _whole(ask, "after", 0, 0, 2**62)
    with reading(ask.house.desk.path) as reader:
        found = list(reader.events(after, _whole(ask, "limit", LINES, 1, LINES_MOST)))
    last = found[-1][0] if found else after
    text = "".join(f"{as_line(record)}\n" for _, record in found)
    return PlainTextResponse(text, headers={"Last-Event-ID": str(last)}, media_type="application/x-ndjson")


# --- the session -------------------------------------------------------------------------------------------------


def session(ask: Ask) -> Response:
    """A session for a program on this machine, and the token its changes carry."""
    if ask.session is None and ask.house.guard.free:
        ask.session, ask.fresh = ask.house.guard.open(), True
    return JSONResponse({"csrf": ask.session.csrf if ask.session else None})


# --- the watcher itself --------------------------------------------------------------------------------------------


def healthz(ask: Ask) -> Response:
    """200 while sources, writer and rules move; 503 with the reasons otherwise.

    `unread` has a sentence for each probe of which nothing could be read: it wants a person, but the watcher is well.
    It is null while the store cannot be asked.
    """
    desk = ask.house.desk
    report = desk.health()
    unread: list[str] | None
    try:
        with reading(desk.path) as reader:
            found = never_read(reader, desk.settings.probe)
        unread = [f"probe {name}: {words(reason)}" for name, (_, reason) in found.items()]
    except NotNow:
        unread = None
    return JSONResponse({**asdict(report), "unread": unread}, 200 if report.ok else 503)


def metrics(ask: Ask) -> Response:
    """OpenMetrics."""
    desk = ask.house.desk
    with reading(desk.path) as reader:
        text = exposition(reader, load(reader), desk, ask.local.now_ms)
    return Response(text, media_type="application/openmetrics-text; version=1.0.0; charset=utf-8")


# --- queries -----------------------------------------------------------------------------------------------------


def _time(ask: Ask, name: str, default: int) -> int:
    text = ask.query(name)
    return default if not text else actions.moment(text, ask.local.zone)


def _whole(ask: Ask, name: str, default: int, low: int, high: int) -> int:
    text = ask.query(name)
    return default if not text else _number(name, text, low, high)


def _number(name: str, text: str, low: int, high: int) -> int:
    whole = text.isascii() and text.isdigit() and len(text) < 20
    if not whole or not low <= int(text) <= high:
        raise BadRequest(f"{name}={text!r} is not a whole number from {low} to {high}", "leave it out, or correct it")
    return int(text)
