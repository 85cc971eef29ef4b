"""`leeswatch replay`: a past batch through the same engine, under other settings too, and many under many values."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from monitor.cli.common import Commands, command, say_json, with_json
from monitor.cli.replay_tables import (
    compared,
    compared_json,
    replayed,
    replayed_json,
    sweep_json,
    swept,
)
from monitor.intake.recording import Recording
from monitor.model.config import Settings
from monitor.model.errors import UsageError
from monitor.model.events import Event, as_line
from monitor.model.inputs import Configured, JournalEntry
from monitor.replay.compare import Run
from monitor.replay.keys import parse_sweep
from monitor.replay.names import check_names
from monitor.replay.replay import in_force, journal_of, overridden, replay
from monitor.replay.sweep import sweep
from monitor.replay.told import Told
from monitor.settings import load_settings

EXAMPLES = """\
leeswatch replay batch.csv --config leeswatch.toml --events events.jsonl
  leeswatch replay batch.csv --config leeswatch.toml --with other.toml
  leeswatch replay march.csv april.csv --sweep batch.expected_final=+0.002,-0.002
  leeswatch replay march.csv april.csv --sweep 'batch[amber-1].yeast_range_c=[16,24],[18,26],none'
  leeswatch replay march.csv --sweep alerts.remind_every=6h,12h,1d --json"""

WITH = """\
Shows which settings differ, and what would have been told earlier, later, only there or only here. `finished` and
`stalled` were told falsely where the batch's own later course shows it: its gravity fell by more than 0.002 below
what it was when that was told, all of its 90 % range below it too, or the run itself let go of it (the next verdict
but `unknown` is `waiting`, `working` or `slowing`). It is the batch's own course for seven days at most, and only
until something was added, its stage changed, it was closed, its gravity rose by more than 0.003, a probe of it was
suspected or another put into it. So a batch that was warmed or stirred, and nobody wrote it down, counts as told
falsely. With less than a day of later course it is open."""

SWEEP = """\
One setting, KEY, takes each value in turn, over all recordings: each under the configuration in its own journal, with
that one setting changed. KEY is a dotted path, batch.expected_final for every batch or batch[amber-1].expected_final
for one; a wrong one is answered with the list. A value is written as in the configuration, without quotation marks;
`none` takes the setting away; a sign changes what is set by so much (+0.002, -6h; of a pair, both numbers); `=-1` is
minus one itself. A finish is timed by the first `finished` of a batch that its later course did not prove false, in
hours after pitch."""


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(commands, "replay", "Run a recording through the engine, as fast as it goes.", EXAMPLES, run)
    parser.add_argument(
        "recording", type=Path, nargs="+", metavar="RECORDING",
        help="a recording as `export` writes it (CSV), its journal beside it; several with --sweep",
    )  # fmt: skip
    parser.add_argument(
        "--config", type=Path, metavar="FILE",
        help="configuration; may be left out where the journal beside the recording holds one, which then rules",
    )  # fmt: skip
    parser.add_argument(
        "--events", metavar="OUT", help="write events as JSON lines to this file, or - for the terminal"
    )
    with_json(parser)
    other = parser.add_argument_group("another configuration", WITH)
    other.add_argument(
        "--with", dest="other", type=Path, metavar="OTHER", help="show how this configuration would have differed"
    )
    many = parser.add_argument_group("a sweep", SWEEP)
    many.add_argument("--sweep", metavar="KEY=V1,V2,…", help="show what each value of one setting would have told")
    many.add_argument(
        "--jobs", type=_count, metavar="N",
        help="replays at a time (default: one a processor, where it pays and memory holds them); the same is printed",
    )  # fmt: skip
    parser.set_defaults(refuse=parser.error)


def _count(text: str) -> int:
    number = int(text)
    if number < 1:
        raise ValueError(text)
    return number


def run(args: argparse.Namespace) -> int:
    """Replay, and say what came of it."""
    _fit_together(args)
    settings = load_settings(args.config) if args.config is not None else None
    if args.sweep is not None:
        return _sweep(args, settings)
    (recording,) = args.recording
    other = load_settings(args.other) if args.other is not None else None
    journal = _usable(args, settings, other)
    rules = settings.for_rules() if settings is not None else None
    told = Told()
    with _events(args.events) as write:

        def say(event: Event) -> None:
            told.take(event)
            write(event)

        with _progress(recording) as progress:
            done = replay(recording, rules, say, progress=progress)
    if other is None:
        if args.json:
            say_json(replayed_json(recording, told, done))
        else:
            replayed(told, done, args)
        return 0
    here_settings = in_force(journal, rules)
    assert here_settings is not None
    here = Run(told, done, here_settings)
    there = _otherwise(recording, other, journal)
    zone = ZoneInfo((settings or other).site.timezone)
    if args.json:
        say_json(replayed_json(recording, told, done) | compared_json(here, there, zone))
        return 0
    replayed(told, done, args)
    compared(here, there, args, zone)
    return 0


def _fit_together(args: argparse.Namespace) -> None:
    """Refuse options that say two things at once."""
    if args.json and args.events == "-":
        raise UsageError("--json and --events - would mix on one output", "write the events to a file")
    if args.sweep is not None and (args.other is not None or args.events is not None):
        option = "--with" if args.other is not None else "--events"
        raise UsageError(f"{option} and --sweep do not go together", "run one after the other")
    if args.sweep is None and args.jobs is not None:
        raise UsageError("--jobs goes with --sweep", "leave it out: one replay is one process")
    if args.sweep is None and len(args.recording) > 1:
        raise UsageError("several recordings go with --sweep", "replay them one by one, or name a KEY to sweep")
    seen: dict[Path, Path] = {}
    for path in args.recording:
        if path.resolve() in seen:
            raise UsageError(f"{path} is given twice", "name each recording once")
        seen[path.resolve()] = path


def _usable(args: argparse.Namespace, settings: Settings | None, other: Settings | None) -> list[JournalEntry]:
    """The journal, once it is clear that there is a configuration and that OTHER speaks of the same things."""
    (recording,) = args.recording
    journal = journal_of(recording)
    rules = settings.for_rules() if settings is not None else None
    base = in_force(journal, rules)
    if base is None:
        args.refuse(f"--config is needed: no journal beside {recording} holds a configuration")
    elif other is not None:
        configured = [entry.settings for entry in journal if isinstance(entry, Configured)]
        same_file = args.config is not None and args.config.exists() and args.other.samefile(args.config)
        if same_file and (not configured or configured[-1] == other.for_rules().as_json()):
            raise UsageError(f"{args.other} is given twice", "name another configuration after --with")
        check_names(str(args.other), other.for_rules(), base, recording)
    return journal


def _otherwise(recording: Path, other: Settings, journal: list[JournalEntry]) -> Run:
    told, rules = Told(), other.for_rules()
    with _progress(recording) as progress:
        done = replay(recording, rules, told.take, override=True, progress=progress)
    settings = in_force(overridden(journal, rules), rules)  # what people started and OTHER does not name runs on
    assert settings is not None
    return Run(told, done, settings)


def _sweep(args: argparse.Namespace, settings: Settings | None) -> int:
    changes = parse_sweep(args.sweep)
    for recording in args.recording:
        Recording(recording)  # before anything runs: a file that is no recording
    rules = settings.for_rules() if settings is not None else None
    with _bar(f"{(len(changes) + 1) * len(args.recording)} replays") as bar:
        found = sweep(args.recording, rules, changes, jobs=args.jobs, progress=bar)
    if args.json:
        say_json(sweep_json(found))
    else:
        swept(found, args.recording)
    return 0


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
        rows = max(sum(chunk.count(b"\n") for chunk in iter(lambda: file.read(1 << 20), b"")) - 1, 1)
    with _bar(recording.name) as bar:
        assert bar is not None
        yield lambda count: bar(count, rows)


@contextlib.contextmanager
def _bar(title: str) -> Iterator[Callable[[int, int], None] | None]:
    """How far it has come, on a terminal; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:.0f} %"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
