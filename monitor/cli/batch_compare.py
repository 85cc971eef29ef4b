"""`leeswatch batch compare`: two batches side by side."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.cli.common import (
    Commands,
    batch_of,
    command,
    now_ms,
    reader_of,
    say_json,
    settings_of,
    with_config,
    with_json,
)
from monitor.cli.from_server import relay_of, store_in, with_server
from monitor.model.config import Settings
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.siblings import Comparison, Course


def add(verbs: Commands) -> None:
    """Add the verb."""
    compare = command(
        verbs,
        "compare",
        "Two batches aligned at pitch: what differs, and whether it is more than the noise.",
        "leeswatch batch compare amber-1 amber-2\n"
        "  leeswatch batch compare amber-1 amber-2 --from-server 'North cellar'\n"
        "  leeswatch batch compare amber-1 amber-1 --beside-site 'North cellar'",
        _compare,
    )
    compare.add_argument("first", metavar="A", help="a batch")
    compare.add_argument("second", metavar="B", help="the other: differences are B less A")
    with_server(compare)
    compare.add_argument("--beside-site", metavar="SITE", help="take B from the server, as this site sent it")
    with_config(compare)
    with_json(compare)


def _compare(args: argparse.Namespace) -> int:
    from monitor.batches import siblings  # noqa: PLC0415 - as below
    from monitor.report.compared import compared  # noqa: PLC0415 - as below

    settings = settings_of(args)
    site, beside = (
        None if each is None else each or settings.site.name for each in (args.from_server, args.beside_site)
    )
    if args.first == args.second and (beside is None or beside == site):
        raise UsageError("a batch differs in nothing from itself", "name two batches")
    if site is not None or beside is not None:
        relay_of(settings)
    now = now_ms(settings)
    if beside is None or beside == site:
        first, second = _courses(settings, site, [args.first, args.second], now)
    else:
        (first,), (second,) = (
            _courses(settings, where, [name], now) for where, name in ((site, args.first), (beside, args.second))
        )
        second = replace(second, name=f"{second.name} ({beside})")
    found = siblings.compare(first, second)
    if args.json:
        say_json(compared(found))
    else:
        _show(found)
    return 0


def _courses(settings: Settings, site: str | None, names: list[str], now: int) -> list[Course]:
    from monitor.report.gather import course, state_in  # noqa: PLC0415 - the engine's memory, for this verb only

    with store_in(settings, site, names) as look, reader_of(look) as reader, reader.moment():
        state = state_in(reader)
        return [course(reader, state, batch_of(state, name).name, now) for name in names]


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
