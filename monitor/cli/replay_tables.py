"""What `leeswatch replay` shows: the story, the comparison and the sweep, as tables and as JSON."""

from __future__ import annotations

import argparse
import statistics
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from monitor.model.clock import HOUR, iso
from monitor.replay.compare import Row, Run, differences, in_plain_words, local, unlike
from monitor.replay.course import Later
from monitor.replay.replay import Replayed
from monitor.replay.sweep import Outcome, Sweep
from monitor.replay.told import Told
from monitor.rules.health import span_words

PROBLEMS_SHOWN = 20
WIDE = 160  # columns where nobody can say how many there are: a file, a pipe


def _console(*, stderr: bool = False, soft_wrap: bool = False) -> Console:
    out = Console(stderr=stderr, highlight=False, soft_wrap=soft_wrap)
    if not out.is_terminal:
        out.width = max(out.width, WIDE)
    return out


def _table(
    console: Console, title: str, headings: Sequence[str], rows: Sequence[Sequence[str]], whole: Sequence[str] = ()
) -> None:
    """A table; the columns named in `whole` are not folded while others can be."""
    table = Table(title=Text(title), title_justify="left", show_lines=any("\n" in cell for row in rows for cell in row))
    for heading in headings:
        table.add_column(Text(heading), overflow="fold", no_wrap=heading in whole)
    for row in rows:
        table.add_row(*map(Text, row))
    console.print(table)


# --- one replay --------------------------------------------------------------------------------------------------


def replayed_json(recording: Path, told: Told, done: Replayed) -> dict[str, Any]:
    """What one replay told."""
    return {
        "recording": str(recording), "readings": done.readings, "events": told.count,
        "duplicates": done.duplicates, "conflicts": done.conflicts, "journal": done.journal,
        "other_configuration": done.other_configuration, "refused": done.refused, "story": list(told.story()),
        "problems": [asdict(problem) for problem in done.problems], "differences": None,
    }  # fmt: skip


def replayed(told: Told, done: Replayed, args: argparse.Namespace) -> None:
    """What was gone through, on stderr, so that events on the terminal stay whole; and the story, if nothing else."""
    notes = _console(stderr=True, soft_wrap=True)
    notes.print(f"{done.readings} readings, {told.count} events", markup=False)
    if done.duplicates or done.conflicts:
        notes.print(
            f"{done.duplicates} rows were there twice, {done.conflicts} contradict an earlier row", markup=False
        )
    if done.other_configuration:
        notes.print(
            f"the journal beside the recording holds another configuration than {args.config}, and the journal rules"
            + (f"; to see what {args.config} would have said, add --with {args.config}" if args.other is None else ""),
            markup=False,
        )
    for problem in done.problems[:PROBLEMS_SHOWN]:
        notes.print(problem.sentence(str(args.recording[0])), markup=False)
    if done.refused > PROBLEMS_SHOWN:
        notes.print(f"and {done.refused - PROBLEMS_SHOWN} more rows that cannot be read", markup=False)
    if args.events is None and args.other is None:
        out = _console(soft_wrap=True)
        for line in told.story():
            out.print(line, markup=False)


# --- against another configuration -------------------------------------------------------------------------------


def compared_json(here: Run, there: Run, zone: ZoneInfo) -> dict[str, Any]:
    """The comparison as data: times in UTC, `hours` how much later there."""
    rows = differences(here, there)
    return {
        "zone": zone.key,
        "settings": [
            {"key": path, "here": one, "there": other} for path, one, other in unlike(here.settings, there.settings)
        ],
        "differences": [_row_json(row) for row in rows],
        "summary": _counts(rows)
        | {
            "told_falsely": {
                name: {verdict: run.proved_false(verdict) for verdict in ("finished", "stalled")}
                for name, run in (("here", here), ("there", there))
            }
        },
    }


def _row_json(row: Row) -> dict[str, Any]:
    def at(value: int | None) -> int | str | None:
        return value if value is None or row.kind == "reminders" else iso(value)

    both = row.kind != "reminders" and row.here is not None and row.there is not None
    return {
        "about": row.about, "kind": row.kind, "said": row.said, "here": at(row.here), "there": at(row.there),
        "difference": row.words,
        "hours": round(((row.there or 0) - (row.here or 0)) / HOUR, 2) if both else None,
        "here_later": _later_json(row.here_later), "there_later": _later_json(row.there_later),
    }  # fmt: skip


def _later_json(later: Later | None) -> dict[str, Any] | None:
    if later is None:
        return None
    fell = None if later.fell is None else round(later.fell, 5)
    return {"outcome": later.outcome, "at": iso(later.at_ms), "fell": fell}


def _counts(rows: Sequence[Row]) -> dict[str, int]:
    """Of verdicts and raised alerts; how they ended, and reminders, are told in the table alone."""
    told = [row.way for row in rows if row.kind in ("verdict", "alert")]
    return {way.replace(" ", "_"): told.count(way) for way in ("earlier", "later", "only here", "only there")}


