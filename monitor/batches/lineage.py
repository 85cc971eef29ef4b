"""Where yeast comes from: a jar through washes, batches and other jars, back to its first packets; as text and drawn.

A record edited by hand may miss parents or run in a ring. What is missing is shown as missing, and a ring is cut where
it closes: nothing here loops.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from monitor.batches.record import Record, counting
from monitor.model.clock import iso
from monitor.model.deeds import Harvested, Jarred, JarUsed, Merged, Split, WashRound
from monitor.model.inputs import BatchStarted, JournalEntry

MOST: Final = 400  # things followed; yeast is thrown out long before (common practice, no source)

Told = Mapping[str, Sequence[str]]
"""Jars that batches were pitched from as the configuration tells, by batch."""


@dataclass(frozen=True, slots=True)
class Node:
    """A thing in a jar's past; `row` counts back from it, along the longest way."""

    about: str
    row: int
    words: str
    at_ms: int | None
    known: bool

    @property
    def kind(self) -> str:
        """jar, wash or batch."""
        return self.about.partition(":")[0]

    @property
    def name(self) -> str:
        """Its name."""
        return self.about.partition(":")[2]


@dataclass(frozen=True, slots=True)
class Lineage:
    """A jar's past: the jar first. `edges` lead from what was there before to what became of it."""

    root: str
    nodes: tuple[Node, ...]
    edges: tuple[tuple[str, str], ...]
    rings: tuple[tuple[str, str], ...]
    """Edges that would close a ring: told, but not followed."""
    complete: bool
    """Whether all of it was followed (at most `MOST` things)."""

    def node(self, about: str) -> Node:
        """The node of a thing; KeyError where there is none."""
        for each in self.nodes:
            if each.about == about:
                return each
        raise KeyError(about)

    def before(self, about: str) -> tuple[str, ...]:
        """What a thing came from, rings left out."""
        return tuple(parent for parent, child in self.edges if child == about)


def trace(records: Mapping[str, Record], jar: str, told: Told | None = None) -> Lineage:
    """The past of a jar."""
    root = f"jar:{jar}"
    edges: list[tuple[str, str]] = []
    rings: list[tuple[str, str]] = []
    order: list[str] = []
    state: dict[str, int] = {root: 1}  # 1: on the way back that is followed now; 2: followed to its end
    stack: list[tuple[str, list[str]]] = [(root, parents_of(records, root, told or {}))]
    while stack:
        about, waiting = stack[-1]
        if not waiting:
            state[about] = 2
            order.append(about)
            stack.pop()
            continue
        parent = waiting.pop(0)
        if state.get(parent) == 1:
            rings.append((parent, about))
        elif parent in state:
            edges.append((parent, about))
        elif len(state) < MOST:
            edges.append((parent, about))
            state[parent] = 1
            stack.append((parent, parents_of(records, parent, told or {})))
    rows = dict.fromkeys(order, 0)
    for about in reversed(order):  # children before their parents, as the rings are cut
        for parent, child in edges:
            if child == about:
                rows[parent] = max(rows[parent], rows[about] + 1)
    nodes = [_node(records, about, row, told or {}) for about, row in rows.items()]
    nodes.sort(key=lambda each: (each.row, each.about))
    return Lineage(root, tuple(nodes), tuple(dict.fromkeys(edges)), tuple(dict.fromkeys(rings)), len(state) < MOST)


def parents_of(records: Mapping[str, Record], about: str, told: Told) -> list[str]:
    """What a thing came from, one step back."""
    kind, _, name = about.partition(":")
    done = counting(records.get(about, ()))
    found: list[str] = []
    if kind == "jar":
        made = _made(records, name)
        if made is not None:
            found = [f"wash:{made.wash}"] if made.wash else [f"jar:{each}" for each in made.parents]
    elif kind == "wash":
        harvest = next((each for each in reversed(done) if isinstance(each, Harvested) and each.wash == name), None)
        if harvest is not None:
            found = [f"batch:{harvest.batch}"]
            if not parents_of(records, found[0], told):  # a batch that nobody told of: the harvest's own word
                found += [f"jar:{each}" for each in harvest.parents]
    else:
        found = _of_batch(records, name, told)
    return list(dict.fromkeys(found))


