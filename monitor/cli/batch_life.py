"""`leeswatch batch`: the life of a batch, from its start through other vessels to its end, and taking deeds back."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.cli import batch_add, batch_notes, batch_show, batch_start, batch_undo
from monitor.cli.batch_look import asked_of, deed, life_of, undo, when_of
from monitor.cli.common import Commands, command, iso, litres, local, named, say_done, settings_of, with_when, write
from monitor.model.deeds import Merged, Racked, Reopened, Split
from monitor.model.inputs import BatchClosed, StageChanged

if TYPE_CHECKING:
    from monitor.engine.state import State

STAGES = ("fermenting", "clearing", "cold", "stored")


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


# --- the verbs ---------------------------------------------------------------------------------------------------


def _stage(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - the engine, where a deed is told only

    settings = settings_of(args)
    asked = asked_of(settings)
    at = when_of(args, settings, asked)
    received = write(settings, [checks.staged(asked, deed(StageChanged, batch=args.name, stage=args.stage, at=at))])
    lines = [f"{args.name}: stage {args.stage}"]
    return say_done(args, lines, undo(args.name), batch=args.name, received=iso(received))


def _rack(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - as above

    settings = settings_of(args)
    asked = asked_of(settings)
    told = deed(
        Racked, batch=args.name, to=args.to, at=when_of(args, settings, asked), volume_l=args.litres, loss_l=args.loss
    )
    entry = checks.racked(asked, told)
    state, old = asked.state, asked.state.batches[args.name].vessel
    arrived, vessel = checks.arriving(life_of(state, settings, args.name), entry), state.vessel(args.to)
    received = write(settings, [entry])
    lines = [f"{args.name}: racked from {old} to {args.to}, {local(entry.at, settings)}"]
    if arrived is not None and vessel is not None:
        lines.append(f"  {arrived:.1f} L in it, {vessel.volume_l - arrived:.1f} L of headspace")
    lines += _witnesses(state, old, args.to)
    return say_done(args, lines, undo(args.name), batch=args.name, received=iso(received))


def _witnesses(state: State, old: str, new: str) -> list[str]:
    """Which probes tell of it from now on."""
    there = [name for name in state.places if state.place_now(name) == f"vessel:{new}"]
    left = [name for name in state.places if state.place_now(name) == f"vessel:{old}"]
    said = [f"  its probes are now {', '.join(there)}"] if there else [f"  no probe is in {new}: take readings by hand"]
    said += [f"  {name} stays in {old}; did it move along? leeswatch probe move {name} --to {new}" for name in left]
    return said


def _split(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - as above

    settings = settings_of(args)
    asked = asked_of(settings)
    told = deed(
        Split, batch=args.name, name=args.part, vessel=args.vessel, volume_l=args.litres,
        at=when_of(args, settings, asked),
    )  # fmt: skip
    entry = checks.split(asked, told)
    received = write(settings, [entry])
    when = local(entry.at, settings)
    lines = [f"{args.name}: {args.litres:g} L went into {args.vessel} as batch {args.part}, {when}"]
    lines += [f"  {args.part} shares its pitch, its original gravity and where it should end"]
    return say_done(args, lines, undo(args.part), batch=args.name, part=args.part, received=iso(received))


def _merge(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - as above

    settings = settings_of(args)
    asked = asked_of(settings)
    entry = checks.merged(
        asked, deed(Merged, batch=args.name, into=args.into, at=when_of(args, settings, asked), volume_l=args.litres)
    )
    state = asked.state
    life, into = (life_of(state, settings, name) for name in (args.name, args.into))
    if entry.volume_l is None:
        entry = entry.model_copy(update={"volume_l": life.volume_l})
    entry, said = batch_add.merged(state, life, into, entry)
    vessel = state.vessel(state.batches[args.into].vessel)
    received = write(settings, [entry])
    lines = [f"{args.name}: poured into {args.into}, {local(entry.at, settings)}; {args.name} is over", *said]
    if vessel is not None and entry.into_volume_l is not None and entry.into_volume_l > vessel.volume_l:
        lines.append(f"  ! {vessel.name} holds {vessel.volume_l:g} L: is that right?")
    return say_done(args, lines, undo(args.name), batch=args.name, into=args.into, received=iso(received))


def _close(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - as above

    settings = settings_of(args)
    asked = asked_of(settings)
    entry = checks.closed(asked, deed(BatchClosed, batch=args.name, at=when_of(args, settings, asked)))
    received = write(settings, [entry])
    lines = [f"{args.name}: closed; its record stays"]
    return say_done(args, lines, undo(args.name), batch=args.name, received=iso(received))


def _reopen(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - as above

    settings = settings_of(args)
    asked = asked_of(settings)
    entry = checks.reopened(asked, deed(Reopened, batch=args.name, at=when_of(args, settings, asked)))
    received = write(settings, [entry])
    lines = [f"{args.name}: opened again in {asked.state.batches[args.name].vessel}"]
    return say_done(args, lines, undo(args.name), batch=args.name, received=iso(received))
