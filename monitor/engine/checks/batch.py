"""What is asked of deeds that begin a batch, move it, feed it, end it, or tell of it in words."""

from __future__ import annotations

from pydantic import ValidationError

from monitor.batches.life import Life
from monitor.engine.checks.common import (
    Asked,
    batch_of,
    free_vessel,
    in_time,
    life_now,
    measured_l,
    not_before,
    since_pitch,
    still_open,
)
from monitor.engine.yeast_clocks import jar_of
from monitor.model.config import Batch
from monitor.model.deeds import Merged, Noted, Photo, Racked, Reopened, Split
from monitor.model.errors import Refused
from monitor.model.inputs import Added, BatchClosed, BatchStarted, StageChanged
from monitor.science import forecast

ARRIVES_MOST = 1.1  # times what there was: measures of volume are rough


# --- beginning -------------------------------------------------------------------------------------------------------


def started(asked: Asked, entry: BatchStarted) -> BatchStarted:
    """A batch of a new name in a vessel that is free, and large enough; from jars that there are."""
    name = str(entry.batch.get("name", ""))
    _new(asked, name)
    told = valid(entry)
    free_vessel(asked, told.vessel, told.volume_l)
    in_time(asked, told.pitched)
    for jar in told.jars:
        if f"jar:{jar}" not in asked.state.records:
            known = ", ".join(key[4:] for key in asked.state.records if key.startswith("jar:")) or "none yet"
            raise Refused(f"there is no jar {jar} on the shelf", f"jars: {known}", "unknown")
    _forecast(told)
    return entry


def _new(asked: Asked, name: str) -> None:
    if name in asked.state.batches:
        raise Refused(f"there is a batch {name} already", "give it another name, such as one with a number")


def valid(entry: BatchStarted) -> Batch:
    """The batch that an entry starts."""
    try:
        return Batch.model_validate(entry.batch)
    except ValidationError as error:
        detail = error.errors()[0]
        where = f"{detail['loc'][0]}: " if detail["loc"] else ""
        what = f"{where}{detail['msg'].removeprefix('Value error, ')}"
        raise Refused(what, "correct it and try again", "figures") from error


def _forecast(told: Batch) -> None:
    """Ingredients that can be what they are said to be."""
    mix = told.ingredients
    if mix is None:
        return
    if told.volume_l is None:
        raise Refused(
            "ingredients without a volume give no gravity", "say how many litres it is, all mixed (--litres)", "figures"
        )
    try:
        forecast.original(
            told.volume_l, mix.sugar_kg, mix.grain_kg, mix.enzymes, alcohol_limit_abv=told.alcohol_limit_abv
        )
    except ValueError as error:
        raise Refused(str(error), "leeswatch calc original --help names sugars and grains", "figures") from error


# --- moving ------------------------------------------------------------------------------------------------------


def racked(asked: Asked, entry: Racked) -> Racked:
    """Into another vessel that is free, and not more than there was."""
    batch = still_open(asked, entry.batch)
    if entry.to == batch.vessel:
        raise Refused(f"batch {batch.name} is in {entry.to} already", "name the vessel it went into")
    at = since_pitch(asked, batch, entry.at)
    life = life_now(asked, batch.name)
    there, arrived = measured_l(life), arriving(life, entry)
    if entry.loss_l is not None and life.volume_l is not None and entry.loss_l >= life.volume_l:
        raise Refused(f"{entry.loss_l:g} L cannot stay behind of {life.volume_l:.1f} L", "check the figure", "figures")
    if entry.volume_l is not None and there is not None and entry.volume_l > there * ARRIVES_MOST:
        raise Refused(
            f"{entry.volume_l:g} L cannot arrive: there were {there:.1f} L, {life.volume_how}",
            "check the figure",
            "figures",
        )
    vessel = free_vessel(asked, entry.to, arrived)
    if arrived is None and there is not None and there > vessel.volume_l:
        raise Refused(
            f"{there:.1f} L do not fit into {vessel.name}, which holds {vessel.volume_l:g} L",
            "say how many litres arrived; where a part went into it, it is `batch split`",
            "figures",
        )
    return entry.model_copy(update={"at": at})


def arriving(life: Life, entry: Racked) -> float | None:
    """How much arrives: as measured, or what there was without what stayed behind; None: not known."""
    if entry.volume_l is not None or entry.loss_l is None or life.volume_l is None:
        return entry.volume_l
    return life.volume_l - entry.loss_l