def compared(here: Run, there: Run, args: argparse.Namespace, zone: ZoneInfo) -> None:
    """The comparison as tables."""
    out = _console(stderr=args.events == "-")
    names = _labels(args, journal=here.done.other_configuration or args.config is None)
    settings = unlike(here.settings, there.settings)
    if settings:
        shown = [(path, *(in_plain_words(path, value, zone) for value in both)) for path, *both in settings]
        _table(out, "Settings that are not the same", ("setting", *names), shown)
    else:
        out.print("No setting that the rules see is another.", markup=False)
    rows = differences(here, there)
    if not rows:
        out.print(f"{args.other} would have said the same at the same times", markup=False)
        return
    headings = ("about, said", f"here: {names[0]}", f"there: {names[1]}", "difference")
    cells = [_cells(row, zone) for row in rows]
    _table(out, f"{names[0]} against {names[1]}, times of {zone.key}", headings, cells, whole=("about, said",))
    out.print(_summary(here, there, rows, names), markup=False, soft_wrap=True)


def _labels(args: argparse.Namespace, *, journal: bool) -> tuple[str, str]:
    if journal:
        return "the journal", args.other.name
    same = args.config.name == args.other.name
    return (str(args.config), str(args.other)) if same else (args.config.name, args.other.name)


def _cells(row: Row, zone: ZoneInfo) -> tuple[str, ...]:
    def cell(value: int | None, later: Later | None) -> str:
        if row.kind == "reminders":
            return "once" if value == 1 else f"{value} times"
        if value is None:
            return "-"
        return local(value, zone) + (f"\n{_later_words(value, later)}" if later is not None else "")

    said = {"verdict": row.said, "alert": row.said, "over": f"{row.said} over", "reminders": f"{row.said} reminded"}
    what = f"{row.about}\n  {said[row.kind]}"
    return what, cell(row.here, row.here_later), cell(row.there, row.there_later), row.words


def _later_words(at_ms: int, later: Later) -> str:
    span = span_words(later.at_ms - at_ms)
    if later.outcome == "false":
        return f"falsely: {'let go' if later.fell is None else f'{later.fell:.4f} lower'} {span} later"
    return f"held for {span}" if later.outcome == "held" else f"open: only {span} to judge by"


def _summary(here: Run, there: Run, rows: Sequence[Row], names: tuple[str, str]) -> str:
    counts = _counts(rows)
    false = [run.proved_false("finished", "stalled") for run in (here, there)]
    return (
        f"{names[1]} tells {counts['earlier']} verdicts or alerts earlier and {counts['later']} later, "
        f"{counts['only_there']} that {names[0]} does not, and not {counts['only_here']} that it does; "
        f"finished or stalled told falsely: {false[0]} with {names[0]}, {false[1]} with {names[1]}."
    )


# --- a sweep -----------------------------------------------------------------------------------------------------


def sweep_json(found: Sweep) -> dict[str, Any]:
    """The sweep as data: a row as it was (`value` null), and one a value as it was typed."""
    same = found.the_same()
    rows = [(None, found.as_it_was), *found.values]
    return {
        "key": found.key,
        "set": found.set_now,
        "notes": found.notes,
        "rows": [
            {"value": value, "as_it_was": value is None or value in same, **outcome.as_json()}
            for value, outcome in rows
        ],
    }


def swept(found: Sweep, recordings: Sequence[Path]) -> None:
    """The sweep as a table."""
    notes = _console(stderr=True, soft_wrap=True)
    for note in found.notes:
        notes.print(note, markup=False)
    headings = ("value", "finished", "h after pitch", "stalled", "verdict changes", "alerts raised")
    rows = [_sweep_cells("as it was", found.as_it_was), *(_sweep_cells(*each) for each in found.values)]
    files = "1 recording" if len(recordings) == 1 else f"{len(recordings)} recordings"
    out = _console()
    _table(out, f"{found.key} over {files}", headings, rows, whole=("alerts raised",))
    out.print(_set_words(found), markup=False, soft_wrap=True)
    same = found.the_same()
    if same:
        out.print(f"Told the same at the same times as it was: {' '.join(same)}", markup=False, soft_wrap=True)


def _sweep_cells(label: str, outcome: Outcome) -> tuple[str, ...]:
    hours = outcome.finished_h
    spread = f"{statistics.median(hours):.1f}" if hours else "-"
    if len(hours) > 1:
        spread += f" ({hours[0]:.1f} to {hours[-1]:.1f})"
    alerts = [f"{name} {count}" for name, count in sorted(outcome.alerts.items())]
    return (
        label,
        f"{len(hours)} of {len(outcome.batches)}, {outcome.false['finished']} falsely", spread,
        f"{outcome.told['stalled']}, {outcome.false['stalled']} falsely",
        str(outcome.changes), "\n".join([*alerts, f"reminded {outcome.reminders}"]),
    )  # fmt: skip


def _set_words(found: Sweep) -> str:
    """What the key was, at its latest; no more than a few."""
    zone = ZoneInfo("UTC")
    path = found.key
    pairs = dict.fromkeys(
        (name, in_plain_words(path, value, zone)) for each in found.set_now.values() for name, value in each.items()
    )
    words = [value if name == path else f"{name} {value}" for name, value in pairs]
    more = f" and {len(words) - 12} more" if len(words) > 12 else ""
    return (
        f"As it was: {'; '.join(words[:12])}{more}. Finished: of all batches, those with a finish that their later "
        "course did not prove false; h after pitch: of the first such, the median (earliest to latest)."
    )
