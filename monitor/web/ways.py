"""A way into the page: its path, who may take it, what it is given and answers. The table of them is in `app`."""

from __future__ import annotations

import hmac
import inspect
import logging
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from monitor.model.errors import LeeswatchError, Refused, StoreError
from monitor.report.curve import Curves
from monitor.web.actions import fields_of
from monitor.web.desk import Desk
from monitor.web.guard import COOKIE, SESSION_IDLE, Guard, Session
from monitor.web.pages import Pages
from monitor.web.refusal import Forbidden, OurFault, Refusal, SignInFirst, status_of
from monitor.web.stream import Streams
from monitor.web.words import Local

log = logging.getLogger(__name__)

# open: everyone · read: signed in, or free on loopback · watch: the same, or the token · change: with CSRF or token
Access = Literal["open", "read", "watch", "change"]


@dataclass(slots=True)
class House:
    """What every way shares."""

    desk: Desk
    guard: Guard
    pages: Pages
    streams: Streams = field(default_factory=Streams)
    curves: Curves = field(default_factory=Curves)

    def local(self) -> Local:
        """The site's wall clock now."""
        return Local(ZoneInfo(self.desk.settings.site.timezone), self.desk.clock.wall_ms())


class Ask:
    """One request, with who asks."""

    def __init__(self, house: House, request: Request) -> None:
        self.house = house
        self.request = request
        self.session: Session | None = None
        self.fresh = False  # the session is new: its cookie goes out with the answer
        self.token = False
        self.fields: dict[str, Any] = {}
        self.form = False

    @cached_property
    def local(self) -> Local:
        """The site's wall clock at this request."""
        return self.house.local()

    @property
    def for_people(self) -> bool:
        """Whether a person reads the answer, not a program."""
        return self.form or not _is_machine(self.request.url.path)

    def path(self, name: str) -> str:
        """A part of the path."""
        return str(self.request.path_params[name])

    def query(self, name: str) -> str | None:
        """A query value, or None."""
        return self.request.query_params.get(name)


def _is_machine(path: str) -> bool:
    return path.startswith("/api/") or path in ("/healthz", "/metrics", "/api")


Handler = Callable[[Ask], Response | Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One query parameter, for the description of the API."""

    name: str
    about: str
    kind: str = "string"


@dataclass(frozen=True, slots=True)
class Way:
    """See the top of this module."""

    method: Literal["GET", "POST"]
    path: str
    handler: Handler
    access: Access
    about: str
    query: tuple[Parameter, ...] = ()
    body: type[BaseModel] | None = None
    media: str = "application/json"

    def route(self, house: House) -> Route:
        """As the framework wants it."""

        async def endpoint(request: Request) -> Response:
            ask = Ask(house, request)
            try:
                await _admit(ask, self.access)
                answer = await _call(self.handler, ask)
            except (Refusal, Refused, StoreError) as error:
                return refused(ask, error)
            except ClientDisconnect:
                return Response(status_code=400)  # nobody is there to read it
            except Exception:
                log.exception("a fault of ours at %s %s", self.method, self.path)
                return refused(ask, OurFault("a fault of ours, not of yours", "watching goes on; the log says more"))
            if ask.fresh and ask.session is not None:
                give_cookie(answer, ask.session)
            return answer

        return Route(self.path, endpoint, methods=[self.method])


async def _call(handler: Handler, ask: Ask) -> Response:
    if inspect.iscoroutinefunction(handler):
        found = await handler(ask)
    else:
        found = await run_in_threadpool(handler, ask)
    assert isinstance(found, Response)
    return found


# --- who asks ------------------------------------------------------------------------------------------------------


async def _admit(ask: Ask, access: Access) -> None:
    """Find out who asks; a Refusal when they may not."""
    guard, request = ask.house.guard, ask.request
    if request.method == "POST":
        ask.fields, ask.form = await fields_of(request)
    ask.session = await run_in_threadpool(guard.session, request.cookies.get(COOKIE))
    if access == "open":
        return
    await run_in_threadpool(_check_token, ask)
    if access == "change":
        _check_change(ask)
    elif access == "watch" and guard.loopback:
        return
    elif not (guard.free or ask.token or ask.session):
        raise SignInFirst(
            "this needs a session or a token", "sign in at /login, or send `Authorization: Bearer` with the password"
        )


def _check_token(ask: Ask) -> None:
    scheme, _, token = ask.request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not _is_machine(ask.request.url.path):
        return
    if ask.house.guard.password.path is None:
        return
    if not ask.house.guard.try_password(token, peer_of(ask.request)):
        raise SignInFirst(
            "the token is not the one in the password file", "check the file named by [web].password_file"
        )
    ask.token = True


def _check_change(ask: Ask) -> None:
    if ask.token:
        return
    if ask.session is None:
        raise SignInFirst(
            "a change needs a session", "open the page first; a program asks /api/session for one, or sends a token"
        )
    given = ask.fields.pop("csrf", None) or ask.request.headers.get("x-csrf-token", "")
    if not isinstance(given, str) or not _same(given, ask.session.csrf):
        raise Forbidden("this form is out of date", "go back, load the page again, and repeat what you did")


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode(), wanted.encode())


def peer_of(request: Request) -> str:
    """The address of whoever asks."""
    return request.client.host if request.client else "unknown"


def give_cookie(answer: Response, session: Session) -> None:
    """Hand out a session's cookie."""
    answer.set_cookie(COOKIE, session.token, max_age=SESSION_IDLE // 1000, httponly=True, samesite="strict", path="/")


# --- what is refused -----------------------------------------------------------------------------------------------


def refused(ask: Ask, error: LeeswatchError) -> Response:
    """An error as JSON for programs, as a plain page for people."""
    status = status_of(error)
    headers = dict(error.headers) if isinstance(error, Refusal) else {}
    if ask.for_people:
        if isinstance(error, SignInFirst) and not ask.house.guard.free:
            return RedirectResponse("/login", 303)
        return ask.house.pages.error(status, error.what, error.remedy, headers)
    if status == SignInFirst.status:
        headers["WWW-Authenticate"] = 'Bearer realm="leeswatch"'
    return JSONResponse({"what": error.what, "remedy": error.remedy}, status, headers)


def back_to(page: str) -> Response:
    """See the page again after a form."""
    assert not urlsplit(page).netloc
    return RedirectResponse(page, 303)
