"""What a person may change: an alert's state, a hydrometer reading. Each becomes a journal entry of the writer's."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Any, Literal, TypeVar
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from anyio import to_thread
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from starlette.requests import Request

from monitor.alerts.book import Alert
from monitor.batches.by_hand import BEFORE_PITCH, SAME_FIGURE, filed_at, of_time
from monitor.engine.state import State
from monitor.model.clock import DAY, iso, ms_of, parse_time
from monitor.model.config import Seconds
from monitor.model.errors import PayloadError, StoreError
from monitor.model.events import NOTICES
from monitor.model.inputs import Acknowledged, HandReading, JournalEntry, Message, ReadingUndone, Shelved, Ticked
from monitor.rules.batch import BatchState
from monitor.science.gravity import rescale_hydrometer
from monitor.sources.hand import hand_message, hand_probe
from monitor.store.reader import Reader
from monitor.web.desk import Desk
from monitor.web.look import load, reading
from monitor.web.refusal import BadRequest, Conflict, NotFound, NotNow, TooLarge
from monitor.web.words import Local

BODY_MOST = 16_384
ANSWER_SECONDS = 15.0
SHELVE_MOST = 30 * DAY
BY = "page"


# --- what comes in -----------------------------------------------------------------------------------------------


def decimal(value: object) -> object:
    """People write 1,012 where their keyboard has a comma."""
    return value.strip().replace(",", ".") if isinstance(value, str) else value


# Bounds first, so that the description of the API shows them.
Gravity = Annotated[float, Field(ge=0.95, le=1.21), BeforeValidator(decimal)]
Celsius = Annotated[float, Field(ge=0.0, le=40.0), BeforeValidator(decimal)]


class Body(BaseModel):
    """Base of what a change may be given; unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, populate_by_name=True)


class Nothing(Body):
    """No fields."""


class Shelve(Body):
    """For how long (`2h`, `12h`, `tomorrow`), or until when (RFC 3339)."""

    span: Seconds | Literal["tomorrow"] | None = Field(default=None, alias="for")
    until: str | None = None


class HandValues(Body):
    """A hydrometer reading as read off the scale; at 20 °C if not said otherwise."""

    gravity: Gravity
    temperature: Celsius | None = None
    calibrated: Celsius = 20.0
    at: str | None = None


class Undo(Body):
    """When the reading to take back was taken."""

    at: str


async def fields_of(request: Request) -> tuple[dict[str, Any], bool]:
    """The fields of a JSON or form body, and whether it was a form (a browser without our script)."""
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > BODY_MOST:
            raise TooLarge("that is more than any form of this page holds", f"send at most {BODY_MOST} bytes")
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    try:
        text = body.decode("utf-8")
        if kind == "application/x-www-form-urlencoded":
            pairs = parse_qsl(text, keep_blank_values=False, max_num_fields=50)
            return {name: value.strip() for name, value in pairs if value.strip()}, True
        found = json.loads(text) if text.strip() else {}
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise BadRequest(f"the body cannot be read: {error}", "send a JSON object, or a form") from error
    if not isinstance(found, dict):
        raise BadRequest("the body is not a JSON object", "send an object such as {}")
    return found, False


B = TypeVar("B", bound=Body)


def checked(form: type[B], fields: dict[str, Any]) -> B:
    """The fields as a form; BadRequest names each one that cannot be used."""
    try:
        return form.model_validate(fields)
    except ValidationError as error:
        reasons = [_reason(detail) for detail in error.errors()]
        raise BadRequest("; ".join(dict.fromkeys(reasons)), "correct it and send it again") from error


def _reason(detail: Any) -> str:
    where = str(detail["loc"][0]) if detail["loc"] else "body"
    if detail["type"] == "missing":
        return f"{where} is missing"
    if detail["type"] == "extra_forbidden":
        return f"{where} is not known here"
    if where in ("gravity", "original_gravity", "expected_final"):
        name = where.replace("_", " ")
        return f"{name} {detail['input']} is not a gravity: write it like 1.012, between 0.950 and 1.210"
    if where in ("temperature", "calibrated"):
        return f"{where} {detail['input']} is not a temperature between 0 and 40 °C"
    return f"{where}: {detail['msg'].removeprefix('Value error, ')}"


def moment(text: str, zone: ZoneInfo) -> int:
    """A time with offset, or without one as the site's wall clock says it; BadRequest otherwise."""
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?", text):
            return ms_of(datetime.fromisoformat(text).replace(tzinfo=zone))
        return parse_time(text)
    except ValueError as error:
        raise BadRequest(f"{text!r} is not a time", "write it like 2026-03-09T04:10:00Z") from error


# --- what becomes of it ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Change:
    """Inputs that stand or fall together, and what to say once they are committed."""

    items: tuple[Message | JournalEntry, ...]
    done: str  # one word, also for the page: see `SAID` in page.py
    anchor: str


def find_alert(state: State, number: str) -> Alert:
    """A standing alert; NotFound when it has returned, or never was."""
    alert = state.book.by_id(number)
    if alert is None:
        raise NotFound(f"no alert {number} stands", "it may have returned to normal; look at the list again")
    return alert


def acknowledge(state: State, number: str) -> Change:
    """Somebody has seen it: no more reminders."""
    find_alert(state, number)
    return Change((Acknowledged(id=number, by=BY),), "acknowledged", "alerts")


