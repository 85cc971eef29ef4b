"""`leeswatch batch`: the life of a batch, from its start through other vessels to its end, and taking deeds back."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from monitor.cli import batch_add, batch_notes, batch_show, batch_start, batch_undo
from monitor.cli.common import (
    Commands,
    batch_of,
    command,
    iso,
    litres,
    local,
    moment,
    named,
    now_ms,
    say_done,
    settings_of,
    whole_state,
    with_when,
    write,
)
from monitor.model.config import Settings, Vessel
from monitor.model.deeds import Merged, Racked, Reopened, Split
from monitor.model.errors import UsageError
from monitor.model.inputs import BatchClosed, StageChanged

if TYPE_CHECKING:
    from monitor.batches.life import Life
    from monitor.engine.state import State
    from monitor.rules.batch import BatchState

STAGES = ("fermenting", "clearing", "cold", "stored")
FUTURE_MS = 5 * 60_000


def add(verbs: Commands) -> None:
    """Add the verbs."""
    batch_start.add(verbs)
    batch_add.add(verbs)

    stage = command(verbs, "stage", "Move a batch to another stage.", "leeswatch batch stage amber-1 cold", _stage)
    named(stage)
    stage.add_argument("stage", choices=STAGES)
    with_when(stage)

    _add_moves(verbs)

    close = command(verbs, "close", "A batch is over: its rules rest, its record stays.",
                    "leeswatch batch close amber-1", _close)  # fmt: skip
    named(close)
    with_when(close)

    reopen = command(verbs, "reopen", "A batch that was closed goes on.", "leeswatch batch reopen amber-1", _reopen)
    named(reopen)
    with_when(reopen)

    batch_notes.add(verbs)
    batch_show.add(verbs)
    batch_undo.add(verbs)


def _add_moves(verbs: Commands) -> None:
    rack = command(verbs, "rack", "A batch went into another vessel, off its lees.",
                   "leeswatch batch rack amber-1 --to jug-a --litres 17.2", _rack)  # fmt: skip
    named(rack)
    rack.add_argument("--to", required=True, metavar="VESSEL", help="the vessel it is in now")
    rack.add_argument("--litres", type=litres, metavar="L", help="what arrived")
    rack.add_argument("--loss", type=litres, metavar="L", help="what stayed behind")
    with_when(rack)

    split = command(verbs, "split", "Part of a batch went into a vessel of its own, as a batch of its own.",
                    "leeswatch batch split amber-1 amber-1b --vessel jug-b --litres 4", _split)  # fmt: skip
    named(split)
    split.add_argument("part", metavar="PART", help="the name of the new batch")
    split.add_argument("--vessel", required=True, metavar="VESSEL", help="the vessel that the part is in")
    split.add_argument("--litres", type=litres, required=True, metavar="L", help="how much went into it")
    with_when(split)

    merge = command(verbs, "merge", "A batch was poured into another, and is over.",
                    "leeswatch batch merge amber-1b --into amber-1", _merge)  # fmt: skip
    named(merge)
    merge.add_argument("--into", required=True, metavar="BATCH", help="the batch that goes on")
    merge.add_argument("--litres", type=litres, metavar="L", help="how much went into it (default: all of it)")
    with_when(merge)


# --- what they share ---------------------------------------------------------------------------------------------


def open_one(state: State, name: str) -> BatchState:
    """A batch that is not over; UsageError otherwise."""
    batch = batch_of(state, name)
    if batch.closed:
        raise UsageError(f"batch {name} is closed", f"leeswatch batch reopen {name}")
    return batch


def since_pitch(batch: BatchState, text: str | None, settings: Settings) -> int:
    """When it was done: not to come, and not before the batch was pitched. UsageError otherwise."""
    now = now_ms(settings)
    at = now if text is None else moment(text, settings)
    if at > now + FUTURE_MS:
        raise UsageError(f"{iso(at)} is still to come", "give the time at which it was, with --when")
    if at < batch.pitched_ms:
        pitched = local(batch.pitched_ms, settings)
        raise UsageError(f"{iso(at)} lies before batch {batch.name} was pitched, {pitched}", "give the time it was")
    return at


def life_now(state: State, name: str, settings: Settings) -> Life:
    """The life of a batch that there is."""
    from monitor.engine.lives import life_of  # noqa: PLC0415 - with half the science

    batch_of(state, name)
    found = life_of(state, name, now_ms(settings), lambda ms: local(ms, settings))
    assert found is not None
    return found


def free(state: State, settings: Settings, name: str, but: str = "") -> Vessel:
    """A vessel that there is and that holds no other batch; UsageError otherwise."""
    vessel = next((each for each in settings.vessel if each.name == name), None)
    if vessel is None:
        known = ", ".join(each.name for each in settings.vessel) or "none"
        raise UsageError(f"there is no vessel {name}", f"vessels: {known}; a new one is a [[vessel]] of its own")
    other = next((each for each in state.batches.values() if each.vessel == name and not each.closed), None)
    if other is not None and other.name != but:
        raise UsageError(
            f"vessel {name} holds batch {other.name}",
            f"close that one (leeswatch batch close {other.name}), or pour this one into it with batch merge",
        )
    return vessel


def fits(vessel: Vessel, volume: float | None) -> None:
    """UsageError where a volume (L, None: not known) is more than the vessel holds."""
    if volume is not None and volume > vessel.volume_l:
        raise UsageError(
            f"{volume:g} L do not fit into {vessel.name}, which holds {vessel.volume_l:g} L",
            "check the figure, or volume_l of that [[vessel]]",
        )


def undo_of(name: str) -> str:
    """The command that takes the latest entry about a batch back."""
    return f"leeswatch batch undo {name}"


# --- the verbs ---------------------------------------------------------------------------------------------------


def _stage(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    batch = open_one(whole_state(settings), args.name)
    if batch.stage == args.stage:
        raise UsageError(f"batch {args.name} is in stage {args.stage} already", "leeswatch batch show tells its stage")
    at = since_pitch(batch, args.when, settings)
    received = write(settings, [StageChanged(batch=args.name, stage=args.stage, at=at)])
    return say_done(
        args, [f"{args.name}: stage {args.stage}"], undo_of(args.name), batch=args.name, received=iso(received)
    )


def _rack(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    state = whole_state(settings)
    batch = open_one(state, args.name)
    if args.to == batch.vessel:
        raise UsageError(f"batch {args.name} is in {args.to} already", "name the vessel it went into")
    vessel = free(state, settings, args.to)
    at = since_pitch(batch, args.when, settings)
    life = life_now(state, args.name, settings)
    arrived = args.litres
    if arrived is None and args.loss is not None and life.volume_l is not None:
        arrived = life.volume_l - args.loss
        if arrived <= 0.0:
            raise UsageError(f"{args.loss:g} L cannot stay behind of {life.volume_l:.1f} L", "check the figure")
    told_volume = life.volume_l is not None and not life.volume_how.startswith("the vessel's own")
    if args.litres is not None and told_volume and life.volume_l is not None and args.litres > life.volume_l * 1.1:
        raise UsageError(
            f"{args.litres:g} L cannot arrive: there were {life.volume_l:.1f} L, {life.volume_how}", "check the figure"
        )
    if arrived is None and told_volume and life.volume_l is not None and life.volume_l > vessel.volume_l:
        raise UsageError(
            f"{life.volume_l:.1f} L do not fit into {vessel.name}, which holds {vessel.volume_l:g} L",
            "say what arrived with --litres; where a part went into it, it is `batch split`",
        )
    fits(vessel, arrived)
    received = write(settings, [Racked(batch=args.name, to=args.to, at=at, volume_l=args.litres, loss_l=args.loss)])
    lines = [f"{args.name}: racked from {batch.vessel} to {args.to}, {local(at, settings)}"]
    if arrived is not None:
        lines.append(f"  {arrived:.1f} L in it, {vessel.volume_l - arrived:.1f} L of headspace")
    lines += _witnesses(state, batch.vessel, args.to)
    return say_done(args, lines, undo_of(args.name), batch=args.name, received=iso(received))


def _witnesses(state: State, old: str, new: str) -> list[str]:
    """Which probes tell of it from now on."""
    there = [name for name in state.places if state.place_now(name) == f"vessel:{new}"]
    left = [name for name in state.places if state.place_now(name) == f"vessel:{old}"]
    said = [f"  its probes are now {', '.join(there)}"] if there else [f"  no probe is in {new}: take readings by hand"]
    said += [f"  {name} stays in {old}; did it move along? leeswatch probe move {name} --to {new}" for name in left]
    return said


def _split(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    state = whole_state(settings)
    batch = open_one(state, args.name)
    if args.part in state.batches:
        raise UsageError(f"there is a batch {args.part} already", "give the part another name")
    vessel = free(state, settings, args.vessel)
    fits(vessel, args.litres)
    at = since_pitch(batch, args.when, settings)
    life = life_now(state, args.name, settings)
    if life.volume_l is not None and args.litres >= life.volume_l:
        raise UsageError(
            f"{args.litres:g} L cannot be split from {life.volume_l:.1f} L ({life.volume_how})",
            "where all of it went, it is `batch rack`",
        )
    entry = _valid(Split, batch=args.name, name=args.part, vessel=args.vessel, volume_l=args.litres, at=at)
    received = write(settings, [entry])
    lines = [f"{args.name}: {args.litres:g} L went into {args.vessel} as batch {args.part}, {local(at, settings)}"]
    lines += [f"  {args.part} shares its pitch, its original gravity and where it should end"]
    return say_done(args, lines, undo_of(args.part), batch=args.name, part=args.part, received=iso(received))


def _valid(kind: type[Split], **words: Any) -> Split:
    try:
        return kind(**words)
    except ValidationError as error:
        raise UsageError(error.errors()[0]["msg"].removeprefix("Value error, "), "correct it and try again") from error


def _merge(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    state = whole_state(settings)
    batch, other = open_one(state, args.name), open_one(state, args.into)
    if batch is other:
        raise UsageError("a batch cannot be poured into itself", "name the other batch with --into")
    at = max(since_pitch(batch, args.when, settings), since_pitch(other, args.when, settings))
    life, into = life_now(state, args.name, settings), life_now(state, args.into, settings)
    volume = args.litres if args.litres is not None else life.volume_l
    entry = Merged(batch=args.name, into=args.into, at=at, volume_l=volume)
    entry, said = batch_add.merged(state, life, into, entry)
    vessel = next((each for each in settings.vessel if each.name == other.vessel), None)
    received = write(settings, [entry])
    lines = [f"{args.name}: poured into {args.into}, {local(at, settings)}; {args.name} is over", *said]
    if vessel is not None and entry.into_volume_l is not None and entry.into_volume_l > vessel.volume_l:
        lines.append(f"  ! {vessel.name} holds {vessel.volume_l:g} L: is that right?")
    return say_done(args, lines, undo_of(args.name), batch=args.name, into=args.into, received=iso(received))


def _close(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    batch = batch_of(whole_state(settings), args.name)
    if batch.closed:
        raise UsageError(f"batch {args.name} is closed already", f"leeswatch batch reopen {args.name}")
    at = since_pitch(batch, args.when, settings)
    received = write(settings, [BatchClosed(batch=args.name, at=at)])
    lines = [f"{args.name}: closed; its record stays"]
    return say_done(args, lines, undo_of(args.name), batch=args.name, received=iso(received))


def _reopen(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    state = whole_state(settings)
    batch = batch_of(state, args.name)
    if not batch.closed:
        raise UsageError(f"batch {args.name} is not closed", "nothing needs to be done")
    free(state, settings, batch.vessel, but=args.name)
    at = since_pitch(batch, args.when, settings)
    received = write(settings, [Reopened(batch=args.name, at=at)])
    return say_done(
        args,
        [f"{args.name}: opened again in {batch.vessel}"],
        undo_of(args.name),
        batch=args.name,
        received=iso(received),
    )
