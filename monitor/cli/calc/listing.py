"""`leeswatch calc --sources`."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from monitor.cli.common import say_json
from monitor.science import provenance


def show(*, as_json: bool) -> None:
    """Every formula, its source and what checks it."""
    formulas = provenance.formulas()
    if as_json:
        say_json([
            {"function": each.name, "formula": each.formula, "source": each.source, "checked": each.check}
            for each in formulas
        ])  # fmt: skip
        return
    out = Console(highlight=False)
    for each in formulas:
        out.print(Text(each.name, style="bold"))
        block = Table.grid(padding=(0, 2))
        for heading, text in (("formula", each.formula), ("source", each.source), ("checked", each.check)):
            block.add_row(Text(heading, style="dim"), Text(text))
        out.print(Padding(block, (0, 0, 0, 2)))