def shelve(state: State, number: str, form: Shelve, local: Local) -> Change:
    """Set it aside until a time, at most 30 days away."""
    find_alert(state, number)
    if (form.span is None) == (form.until is None):
        raise BadRequest("say either for how long or until when", 'for example {"for": "12h"}')
    if form.until is not None:
        until = moment(form.until, local.zone)
    elif isinstance(form.span, float):
        until = local.now_ms + round(form.span * 1000)
    else:
        until = local.tomorrow_morning()
    if not local.now_ms < until <= local.now_ms + SHELVE_MOST:
        raise BadRequest(f"{iso(until)} is not within the next 30 days", "an alert cannot be set aside for ever")
    return Change((Shelved(id=number, until=until, by=BY),), "shelved", "alerts")


def done(state: State, number: str) -> Change:
    """What a notice asked for is done. An alert that readings raised returns on a good reading only."""
    alert = find_alert(state, number)
    if alert.alert not in NOTICES:
        raise Conflict(
            f"{alert.alert} cannot be marked as done: it returns by itself once readings show that it is over",
            "acknowledge or shelve it instead",
        )
    return Change((Ticked(id=number),), "done", "alerts")


def find_batch(state: State, name: str) -> BatchState:
    """A batch by name; NotFound otherwise."""
    batch = state.batches.get(name)
    if batch is None:
        known = ", ".join(state.batches) or "none yet"
        raise NotFound(f"there is no batch {name}", f"batches: {known}")
    return batch


def hand_reading(state: State, name: str, form: HandValues, desk: Desk, zone: ZoneInfo, reader: Reader) -> Change:
    """A hydrometer reading, as typed for the record and as readings of `hand:<vessel>` on the 20 °C scale."""
    batch = find_batch(state, name)
    if batch.closed:
        raise Conflict(f"batch {name} is over", "enter the reading with an open batch")
    now_ms = desk.clock.wall_ms()
    at = moment(form.at, zone) if form.at is not None else now_ms
    if at < batch.pitched_ms - BEFORE_PITCH:
        raise BadRequest(
            f"{iso(at)} lies more than a day before batch {name} was pitched", "give the time the reading was taken"
        )
    scale = form.gravity if form.calibrated == 20.0 else rescale_hydrometer(form.gravity, form.calibrated, 20.0)
    at = _free(batch, at, scale, reader)
    try:
        message = hand_message(batch.vessel, round(scale, 6), form.temperature, at, desk.clock)
    except PayloadError as error:
        raise BadRequest(error.what, error.remedy) from error
    # Temperature first, so that no verdict is passed on the uncorrected figure.
    message = replace(message, samples=tuple(sorted(message.samples, key=lambda each: each.quantity != "temperature")))
    entry = HandReading(
        vessel=batch.vessel, hydrometer=form.gravity, temperature=form.temperature, calibrated=form.calibrated, at=at
    )
    return Change((entry, message), "read", f"batch-{name}")


def _free(batch: BatchState, at: int, scale: float, reader: Reader) -> int:
    """When it can be filed that was taken then; Conflict where another figure of that time counts."""
    counting = {point.at_ms for point in batch.hand}
    probe = hand_probe(batch.vessel)
    free, stored = filed_at(at, counting, lambda ms: reader.value_at(probe, "hydrometer", ms))
    if stored is not None and abs(stored - scale) > SAME_FIGURE:  # the same again is no harm
        raise Conflict(f"there is a reading of {iso(at)} already", "take it back first")
    return free


def undo_reading(state: State, name: str, form: Undo, zone: ZoneInfo) -> Change:
    """Take back a hand reading that was a mistake: it stays on record, and the rules pass it over."""
    batch = find_batch(state, name)
    if batch.closed:
        raise Conflict(f"batch {name} is over", "open it again first")
    at = moment(form.at, zone)
    found = of_time((point.at_ms for point in batch.hand), at)
    if len(found) > 1:
        raise Conflict(f"{len(found)} readings are of that minute", f"say which: {', '.join(map(iso, found))}")
    if not found:
        raise NotFound(f"batch {name} has no hand reading of {iso(at)} that counts", "see last_hand of the batch")
    return Change((ReadingUndone(vessel=batch.vessel, at=found[0]),), "undone", f"batch-{name}")


# --- handing it over ---------------------------------------------------------------------------------------------


def state_now(desk: Desk) -> State:
    """The state as last committed."""
    with reading(desk.path) as reader:
        return load(reader)


async def commit(desk: Desk, items: Iterable[Message | JournalEntry]) -> int:
    """Have the writer commit them; returns when that was. NotNow when the disk refuses or it takes too long."""
    try:
        # In a thread: handing over waits while the writer is far behind.
        answer = asyncio.wrap_future(await to_thread.run_sync(lambda: desk.record(*items)))
        answer.add_done_callback(lambda told: told.cancelled() or told.exception())  # nobody may be left to ask
        return await asyncio.wait_for(asyncio.shield(answer), ANSWER_SECONDS)
    except StoreError as error:
        raise NotNow(error.what, error.remedy) from error
    except TimeoutError as error:
        raise NotNow(
            "the writer has not answered yet: it may still be done", "look at the page before you do it again"
        ) from error
