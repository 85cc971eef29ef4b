"""`leeswatch import`: a recording, its journal and its photos into the store."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.cli.common import (
    Commands,
    command,
    iso,
    moment,
    number,
    say_json,
    settings_of,
    with_config,
    with_json,
)
from monitor.intake.values import FUTURE_TOLERANCE_MS
from monitor.model.clock import SystemClock
from monitor.model.config import Settings
from monitor.model.errors import StoreBusy, UsageError
from monitor.model.inputs import BatchStarted
from monitor.settings import store_path

if TYPE_CHECKING:
    from monitor.replay.filing import Filed, Progress, Source

TOLD = 20  # bad lines told one by one, unless JSON is asked for


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "import", "File a recording, its journal and its photos into the store.",
        "leeswatch import batch.csv --config leeswatch.toml --dry-run", run,
    )  # fmt: skip
    parser.add_argument("recording", type=Path, metavar="RECORDING", help="a recording as `leeswatch export` writes it")
    with_config(parser)
    with_json(parser)
    parser.add_argument("--dry-run", action="store_true", help="say what would be filed, and write nothing")
    parser.add_argument("--anyway", action="store_true",
                        help="leave out the lines of its journal that cannot be read (they are told)")  # fmt: skip
    parser.add_argument("--no-backup", action="store_true", help="keep no copy of a store that holds data already")
    past = parser.add_argument_group(
        "a file of readings alone (time,probe,quantity,value,unit), as a batch that is over"
    )
    past.add_argument("--batch", metavar="NAME", help="the batch it is of")
    past.add_argument("--vessel", metavar="V", help="the vessel it was in")
    past.add_argument("--pitched", metavar="T", help="when the yeast went in")
    past.add_argument("--og", type=number, metavar="SG", help="its original gravity, if you know it")


def run(args: argparse.Namespace) -> int:
    """Look through the files, say what is wrong with them, then file what is new."""
    from monitor.replay import filing  # noqa: PLC0415 - half the engine, for this command alone
    from monitor.store.store import Store  # noqa: PLC0415

    settings = settings_of(args)
    source = filing.look_through(args.recording)
    _tell_wrong(source, args)
    if source.wrong_entries and not args.anyway:
        remedy = "correct them or export again; with --anyway they are left out, and verdicts after them may differ"
        raise UsageError(
            f"{len(source.wrong_entries)} lines of the journal cannot be read, so nothing was filed", remedy
        )
    source = _past(args, source, settings)
    now = SystemClock().wall_ms()
    if source.last_ms > now + FUTURE_TOLERANCE_MS:
        raise UsageError(
            f"the recording ends at {iso(source.last_ms)}, which is still to come",
            "set the machine's clock, or correct the file",
        )
    path = store_path(settings)
    standing = filing.standing_of(path, source)
    if args.dry_run or standing == "gone on":
        would = _dry(source, path, standing, settings)
        if args.dry_run or not (would.new or would.entries or would.conflicts or would.photos):
            return _say(args, source, would, standing, None)  # where nothing is new, nothing is noted either
    try:
        with Store.open(path) as store:
            backup, faults = None, store.counted("rule-faults")
            if standing == "gone on":
                backup = None if args.no_backup else _backup(path, source)
                from monitor.replay import merging  # noqa: PLC0415 - only where there is something to merge with

                done = merging.merge_in(store, source, settings.for_rules(), _progress(source))
            else:
                done = filing.as_it_was(store, source, settings.for_rules(), _progress(source))
            filing.take_photos(path, source, done, dry=False)
            done.faults = store.counted("rule-faults") - faults
    except StoreBusy as error:
        raise StoreBusy(error.what, "stop the daemon, import, then start it again") from error
    return _say(args, source, done, standing, backup)


def _past(args: argparse.Namespace, source: Source, settings: Settings) -> Source:
    """A file of readings alone, as the batch it is said to be of."""
    from monitor.engine.checks.batch import valid  # noqa: PLC0415
    from monitor.replay import filing  # noqa: PLC0415

    words = (args.batch, args.vessel, args.pitched)
    if not any(words):
        if args.og is not None:
            raise UsageError("--og is of a batch", "give --batch, --vessel and --pitched with it")
        return source
    if not all(words):
        raise UsageError(
            "a past batch has a name, a vessel and a time", "give --batch, --vessel and --pitched together"
        )
    told: dict[str, Any] = {"name": args.batch, "vessel": args.vessel, "pitched": iso(moment(args.pitched, settings))}
    if args.og is not None:
        told["original_gravity"] = args.og
    return filing.as_past_batch(source, valid(BatchStarted(batch=told)), settings.for_rules())


def _dry(source: Source, path: Path, standing: str, settings: Settings) -> Filed:
    from monitor.replay import filing, merging  # noqa: PLC0415
    from monitor.store.reader import Reader  # noqa: PLC0415

    if standing == "gone on":
        with Reader(path) as reader, reader.moment():
            done = merging.would_do(source, reader, settings.for_rules())
    elif standing == "halfway":
        with Reader(path) as reader:
            reached = reader.last_received()
        there = sum(entry.received <= reached for entry in source.journal)
        had = sum(reading.received_ms <= reached for reading in source.recording)
        done = filing.Filed(
            new=source.readings - had, same=had, entries=len(source.journal) - there, same_entries=there
        )
    else:
        done = filing.Filed(new=source.readings, entries=len(source.journal))
    filing.take_photos(path, source, done, dry=True)
    return done


def _backup(path: Path, source: Source) -> Path:
    """A copy of the store as it was before; a second run keeps the first one's."""
    from monitor.store.reader import Reader  # noqa: PLC0415

    backup = path.with_name(f"{path.stem}.before-{source.fingerprint[:8]}{path.suffix}")
    if not backup.exists():
        with Reader(path) as reader:
            reader.backup(backup)
    return backup


