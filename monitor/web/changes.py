"""What changes something: each plans journal entries from the state, and has the one writer commit them."""

from __future__ import annotations

from collections.abc import Callable

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response

from monitor.engine.state import State
from monitor.model.clock import iso
from monitor.web import actions, deeds
from monitor.web.actions import Change, checked
from monitor.web.look import reading
from monitor.web.telling import asked_of
from monitor.web.ways import Ask, back_to


async def _change(ask: Ask, plan: Callable[[State], Change]) -> Response:
    """Plan over the state as last committed, commit, and say so: in JSON, or by the way back to the page."""
    desk = ask.house.desk
    change = await run_in_threadpool(lambda: plan(actions.state_now(desk)))
    received = await actions.commit(desk, change.items)
    if ask.form:
        return back_to(f"/?said={change.done}#{change.anchor}")
    return JSONResponse({"done": change.done, "received": iso(received)})


async def acknowledge(ask: Ask) -> Response:
    """An alert was seen."""
    checked(actions.Nothing, ask.fields)
    return await _change(ask, lambda state: actions.acknowledge(state, ask.path("id")))


async def shelve(ask: Ask) -> Response:
    """An alert is set aside."""
    form = checked(actions.Shelve, ask.fields)
    return await _change(ask, lambda state: actions.shelve(state, ask.path("id"), form, ask.local))


async def done(ask: Ask) -> Response:
    """What a notice asked for is done."""
    checked(actions.Nothing, ask.fields)
    return await _change(ask, lambda state: actions.done(state, ask.path("id")))


async def hand_reading(ask: Ask) -> Response:
    """A hydrometer reading."""
    form, desk, zone = checked(actions.HandValues, ask.fields), ask.house.desk, ask.local.zone

    def plan(state: State) -> Change:
        with reading(desk.path) as reader:
            return actions.hand_reading(state, ask.path("name"), form, desk, zone, reader)

    return await _change(ask, plan)


async def undo_reading(ask: Ask) -> Response:
    """A hydrometer reading is taken back."""
    form = checked(actions.Undo, ask.fields)
    return await _change(ask, lambda state: actions.undo_reading(state, ask.path("name"), form, ask.local.zone))


async def start(ask: Ask) -> Response:
    """A batch begins."""
    form = checked(deeds.Start, ask.fields)
    return await _change(ask, lambda state: deeds.start(form, asked_of(state, ask), ask.local.zone))


async def stage(ask: Ask) -> Response:
    """A batch goes to another stage."""
    form = checked(deeds.Stage, ask.fields)
    return await _change(ask, lambda state: deeds.stage(ask.path("name"), form, asked_of(state, ask)))


async def addition(ask: Ask) -> Response:
    """Something went into a batch."""
    form, zone = checked(deeds.Addition, ask.fields), ask.local.zone
    return await _change(ask, lambda state: deeds.addition(ask.path("name"), form, asked_of(state, ask), zone))


async def close(ask: Ask) -> Response:
    """A batch is over."""
    form = checked(deeds.Close, ask.fields)
    return await _change(ask, lambda state: deeds.close(ask.path("name"), form, asked_of(state, ask)))
