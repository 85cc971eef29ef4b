"""`leeswatch calc`: the trade's numbers, each with its range and its source."""

from __future__ import annotations

import argparse
import dataclasses

from monitor.cli.calc import cells, cold, gas, listing, meters, mixes, wash, wires
from monitor.cli.calc.answer import Kind
from monitor.cli.common import Commands, Run, command, with_json
from monitor.model.errors import UsageError
from monitor.science import provenance

KINDS: tuple[Kind, ...] = tuple(kind for part in (wash, mixes, meters, gas, cells, cold, wires) for kind in part.KINDS)


def add(commands: Commands) -> None:
    """Add the command and all its kinds."""
    parser = command(
        commands, "calc", "The trade's numbers: gravity, strength, freezing, gas, yeast, cold, probes.",
        "leeswatch calc gravity --reading 1.094 --at 5 --calibrated 20\n  leeswatch calc --sources",
        _sources,
    )  # fmt: skip
    parser.add_argument("--sources", action="store_true", help="print every formula with its source and what checks it")
    with_json(parser)
    kinds = parser.add_subparsers(metavar="KIND")
    for kind in KINDS:
        _add_kind(kinds, kind)


def _add_kind(kinds: Commands, kind: Kind) -> None:
    parser = command(
        kinds, kind.name, kind.summary, f"leeswatch calc {kind.name} {kind.example}\n  {kind.gives}", _runner(kind)
    )
    kind.options(parser)
    with_json(parser)


def _runner(kind: Kind) -> Run:
    def run(args: argparse.Namespace) -> int:
        try:
            answer = kind.work(args)
        except ValueError as error:  # the sciences refuse what is out of range, saying what is allowed
            raise UsageError(str(error)) from error
        source = f"Source: {provenance.source(kind.functions[0])}"
        dataclasses.replace(answer, notes=(*answer.notes, source)).print(as_json=args.json)
        return 0

    return run


def _sources(args: argparse.Namespace) -> int:
    if not args.sources:
        names = ", ".join(kind.name for kind in KINDS)
        raise UsageError("calc needs a kind of calculation", f"one of {names}; or --sources")
    listing.show(as_json=args.json)
    return 0