def _progress(source: Source) -> Progress:
    if not sys.stderr.isatty() or not source.readings:
        return lambda _: None
    return lambda done: print(f"\r{min(done * 100 // source.readings, 100):3d} %", end="", file=sys.stderr, flush=True)


# --- in words ------------------------------------------------------------------------------------------------------


def _tell_wrong(source: Source, args: argparse.Namespace) -> None:
    """Each line that cannot be read, with its remedy, before anything is written."""
    lines = [f"{source.path}:{each.line}: {each.where}: {each.found}; {each.allowed}" for each in source.wrong]
    lines += [str(error) for error in source.wrong_entries]
    shown = lines if args.json else lines[:TOLD]
    for line in shown:
        print(line, file=sys.stderr)
    more = source.refused + len(source.wrong_entries) - len(shown)
    if more:
        print(f"and {more} lines more that cannot be read (--json tells up to a thousand)", file=sys.stderr)


def _say(args: argparse.Namespace, source: Source, done: Filed, standing: str, backup: Path | None) -> int:
    changed = bool(done.new or done.entries or done.conflicts or done.photos) and not args.dry_run
    undo = _undo(standing, backup) if changed else None
    if args.json:
        say_json({
            "recording": str(source.path), "dry_run": args.dry_run, "as_it_was": standing != "gone on",
            "readings": {"new": done.new, "already_there": done.same, "conflicts": done.conflicts,
                         "unreadable": source.refused},
            "entries": {"new": done.entries, "already_there": done.same_entries, "left_out": dict(done.left),
                        "unreadable": len(source.wrong_entries)},
            "closed": done.closed, "photos": done.photos, "photos_wrong": done.photos_wrong, "rule_faults": done.faults,
            "backup": str(backup) if backup else None, "undo": undo,
        })  # fmt: skip
        return 0
    verb = "would be filed" if args.dry_run else "filed"
    how = (
        "received now, with the times they were measured and done" if standing == "gone on" else "as they were received"
    )
    print(f"{source.path}: {done.new} readings and {done.entries} journal entries {verb}, {how}")
    for line in [*_counts(source, done, verb), *(_ORDER if standing == "gone on" and done.new else ())]:
        print(f"  {line}")
    if args.dry_run:
        print("nothing was written: leave out --dry-run to do it")
    elif undo:
        print(f"a mistake? {undo}")
    return 0


_ORDER = (
    "old readings complete the curves; to have their past judged as if it had been watched, import the oldest",
    "recording into an empty store first, and the newer ones after it",
)


def _counts(source: Source, done: Filed, verb: str) -> list[str]:
    """What else became of it: what was there, what could not be filed, and why."""
    told: list[tuple[int, str]] = [
        (done.same + done.same_entries, f"already there: {done.same} readings, {done.same_entries} entries"),
        (done.conflicts,
         f"{done.conflicts} readings have another value here for the same time: what was here first stays"),
        (source.refused, f"{source.refused} rows could not be read and were passed over"),
        *((many, f"left out: {many} {why}") for why, many in done.left.items()),
        *((1, f"batch {name} was open there and comes in closed; to go on with it: leeswatch batch reopen {name}")
          for name in done.closed),
        (done.photos, f"photos {verb}: {done.photos}"),
        (done.faults, f"{done.faults} inputs are kept, but a rule failed on them: the lines above say on which"),
        *((1, line) for line in done.photos_wrong),
    ]  # fmt: skip
    return [line for many, line in told if many]


def _undo(standing: str, backup: Path | None) -> str:
    if standing != "gone on":
        return "the store held nothing before: stop the daemon and delete the store's file to begin anew"
    if backup is None:
        return "no copy was kept: single deeds can be taken back (leeswatch batch undo), readings stay"
    return f"the store as it was before is {backup}: stop the daemon and put it in the store's place"
