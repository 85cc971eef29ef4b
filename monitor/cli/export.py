"""`leeswatch export`: the recording with journal and photos beside it, or a table of batches, jars or deeds."""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from monitor.cli.common import (
    Commands,
    batch_vessel,
    command,
    moment,
    now_ms,
    say_json,
    settings_of,
    with_config,
    with_json,
    write,
)
from monitor.cli.common import reader_of as open_reader
from monitor.engine.part import Part, part_of
from monitor.intake.recording import journal_path, photos_path, whole_file, write_journal, write_recording
from monitor.model.config import Settings
from monitor.model.deeds import Photo
from monitor.model.errors import UsageError
from monitor.model.inputs import Exported, JournalEntry, Reading
from monitor.settings import store_path
from monitor.store.reader import Reader


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "export", "Write every stored reading as a recording, and the journal beside it.",
        "leeswatch export --config leeswatch.toml --out batch.csv --batch amber-1", run,
    )  # fmt: skip
    with_config(parser)
    with_json(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="where to write")
    parser.add_argument("--what", choices=("recording", "batches", "shelf", "deeds"), default="recording",
                        help="the recording (default), or a table: one row a batch, a jar or a deed")  # fmt: skip
    parser.add_argument("--format", choices=("csv", "json"), default="csv",
                        help="how a table is written (default csv); a recording is CSV")  # fmt: skip
    parser.add_argument("--from", dest="start", metavar="T", help="leave out what was measured before")
    parser.add_argument("--to", dest="end", metavar="T", help="leave out what was measured at or after")
    parser.add_argument("--batch", metavar="NAME", help="only the probes that sat in this batch's vessel or around it")


def run(args: argparse.Namespace) -> int:
    """Export through temporary names, so that a half-written file is never taken for a whole one."""
    if args.out.suffix != f".{args.format}":
        what = "a recording is a CSV file" if args.what == "recording" else f"--format is {args.format}"
        raise UsageError(f"{args.out} does not end in .{args.format}", what)
    if args.what != "recording":
        return _table(args)
    if args.format != "csv":
        raise UsageError("a recording is a CSV file", "leave out --format, or name a table with --what")
    settings = settings_of(args)
    with open_reader(settings) as reader:  # there must be something to export
        _part(args, settings, reader)
        until = _exported_last(reader)
    if until is None:
        until = write(settings, [Exported()])  # what comes after it is of the next export: replay ends here
    whole = args.start is None and args.end is None and args.batch is None
    with open_reader(settings) as reader, reader.moment():
        part = _part(args, settings, reader)
        inputs = (item for item in reader.inputs() if isinstance(item, Reading) and item.received_ms <= until)
        with whole_file(args.out, newline="") as file:
            count = write_recording(filter(part.holds, inputs), file)
        beside = journal_path(args.out)
        shown: list[JournalEntry] = []
        with whole_file(beside) as file:
            entries = (entry for entry in reader.journal() if entry.received <= until)
            entry_count = write_journal(_noting(entries, shown), file)
        photos = _copy_photos(store_path(settings), args.out, shown)
    if args.json:
        say_json({"recording": str(args.out), "readings": count, "journal": str(beside), "entries": entry_count,
                  "whole": whole, **({"photos": photos} if photos else {})})  # fmt: skip
    else:
        print(f"{count} readings in {args.out}, {entry_count} journal entries in {beside}")
        if photos:
            print(f"{photos} photos in {photos_path(args.out)}")
        if not whole:
            print("a part of the store: replayed, it may say other things than the whole did")
    return 0


def _exported_last(reader: Reader) -> int | None:
    """When the store was exported, where nothing has happened since: then the same files are written again."""
    last = reader.last_entry()
    if not isinstance(last, Exported) or reader.last_received() != last.received:
        return None
    seen = reader.meta("seen_until")
    return last.received if isinstance(seen, int) and seen <= last.received else None


def _noting(entries: Iterable[JournalEntry], shown: list[JournalEntry]) -> Iterator[JournalEntry]:
    """The same, with those of photos noted."""
    for entry in entries:
        if isinstance(entry, Photo):
            shown.append(entry)
        yield entry


def _copy_photos(store: Path, out: Path, shown: list[JournalEntry]) -> int:
    """Copy the photos that the journal tells of beside it; a file that is gone is said on stderr."""
    from monitor.store.photos import folder_of  # noqa: PLC0415 - only for this

    copied = 0
    for name in dict.fromkeys(entry.file for entry in shown if isinstance(entry, Photo)):
        file, to = folder_of(store) / name, photos_path(out) / name
        if not file.exists():
            print(f"leeswatch: the photo {file} is gone; look for it in a backup", file=sys.stderr)
            continue
        to.parent.mkdir(exist_ok=True)
        if not to.exists():
            part = to.with_name(f".{name}.part")
            shutil.copyfile(file, part)
            part.replace(to)
        copied += 1
    return copied


def _table(args: argparse.Namespace) -> int:
    """A table of batches, jars or deeds."""
    from monitor.engine.state import State  # noqa: PLC0415 - half the engine, for tables alone
    from monitor.report import tables  # noqa: PLC0415

    if args.start is not None or args.end is not None or args.batch is not None:
        raise UsageError("--from, --to and --batch are of a recording", "leave them out: a table is always whole")
    settings = settings_of(args)
    with open_reader(settings) as reader:
        state = State.restore(reader.state())
    rows = tables.MADE_BY[args.what](state, now_ms(settings))
    with whole_file(args.out, newline="") as file:
        if args.format == "csv":
            tables.write_csv(tables.COLUMNS[args.what], rows, file)
        else:
            tables.write_json(rows, file)
    if args.json:
        say_json({"what": args.what, "file": str(args.out), "rows": len(rows)})
    else:
        print(f"{len(rows)} rows in {args.out}")
    return 0


def _part(args: argparse.Namespace, settings: Settings, reader: Reader) -> Part:
    """Which readings to keep."""
    start, end = (moment(text, settings) if text else None for text in (args.start, args.end))
    if args.batch is None:
        return Part().within(start, end)
    return part_of(reader.state(), args.batch, batch_vessel(settings, args.batch)).within(start, end)
