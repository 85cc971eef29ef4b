"""What the commands share."""

from __future__ import annotations

import argparse
import json
import math
import re
import sys
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol
from zoneinfo import ZoneInfo

from monitor.control import TypedReading, as_request, ask
from monitor.model.clock import SystemClock, iso, ms_of, on_site, parse_time
from monitor.model.config import Settings
from monitor.model.errors import StoreError, UsageError
from monitor.model.inputs import JournalEntry
from monitor.settings import find_config, load_settings, store_path
from monitor.store.reader import Reader

if TYPE_CHECKING:
    from monitor.engine.state import State
    from monitor.rules.batch import BatchState

Unit = Literal["kg", "g", "L", "mL"]
_AMOUNT = re.compile(r"([0-9]+(?:[.,][0-9]+)?)\s*([A-Za-z]+)")
_UNITS: dict[str, Unit] = {
    "kg": "kg", "g": "g", "l": "L", "ml": "mL", "litre": "L", "litres": "L", "liter": "L", "liters": "L",
}  # fmt: skip
_MOST = 100_000.0


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
    return on_site(ms, ZoneInfo(settings.site.timezone))


def say_json(value: object) -> None:
    """Print JSON."""
    json.dump(value, sys.stdout, ensure_ascii=False, indent=2)
    print()


def batch_vessel(settings: Settings, name: str) -> str:
    """The vessel of a batch, from the store or the configuration; UsageError when there is no such batch."""
    pieces: dict[str, bytes] = {}
    try:
        with reader_of(settings) as reader:
            pieces = reader.state()
    except StoreError:
        pass
    piece = pieces.get(f"batch:{name}")
    if piece is not None:
        return str(json.loads(piece)["vessel"])
    for batch in settings.batch:
        if batch.name == name:
            return batch.vessel
    known = dict.fromkeys(
        [*(key[6:] for key in pieces if key.startswith("batch:")), *(each.name for each in settings.batch)]
    )
    raise no_batch(name, known)


def no_batch(name: str, known: Iterable[str]) -> UsageError:
    """There is no such batch."""
    return UsageError(f"there is no batch {name}", f"batches: {', '.join(known) or 'none yet'}")


def whole_state(settings: Settings) -> State:
    """What the engine remembers as last committed, without the hours of its tracks; else as configured."""
    from monitor.engine.facts import set_batch  # noqa: PLC0415 - half the engine, for commands that need it
    from monitor.engine.state import STATE_VERSION, State  # noqa: PLC0415

    version, pieces = None, {}
    if store_path(settings).exists():
        with reader_of(settings) as reader, reader.moment():
            version, pieces = reader.meta("state_version"), reader.state()
    if version not in (None, STATE_VERSION):
        raise StoreError("the store was written by another version", "start `leeswatch run` once: it brings it up")
    state = State.restore({key: piece for key, piece in pieces.items() if not key.startswith("hour:")})
    state.use(settings.for_rules())
    for batch in settings.batch:
        if batch.name not in state.batches:
            set_batch(state, batch)
    return state


def batch_of(state: State, name: str) -> BatchState:
    """A batch; UsageError when there is none of that name."""
    batch = state.batches.get(name)
    if batch is None:
        raise no_batch(name, state.batches)
    return batch


def named(parser: argparse.ArgumentParser, word: str = "name", about: str = "the batch") -> None:
    """`--config`, `--json` and the name of what the command is about."""
    with_config(parser)
    with_json(parser)
    parser.add_argument(word, metavar=word.upper(), help=about)


def with_when(parser: argparse.ArgumentParser, what: str = "when it was done") -> None:
    """`--when`."""
    parser.add_argument("--when", metavar="T", help=f"{what} (default: now)")


def litres(text: str) -> float:
    """A volume on the command line, in litres: 19, 19L or 750mL."""
    value, unit = amount(text if text[-1:].isalpha() else f"{text}L")
    if unit not in ("L", "mL"):
        raise argparse.ArgumentTypeError(f"{text!r} is no volume: write 19, 19L or 750mL")
    return value if unit == "L" else value / 1000.0


def amount(text: str) -> tuple[float, Unit]:
    """An amount on the command line, such as 500g or 2L: the number and kg, g, L or mL."""
    found = _AMOUNT.fullmatch(text.strip())
    unit = _UNITS.get(found[2].lower()) if found else None
    value = number(found[1]) if found else 0.0
    if unit is None or not 0.0 < value <= _MOST:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no amount: write a number above 0 and kg, g, L or mL, such as 500g or 2L "
            "(a pound is 0.4536 kg, a US gallon 3.785 L)"
        )
    return value, unit


def pair(text: str) -> tuple[str, float]:
    """NAME=KG on the command line, such as sucrose=3."""
    name, sign, value = text.partition("=")
    try:
        kilograms = number(value.lower().removesuffix("kg"))
    except ValueError:
        kilograms = 0.0
    if not sign or not name or kilograms <= 0.0:
        raise argparse.ArgumentTypeError(f"{text!r} is no NAME=KG, such as sucrose=3")
    return name.strip(), kilograms


def say_done(args: argparse.Namespace, lines: Sequence[str], undo: str, **more: object) -> int:
    """What was done, and how to take it back; the first line says the chief thing. Returns 0."""
    if args.json:
        say_json({"done": lines[0], "notes": list(lines[1:]), "undo": undo, **more})
        return 0
    for line in lines:
        print(line)
    print(f"a mistake? {undo}")
    return 0


__all__ = [
    "Commands", "amount", "batch_of", "batch_vessel", "command", "group", "iso", "litres", "local", "moment", "named",
    "no_batch", "now_ms", "number", "pair", "reader_of", "say_done", "say_json", "settings_of", "whole_state",
    "with_config", "with_json", "with_when", "write",
]  # fmt: skip