def split(asked: Asked, entry: Split) -> Split:
    """Less than all of it, into a vessel that is free, under a new name."""
    batch = still_open(asked, entry.batch)
    _new(asked, entry.name)
    free_vessel(asked, entry.vessel, entry.volume_l)
    at = since_pitch(asked, batch, entry.at)
    life = life_now(asked, batch.name)
    if life.volume_l is not None and entry.volume_l >= life.volume_l:
        raise Refused(
            f"{entry.volume_l:g} L cannot be split from {life.volume_l:.1f} L ({life.volume_how})",
            "where all of it went, it is `batch rack`",
            "figures",
        )
    return entry.model_copy(update={"at": at})


def merged(asked: Asked, entry: Merged) -> Merged:
    """Into another batch that is not over."""
    batch, other = still_open(asked, entry.batch), still_open(asked, entry.into)
    if batch is other:
        raise Refused("a batch cannot be poured into itself", "name the other batch", "figures")
    return entry.model_copy(update={"at": since_pitch(asked, other, since_pitch(asked, batch, entry.at))})


def staged(asked: Asked, entry: StageChanged) -> StageChanged:
    """To a stage that it is not in."""
    batch = still_open(asked, entry.batch)
    if batch.stage == entry.stage:
        raise Refused(f"batch {batch.name} is in stage {batch.stage} already", "nothing needs to be done")
    return entry if entry.at is None else entry.model_copy(update={"at": since_pitch(asked, batch, entry.at)})


def added(asked: Asked, entry: Added) -> Added:
    """Something, to a batch that is not over."""
    batch = still_open(asked, entry.batch)
    if not entry.what.strip():
        raise Refused("what was added has no name", "say sugar, water, nutrient, acid or a word of yours", "figures")
    return entry.model_copy(update={"at": since_pitch(asked, batch, entry.at)})


# --- ending ------------------------------------------------------------------------------------------------------


def closed(asked: Asked, entry: BatchClosed) -> BatchClosed:
    """It is not over yet."""
    batch = batch_of(asked, entry.batch)
    if batch.closed:
        raise Refused(f"batch {batch.name} is over already", f"if it goes on: leeswatch batch reopen {batch.name}")
    return entry if entry.at is None else entry.model_copy(update={"at": since_pitch(asked, batch, entry.at)})


def reopened(asked: Asked, entry: Reopened) -> Reopened:
    """It is over, and its vessel holds no other."""
    batch = batch_of(asked, entry.batch)
    if not batch.closed:
        raise Refused(f"batch {batch.name} is not over", "nothing needs to be done")
    free_vessel(asked, batch.vessel, None, batch.name)
    return entry.model_copy(update={"at": since_pitch(asked, batch, entry.at)})


# --- words and pictures ----------------------------------------------------------------------------------------------


def noted(asked: Asked, entry: Noted) -> Noted:
    """Words about something that there is."""
    if not entry.text.strip():
        raise Refused("a note has 1 to 4000 characters", "write something", "figures")
    if entry.score is not None and entry.sort != "tasting":
        raise Refused(
            "only a tasting has a score", "say that it was tasted (--tasting), or leave the score out", "figures"
        )
    return entry.model_copy(update={"at": _about(asked, entry.about, entry.at)})


def photographed(asked: Asked, entry: Photo) -> Photo:
    """A picture of something that there is."""
    return entry.model_copy(update={"at": _about(asked, entry.about, entry.at)})


def _about(asked: Asked, about: str, at: int) -> int:
    """When something was told of a batch, a wash or a jar that there is, gone or over though it may be."""
    kind, _, name = about.partition(":")
    if kind == "batch":
        return since_pitch(asked, batch_of(asked, name), at)
    if about not in asked.state.records:
        known = ", ".join(key.partition(":")[2] for key in asked.state.records if key.startswith(f"{kind}:"))
        raise Refused(f"there is no {kind} {name}", f"{'jars' if kind == 'jar' else 'washes'}: {known or 'none yet'}",
                      "unknown")  # fmt: skip
    jar = jar_of(asked.state, name, asked.now_ms) if kind == "jar" else None
    return in_time(asked, at) if jar is None else not_before(asked, at, jar.made.at, f"jar {name} was put up")
