"""What the commands share."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from monitor.control import TypedReading, as_request, ask
from monitor.model.clock import SystemClock, iso, ms_of, parse_time
from monitor.model.config import Settings
from monitor.model.errors import StoreError, UsageError
from monitor.model.inputs import JournalEntry
from monitor.settings import find_config, load_settings, store_path
from monitor.store.reader import Reader


class Commands(Protocol):
    """What `argparse` calls sub-parsers."""

    def add_parser(self, name: str, **settings: Any) -> argparse.ArgumentParser:
        """Add one command."""
        ...


Run = Callable[[argparse.Namespace], int]


def command(commands: Commands, name: str, summary: str, example: str, run: Run) -> argparse.ArgumentParser:
    """One command with its help and an example."""
    parser = commands.add_parser(
        name,
        help=summary,
        description=summary,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run)
    return parser


def group(commands: Commands, name: str, summary: str, example: str) -> Commands:
    """A command made of verbs, with its help and an example."""
    parser = commands.add_parser(
        name,
        help=summary,
        description=summary,
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    return parser.add_subparsers(metavar="VERB", required=True)


def with_config(parser: argparse.ArgumentParser) -> None:
    """`--config`."""
    parser.add_argument(
        "--config", type=Path, metavar="FILE",
        help="configuration (default: leeswatch.toml here, then /etc/leeswatch/leeswatch.toml)",
    )  # fmt: skip


def with_json(parser: argparse.ArgumentParser) -> None:
    """`--json`."""
    parser.add_argument("--json", action="store_true", help="print JSON")


def number(text: str) -> float:
    """A number on the command line: finite, with a point or a comma."""
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def settings_of(args: argparse.Namespace) -> Settings:
    """The configuration a command was given."""
    return load_settings(find_config(args.config))


def reader_of(settings: Settings) -> Reader:
    """A read-only look at the store."""
    return Reader(store_path(settings))


def write(settings: Settings, entries: Sequence[JournalEntry], readings: Sequence[TypedReading] = ()) -> int:
    """Hand a change to the one writer: the daemon if it runs, else this command in its place. Returns `received`."""
    path = store_path(settings)
    answer = ask(path, as_request(entries, readings)) if path.parent.exists() else None
    if answer is not None:
        return int(answer["received"])
    from monitor.app import write_as_command  # noqa: PLC0415 - the whole daemon, for the rare time there is none

    return write_as_command(settings, path, as_request(entries, readings))


def moment(text: str | None, settings: Settings) -> int:
    """A time as typed: RFC 3339, or local date and time of the site; now when left out. UsageError otherwise."""
    if text is None:
        return now_ms(settings)
    try:
        return parse_time(text)
    except ValueError:
        pass
    try:
        local = datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no time", "write 2026-03-09T04:10:00Z, or the site's local time as '2026-03-09 04:10'"
        ) from error
    return ms_of(local if local.tzinfo else local.replace(tzinfo=ZoneInfo(settings.site.timezone)))


def now_ms(settings: Settings) -> int:
    """Now, by the clock of the daemon that writes (in a demo it is far from the machine's), else by the machine's."""
    path = store_path(settings)
    answer = ask(path, {"ask": "time"}) if path.parent.exists() else None
    return parse_time(answer["time"]) if answer is not None else SystemClock().wall_ms()


def local(ms: int, settings: Settings) -> str:
    """A time as people at the site read it."""
    return (
        datetime.fromtimestamp(ms / 1000, UTC).astimezone(ZoneInfo(settings.site.timezone)).strftime("%a %d %b %H:%M")
    )


def say_json(value: object) -> None:
    """Print JSON."""
    json.dump(value, sys.stdout, ensure_ascii=False, indent=2)
    print()


def batch_vessel(settings: Settings, name: str) -> str:
    """The vessel of a batch, from the store or the configuration; UsageError when there is no such batch."""
    try:
        with reader_of(settings) as reader:
            piece = reader.state().get(f"batch:{name}")
        if piece is not None:
            return str(json.loads(piece)["vessel"])
    except StoreError:
        pass
    for batch in settings.batch:
        if batch.name == name:
            return batch.vessel
    known = ", ".join(batch.name for batch in settings.batch) or "none yet"
    raise UsageError(f'there is no batch "{name}"', f"batches: {known}")


__all__ = [
    "Commands", "batch_vessel", "command", "group", "iso", "local", "moment", "now_ms", "number", "reader_of",
    "say_json", "settings_of", "with_config", "with_json", "write",
]  # fmt: skip