def _of_batch(records: Mapping[str, Record], name: str, told: Told) -> list[str]:
    found: list[str] = []
    started = False
    for each in counting(records.get(f"batch:{name}", ())):
        if isinstance(each, BatchStarted) and each.batch.get("name") == name:
            started = True
            found += [f"jar:{jar}" for jar in each.batch.get("jars", ())]
        elif isinstance(each, JarUsed) and each.batch == name:
            found.append(f"jar:{each.jar}")
        else:
            other = _poured_from(each, name)
            found += [f"batch:{other}"] if other is not None else []
    if not started:
        found += [f"jar:{jar}" for jar in told.get(name, ())]
    return found


def _poured_from(entry: JournalEntry, batch: str) -> str | None:
    """The batch that some or all of this one came from by that entry."""
    if isinstance(entry, Split):
        return entry.batch if entry.name == batch != entry.batch else None
    return entry.batch if isinstance(entry, Merged) and entry.into == batch != entry.batch else None


def pitched_from(records: Mapping[str, Record], batch: str, told: Told | None = None) -> tuple[str, ...]:
    """Jars that a batch was pitched from, through those it was split from or that were poured into it."""
    jars: list[str] = []
    seen: set[str] = set()
    waiting = [f"batch:{batch}"]
    while waiting:
        about = waiting.pop(0)
        if about in seen:
            continue
        seen.add(about)
        for parent in parents_of(records, about, told or {}):
            if parent.startswith("jar:"):
                jars.append(parent[4:])
            else:
                waiting.append(parent)
    return tuple(dict.fromkeys(jars))


def _made(records: Mapping[str, Record], name: str) -> Jarred | None:
    record = counting(records.get(f"jar:{name}", ()))
    return next((each for each in reversed(record) if isinstance(each, Jarred) and each.jar == name), None)


_ORIGINS = {"packet": "a packet", "wash": "washed", "starter": "a starter", "given": "given by someone"}


def _node(records: Mapping[str, Record], about: str, row: int, told: Told) -> Node:
    kind, _, name = about.partition(":")
    done = counting(records.get(about, ()))
    if kind == "jar":
        made = _made(records, name)
        if made is None:
            return Node(about, row, "nothing on record", None, known=False)
        words = f"{made.strain}, generation {made.generation}, {_ORIGINS[made.origin]}"
        return Node(about, row, words, made.at, known=True)
    if kind == "wash":
        harvest = next((each for each in reversed(done) if isinstance(each, Harvested)), None)
        rounds = sum(isinstance(each, WashRound) and each.stand == "long" for each in done)
        words = f"{rounds} round{'' if rounds == 1 else 's'}" if done else "nothing on record"
        return Node(about, row, words, harvest.at if harvest is not None else None, known=bool(done))
    known = bool(done) or name in told
    origin = any(isinstance(each, Split) and each.name == name for each in done)
    words = "nothing on record" if not known else "split off" if origin else "fermented"
    return Node(about, row, words, None, known=known)


# --- as text -------------------------------------------------------------------------------------------------------


def as_text(lineage: Lineage, *, plain: bool = False) -> list[str]:
    """The jar and under it what it came from, drawn with box characters; `plain`: in ASCII."""
    fork, last, down = ("|-- ", "`-- ", "|   ") if plain else ("├── ", "└── ", "│   ")
    drawn: set[str] = set()
    lines: list[str] = []

    def draw(about: str, head: str, under: str) -> None:
        node = lineage.node(about)
        again = about in drawn and bool(lineage.before(about))
        lines.append(f"{head}{node.kind} {node.name}: {node.words}{' (as above)' if again else ''}")
        if about in drawn:
            return
        drawn.add(about)
        below = [(parent, False) for parent in lineage.before(about)]
        below += [(parent, True) for parent, child in lineage.rings if child == about]
        for number, (parent, ring) in enumerate(below, start=1):
            end = number == len(below)
            sign, line = (last, "    ") if end else (fork, down)
            if ring:
                kind, _, name = parent.partition(":")
                lines.append(f"{under}{sign}{kind} {name} again: the record runs in a ring here")
            else:
                draw(parent, under + sign, under + line)

    draw(lineage.root, "", "")
    if not lineage.complete:
        lines.append(f"only {MOST} things are followed")
    return lines


