"""What a calculation answers, and how it is shown: a sentence, a table, cautions, where it comes from; or JSON."""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from rich.console import Console
from rich.table import Table
from rich.text import Text

from monitor.batches.cells import between, cells
from monitor.cli.common import say_json

CELLS = "cells"
"""How numbers of cells are written; see `Row.form`."""

DIGITS = 7
"""Significant digits in JSON: more than any figure here is good for, and no binary tails."""


class Span(Protocol):
    """Anything with a usual value and its range."""

    @property
    def usual(self) -> float:
        """The value."""
        ...

    @property
    def low(self) -> float:
        """The lowest it may be."""
        ...

    @property
    def high(self) -> float:
        """The highest it may be."""
        ...


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: its key in JSON and its line in the table."""

    key: str
    label: str
    value: float | str | None
    unit: str = ""
    form: str = ".3g"
    """How it is written, as in `format`; "cells" for numbers of cells."""
    span: tuple[float, float] | None = None
    span_key: str | None = None
    """Key of the range; by default the key with _range."""

    def shown(self) -> str:
        """The value as people read it."""
        if self.value is None:
            return "not known"
        return self.value if isinstance(self.value, str) else written(self.value, self.form)

    def shown_span(self) -> str:
        """The range as people read it."""
        if self.span is None:
            return ""
        return between(*self.span) if self.form == CELLS else " – ".join(written(end, self.form) for end in self.span)


def spread(key: str, label: str, estimate: Span, unit: str, form: str = ".3g", *, span_key: str | None = None) -> Row:
    """A row with its range."""
    return Row(key, label, estimate.usual, unit, form, (estimate.low, estimate.high), span_key)


@dataclass(frozen=True, slots=True)
class Answer:
    """What a calculation says."""

    headline: str
    rows: Sequence[Row]
    cautions: Sequence[str] = ()
    """What can hurt somebody, or mislead."""
    notes: Sequence[str] = ()
    """Where it comes from, and what was taken for granted."""
    extra: dict[str, Any] = field(default_factory=dict)
    """Further keys of the JSON."""
    tables: Sequence[Table] = ()

    def record(self) -> dict[str, Any]:
        """As JSON."""
        found: dict[str, Any] = {}
        for row in self.rows:
            found[row.key] = _plain(row.value)
            if row.span is not None:
                found[row.span_key or f"{row.key}_range"] = [_plain(end) for end in row.span]
        units = {row.key: row.unit for row in self.rows if row.unit}
        return {
            **found,
            **self.extra,
            "units": units,
            "cautions": list(self.cautions),
            "notes": list(self.notes),
        }

    def print(self, *, as_json: bool) -> None:
        """To the terminal."""
        if as_json:
            say_json(self.record())
            return
        out = Console(highlight=False)
        out.print(Text(self.headline, style="bold"))
        out.print(self._table())
        for table in self.tables:
            out.print(table)
        for caution in self.cautions:
            out.print(Text(f"! {caution}", style="yellow"))
        for note in self.notes:
            out.print(Text(note, style="dim"))

    def _table(self) -> Table:
        ranged = any(row.span is not None for row in self.rows)
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
        table.add_column("quantity")
        table.add_column("value", justify="right", no_wrap=True)
        if ranged:
            table.add_column("range", no_wrap=True)
        table.add_column("unit")
        for row in self.rows:
            line = [row.label, row.shown()]
            if ranged:
                line.append(row.shown_span())
            table.add_row(*line, row.unit)
        return table


def written(value: float, form: str) -> str:
    """A number as people read it; infinite is `never`."""
    if math.isinf(value):
        return "never"
    if form == CELLS:
        return cells(value)
    text = format(value, form)
    # -0.0 is 0.0, and one never wants to see the sign of nothing.
    return text.removeprefix("-") if not text.strip("-0.") else text


def _plain(value: float | str | None) -> float | str | None:
    """For JSON, which has no infinity."""
    if value is None or isinstance(value, str):
        return value
    return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None


Work = Callable[[argparse.Namespace], Answer]


@dataclass(frozen=True, slots=True)
class Kind:
    """One calculation: its name, what it is, its options, and an example with what that gives."""

    name: str
    summary: str
    example: str
    """Options of the worked example."""
    gives: str
    """The example's headline; a test holds it to what really comes out."""
    functions: tuple[str, ...]
    """What it stands on, the main one first: names in `monitor.science.provenance`."""
    options: Callable[[argparse.ArgumentParser], None]
    work: Work
