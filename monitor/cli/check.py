"""`leeswatch check`: is the configuration right, and does it agree with the journal."""

from __future__ import annotations

import argparse
import difflib
import json
import re
import sqlite3
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from ssl import SSLError

from monitor.alerts.routes import check_route
from monitor.cli.common import Commands, command, say_json, with_config, with_json
from monitor.model.config import Probe, Relay, Settings
from monitor.model.errors import ConfigError, LeeswatchError, RelayError
from monitor.relay.access import certificates_of, token_of
from monitor.settings import find_config, load_settings, store_path
from monitor.store.reader import Reader
from monitor.toml_lines import Where, line_index, line_of

NO_YEAST_C = 40.0  # no yeast's range begins as warm as this (common practice, no source)
RAW = ("float_angle", "pressure")  # what says nothing of gravity without a calibration
ORIGIN = {"mqtt": "topic", "serial": "port", "onewire": "device"}  # where a probe of each source is heard
Remark = tuple[Where, str]  # where it stands, and what is so and what to do


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
    relay_errors, relay_notes = _of_relay(settings.relay) if settings.relay is not None else ([], [])
    errors += [f"{path}: {each}" for each in relay_errors]
    pieces, unread = _journal(settings)
    notes = [
        *_remarks(settings),
        *relay_notes,
        *_placed_lines(path, [*_of_probes(settings), *_of_shared(settings), *_of_batches(settings, pieces)]),
        *unread,
        *_differences(settings, pieces),
    ]
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


def _of_relay(relay: Relay) -> tuple[list[str], list[str]]:
    """Errors and notes: what would keep the relay from its server, as far as it can be seen from here."""
    errors: list[str] = []
    notes: list[str] = []
    for read in (token_of, certificates_of):
        try:
            read(relay)
        except RelayError as error:
            absent = isinstance(error.__cause__, OSError) and not isinstance(error.__cause__, SSLError)
            (notes if absent else errors).append(str(error))  # the daemon may be another user, or on another machine
    if relay.token_file is not None and not re.match(r"https:|http://(localhost|127\.|\[::1\])", relay.url):
        notes.append("[relay].url: the token goes over the network unencrypted; use https, or a network you trust")
    return errors, notes


def _placed_lines(path: Path, remarks: list[Remark]) -> list[str]:
    """Remarks with their file and line, in the order of the file; what only the journal knows comes first."""
    lines = line_index(path.read_bytes().decode("utf-8-sig"))
    placed = [(line_of(lines, where) or 0, said) for where, said in remarks]
    placed.sort(key=lambda each: each[0])
    return [f"{path}:{line}: {said}" if line else f"{path}: {said}" for line, said in placed]


def _of_probes(settings: Settings) -> Iterator[Remark]:
    """Keys that nothing uses, and raw readings that nothing turns into gravity."""
    for index, probe in enumerate(settings.probe):
        for source, key in ORIGIN.items():
            if source != probe.source and getattr(probe, key) is not None:
                said = (
                    f'probe {probe.name}: {key} is not used with source = "{probe.source}"; '
                    f'take it out, or write source = "{source}"'
                )
                yield ("probe", index, key), said
        told = _reads(probe)
        for quantity in RAW:
            if quantity in told and quantity not in probe.calibration and not told & {"gravity", "extract"}:
                said = (
                    f"probe {probe.name}: it delivers {quantity}, of which no gravity comes without a calibration; "
                    f"add [probe.calibration.{quantity}] with gravity = [[READING, 1.000], [READING, 1.050]], "
                    "read in water and in a sugar solution of known gravity"
                )
                yield ("probe", index), said


def _of_shared(settings: Settings) -> Iterator[Remark]:
    """Probes of one topic, port or device that take the same from every message."""
    for (_, first), (index, second) in combinations(enumerate(settings.probe), 2):
        at = ORIGIN.get(first.source, "")
        if not at or first.source != second.source or getattr(first, at) != getattr(second, at):
            continue
        mine, yours = _reads(first), _reads(second)
        if mine and yours and not mine & yours:
            continue
        what = " and ".join(sorted(mine & yours)) or "whatever is named"
        said = (
            f"probes {first.name} and {second.name} share the {at} {getattr(first, at)} and take {what} "
            f"from the same messages, so that one reading counts as two; give {second.name} a {at} of its own, "
            "or each probe fields or a pattern of its own"
        )
        yield ("probe", index, at), said


def _reads(probe: Probe) -> set[str]:
    """The quantities a probe takes by its pattern or fields; none where the messages name them."""
    named = re.compile(probe.pattern).groupindex if probe.pattern else probe.fields
    return {str(name) for name in named} - {"time"}


def _of_batches(settings: Settings, pieces: dict[str, bytes]) -> Iterator[Remark]:
    """Ranges that must be in Fahrenheit, and two open batches in one vessel."""
    for index, batch in enumerate(settings.batch):
        if batch.yeast_range_c is not None and batch.yeast_range_c[0] >= NO_YEAST_C:
            low, high = batch.yeast_range_c
            said = (
                f"batch {batch.name}: yeast_range_c = [{low:g}, {high:g}] looks like Fahrenheit; "
                f"in °C write [{_celsius(low):.0f}, {_celsius(high):.0f}]"
            )
            yield ("batch", index, "yeast_range_c"), said
    written = {batch.name: index for index, batch in enumerate(settings.batch)}
    told = {key[6:]: json.loads(piece) for key, piece in pieces.items() if key.startswith("batch:")}
    homes: dict[str, str] = {name: each["vessel"] for name, each in told.items() if not each["closed"]}
    homes |= {batch.name: batch.vessel for batch in settings.batch if batch.name not in told}
    for first, second in combinations(sorted(homes, key=lambda name: written.get(name, -1)), 2):
        if homes[first] == homes[second]:
            said = (
                f"batches {first} and {second} are both open in vessel {homes[first]}, whose probes speak for both; "
                f"end what is over with `leeswatch batch close {first}`, or give {second} a vessel of its own"
            )
            yield ("batch", written[second], "vessel") if second in written else (), said


def _celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def _journal(settings: Settings) -> tuple[dict[str, bytes], list[str]]:
    """What the store remembers, nothing where there is none; and why, where it cannot be read."""
    path = store_path(settings)
    try:
        if not path.exists():
            return {}, []
        with Reader(path) as reader:
            return reader.state(), []
    except (OSError, LeeswatchError, sqlite3.DatabaseError) as error:
        return {}, [f"whether the journal has moved things since is not known: {error}"]


def _differences(settings: Settings, state: dict[str, bytes]) -> list[str]:
    """Where the journal has moved things since the configuration was written."""
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
