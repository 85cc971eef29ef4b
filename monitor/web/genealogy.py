"""A jar's past as a drawing: the jar at the foot, what it comes from above it, its first packets at the top.

Only geometry is made here; the template writes the elements, so that every text is escaped in one place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.web.yeast import Ancestor

WIDE, HIGH, GAP_X, GAP_Y, EDGE = 150, 46, 16, 30, 4
LETTERS = 19  # of a name that fit into a box


@dataclass(frozen=True, slots=True)
class Box:
    """One thing: its corner and its words."""

    x: float
    y: float
    kind: str
    name: str
    text: str


@dataclass(frozen=True, slots=True)
class Tree:
    """All that the template needs."""

    width: float
    height: float
    boxes: tuple[Box, ...]
    lines: tuple[str, ...]


def draw(past: Sequence[Ancestor]) -> Tree:
    """Place each thing in the row of its step."""
    rows: dict[int, list[Ancestor]] = {}
    for each in past:
        rows.setdefault(each.step, []).append(each)
    steps = sorted(rows, reverse=True)
    width = max(len(row) for row in rows.values()) * (WIDE + GAP_X) - GAP_X + 2 * EDGE
    boxes: dict[str, Box] = {}
    for line, step in enumerate(steps):
        row = rows[step]
        left = (width - len(row) * (WIDE + GAP_X) + GAP_X) / 2.0
        for place, each in enumerate(row):
            kind, _, name = each.about.partition(":")
            x, y = left + place * (WIDE + GAP_X), EDGE + line * (HIGH + GAP_Y)
            short = name if len(name) <= LETTERS else f"{name[: LETTERS - 1]}…"
            boxes[each.about] = Box(x, y, kind, short, each.text)
    lines = [_line(boxes[each.about], boxes[child]) for each in past for child in each.becomes if child in boxes]
    height = len(steps) * (HIGH + GAP_Y) - GAP_Y + 2 * EDGE
    return Tree(width, height, tuple(boxes.values()), tuple(lines))


def _line(parent: Box, child: Box) -> str:
    """From the foot of one box to the top of another."""
    x, y, to_x, to_y = parent.x + WIDE / 2, parent.y + HIGH, child.x + WIDE / 2, child.y
    middle = (y + to_y) / 2
    return f"M{x:g} {y:g}C{x:g} {middle:g} {to_x:g} {middle:g} {to_x:g} {to_y:g}"
