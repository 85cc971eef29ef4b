"""What a person tells of a batch: that it was started, moved to another stage, added to, or is over."""

from __future__ import annotations

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator, Field

from monitor.engine.checks import Asked, admit
from monitor.model.clock import iso
from monitor.model.inputs import Added, BatchClosed, BatchStarted, StageChanged
from monitor.web.actions import Body, Change, Gravity, decimal, moment

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


def stage(name: str, form: Stage, asked: Asked) -> Change:
    """It goes to another stage; its alerts return, for they were of the old one."""
    return Change(admit(asked, StageChanged(batch=name, stage=form.stage)), "moved", f"batch-{name}")


def addition(name: str, form: Addition, asked: Asked, zone: ZoneInfo) -> Change:
    """Something went in: original gravity, strength and the verdict's window are reckoned anew."""
    at = asked.now_ms if form.at is None else moment(form.at, zone)
    entry = Added(batch=name, what=form.what, at=at, gravity_rise=form.gravity_rise)
    return Change(admit(asked, entry), "added", f"batch-{name}")


def close(name: str, _: Close, asked: Asked) -> Change:
    """It is over: its record stays, its rules rest."""
    return Change(admit(asked, BatchClosed(batch=name)), "closed", "batches")


def start(form: Start, asked: Asked, zone: ZoneInfo) -> Change:
    """A batch begins in a vessel that holds no other."""
    pitched = asked.now_ms if form.pitched is None else moment(form.pitched, zone)
    told = form.model_dump(exclude_none=True) | {"pitched": iso(pitched)}
    return Change(admit(asked, BatchStarted(batch=told)), "started", f"batch-{form.name}")
