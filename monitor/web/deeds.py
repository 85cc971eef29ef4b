"""What a person tells of a batch: that it was started, moved to another stage, added to, or is over."""

from __future__ import annotations

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field, ValidationError

from monitor.engine.readings import open_batch
from monitor.engine.state import State
from monitor.intake.values import refuse_future
from monitor.model.clock import iso
from monitor.model.config import Batch
from monitor.model.inputs import Added, BatchClosed, BatchStarted, StageChanged
from monitor.rules.batch import BatchState
from monitor.web.actions import Body, Change, Gravity, decimal, find_batch, moment
from monitor.web.refusal import BadRequest, Conflict, NotFound

StageName = Literal["fermenting", "clearing", "cold", "stored"]


class Stage(Body):
    """Where it goes."""

    stage: StageName


class Addition(Body):
    """What went in, when (else now), and by how much that raised the gravity, where that is known."""

    what: Annotated[str, Field(min_length=1, max_length=80)]
    at: str | None = None
    gravity_rise: Annotated[float, Field(ge=-0.2, le=0.2), BeforeValidator(decimal)] | None = None


class Close(Body):
    """That it is over, said twice: it cannot be opened again."""

    sure: Literal["yes"]


class Start(Body):
    """A batch as pitched; the rest of its settings can be given in the configuration."""

    name: str
    vessel: str
    pitched: str | None = None
    original_gravity: Gravity | None = None
    expected_final: Gravity | None = None
    fermentables: Literal["sugar", "grain", "mixed"] | None = None
    recipe: str | None = None
    yeast: str | None = None


def _open(state: State, name: str) -> BatchState:
    batch = find_batch(state, name)
    if batch.closed:
        raise Conflict(f"batch {name} is over", "its record stays as it is")
    return batch


def stage(state: State, name: str, form: Stage) -> Change:
    """It goes to another stage; its alerts return, for they were of the old one."""
    _open(state, name)
    return Change((StageChanged(batch=name, stage=form.stage),), "moved", f"batch-{name}")


def addition(state: State, name: str, form: Addition, zone: ZoneInfo, now_ms: int) -> Change:
    """Something went in: original gravity, strength and the verdict's window are reckoned anew."""
    batch = _open(state, name)
    at = _past(form.at, zone, now_ms)
    if at < batch.pitched_ms:
        raise BadRequest(f"{iso(at)} lies before batch {name} was pitched", "give the time it went in")
    entry = Added(batch=name, what=form.what, at=at, gravity_rise=form.gravity_rise)
    return Change((entry,), "added", f"batch-{name}")


def close(state: State, name: str, _: Close) -> Change:
    """It is over: its record stays, its rules rest."""
    _open(state, name)
    return Change((BatchClosed(batch=name),), "closed", "batches")


def start(state: State, form: Start, zone: ZoneInfo, now_ms: int) -> Change:
    """A batch begins in a vessel that holds no other."""
    if form.name in state.batches:
        raise Conflict(f"there is a batch {form.name} already", "give it another name, such as one with a number")
    if state.vessel(form.vessel) is None:
        known = ", ".join(vessel.name for vessel in state.settings.vessel) or "none"
        raise NotFound(f"there is no vessel {form.vessel}", f"vessels: {known}; a new one is a [[vessel]] of its own")
    other = open_batch(state, form.vessel)
    if other is not None:
        raise Conflict(f"vessel {form.vessel} holds batch {other.name}", "say first that that one is over")
    told = form.model_dump(exclude_none=True) | {"pitched": iso(_past(form.pitched, zone, now_ms))}
    try:
        Batch.model_validate(told)
    except ValidationError as error:
        detail = error.errors()[0]
        where = f"{detail['loc'][0]}: " if detail["loc"] else ""
        raise BadRequest(
            f"{where}{detail['msg'].removeprefix('Value error, ')}", "correct it and send it again"
        ) from error
    return Change((BatchStarted(batch=told),), "started", f"batch-{form.name}")


def _past(text: str | None, zone: ZoneInfo, now_ms: int) -> int:
    at = now_ms if text is None else moment(text, zone)
    if refuse_future(at, now_ms) is not None:
        raise BadRequest(f"{iso(at)} is still to come", "give the time at which it was")
    return at
