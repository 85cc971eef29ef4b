"""`leeswatch yeast undo`: taking back what was told of a wash or a jar."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from monitor.batches.told import sentence
from monitor.cli.batch_look import asked_of
from monitor.cli.common import Commands, command, iso, local, moment, named, say_done, settings_of, write
from monitor.cli.yeast_common import undo_of
from monitor.model.config import Settings
from monitor.model.deeds import Undone
from monitor.model.errors import UsageError
from monitor.model.inputs import JournalEntry


def add(verbs: Commands) -> None:
    """Add the verb."""
    undo = command(
        verbs, "undo",
        "Take back the latest deed about a wash or a jar, or another with --of. It stays in the record, struck out, "
        "and can itself be taken back.",
        "leeswatch yeast undo ale-1", _undo,
    )  # fmt: skip
    named(undo, "name", "the wash or the jar")
    undo.add_argument("--of", metavar="T", help="the one of this time, as `yeast show` shows it (default: the latest)")


def _undo(args: argparse.Namespace) -> int:
    from monitor.batches.record import counting, when  # noqa: PLC0415 - with the rest of the batches
    from monitor.engine.checks.undo import undone  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings)
    record: list[JournalEntry] = []
    for kind in ("wash", "jar"):
        record += _own(asked.state.records.get(f"{kind}:{args.name}", ()), f"{kind}:{args.name}")
    if not record:
        raise UsageError(f"there is no wash or jar {args.name}", "leeswatch yeast shelf shows what there is")
    live = counting(record)
    if args.of is not None:
        found = _at(args, record, settings)
    else:
        if not live:
            raise UsageError(f"nothing about {args.name} is left to take back", f"leeswatch yeast show {args.name}")
        found = max(live, key=lambda each: each.received)
    about = next(
        each for each in (f"wash:{args.name}", f"jar:{args.name}") if found in asked.state.records.get(each, ())
    )
    received = write(settings, [undone(asked, found, about)])
    if isinstance(found, Undone):
        meant = next((each for each in record if each.received == found.of), None)
        words = f"{args.name}: counts again: {sentence(meant, args.name) if meant is not None else 'an undoing'}"
    else:
        words = f"{args.name}: taken back: {sentence(found, args.name)}, of {local(when(found), settings)}"
    return say_done(args, [words], f"{undo_of(args.name)} --of {iso(received)}", name=args.name,
                    undone=iso(found.received), received=iso(received))  # fmt: skip


def _own(record: Sequence[JournalEntry], about: str) -> list[JournalEntry]:
    """What is taken back here: deeds about it, and undoings of those; a batch's start is the batch's to take back."""
    from monitor.batches.record import subjects  # noqa: PLC0415 - as above

    kind, _, name = about.partition(":")
    kept = [each for each in record if subjects(each)[:1] == (about,)]
    kept += [each for each in record if kind == "wash" and getattr(each, "kind", "") == "jar" and each not in kept]
    kept += [each for each in record if kind == "jar" and each not in kept and getattr(each, "jar", None) == name]
    known = {each.received for each in kept}
    for each in sorted(record, key=lambda entry: entry.received):
        if isinstance(each, Undone) and each.of in known:
            kept.append(each)
            known.add(each.received)
    return kept


def _at(args: argparse.Namespace, record: Sequence[JournalEntry], settings: Settings) -> JournalEntry:
    """The one entry of a time: when it was received, or done, to the minute if need be."""
    from monitor.batches.record import of_time  # noqa: PLC0415 - as above

    at = moment(args.of, settings)
    found = of_time(record, at)
    if len(found) == 1:
        return found[0]
    if found:
        choices = ", ".join(f"{iso(each.received)} ({sentence(each, args.name)})" for each in found)
        raise UsageError(f"{len(found)} deeds are of that time", f"choose by when each was told: {choices}")
    raise UsageError(f"nothing about {args.name} is of {args.of}", f"leeswatch yeast show {args.name}")
