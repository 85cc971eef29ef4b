"""`leeswatch check`: is the configuration right, and does it agree with the journal."""

from __future__ import annotations

import argparse
import difflib
import json
import sqlite3
from pathlib import Path

from monitor.alerts.routes import check_route
from monitor.cli.common import Commands, command, say_json, with_config, with_json
from monitor.model.config import Settings
from monitor.model.errors import ConfigError, LeeswatchError
from monitor.settings import find_config, load_settings, store_path
from monitor.store.reader import Reader


def add(commands: Commands) -> None:
    """Add the command."""
    parser = command(
        commands, "check", "Check a configuration: every problem at once, with its line.",
        "leeswatch check --config leeswatch.toml", run,
    )  # fmt: skip
    with_config(parser)
    with_json(parser)


def run(args: argparse.Namespace) -> int:
    """0 when it can be used, 1 when it has errors."""
    try:
        path = find_config(args.config)
        settings = load_settings(path)
    except ConfigError as error:
        return _refuse(error, as_json=args.json)
    errors = [
        f"{path}: route {route.name}: {reason}" for route in settings.alerts.routes if (reason := check_route(route))
    ]
    notes = [*_remarks(settings), *_differences(settings)]
    if args.json:
        say_json({"file": str(path), "ok": not errors, "errors": errors, "notes": notes})
    else:
        for line in errors:
            print(line)
        for line in notes:
            print(f"note: {line}")
        print(f"{path}: {'cannot be used' if errors else 'good'}; {_summary(settings)}")
    return 1 if errors else 0


def _refuse(error: ConfigError, *, as_json: bool) -> int:
    if as_json:
        problems = [
            {"line": each.line, "where": each.where, "found": each.found, "allowed": each.allowed}
            for each in error.problems
        ]
        say_json({"file": error.file, "ok": False, "errors": problems, "notes": []})
        return 1
    for problem in error.problems:
        print(problem.sentence(error.file))
    count = len(error.problems)
    print(f"{error.file}: {count} problem{'s' if count != 1 else ''}; nothing was started")
    return 1


def _summary(settings: Settings) -> str:
    parts = [
        (len(settings.probe), "probe"), (len(settings.vessel), "vessel"), (len(settings.fridge), "fridge"),
        (len(settings.batch), "batch"), (len(settings.alerts.routes), "route"),
    ]  # fmt: skip
    plural = {"batch": "batches"}
    return ", ".join(f"{n} {word if n == 1 else plural.get(word, word + 's')}" for n, word in parts)


def _remarks(settings: Settings) -> list[str]:
    """What is allowed but probably not meant."""
    notes = []
    placed = {
        name for part in (settings.vessel, settings.room, settings.fridge) for each in part for name in each.probes
    }
    known = [probe.name for probe in settings.probe]
    for name in sorted(placed - set(known)):
        close = difflib.get_close_matches(name, known, n=1)
        hint = f"did you mean {close[0]}? " if close else ""
        notes.append(f"probe {name} has a place but no [[probe]]: {hint}it can only come from a recording")
    for probe in settings.probe:
        if probe.name not in placed:
            notes.append(f"probe {probe.name} sits nowhere: its readings are kept, but no rule uses them")
        if probe.source == "serial" and probe.port and not Path(probe.port).exists():
            notes.append(f"probe {probe.name}: there is no {probe.port} now; it will be opened when it appears")
    for batch in settings.batch:
        if batch.expected_final is None and batch.fermentables is None:
            notes.append(
                f"batch {batch.name}: without expected_final or fermentables a standstill may only be called unknown"
            )
        if batch.yeast_range_c is None:
            notes.append(f"batch {batch.name}: without yeast_range_c nothing says when it is too warm or too cold")
    if not settings.alerts.routes:
        notes.append("no route: alerts go to the page, the log and the broker only; add [[alerts.routes]] to be told")
    return notes


def _differences(settings: Settings) -> list[str]:
    """Where the journal has moved things since the configuration was written."""
    path = store_path(settings)
    try:
        if not path.exists():
            return []
        with Reader(path) as reader:
            state = reader.state()
    except (OSError, LeeswatchError, sqlite3.DatabaseError) as error:
        return [f"whether the journal has moved things since is not known: {error}"]
    notes = []
    places = json.loads(state.get("places", b"{}"))
    for kind, parts in (("vessel", settings.vessel), ("room", settings.room), ("fridge", settings.fridge)):
        for part in parts:
            for probe in part.probes:
                now = places[probe][-1][1] if probe in places else f"{kind}:{part.name}"
                if now != f"{kind}:{part.name}":
                    notes.append(
                        f"probe {probe} is configured in {kind}:{part.name}; by the journal it is in {now or 'none'}"
                    )
    for fridge in settings.fridge:
        inside = json.loads(state.get(f"fridge:{fridge.name}", b"{}")).get("contents")
        if inside is not None and sorted(inside) != sorted(fridge.contents):
            there = ", ".join(sorted(inside)) or "nothing"
            notes.append(f"fridge {fridge.name}: by the journal it holds {there}, not what the configuration lists")
    return notes
