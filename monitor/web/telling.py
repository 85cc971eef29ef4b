"""Deeds as a person or a program tells them: checked against what stands, then an entry of the journal; and undoing."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from pydantic import Field, RootModel, TypeAdapter, ValidationError

from monitor.engine.checks import Asked, admit
from monitor.engine.checks.undo import undone
from monitor.engine.state import State
from monitor.model.clock import iso, on_site
from monitor.model.deeds import DeedEntry, Photo
from monitor.store.photos import folder_of
from monitor.store.reader import Reader
from monitor.web.actions import Body, Change, decimal, moment
from monitor.web.refusal import BadRequest, NotFound
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
        return DEED.validate_python(told)
    except ValidationError as error:
        raise BadRequest("; ".join(_reason(each) for each in error.errors()), "correct it and send it again") from error


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
    fields = dict(fields)
    # What the packet says, and how warm it is, is asked and not kept: beside a form's fields, or as a query.
    beside = {name: fields.pop(name, None) if ask.form else ask.query(name) for name in BESIDE}
    entry = parse(fields, ask.local.zone, ask.local.now_ms, form=ask.form)
    anyway = getattr(entry, "anyway", False) or _ticked("anyway", ask.query("anyway"))
    asked = asked_of(state, ask, reader, anyway=anyway, **{name: _number(name, beside[name]) for name in BESIDE})
    if isinstance(entry, Photo) and not (folder_of(ask.house.desk.path) / entry.file).exists():
        raise NotFound(f"there is no photo {entry.file}", "keep it first: leeswatch batch photo --help")
    return Change(admit(asked, entry), "told", "")


BESIDE = {"ml_per_l": (0.0, 100.0), "liquid_c": (-10.0, 60.0)}


def asked_of(
    state: State,
    ask: Ask,
    reader: Reader | None = None,
    *,
    anyway: bool = False,
    ml_per_l: float | None = None,
    liquid_c: float | None = None,
) -> Asked:
    """What a deed is checked against; the site writes its times as on the command line."""
    write = partial(on_site, zone=ask.local.zone)
    said = (lambda _: ()) if reader is None else reader.verdicts
    return Asked(state, ask.local.now_ms, write, said, anyway, liquid_c, ml_per_l)


def _number(name: str, text: object) -> float | None:
    if text is None:
        return None
    low, high = BESIDE[name]
    try:
        found = float(str(decimal(text)))
    except ValueError:
        found = low
    if not low < found <= high:
        raise BadRequest(f"{name}: {text} is not a number from {low:g} to {high:g}", "correct it and send it again")
    return found


def _ticked(name: str, text: str | None) -> bool:
    if text not in (None, "yes", "no"):
        raise BadRequest(f"{name}={text!r} is neither yes nor no", "correct it, or leave it out")
    return text == "yes"


# --- taking back -------------------------------------------------------------------------------------------------


def undo(state: State, of_ms: int, ask: Ask) -> Change:
    """Take an entry of a record back, or make one that was taken back count again."""
    for about, record in state.records.items():
        for entry in record:
            if entry.received == of_ms:
                return Change((undone(asked_of(state, ask), entry, about),), "undone", "")
    raise NotFound(f"no deed was received at {iso(of_ms)}", _of_reading(state, of_ms))


def _of_reading(state: State, at_ms: int) -> str:
    """Where to take back what was received at no time, because it was read by hand."""
    for batch in state.batches.values():
        if any(point.at_ms == at_ms for point in batch.hand):
            return f"that is a hand reading: POST /api/batches/{batch.name}/reading/undo with its time as `at`"
    return "see /api/deeds for what can be taken back"
