"""`leeswatch relay sites | read`: what a time-series server keeps of the past, and reading it back."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from monitor.cli.common import Commands, command, iso, moment, say_json, settings_of, with_config, with_json
from monitor.cli.from_server import missing, missing_json, relay_of, told, when
from monitor.intake.recording import journal_path
from monitor.model.config import Settings
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.relay.scratch import Span


def add_reading(verbs: Commands) -> None:
    """Add the verbs."""
    sites = command(
        verbs, "sites", "Which sites and batches are on the server, with their first and last reading.",
        "leeswatch relay sites --json", _sites,
    )  # fmt: skip
    with_config(sites)
    with_json(sites)
    read = command(
        verbs, "read", "Read a batch or a whole site back, as the recording that `leeswatch export` would write there.",
        "leeswatch relay read --site 'North cellar' --batch amber-1 --out amber-1.csv\n"
        "  leeswatch relay read --from 2026-03-01T00:00:00Z --to 2026-04-01T00:00:00Z --out march.csv\n"
        "  leeswatch replay amber-1.csv --config leeswatch.toml", _read,
    )  # fmt: skip
    read.add_argument("--site", metavar="SITE", help="whose (default: this one, by [site] name)")
    read.add_argument("--batch", metavar="NAME", help="only this batch, with the probes that sat in or around it")
    read.add_argument("--from", dest="start", metavar="T", help="leave out what was measured before")
    read.add_argument("--to", dest="end", metavar="T", help="leave out what was measured at or after")
    read.add_argument("--out", type=Path, required=True, metavar="FILE", help="where to write; the journal lies beside")
    with_config(read)
    with_json(read)


def _sites(args: argparse.Namespace) -> int:
    """0 where there is any, 1 where there is none."""
    from monitor.relay.past import past_of  # noqa: PLC0415 - only where a server is asked

    settings = settings_of(args)
    relay = relay_of(settings)
    with past_of(relay) as past:
        found = [(site, past.batches(site.name)) for site in past.sites()]
    if args.json:
        say_json([_json(site, "site", batches=[_json(each, "batch") for each in batches]) for site, batches in found])
    for site, batches in [] if args.json else found:
        print(f"{site.name}  {_words(site, settings)}")
        wide = max((len(batch.name) for batch in batches), default=0)
        for batch in batches:
            print(f"    {batch.name:<{wide}}  {_words(batch, settings)}")
    if not found and not args.json:
        print(f"{relay.url} has no reading of any site: `leeswatch relay status` says what waits here.")
    return 0 if found else 1


def _json(span: Span, of: str, **more: Any) -> dict[str, Any]:
    return {of: span.name, "first": iso(span.first_ms), "last": iso(span.last_ms), **more}


def _words(span: Span, settings: Settings) -> str:
    return f"{when(span.first_ms, settings)} to {when(span.last_ms, settings)}"


def _read(args: argparse.Namespace) -> int:
    from monitor.relay.past import past_of  # noqa: PLC0415 - only where a server is asked
    from monitor.relay.recall import recall, story_of  # noqa: PLC0415

    if args.out.suffix != ".csv":
        raise UsageError(f"{args.out} does not end in .csv", "a recording is a CSV file")
    settings = settings_of(args)
    relay = relay_of(settings)
    start, end = (moment(text, settings) if text else None for text in (args.start, args.end))
    with past_of(relay) as past:
        story = story_of(past, args.site or settings.site.name)
        done = recall(past, story, args.out, [args.batch] if args.batch else [], start, end)
        how = past.how
    beside = journal_path(args.out)
    if args.json:
        say_json({
            "recording": str(args.out), "readings": done.readings, "journal": str(beside), "entries": done.entries,
            "site": done.site, "batch": args.batch, "server": relay.url, "by": how,
            "first": None if done.first_ms is None else iso(done.first_ms),
            "last": None if done.last_ms is None else iso(done.last_ms),
            "complete": done.whole, "missing": missing_json(done),
        })  # fmt: skip
        return 0
    print(f"from {relay.url} by {how}, site {done.site}: {told(done, settings)}")
    print(f"{done.readings} readings in {args.out}, {done.entries} journal entries in {beside}")
    for line in missing(done, settings):
        print(f"missing: {line}", file=sys.stderr)
    return 0
