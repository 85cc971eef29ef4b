"""`leeswatch replay`: a past batch through the same engine."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import IO

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from monitor.cli.common import Commands, command, say_json, with_json
from monitor.model.errors import UsageError
from monitor.model.events import Event, as_line
from monitor.replay.compare import Told, differences
from monitor.replay.replay import Replayed, replay
from monitor.settings import load_settings

PROBLEMS_SHOWN = 20
WIDE = 160  # columns where nobody can say how many there are: a file, a pipe


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "replay", "Run a recording through the engine, as fast as it goes.",
        "leeswatch replay batch.csv --config leeswatch.toml --events events.jsonl", run,
    )  # fmt: skip
    parser.add_argument("recording", type=Path, metavar="RECORDING", help="a recording as `export` writes it (CSV)")
    parser.add_argument("--config", type=Path, required=True, metavar="FILE", help="configuration")
    parser.add_argument(
        "--events", metavar="OUT", help="write events as JSON lines to this file, or - for the terminal"
    )
    parser.add_argument(
        "--with", dest="other", type=Path, metavar="OTHER", help="show how this configuration would have differed"
    )
    with_json(parser)


def run(args: argparse.Namespace) -> int:
    """Replay, and say what came of it."""
    if args.json and args.events == "-":
        raise UsageError("--json and --events - would mix on one output", "write the events to a file")
    settings = load_settings(args.config)
    told = Told()
    with _events(args.events) as write:

        def say(event: Event) -> None:
            told.take(event)
            write(event)

        with _progress(args.recording) as progress:
            done = replay(args.recording, settings.for_rules(), say, progress=progress)
    other = _otherwise(args) if args.other is not None else None
    if args.json:
        _say_json(done, told, other, args)
        return 0
    _report(done, told, args)
    if other is not None:
        _compare(told, other, args)
    return 0


def _otherwise(args: argparse.Namespace) -> Told:
    other = Told()
    replay(args.recording, load_settings(args.other).for_rules(), other.take, override=True)
    return other


def _say_json(done: Replayed, told: Told, other: Told | None, args: argparse.Namespace) -> None:
    say_json({
        "recording": str(args.recording), "readings": done.readings, "events": told.count,
        "duplicates": done.duplicates, "conflicts": done.conflicts, "journal": done.journal,
        "other_configuration": done.other_configuration, "refused": done.refused, "story": list(told.story()),
        "problems": [asdict(problem) for problem in done.problems],
        "differences": None if other is None else [
            dict(zip(("about", "said", "here", "there", "difference"), row, strict=True))
            for row in differences(told, other)
        ],
    })  # fmt: skip


@contextlib.contextmanager
def _events(out: str | None) -> Iterator[Callable[[Event], None]]:
    if out is None:
        yield lambda _: None
        return
    file: IO[str] = sys.stdout if out == "-" else Path(out).open("w", encoding="utf-8")  # noqa: SIM115 - closed below
    try:
        yield lambda event: print(as_line(event.record()), file=file)
    finally:
        file.flush()
        if file is not sys.stdout:
            file.close()


@contextlib.contextmanager
def _progress(recording: Path) -> Iterator[Callable[[int], None] | None]:
    if not sys.stderr.isatty() or not recording.exists():
        yield None
        return
    with recording.open("rb") as file:
        rows = sum(chunk.count(b"\n") for chunk in iter(lambda: file.read(1 << 20), b""))
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:.0f} %"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(recording.name, total=max(rows - 1, 1))
        yield lambda count: bar.update(task, completed=count)


def _report(done: Replayed, told: Told, args: argparse.Namespace) -> None:
    """On stderr, so that events on the terminal stay whole."""
    notes = Console(stderr=True, highlight=False, soft_wrap=True)
    notes.print(f"{done.readings} readings, {told.count} events", markup=False)
    if done.duplicates or done.conflicts:
        notes.print(
            f"{done.duplicates} rows were there twice, {done.conflicts} contradict an earlier row", markup=False
        )
    if done.other_configuration:
        notes.print(
            f"the journal beside the recording holds another configuration than {args.config}, and the journal rules; "
            f"to see what {args.config} would have said, add --with {args.config}",
            markup=False,
        )
    for problem in done.problems[:PROBLEMS_SHOWN]:
        notes.print(problem.sentence(str(args.recording)), markup=False)
    if done.refused > PROBLEMS_SHOWN:
        notes.print(f"and {done.refused - PROBLEMS_SHOWN} more rows that cannot be read", markup=False)
    if args.events is None:
        out = Console(highlight=False, soft_wrap=True)
        for line in told.story():
            out.print(line, markup=False)


def _compare(told: Told, other: Told, args: argparse.Namespace) -> None:
    out = Console(stderr=args.events == "-", highlight=False)
    if not out.is_terminal:
        out.width = max(out.width, WIDE)
    rows = differences(told, other)
    if not rows:
        out.print(f"{args.other} would have said the same at the same times", markup=False)
        return
    table = Table(title=f"{args.config.name} against {args.other.name}")
    for heading in ("about", "said", args.config.name, args.other.name, "difference"):
        table.add_column(heading, overflow="fold")
    for row in rows:
        table.add_row(*row)
    out.print(table)
