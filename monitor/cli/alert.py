"""`leeswatch alert`: what stands, and what to do with it."""

from __future__ import annotations

import argparse
import json
import re

from monitor.cli.common import (
    Commands,
    command,
    group,
    local,
    moment,
    now_ms,
    reader_of,
    say_json,
    settings_of,
    with_config,
    with_json,
    write,
)
from monitor.model.clock import DAY
from monitor.model.config import Settings
from monitor.model.errors import StoreError, UsageError
from monitor.model.inputs import Acknowledged, JournalEntry, Shelved, Ticked

_SPAN = re.compile(r"(\d+)(min|h|d)")
LONGEST_SHELVE = 366 * DAY
_SPAN_MS = {"min": 60_000, "h": 3_600_000, "d": 86_400_000}


def add(commands: Commands) -> None:
    """Add the commands."""
    verbs = group(commands, "alert", "Alerts: list, acknowledge, shelve, done.", "leeswatch alert list")
    listing = command(verbs, "list", "Alerts that stand.", "leeswatch alert list", _list)
    with_config(listing)
    with_json(listing)
    for name, summary, run in (
        ("acknowledge", "You have seen it: no more reminders.", _acknowledge),
        ("done", "You did what it asked for: it returns to normal.", _done),
    ):
        _with_id(command(verbs, name, summary, f"leeswatch alert {name} 1f0c9a2b3d", run))
    shelve = command(
        verbs, "shelve", "Set it aside for a while.", "leeswatch alert shelve 1f0c9a2b3d --for 12h", _shelve
    )
    _with_id(shelve)
    shelve.add_argument(
        "--for", dest="span", default="12h", metavar="SPAN", help="such as 90min, 12h or 2d (default 12h)"
    )


def _with_id(parser: argparse.ArgumentParser) -> None:
    with_config(parser)
    with_json(parser)
    parser.add_argument("id", help="as `alert list` shows it; its first characters are enough")


def _standing(settings: Settings) -> list[dict[str, object]]:
    try:
        with reader_of(settings) as reader:
            piece = reader.state().get("book")
    except StoreError:
        return []
    return list(json.loads(piece)["standing"].values()) if piece else []


def _list(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    alerts = _standing(settings)
    if args.json:
        say_json(alerts)
        return 0
    if not alerts:
        print("nothing stands")
    for alert in alerts:
        shelved = alert["shelved_until_ms"]
        state = f"shelved until {local(int(str(shelved)), settings)}" if shelved else alert["state"]
        print(f"{alert['id']}  {local(int(str(alert['raised_ms'])), settings)}  {state}  {alert['message']}")
    return 0


def _acknowledge(args: argparse.Namespace) -> int:
    return _change(args, lambda number: Acknowledged(id=number, by="command line"), "acknowledged")


def _done(args: argparse.Namespace) -> int:
    return _change(args, lambda number: Ticked(id=number), "done")


def _shelve(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    now = now_ms(settings)
    match = _SPAN.fullmatch(args.span)
    until = now + int(match[1]) * _SPAN_MS[match[2]] if match else moment(args.span, settings)
    if not now < until < now + LONGEST_SHELVE:
        raise UsageError(f"--for {args.span} cannot be", "give a span up to a year, such as 90min, 12h or 2d")
    return _change(args, lambda number: Shelved(id=number, until=until, by="command line"), "shelved")


def _change(args: argparse.Namespace, entry: object, word: str) -> int:
    settings = settings_of(args)
    ids = [str(alert["id"]) for alert in _standing(settings) if str(alert["id"]).startswith(args.id)]
    if len(ids) != 1:
        what = "no alert that stands" if not ids else "more than one alert"
        raise UsageError(f'{what} has an id that starts with "{args.id}"', "see `leeswatch alert list`")
    made = entry(ids[0])  # type: ignore[operator]
    assert isinstance(made, JournalEntry)
    write(settings, [made])
    if args.json:
        say_json({"id": ids[0], "done": word})
    else:
        print(f"{ids[0]}: {word}")
    return 0