def as_json(lineage: Lineage) -> dict[str, Any]:
    """JSON-able: nodes, edges from parent to child, and rings that were cut."""
    return {
        "root": lineage.root,
        "nodes": [
            {"about": each.about, "kind": each.kind, "name": each.name, "row": each.row, "text": each.words,
             "time": None if each.at_ms is None else iso(each.at_ms), "known": each.known}
            for each in lineage.nodes
        ],
        "edges": [{"from": parent, "to": child} for parent, child in lineage.edges],
        "rings": [{"from": parent, "to": child} for parent, child in lineage.rings],
        "complete": lineage.complete,
    }  # fmt: skip


# --- drawn ---------------------------------------------------------------------------------------------------------

_WIDE, _HIGH, _GAP_X, _GAP_Y, _EDGE = 210, 46, 16, 28, 4
_LETTERS = 34  # of the smaller line that fit into a box


def svg(lineage: Lineage, ident: str = "lineage") -> str:
    """A small SVG with title and description: the jar at the foot, its first packets at the top.

    `ident` begins the ids of its title and description: another for each drawing on one page.
    """
    rows: dict[int, list[Node]] = {}
    for each in lineage.nodes:
        rows.setdefault(each.row, []).append(each)
    top = max(rows)
    width = max(len(row) for row in rows.values()) * (_WIDE + _GAP_X) - _GAP_X + 2 * _EDGE
    height = (top + 1) * (_HIGH + _GAP_Y) - _GAP_Y + 2 * _EDGE
    corner: dict[str, tuple[float, float]] = {}
    for number, row in rows.items():
        left = (width - len(row) * (_WIDE + _GAP_X) + _GAP_X) / 2
        for place, each in enumerate(row):
            corner[each.about] = (left + place * (_WIDE + _GAP_X), _EDGE + (top - number) * (_HIGH + _GAP_Y))
    jar = escape(lineage.node(lineage.root).name)
    said = "; ".join(as_text(lineage, plain=True)).replace("|-- ", "").replace("`-- ", "").replace("|   ", "")
    shapes = [_line(corner[parent], corner[child]) for parent, child in lineage.edges]
    shapes += [_box(each, *corner[each.about]) for each in lineage.nodes]
    title, described = f"{escape(ident)}-title", f"{escape(ident)}-desc"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="{title} {described}" '
        f'viewBox="0 0 {width} {height}" width="{width}" height="{height}" font-family="sans-serif" font-size="13" '
        f'fill="currentColor"><title id="{title}">Where the yeast in jar {jar} comes from</title>'
        f'<desc id="{described}">{escape(" ".join(said.split()))}</desc>{"".join(shapes)}</svg>'
    )


def _line(parent: tuple[float, float], child: tuple[float, float]) -> str:
    """From the foot of one box to the top of another."""
    x, y, to_x, to_y = parent[0] + _WIDE / 2, parent[1] + _HIGH, child[0] + _WIDE / 2, child[1]
    middle = (y + to_y) / 2
    return (
        f'<path d="M{x:g} {y:g}C{x:g} {middle:g} {to_x:g} {middle:g} {to_x:g} {to_y:g}" fill="none" '
        'stroke="currentColor" stroke-opacity="0.5"/>'
    )


def _box(node: Node, x: float, y: float) -> str:
    dash = "" if node.known else ' stroke-dasharray="4 3"'
    middle = x + _WIDE / 2
    return (
        f'<g><rect x="{x:g}" y="{y:g}" width="{_WIDE}" height="{_HIGH}" rx="6" fill="none" '
        f'stroke="currentColor"{dash}/>'
        f'<text x="{middle:g}" y="{y + 19:g}" text-anchor="middle" font-weight="bold">'
        f"{escape(_short(f'{node.kind} {node.name}', 26))}</text>"
        f'<text x="{middle:g}" y="{y + 36:g}" text-anchor="middle" font-size="11">'
        f"{escape(_short(node.words, _LETTERS))}</text></g>"
    )


def _short(words: str, letters: int) -> str:
    return words if len(words) <= letters else f"{words[: letters - 1]}…"
