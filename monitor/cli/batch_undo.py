"""`leeswatch batch undo`: taking back what was told of a batch."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.cli.batch_look import asked_of
from monitor.cli.batch_words import again, undo_reading
from monitor.cli.common import (
    Commands,
    batch_of,
    command,
    iso,
    local,
    moment,
    named,
    say_done,
    settings_of,
    write,
)
from monitor.model.config import Settings
from monitor.model.deeds import Photo
from monitor.model.errors import UsageError
from monitor.model.inputs import JournalEntry

if TYPE_CHECKING:
    from monitor.engine.state import State
    from monitor.rules.batch import HandPoint


def add(verbs: Commands) -> None:
    """Add the verb."""
    undo = command(
        verbs, "undo",
        "Take back the latest entry about a batch, or another with --of. It stays in the history, struck out, and can "
        "itself be taken back. To correct an entry, take it back and give it again, with --when as it was. A hand "
        "reading is taken back by `batch reading --undo`, and counts again by taking that back here.",
        "leeswatch batch undo amber-1 --of '2026-03-09 04:10'", _undo,
    )  # fmt: skip
    named(undo)
    undo.add_argument(
        "--of",
        metavar="T",
        help="the one of this time, or what was taken back at it, as `batch history` shows it (default: the latest)",
    )


def _undo(args: argparse.Namespace) -> int:
    from monitor.batches.record import latest  # noqa: PLC0415 - only where something is taken back
    from monitor.batches.told import reading, undoing  # noqa: PLC0415
    from monitor.engine.checks.undo import undone  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings)
    state = asked.state
    record = state.records.get(f"batch:{args.name}", [])
    if not record:
        batch_of(state, args.name)
    found = latest(record) if args.of is None else _at(args, state, record, settings)
    if found is None:
        raise UsageError(
            f"nothing about batch {args.name} is left to take back", f"leeswatch batch history {args.name}"
        )
    readings = {each.at_ms: reading(each.gravity, each.error) for each in _readings(state, args.name)}
    what, at_ms, counts = undoing(args.name, record, found, readings)
    received = write(settings, [undone(asked, found, f"batch:{args.name}")])
    words = f"{args.name}: {'counts again' if counts else 'taken back'}: {what}, of {local(at_ms, settings)}"
    said = [words, *(["  the file stays in the photo folder"] if isinstance(found, Photo) else [])]
    return say_done(
        args, said, f"leeswatch batch undo {args.name} --of {iso(received)}", batch=args.name,
        undone=iso(found.received), received=iso(received),
    )  # fmt: skip


def _readings(state: State, name: str) -> list[HandPoint]:
    batch = state.batches.get(name)
    return [*batch.hand, *batch.struck] if batch is not None else []


def _at(args: argparse.Namespace, state: State, record: list[JournalEntry], settings: Settings) -> JournalEntry:
    """The one entry of a time: when it was received, or done, to the minute if need be."""
    from monitor.batches.record import of_time  # noqa: PLC0415
    from monitor.batches.told import done_ms  # noqa: PLC0415

    at = moment(args.of, settings)
    found = of_time(record, at, done_ms)
    if len(found) == 1:
        return found[0]
    if found:
        choices = ", ".join(f"{iso(each.received)} ({each.kind})" for each in found)
        raise UsageError(f"{len(found)} entries are of that time", f"choose by when each was told: {choices}")
    _no_reading(args.name, at, state, record)
    raise UsageError(f"nothing about batch {args.name} is of {args.of}", f"leeswatch batch history {args.name}")


def _no_reading(name: str, at: int, state: State, record: list[JournalEntry]) -> None:
    """UsageError where a hand reading is of that time, which is taken back by a command of its own."""
    from monitor.batches import by_hand  # noqa: PLC0415

    off = by_hand.readings_off(record)
    taken = by_hand.of_time((each.at_ms for each in _readings(state, name)), at)
    counting = [each for each in taken if each not in off]
    if counting:
        raise UsageError("that is a hand reading", f"to take it back: {undo_reading(name, counting[-1])}")
    if taken:
        raise UsageError("that is a hand reading, and was taken back already", again(name, off[taken[-1]]))
