"""`leeswatch export`: the recording, and the journal beside it."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from pathlib import Path

from monitor.cli.common import (
    Commands,
    batch_vessel,
    command,
    moment,
    say_json,
    settings_of,
    with_config,
    with_json,
    write,
)
from monitor.cli.common import reader_of as open_reader
from monitor.intake.recording import journal_path, write_journal, write_recording
from monitor.model.config import Settings
from monitor.model.errors import UsageError
from monitor.model.inputs import Exported, JournalEntry, Reading
from monitor.store.reader import Reader


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "export", "Write every stored reading as a recording, and the journal beside it.",
        "leeswatch export --config leeswatch.toml --out batch.csv --batch amber-1", run,
    )  # fmt: skip
    with_config(parser)
    with_json(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FILE.csv", help="where to write")
    parser.add_argument("--from", dest="start", metavar="T", help="leave out what was measured before")
    parser.add_argument("--to", dest="end", metavar="T", help="leave out what was measured at or after")
    parser.add_argument("--batch", metavar="NAME", help="only the probes that sat in this batch's vessel or around it")


def run(args: argparse.Namespace) -> int:
    """Export through temporary names, so that a half-written file is never taken for a recording."""
    if args.out.suffix != ".csv":
        raise UsageError(f"{args.out} does not end in .csv", "a recording is a CSV file")
    settings = settings_of(args)
    with open_reader(settings) as reader:  # there must be something to export
        _filter(args, settings, reader)
    until = write(settings, [Exported()])  # what comes after it is of the next export: replay ends here
    whole = args.start is None and args.end is None and args.batch is None
    with open_reader(settings) as reader, reader.moment():
        keep = _filter(args, settings, reader)
        inputs = (item for item in reader.inputs() if isinstance(item, Reading) and item.received_ms <= until)
        readings = filter(keep, inputs)
        part = args.out.with_name(f".{args.out.name}.part")
        with part.open("w", encoding="utf-8", newline="") as file:
            count = write_recording(readings, file)
        part.replace(args.out)
        beside = journal_path(args.out)
        entries = (entry for entry in _journal(reader) if entry.received <= until)
        part = beside.with_name(f".{beside.name}.part")
        with part.open("w", encoding="utf-8") as file:
            entry_count = write_journal(entries, file)
        part.replace(beside)
    if args.json:
        say_json({"recording": str(args.out), "readings": count, "journal": str(beside), "entries": entry_count,
                  "whole": whole})  # fmt: skip
    else:
        print(f"{count} readings in {args.out}, {entry_count} journal entries in {beside}")
        if not whole:
            print("a part of the store: replayed, it may say other things than the whole did")
    return 0


def _journal(reader: Reader) -> Iterator[JournalEntry]:
    return (item for item in reader.inputs() if not isinstance(item, Reading))


class _filter:  # noqa: N801 - a function with a memory
    """Which readings to keep."""

    def __init__(self, args: argparse.Namespace, settings: Settings, reader: Reader) -> None:
        self._start = moment(args.start, settings) if args.start else 0
        self._end = moment(args.end, settings) if args.end else None
        self._probes: set[str] | None = None
        if args.batch is not None:
            vessel = batch_vessel(settings, args.batch)
            piece = reader.state().get(f"batch:{args.batch}")
            batch = json.loads(piece) if piece else {}
            homes = [where for _, where in batch.get("homes", ())] or [vessel]
            self._probes = set().union(*(_probes_of(reader, home) for home in homes))
            self._start = max(self._start, batch.get("pitched_ms", 0))
            closed = batch.get("closed_ms")  # what came later is another batch's
            self._end = closed if self._end is None else min(self._end, closed or self._end)

    def __call__(self, reading: Reading) -> bool:
        """Whether this one is wanted."""
        if reading.measured_ms < self._start or (self._end is not None and reading.measured_ms >= self._end):
            return False
        return self._probes is None or reading.probe in self._probes


def _probes_of(reader: Reader, vessel: str) -> set[str]:
    """Probes that ever sat in a vessel, in the fridge it stands in, or in a room."""
    state = reader.state()
    wanted = {f"vessel:{vessel}"}
    for key, piece in state.items():
        if key.startswith("fridge:") and vessel in json.loads(piece)["contents"]:
            wanted.add(key)
    places = json.loads(state.get("places", b"{}"))

    def ever_there(spans: list[tuple[int, str | None]]) -> bool:
        return any(where in wanted or (where or "").startswith("room:") for _, where in spans)

    found = {probe for probe, spans in places.items() if ever_there(spans)}
    return found | {f"hand:{vessel}"}
