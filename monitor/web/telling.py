"""Deeds as a person or a program tells them: checked against what stands, then an entry of the journal; and undoing."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import Field, RootModel, TypeAdapter, ValidationError

from monitor.batches import clearing, shelf
from monitor.batches.record import counting, taken_back
from monitor.engine import clocks, cold, seals, undoing
from monitor.engine.readings import open_batch
from monitor.engine.state import State
from monitor.intake.values import OLDEST_OWN_MS, refuse_future
from monitor.model.clock import iso
from monitor.model.deeds import (
    Clarity,
    Deed,
    DeedEntry,
    Fined,
    Harvested,
    HoldEnded,
    JarCounted,
    JarDiscarded,
    Jarred,
    JarUsed,
    Merged,
    Noted,
    Photo,
    PouredOff,
    Racked,
    Reopened,
    SealedUp,
    Split,
    Undone,
    WashDiscarded,
    WashRound,
)
from monitor.model.inputs import BatchStarted, JournalEntry, StageChanged
from monitor.rules.batch import BatchState
from monitor.store.photos import folder_of
from monitor.store.reader import Reader
from monitor.web.actions import Body, Change, decimal, find_batch, moment
from monitor.web.refusal import BadRequest, Conflict, NotFound
from monitor.web.ways import Ask

DEED: TypeAdapter[DeedEntry] = TypeAdapter(Annotated[DeedEntry, Field(discriminator="kind")])


class DeedBody(RootModel[Annotated[DeedEntry, Field(discriminator="kind")]]):
    """One deed, as the journal has it; without `at` it was done now."""


class UndoBody(Body):
    """The deed to take back, by when it was received; naming an undoing makes that deed count again."""

    of: str


Fields = dict[str, Any]


def parse(fields: Fields, zone: ZoneInfo, now_ms: int, *, form: bool = False) -> DeedEntry:
    """Fields as a deed; BadRequest names each one that cannot be used."""
    told = dict(fields)
    if "received" in told:
        raise BadRequest("received is not known here", "the writer gives it; `at` says when it was done")
    at = told.get("at")
    if not isinstance(at, str | None):
        raise BadRequest("at is not a time", "write it like 2026-03-09T04:10:00Z")
    told["at"] = now_ms if at is None else moment(at, zone)
    if form:
        told = {name: decimal(value) if name in DECIMALS else value for name, value in told.items()}
        if told.get("part") in ("1", "2"):
            told["part"] = int(told["part"])
    try:
        entry = DEED.validate_python(told)
    except ValidationError as error:
        raise BadRequest("; ".join(_reason(each) for each in error.errors()), "correct it and send it again") from error
    if refuse_future(entry.at, now_ms) is not None or entry.at < OLDEST_OWN_MS:
        raise BadRequest(f"{iso(entry.at)} is not a time in the past", "give the time at which it was done")
    return entry


DECIMALS = ("volume_l", "loss_l", "dose_ml", "ntu", "target_c", "hours", "from_c", "litres", "abv", "ml", "volume_ml",
            "layer_ml", "viability", "cells_per_ml")  # fmt: skip


def _reason(detail: Any) -> str:
    places = [str(part) for part in detail["loc"] if part not in _KINDS]
    where = ".".join(places) or "kind"
    if detail["type"] == "missing":
        return f"{where} is missing"
    if detail["type"] == "extra_forbidden":
        return f"{where} is not known here"
    if detail["type"].startswith("union_tag"):
        return f"kind is not one of {', '.join(sorted(_KINDS))}"
    return f"{where}: {detail['msg'].removeprefix('Value error, ')}"


_KINDS = {str(each.model_fields["kind"].default) for each in DeedEntry.__args__}


def told(fields: Fields, reader: Reader, state: State, ask: Ask) -> Change:
    """A deed of these fields, checked against what stands."""
    local, fields = ask.local, dict(fields)
    packet = fields.pop("ml_per_l", None) if ask.form else None  # what the packet says is asked, and not kept
    entry = parse(fields, local.zone, local.now_ms, form=ask.form)
    return tell(state, entry, reader, ask.house.desk.path, local.now_ms, _number("ml_per_l", packet))


def _number(name: str, text: object) -> float | None:
    if text is None:
        return None
    try:
        found = float(str(decimal(text)))
    except ValueError:
        found = math.nan
    if not 0.0 < found <= 100.0:
        raise BadRequest(f"{name}: {text} is not a number from 0 to 100", "correct it and send it again")
    return found


# --- a deed --------------------------------------------------------------------------------------------------------


def tell(
    state: State, entry: DeedEntry, reader: Reader, store: Path, now_ms: int, ml_per_l: float | None = None
) -> Change:
    """A deed that can be, as things stand: NotFound, BadRequest or Conflict otherwise.

    `ml_per_l` is the packet's dose of finings, where the settings have none.
    """
    about = getattr(entry, "about", None)
    if about is not None:
        _known(state, str(about))
    batch = _batch_of(state, entry)
    if isinstance(entry, Fined):
        assert batch is not None
        return Change(_fine(state, entry, batch, reader, now_ms, ml_per_l), "told", "")
    if isinstance(entry, SealedUp):
        assert batch is not None
        return Change((_as_known(state, entry, batch, reader),), "told", "")
    check = _CHECKS.get(type(entry))
    if check is not None:
        check(state, entry, batch, now_ms)
    if isinstance(entry, Photo) and not (folder_of(store) / entry.file).exists():
        raise NotFound(f"there is no photo {entry.file}", "keep it first: leeswatch batch photo --help")
    return Change((entry,), "told", "")


def _as_known(state: State, entry: SealedUp, batch: BatchState, reader: Reader) -> SealedUp:
    """What was known of it when it was closed is worked out here, whatever was sent: it decides what is safe."""
    known = seals.seal_facts(state, batch, entry.at, said=reader.latest_verdicts().get(batch.name))
    return entry.model_copy(update=seals.as_known(known))


def _batch_of(state: State, entry: Deed) -> BatchState | None:
    """The batch a deed is done to: it is there, open, and was pitched by then."""
    name = getattr(entry, "batch", None)
    about = str(getattr(entry, "about", ""))
    if name is None and about.startswith("batch:"):
        name = about[6:]
    if name is None:
        return None
    batch = find_batch(state, name)
    if batch.closed and not isinstance(entry, Reopened | Noted | Photo | HoldEnded | JarUsed):
        raise Conflict(f"batch {name} is over", "open it again first, or tell it of another one")
    if entry.at < batch.pitched_ms and not isinstance(entry, JarUsed):
        raise BadRequest(f"{iso(entry.at)} lies before batch {name} was pitched", "give the time at which it was done")
    return batch


def _known(state: State, about: str) -> None:
    kind, _, name = about.partition(":")
    if kind == "batch":
        find_batch(state, name)
    elif about not in state.records:
        known = ", ".join(key.partition(":")[2] for key in state.records if key.startswith(f"{kind}:")) or "none"
        raise NotFound(f"there is no {kind} {name}", f"{'jars' if kind == 'jar' else 'washes'}: {known}")


def free_vessel(state: State, name: str, but: str, litres: float | None) -> None:
    """A vessel that there is, that holds no other batch, and that is large enough."""
    vessel = state.vessel(name)
    if vessel is None:
        known = ", ".join(each.name for each in state.settings.vessel) or "none"
        raise NotFound(f"there is no vessel {name}", f"vessels: {known}; a new one is a [[vessel]] of its own")
    other = open_batch(state, name)
    if other is not None and other.name != but:
        raise Conflict(f"vessel {name} holds batch {other.name}", "say first where that one went, or that it is over")
    if litres is not None and litres > vessel.volume_l:
        raise BadRequest(f"{litres:g} L do not fit into {name}, which holds {vessel.volume_l:g} L", "check the figure")


def _rack(state: State, entry: Racked, batch: BatchState, _: int) -> None:
    if entry.to == batch.vessel:
        raise Conflict(f"batch {batch.name} is in {entry.to} already", "name the vessel it went into")
    free_vessel(state, entry.to, batch.name, entry.volume_l)


def _split(state: State, entry: Split, _: BatchState, __: int) -> None:
    if entry.name in state.batches:
        raise Conflict(f"there is a batch {entry.name} already", "give the part another name")
    free_vessel(state, entry.vessel, "", entry.volume_l)


def _merge(state: State, entry: Merged, _: BatchState, __: int) -> None:
    into = find_batch(state, entry.into)
    if entry.into == entry.batch:
        raise BadRequest("a batch cannot be poured into itself", "name the other batch")
    if into.closed:
        raise Conflict(f"batch {entry.into} is over", "open it again first")


def _reopen(state: State, _: Reopened, batch: BatchState, __: int) -> None:
    if not batch.closed:
        raise Conflict(f"batch {batch.name} is not over", "nothing needs to be done")
    free_vessel(state, batch.vessel, batch.name, None)


def _fine(
    state: State, entry: Fined, batch: BatchState, reader: Reader, now_ms: int, ml_per_l: float | None
) -> tuple[JournalEntry, ...]:
    """Part one only where what practice asks is so, or the person says to do it anyway; part two after part one.

    A dose that was left out is the packet's. A batch whose first part went in by the book goes to stage clearing.
    """
    practice = state.settings.practice.clearing
    packet = ml_per_l or (practice.first_ml_per_l if entry.part == 1 else practice.second_ml_per_l)
    dose = entry.dose_ml or clearing.suggested_dose(cold.volume_of(state, batch), packet)
    dosed = entry.model_copy(update={"dose_ml": dose})
    if entry.part == 2:
        _second_part(state, entry, batch)
        return (dosed,)
    wrong = [each for each in first_part(state, batch, entry, reader, now_ms, ml_per_l) if each.answer != "pass"]
    if wrong and not entry.anyway:
        raise Conflict(
            "; ".join(f"{each.name}: {each.why}" for each in wrong),
            f"{(wrong[0].do or 'see to it first').split(' Then say so')[0]}; or say that it went in anyway",
        )
    if not wrong and batch.stage == "fermenting":
        return StageChanged(batch=batch.name, stage="clearing", at=entry.at), dosed
    return (dosed,)


def _second_part(state: State, entry: Fined, batch: BatchState) -> None:
    found = clocks.clearing_of(state, batch)
    if found.first is None:
        raise Conflict(f"no first part is noted for {batch.name}", "tell of the first part first")
    due = clearing.second_due_ms(found, state.settings.practice.clearing)
    if not entry.anyway and due is not None and entry.at < due:
        minutes = (due - entry.at + 59_999) // 60_000
        raise Conflict(f"the second part is due in {minutes} min", "wait, or say that it went in anyway")


def first_part(
    state: State, batch: BatchState, entry: Fined, reader: Reader, now_ms: int, ml_per_l: float | None = None
) -> tuple[clearing.Condition, ...]:
    """What is asked before the first part of the finings goes in, and whether it is so."""
    warmth = clocks.warmth_of(state, batch, now_ms)
    facts = clocks.before_fining(state, batch, warmth, clocks.called_finished(reader.verdicts(batch.name)))
    practice = state.settings.practice.clearing
    return clearing.before_first(facts, practice, degassed=entry.degassed, dose_ml=entry.dose_ml, ml_per_l=ml_per_l)


def _clarity(_: State, entry: Clarity, __: BatchState, ___: int) -> None:
    if entry.clearness is None and entry.ntu is None:
        raise BadRequest("how clear is it?", "give clearness or ntu")


def _unhold(state: State, entry: HoldEnded, _: BatchState | None, __: int) -> None:
    if entry.about not in clocks.holds(state):
        raise Conflict(f"{entry.about.partition(':')[2]} is not held cold", "nothing needs to be done")


# --- yeast -----------------------------------------------------------------------------------------------------------


def _wash(state: State, entry: WashRound | PouredOff | WashDiscarded, _: BatchState | None, __: int) -> None:
    _known(state, f"wash:{entry.wash}")


def _harvest(state: State, entry: Harvested, _: BatchState | None, __: int) -> None:
    if clearing.fined_by(state.records, entry.batch, entry.at):
        raise Conflict(
            f"batch {entry.batch} was fined: its lees hold finings",
            "lees after finings are never kept: start from fresh",
        )
    for parent in entry.parents:
        _known(state, f"jar:{parent}")


def _jar(state: State, entry: Jarred, _: BatchState | None, __: int) -> None:
    if any(isinstance(each, Jarred) and each.jar == entry.jar for each in _record(state, entry.jar)):
        raise Conflict(f"there is a jar {entry.jar} already", "give it another name, such as one with a number")
    if entry.wash is not None:
        _known(state, f"wash:{entry.wash}")
    for parent in entry.parents:
        _known(state, f"jar:{parent}")


def _on_shelf(state: State, entry: JarUsed | JarCounted | JarDiscarded, _: BatchState | None, now_ms: int) -> None:
    _known(state, f"jar:{entry.jar}")
    jar = shelf.one(state.records, entry.jar, state.settings.practice.yeast, now_ms)
    if jar is None:
        raise NotFound(f"there is no jar {entry.jar} on the shelf", "tell first how it came there")
    if jar.gone:
        raise Conflict(f"jar {entry.jar} is gone: {jar.gone}", "take that back first, if it is there after all")
    if isinstance(entry, JarUsed) and entry.ml > jar.left_ml + 1e-6:
        raise BadRequest(f"{entry.ml:g} {jar.unit} cannot be taken from {jar.left_ml:g} {jar.unit}", "check the figure")


def _record(state: State, jar: str) -> list[JournalEntry]:
    return counting(state.records.get(f"jar:{jar}", ()))


_CHECKS: dict[type, Callable[[State, Any, Any, int], None]] = {
    Racked: _rack, Split: _split, Merged: _merge, Reopened: _reopen, Clarity: _clarity,
    HoldEnded: _unhold, WashRound: _wash, PouredOff: _wash, WashDiscarded: _wash, Harvested: _harvest,
    Jarred: _jar, JarUsed: _on_shelf,
    JarCounted: _on_shelf, JarDiscarded: _on_shelf,
}  # fmt: skip


# --- taking back -------------------------------------------------------------------------------------------------


def undo(state: State, of_ms: int, now_ms: int) -> Change:
    """Take an entry of a record back, or make one that was taken back count again."""
    holders = [record for record in state.records.values() if any(each.received == of_ms for each in record)]
    if not holders:
        raise NotFound(f"no deed was received at {iso(of_ms)}", _of_reading(state, of_ms))
    record = holders[0]
    found = next(each for each in record if each.received == of_ms)
    if of_ms in taken_back(record):
        raise Conflict("that was taken back already", "to count it again, take its undoing back")
    if isinstance(found, BatchStarted):
        _only_start(state, str(found.batch.get("name")), record)
    doubled = undoing.doubled_by(state, record, found)
    if doubled is not None:
        raise Conflict(f"there is another reading of that time, {doubled[1].gravity:.4f}", "take that one back first")
    _no_two(state, found, now_ms)
    return Change((Undone(of=of_ms),), "undone", "")


def _of_reading(state: State, at_ms: int) -> str:
    """Where to take back what was received at no time, because it was read by hand."""
    for batch in state.batches.values():
        if any(point.at_ms == at_ms for point in batch.hand):
            return f"that is a hand reading: POST /api/batches/{batch.name}/reading/undo with its time as `at`"
    return "see /api/deeds for what can be taken back"


def _only_start(state: State, name: str, record: list[JournalEntry]) -> None:
    others = undoing.beside_the_start(state, name, record)
    if others:
        raise Conflict(f"batch {name} has {others}", "take back first what hangs on its start, or end it")


def _no_two(state: State, found: JournalEntry, now_ms: int) -> None:
    crowded = undoing.crowded_by(state, found, now_ms)
    if crowded is not None:
        vessel, names = crowded
        raise Conflict(
            f"that would put {' and '.join(names)} into one vessel, {vessel}",
            "say first where the other one went, or that it is over",
        )
