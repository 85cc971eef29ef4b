"""What batches, washes and jars have been through, as JSON; and deeds told by programs."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, cast

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from monitor.batches import lineage, picture, pitching, washing
from monitor.batches import shelf as shelves
from monitor.batches.pitching import Usual
from monitor.batches.shelf import Jar
from monitor.engine import clocks, pictures, yeast_clocks
from monitor.engine.lives import life_of
from monitor.engine.pitching import plan_for, usual_of
from monitor.engine.state import State
from monitor.model.clock import iso
from monitor.report import tables
from monitor.report.compared import compared
from monitor.report.gather import comparison
from monitor.science.yeast import PITCH_RATES, Kind
from monitor.store.reader import Reader
from monitor.web import actions, telling
from monitor.web.actions import Change, checked
from monitor.web.look import load, reading
from monitor.web.refusal import BadRequest, NotFound
from monitor.web.ways import Ask, back_to

DEEDS = 1_000
DEEDS_MOST = 10_000


# --- to read -------------------------------------------------------------------------------------------------------


def life(ask: Ask) -> Response:
    """Everything a batch has been through, and how its clearing, its hold and its closed vessels stand."""
    name, now_ms = ask.path("name"), ask.local.now_ms
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    batch = actions.find_batch(state, name)
    found = life_of(state, name, now_ms)
    assert found is not None
    held = clocks.holds(state).get(f"batch:{name}")
    return JSONResponse({
        **picture.life(found),
        "clearing": pictures.clearing_picture(state, batch),
        "hold": None if held is None else pictures.hold_picture(state, f"batch:{name}", held),
        "closed_vessels": pictures.seals_picture(state, batch, now_ms),
    })  # fmt: skip


def compare(ask: Ask) -> Response:
    """Two batches side by side."""
    first, second = ask.path("name"), ask.query("with")
    if not second:
        raise BadRequest("`with` is missing", "name the other batch, as in ?with=amber-2")
    if first == second:
        raise BadRequest("a batch differs in nothing from itself", "name another one")
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
        for name in (first, second):
            actions.find_batch(state, name)
        return JSONResponse(compared(comparison(reader, state, first, second, ask.local.now_ms)))


def shelf(ask: Ask) -> Response:
    """All jars and washes."""
    now_ms = ask.local.now_ms
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    practice = state.settings.practice.yeast
    return JSONResponse({
        "jars": [_jar(each, usual_of(state)) for each in yeast_clocks.shelf_of(state, now_ms)],
        "washes": [washing.as_json(each, practice, now_ms) for each in yeast_clocks.washings_of(state)],
    })  # fmt: skip


def pitch(ask: Ask) -> Response:
    """What a batch wants, or so many litres, and which jar serves."""
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    kind = ask.query("kind") or "usual"
    if kind not in PITCH_RATES:
        raise BadRequest(f"kind={kind!r} is not one of {', '.join(PITCH_RATES)}", "correct it, or leave it out")
    found = plan_for(
        telling.asked_of(state, ask), batch=ask.query("batch"), litres=_amount(ask, "litres"), og=_amount(ask, "og"),
        kind=cast("Kind", kind), strain=ask.query("strain"),
    )  # fmt: skip
    return JSONResponse(pitching.as_json(found))


def _amount(ask: Ask, name: str) -> float | None:
    text = ask.query(name)
    try:
        found = None if text is None else float(str(actions.decimal(text)))
    except ValueError:
        found = math.nan
    if found is not None and not math.isfinite(found):
        raise BadRequest(f"{name}={text!r} is not a number", "correct it, or leave it out")
    return found


def jar(ask: Ask) -> Response:
    """One jar, what was done to it, and where it comes from."""
    name = ask.path("name")
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    found = yeast_clocks.jar_of(state, name, ask.local.now_ms)
    if found is None:
        raise NotFound(f"there is no jar {name}", "see /api/shelf")
    past = lineage.as_json(yeast_clocks.lineage_of(state, name))
    return JSONResponse({**_jar(found, usual_of(state)), "deeds": _about(state, f"jar:{name}"), "lineage": past})


def _jar(found: Jar, usual: Usual | None) -> dict[str, Any]:
    return {**shelves.as_json(found), "would_pitch": pitching.reach_json(found, usual)}


def wash(ask: Ask) -> Response:
    """One wash, and what was done to it."""
    name = ask.path("name")
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    found = yeast_clocks.washing_of(state, name)
    if found is None:
        raise NotFound(f"there is no wash {name}", "see /api/shelf")
    told = washing.as_json(found, state.settings.practice.yeast, ask.local.now_ms)
    return JSONResponse({**told, "deeds": _about(state, f"wash:{name}")})


def _about(state: State, about: str) -> list[tables.Row]:
    own = {iso(entry.received) for entry in state.records.get(about, ())}
    return [row for row in tables.deeds(state) if row["received"] in own]


def deeds(ask: Ask) -> Response:
    """Entries of records, newest last: all, or those about one thing."""
    about = ask.query("about")
    limit = _limit(ask)
    with reading(ask.house.desk.path) as reader:
        state = load(reader)
    if about and about not in state.records and not _is_batch(state, about):
        raise NotFound(f"nothing is known about {about}", "write it like batch:amber-1, jar:lees-1 or wash:lees-1")
    rows = _about(state, about) if about else tables.deeds(state)
    return JSONResponse(rows[-limit:])


def _is_batch(state: State, about: str) -> bool:
    return about.startswith("batch:") and about[6:] in state.batches


def _limit(ask: Ask) -> int:
    text = ask.query("limit") or str(DEEDS)
    if not (text.isascii() and text.isdigit() and len(text) < 9 and 1 <= int(text) <= DEEDS_MOST):
        raise BadRequest(f"limit={text!r} is not a whole number from 1 to {DEEDS_MOST}", "leave it out, or correct it")
    return int(text)


# --- to change -----------------------------------------------------------------------------------------------------


async def tell(ask: Ask) -> Response:
    """One deed, as the journal has it."""
    return _said(ask, *await committed(ask, lambda reader, state: telling.told(ask.fields, reader, state, ask)))


async def undo(ask: Ask) -> Response:
    """A deed is taken back, or counts again."""
    form = checked(telling.UndoBody, ask.fields)
    of_ms = actions.moment(form.of, ask.local.zone)
    return _said(ask, *await committed(ask, lambda _, state: telling.undo(state, of_ms, ask)))


async def committed(ask: Ask, plan: Callable[[Reader, State], Change]) -> tuple[Change, int]:
    """Plan over the store as last committed, have the writer commit; the change, and when it was received."""
    desk = ask.house.desk

    def planned() -> Change:
        with reading(desk.path) as reader:
            return plan(reader, load(reader))

    change = await run_in_threadpool(planned)
    return change, await actions.commit(desk, change.items)


def _said(ask: Ask, change: Change, received: int) -> Response:
    return back_to("/") if ask.form else JSONResponse({"done": change.done, "received": iso(received)})
