"""The page and the API as one application: the table of every way in, and what is put around them.

request ─► front door (Host, safety headers) ─► way (session, token, CSRF) ─► handler ─► answer
                                                                                 │
                                          reads the store itself, hands changes to the one writer
"""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator

from anyio import to_thread
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from monitor.model.clock import Clock, SystemClock
from monitor.web import actions, api, changes, deeds, page, records, telling, things
from monitor.web.desk import Desk
from monitor.web.front import FrontDoor
from monitor.web.guard import Guard
from monitor.web.openapi import document
from monitor.web.pages import Pages
from monitor.web.refusal import NotFound
from monitor.web.ways import Ask, House, Parameter, Way, refused

THREADS = 4  # requests that read the store at once: each thread costs memory, and a small machine has few cores

_LIMIT = Parameter("limit", "At most so many.", "integer")
_SPAN = (
    Parameter("from", "Start of the span (RFC 3339); else when it was pitched."),
    Parameter("to", "End of the span (RFC 3339); else now."),
    Parameter("cells", "At most so many points a line (360).", "integer"),
)
_WITH = Parameter("with", "The other batch.")
_ABOUT = Parameter("about", "Only those about one thing, such as batch:amber-1, jar:lees-1 or wash:lees-1.")
_TOLD = (
    Parameter("anyway", "yes: it was done whatever practice says against it."),
    Parameter("ml_per_l", "Of finings: the packet's dose, mL for a litre.", "number"),
    Parameter("liquid_c", "Of finings: how warm the liquid is as measured, degrees Celsius.", "number"),
)
_PITCH = (
    Parameter("batch", "Take volume and original gravity of this batch."),
    Parameter("litres", "How much it is.", "number"),
    Parameter("og", "Its original gravity.", "number"),
    Parameter("kind", "usual, ale or lager (usual)."),
    Parameter("strain", "Only jars of this yeast; else as the batch tells."),
)
_AFTER = Parameter("after", "Events after this number.", "integer")


def openapi(ask: Ask) -> Response:  # noqa: ARG001
    """This API's description."""
    return JSONResponse(document(WAYS))


