"""`leeswatch batch`: the life of a batch, from its start through other vessels to its end, and taking deeds back."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from monitor.cli import batch_add, batch_notes, batch_show
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
    number,
    pair,
    say_done,
    settings_of,
    whole_state,
    with_when,
    write,
)
from monitor.model.config import Batch, Settings, Vessel
from monitor.model.deeds import Merged, Photo, Racked, Reopened, Split, Undone
from monitor.model.errors import UsageError
from monitor.model.inputs import BatchClosed, BatchStarted, JournalEntry, StageChanged

if TYPE_CHECKING:
    from monitor.batches.life import Life
    from monitor.engine.state import State
    from monitor.rules.batch import BatchState

STAGES = ("fermenting", "clearing", "cold", "stored")
FUTURE_MS = 5 * 60_000


def add(verbs: Commands) -> None:
    """Add the verbs."""
    _add_start(verbs)
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

    undo = command(
        verbs, "undo",
        "Take back the latest entry about a batch, or another with --of. It stays in the history, struck out, and can "
        "itself be taken back. To correct an entry, take it back and give it again, with --when as it was.",
        "leeswatch batch undo amber-1 --of '2026-03-09 04:10'", _undo,
    )  # fmt: skip
    named(undo)
    undo.add_argument(
        "--of", metavar="T", help="the one of this time, as `batch history` shows it (default: the latest)"
    )


def _add_start(verbs: Commands) -> None:
    start = command(
        verbs, "start", "A batch was pitched; with its ingredients its original gravity is forecast.",
        "leeswatch batch start amber-1 --vessel bucket-a --litres 19 --sugar sucrose=3 --grain corn=2.3 "
        "--enzymes added --range 18 26", _start,
    )  # fmt: skip
    named(start, about="its name: a-z, 0-9, dot, dash and underscore")
    start.add_argument("--vessel", required=True, metavar="VESSEL", help="the vessel it is in")
    start.add_argument("--pitched", metavar="T", help="when the yeast went in (default: now)")
    start.add_argument("--litres", type=litres, metavar="L", help="how much of it there is, all mixed")
    start.add_argument("--sugar", type=pair, action="append", default=[], metavar="NAME=KG",
                       help="sugar or syrup, kg; may be repeated (names: leeswatch calc original --help)")  # fmt: skip
    start.add_argument("--grain", type=pair, action="append", default=[], metavar="NAME=KG",
                       help="grain, kg as weighed; may be repeated")  # fmt: skip
    start.add_argument("--enzymes", choices=("none", "malt", "added"), default="none",
                       help="what turns the grain's starch into sugar (default none: it stays starch)")  # fmt: skip
    start.add_argument("--og", type=number, metavar="SG", help="original gravity as you measured it")
    start.add_argument("--final", type=number, metavar="SG", help="where it should end, if you know")
    start.add_argument("--yeast", metavar="NAME", help="a name of yours for the yeast")
    start.add_argument("--range", type=number, nargs=2, metavar=("LOW", "HIGH"), help="what the yeast likes, °C")
    start.add_argument("--limit", type=number, metavar="PCT", help="strength the yeast bears, per cent by volume")
    start.add_argument("--recipe", metavar="NAME", help="batches of one recipe tell each other where they end")
    start.add_argument("--jar", action="append", default=[], metavar="JAR", help="a jar of the shelf that was pitched")


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


def _free(state: State, settings: Settings, name: str, but: str = "") -> Vessel:
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


def _fits(vessel: Vessel, volume: float | None) -> None:
    if volume is not None and volume > vessel.volume_l:
        raise UsageError(
            f"{volume:g} L do not fit into {vessel.name}, which holds {vessel.volume_l:g} L",
            "check the figure, or volume_l of that [[vessel]]",
        )


def _undo_of(name: str) -> str:
    return f"leeswatch batch undo {name}"


# --- the verbs ---------------------------------------------------------------------------------------------------


def _start(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    state = whole_state(settings)
    if args.name in state.batches:
        raise UsageError(f"there is a batch {args.name} already", "give it another name, such as one with a number")
    vessel = _free(state, settings, args.vessel)
    _fits(vessel, args.litres)
    now = now_ms(settings)
    pitched = now if args.pitched is None else moment(args.pitched, settings)
    if pitched > now + FUTURE_MS:
        raise UsageError(f"{iso(pitched)} is still to come", "give the time at which the yeast went in")
    for jar in args.jar:
        if f"jar:{jar}" not in state.records:
            raise UsageError(f"there is no jar {jar} on the shelf", "leeswatch yeast --help says how to put one there")
    told = _told(args, pitched)
    batch = _checked(told)
    said, figures = _forecast(batch)
    lines = [f"{args.name}: pitched in {args.vessel}, {local(pitched, settings)}", *said]
    received = write(settings, [BatchStarted(batch=told)])
    return say_done(args, lines, _undo_of(args.name), batch=args.name, received=iso(received), forecast=figures)


def _told(args: argparse.Namespace, pitched: int) -> dict[str, Any]:
    sugars, grains = _added_up(args.sugar), _added_up(args.grain)
    mix = {"sugar_kg": sugars, "grain_kg": grains, "enzymes": args.enzymes} if sugars or grains else None
    told = {
        "name": args.name, "vessel": args.vessel, "pitched": iso(pitched), "original_gravity": args.og,
        "expected_final": args.final, "yeast": args.yeast, "yeast_range_c": args.range, "alcohol_limit_abv": args.limit,
        "recipe": args.recipe, "volume_l": args.litres, "ingredients": mix, "jars": args.jar or None,
    }  # fmt: skip
    return {key: value for key, value in told.items() if value is not None}


def _added_up(parts: list[tuple[str, float]]) -> dict[str, float]:
    total: dict[str, float] = {}
    for name, kilograms in parts:
        total[name] = total.get(name, 0.0) + kilograms
    return total


def _checked(told: dict[str, Any]) -> Batch:
    try:
        return Batch.model_validate(told)
    except ValidationError as error:
        first = error.errors()[0]
        where = f"{first['loc'][0]}: " if first["loc"] else ""
        raise UsageError(f"{where}{first['msg'].removeprefix('Value error, ')}", "correct it and try again") from error


def _forecast(batch: Batch) -> tuple[list[str], dict[str, Any] | None]:
    """What its ingredients should give, in words and figures, and that nobody has read it yet."""
    if batch.ingredients is None:
        return ([] if batch.volume_l else [f"  {_NO_VOLUME}"]), None
    if batch.volume_l is None:
        raise UsageError("ingredients without a volume give no gravity", "say how much it is, all mixed, with --litres")
    from monitor.science import forecast  # noqa: PLC0415 - only where there are ingredients

    mix = batch.ingredients
    try:
        found = forecast.original(
            batch.volume_l, mix.sugar_kg, mix.grain_kg, mix.enzymes, alcohol_limit_abv=batch.alcohol_limit_abv
        )
    except ValueError as error:
        raise UsageError(str(error), "leeswatch calc original --help names sugars and grains") from error
    told = (
        f"you measured {batch.original_gravity:.4f}, and that counts" if batch.original_gravity is not None
        else "that is a forecast, not a reading: it stands in until a hydrometer or a probe reads the original gravity"
    )  # fmt: skip
    lines = [
        f"  original gravity {found.og:.3f} by what went in ({found.og_low:.3f} to {found.og_high:.3f})",
        f"  {told}",
        f"  it may end near {found.fg:.3f} ({found.fg_low:.3f} to {found.fg_high:.3f}), "
        f"{found.abv:.1f} % by volume ({found.abv_low:.1f} to {found.abv_high:.1f})",
        *(f"  {note}" for note in found.notes),
    ]
    figures = {"og": (found.og, found.og_low, found.og_high), "final": (found.fg, found.fg_low, found.fg_high),
               "abv": (found.abv, found.abv_low, found.abv_high)}  # fmt: skip
    ranges = {f"{name}_range": [round(low, 4), round(high, 4)] for name, (_, low, high) in figures.items()}
    return lines, {name: round(value, 4) for name, (value, _, _) in figures.items()} | ranges


_NO_VOLUME = "how much it is was not said (--litres): the strength after additions and what racking leaves need that"


def _stage(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    batch = open_one(whole_state(settings), args.name)
    if batch.stage == args.stage:
        raise UsageError(f"batch {args.name} is in stage {args.stage} already", "leeswatch batch show tells its stage")
    at = since_pitch(batch, args.when, settings)
    received = write(settings, [StageChanged(batch=args.name, stage=args.stage, at=at)])
    return say_done(
        args, [f"{args.name}: stage {args.stage}"], _undo_of(args.name), batch=args.name, received=iso(received)
    )


def _rack(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    state = whole_state(settings)
    batch = open_one(state, args.name)
    if args.to == batch.vessel:
        raise UsageError(f"batch {args.name} is in {args.to} already", "name the vessel it went into")
    vessel = _free(state, settings, args.to)
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
    _fits(vessel, arrived)
    received = write(settings, [Racked(batch=args.name, to=args.to, at=at, volume_l=args.litres, loss_l=args.loss)])
    lines = [f"{args.name}: racked from {batch.vessel} to {args.to}, {local(at, settings)}"]
    if arrived is not None:
        lines.append(f"  {arrived:.1f} L in it, {vessel.volume_l - arrived:.1f} L of headspace")
    lines += _witnesses(state, batch.vessel, args.to)
    return say_done(args, lines, _undo_of(args.name), batch=args.name, received=iso(received))


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
    vessel = _free(state, settings, args.vessel)
    _fits(vessel, args.litres)
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
    return say_done(args, lines, _undo_of(args.part), batch=args.name, part=args.part, received=iso(received))


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
    return say_done(args, lines, _undo_of(args.name), batch=args.name, into=args.into, received=iso(received))


def _close(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    batch = batch_of(whole_state(settings), args.name)
    if batch.closed:
        raise UsageError(f"batch {args.name} is closed already", f"leeswatch batch reopen {args.name}")
    at = since_pitch(batch, args.when, settings)
    received = write(settings, [BatchClosed(batch=args.name, at=at)])
    lines = [f"{args.name}: closed; its record stays"]
    return say_done(args, lines, _undo_of(args.name), batch=args.name, received=iso(received))


def _reopen(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    state = whole_state(settings)
    batch = batch_of(state, args.name)
    if not batch.closed:
        raise UsageError(f"batch {args.name} is not closed", "nothing needs to be done")
    _free(state, settings, batch.vessel, but=args.name)
    at = since_pitch(batch, args.when, settings)
    received = write(settings, [Reopened(batch=args.name, at=at)])
    return say_done(
        args,
        [f"{args.name}: opened again in {batch.vessel}"],
        _undo_of(args.name),
        batch=args.name,
        received=iso(received),
    )


# --- taking back -------------------------------------------------------------------------------------------------


def _undo(args: argparse.Namespace) -> int:
    from monitor.batches.record import counting, latest  # noqa: PLC0415 - only where something is taken back
    from monitor.batches.told import done_ms, sentence  # noqa: PLC0415

    settings = settings_of(args)
    state = whole_state(settings)
    record = state.records.get(f"batch:{args.name}", [])
    if not record:
        batch_of(state, args.name)
    found = latest(record) if args.of is None else _at(args, record, settings)
    if found is None:
        raise UsageError(
            f"nothing about batch {args.name} is left to take back", f"leeswatch batch history {args.name}"
        )
    off = found.received not in {each.received for each in counting(record)} and not isinstance(found, Undone)
    if off:
        raise UsageError(
            f"that was taken back already: {sentence(found, args.name)}",
            "to count it again, take its undoing back: --of the time that undoing was told",
        )
    if isinstance(found, BatchStarted):
        _only_start(state, args.name, record)
    _no_two(state, settings, found)
    received = write(settings, [Undone(of=found.received)])
    if isinstance(found, Undone):
        meant = next((each for each in record if each.received == found.of), None)
        words = f"{args.name}: counts again: {sentence(meant, args.name) if meant else 'an undoing'}"
    else:
        words = f"{args.name}: taken back: {sentence(found, args.name)}, of {local(done_ms(found), settings)}"
    said = [words, *(["  the file stays in the photo folder"] if isinstance(found, Photo) else [])]
    return say_done(
        args, said, f"leeswatch batch undo {args.name} --of {iso(received)}", batch=args.name,
        undone=iso(found.received), received=iso(received),
    )  # fmt: skip


def _no_two(state: State, settings: Settings, found: JournalEntry) -> None:
    """Taking a move or an end back must not put two batches into one vessel; it is tried on this copy of the state."""
    from monitor.alerts.book import Outcome  # noqa: PLC0415 - only where something is taken back
    from monitor.engine.entries import apply_entry  # noqa: PLC0415

    def crowded() -> dict[str, list[str]]:
        within: dict[str, list[str]] = {}
        for batch in state.batches.values():
            if not batch.closed:
                within.setdefault(batch.vessel, []).append(batch.name)
        return {vessel: names for vessel, names in within.items() if len(names) > 1}

    before, now = crowded(), now_ms(settings)
    apply_entry(state, Undone(of=found.received, received=now), now, Outcome())
    for vessel, names in crowded().items():
        if names != before.get(vessel):
            raise UsageError(
                f"that would put {' and '.join(names)} into one vessel, {vessel}",
                "say first where the other one went (batch rack), or that it is over (batch close)",
            )


def _at(args: argparse.Namespace, record: list[JournalEntry], settings: Settings) -> JournalEntry:
    """The one entry of a time: when it was received, or done, to the minute if need be."""
    from monitor.batches.told import done_ms  # noqa: PLC0415

    at = moment(args.of, settings)
    exact = [each for each in record if each.received == at]
    deeds = [each for each in record if not isinstance(each, Undone)]
    found = exact or [each for each in deeds if done_ms(each) == at] or [
        each for each in deeds if done_ms(each) // 60_000 == at // 60_000
    ]  # fmt: skip
    if len(found) == 1:
        return found[0]
    if found:
        choices = ", ".join(f"{iso(each.received)} ({each.kind})" for each in found)
        raise UsageError(f"{len(found)} entries are of that time", f"choose by when each was told: {choices}")
    raise UsageError(f"nothing about batch {args.name} is of {args.of}", f"leeswatch batch history {args.name}")


def _only_start(state: State, name: str, record: list[JournalEntry]) -> None:
    """A start is taken back last: the rest of the record would hang in the air."""
    from monitor.batches.record import counting  # noqa: PLC0415

    others = sum(1 for each in counting(record) if not isinstance(each, BatchStarted))
    batch = state.batches.get(name)
    hand = len(batch.hand) if batch is not None else 0
    if others or hand:
        raise UsageError(
            f"batch {name} has {others + hand} other entries and readings",
            f"take those back first (a reading: leeswatch batch reading {name} --undo), "
            f"or say that it is over: leeswatch batch close {name}",
        )
