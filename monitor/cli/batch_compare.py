"""`leeswatch batch compare`: two batches side by side."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.cli.common import (
    Commands,
    command,
    now_ms,
    reader_of,
    say_json,
    settings_of,
    with_config,
    with_json,
)
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.siblings import Comparison


def add(verbs: Commands) -> None:
    """Add the verb."""
    compare = command(
        verbs,
        "compare",
        "Two batches aligned at pitch: what differs, and whether it is more than the noise.",
        "leeswatch batch compare amber-1 amber-2",
        _compare,
    )
    compare.add_argument("first", metavar="A", help="a batch")
    compare.add_argument("second", metavar="B", help="the other: differences are B less A")
    with_config(compare)
    with_json(compare)


def _compare(args: argparse.Namespace) -> int:
    from monitor.report.compared import compared  # noqa: PLC0415 - as below
    from monitor.report.gather import comparison, state_in  # noqa: PLC0415 - the engine's memory, for this verb only

    if args.first == args.second:
        raise UsageError("a batch differs in nothing from itself", "name two batches")
    settings = settings_of(args)
    now = now_ms(settings)
    with reader_of(settings) as reader, reader.moment():
        state = state_in(reader)
        for name in (args.first, args.second):
            if name not in state.batches:
                known = ", ".join(state.batches) or "none yet"
                raise UsageError(f'there is no batch "{name}"', f"batches: {known}")
        found = comparison(reader, state, args.first, args.second, now)
    if args.json:
        say_json(compared(found))
    else:
        _show(found)
    return 0


def _show(found: Comparison) -> None:
    from rich.console import Console  # noqa: PLC0415 - tables only here
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    from monitor.batches.siblings import TITLES, shown  # noqa: PLC0415

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = max(console.width, 140)
    table = Table(title=Text(f"{found.first} and {found.second}, from pitch"), title_justify="left")
    for heading in ("", found.first, found.second, "difference", "more than the noise?"):
        table.add_column(Text(heading))
    for row in found.rows:
        cells = shown(row)
        table.add_row(Text(f"{TITLES[row.name]}, {row.unit}"), *(Text(cell) for cell in cells))
    console.print(table)
    print(found.summary)
    print("± is one standard error; more than the noise: a difference above 1.96 joint standard errors")