WAYS: tuple[Way, ...] = (
    Way("GET", "/", page.home, "read", "The page.", media="text/html"),
    Way("GET", "/batch/{name}", things.batch, "read", "A batch: what it is, its life, forms.", media="text/html"),
    Way("POST", "/batch/{name}/undo", things.undo_batch, "change", "Take back an entry of it.", media="text/html"),
    Way("POST", "/batch/{name}/{form}", things.tell_batch, "change", "A form of its page.", media="text/html"),
    Way("GET", "/shelf", things.shelf, "read", "The shelf: stored yeast.", media="text/html"),
    Way("GET", "/jar/{name}", things.jar, "read", "A jar: what it is, where it comes from, forms.", media="text/html"),
    Way("POST", "/jar/{name}/undo", things.undo_jar, "change", "Take back an entry about it.", media="text/html"),
    Way("POST", "/jar/{name}/{form}", things.tell_jar, "change", "A form of its page.", media="text/html"),
    Way("GET", "/photo/{file}", things.photo, "read", "A photo that a deed tells of.", media="image/*"),
    Way("GET", "/login", page.login, "open", "The form that asks for the password.", media="text/html"),
    Way("POST", "/login", page.sign_in, "open", "Sign in with the password.", media="text/html"),
    Way("POST", "/logout", page.sign_out, "change", "Sign out.", media="text/html"),
    Way("GET", "/static/{file}", page.static, "open", "The page's style, script and mark.", media="text/css"),
    Way("GET", "/api/openapi.json", openapi, "read", "This description."),
    Way("GET", "/api/session", api.session, "read", "The CSRF token of this session; a new one on loopback."),
    Way("GET", "/api/overview", api.overview, "read", "Everything that stands: alerts, batches, places, probes."),
    Way("GET", "/api/batches", api.batches, "read", "All batches, with their verdicts."),
    Way("GET", "/api/batches/{name}", api.batch, "read", "One batch."),
    Way("GET", "/api/batches/{name}/curve", api.curve, "read", "Its gravity and temperature over time.", _SPAN),
    Way("POST", "/api/batches", changes.start, "change", "Start a batch.", body=deeds.Start),
    Way("POST", "/api/batches/{name}/stage", changes.stage, "change", "Move a batch to another stage.",
        body=deeds.Stage),
    Way("POST", "/api/batches/{name}/addition", changes.addition, "change", "Say what went into a batch.",
        body=deeds.Addition),
    Way("POST", "/api/batches/{name}/close", changes.close, "change", "Say that a batch is over.",
        body=deeds.Close),
    Way("POST", "/api/batches/{name}/reading", changes.hand_reading, "change", "Enter a hydrometer reading.",
        body=actions.HandValues),
    Way("POST", "/api/batches/{name}/reading/undo", changes.undo_reading, "change", "Take a hydrometer reading back.",
        body=actions.Undo),
    Way("GET", "/api/batches/{name}/life", records.life, "read", "All that was done to it, and what follows from it."),
    Way("GET", "/api/batches/{name}/compare", records.compare, "read", "It beside another batch.", (_WITH,)),
    Way("GET", "/api/shelf", records.shelf, "read", "All jars of yeast, those that are gone too."),
    Way("GET", "/api/pitch", records.pitch, "read", "How much yeast a batch wants, and which jar serves.", _PITCH),
    Way("GET", "/api/jars/{name}", records.jar, "read", "One jar, what was done to it, and where it comes from."),
    Way("GET", "/api/washes/{name}", records.wash, "read", "One wash of yeast: its rounds and its jars."),
    Way("GET", "/api/deeds", records.deeds, "read", "What people did, newest last.", (_ABOUT, _LIMIT)),
    Way("POST", "/api/deeds", records.tell, "change", "Tell of one deed.", _TOLD, body=telling.DeedBody),
    Way("POST", "/api/deeds/undo", records.undo, "change", "Take a deed back.", body=telling.UndoBody),
    Way("GET", "/api/alerts", api.alerts, "read", "Alerts that stand, and their latest events.", (_LIMIT,)),
    Way("POST", "/api/alerts/{id}/acknowledge", changes.acknowledge, "change", "It was seen: no more reminders.",
        body=actions.Nothing),
    Way("POST", "/api/alerts/{id}/shelve", changes.shelve, "change", "Set it aside for a while.", body=actions.Shelve),
    Way("POST", "/api/alerts/{id}/done", changes.done, "change", "What a notice asked for is done.",
        body=actions.Nothing),
    Way("GET", "/api/probes", api.probes, "read", "All probes, with their NE 107 status."),
    Way("GET", "/api/unreadable", api.unreadable, "read", "The latest messages that could not be read.", (_LIMIT,)),
    Way("GET", "/api/events", api.events, "read", "Events as they happen; resumes after Last-Event-ID.", (_AFTER,),
        media="text/event-stream"),
    Way("GET", "/api/events.jsonl", api.events_jsonl, "read",
        "Events as JSON lines; the answer's header Last-Event-ID says where to go on.", (_AFTER, _LIMIT),
        media="application/x-ndjson"),
    Way("GET", "/healthz", api.healthz, "watch", "200 while the watcher is well, 503 with the reasons otherwise."),
    Way("GET", "/metrics", api.metrics, "watch", "Numbers for a scraper.",
        media="application/openmetrics-text; version=1.0.0; charset=utf-8"),
)  # fmt: skip


def make_app(desk: Desk, *, clock: Clock | None = None) -> Starlette:
    """The application over a desk. `clock` times sessions and back-off: real time, whatever the desk's clock does."""
    web = desk.settings.web
    guard = Guard(web.host, web.password_file, clock or SystemClock(), public_url=web.public_url)
    house = House(desk, guard, Pages())

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        to_thread.current_default_thread_limiter().total_tokens = THREADS
        house.streams.begin()
        on_start = getattr(app.state, "on_start", None)
        if on_start is not None:
            on_start()
        yield

    def no_such(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        told = NotFound("there is nothing here", "start at /, or see /api/openapi.json")
        told.status = error.status_code  # type: ignore[misc]
        if error.status_code == 405:
            told.what = f"{request.method} is not for this path"
        return refused(Ask(house, request), told)

    app = Starlette(
        routes=[way.route(house) for way in WAYS],
        middleware=[Middleware(FrontDoor, guard=guard)],
        lifespan=lifespan,
        exception_handlers={HTTPException: no_such},
    )
    app.state.streams = house.streams
    app.state.house = house
    return app
