"""A batch's curves: gravity and temperature as its probes told them, with honest gaps.

Readings are gathered into cells (their median, so that a lone bubble does not show), but never across a gap: where
nothing came for more than three intervals, a line ends and another begins.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from monitor.engine.derive import gravity_of, temperature_of
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.quantities import QUANTITIES
from monitor.rules.batch import BatchState, HandPoint
from monitor.rules.health import GRAVITY_LIKE
from monitor.store.reader import Reader

CELLS = 360
CELLS_LEAST = 72
GAP_INTERVALS = 3
SPIKE = 0.02  # SG: as the rules, a jump is believed only when three readings in a row hold it
KEPT = 24

Point = tuple[int, float]


@dataclass(frozen=True, slots=True)
class Line:
    """One quantity by one probe; each part is a stretch without a gap."""

    probe: str
    quantity: str  # gravity or temperature
    parts: list[list[Point]]


@dataclass(frozen=True, slots=True)
class Curve:
    """What was seen of a batch in a span of time."""

    batch: str
    from_ms: int
    to_ms: int
    cell_ms: int
    lines: list[Line] = field(default_factory=list)
    hand: list[HandPoint] = field(default_factory=list)


def draw(reader: Reader, state: State, batch: BatchState, from_ms: int, to_ms: int, cells: int = CELLS) -> Curve:
    """Read the curves of a batch between two times, in at most `cells` cells."""
    cell = max(MINUTE, -(-(to_ms - from_ms) // cells))
    lines: list[Line] = []
    for probe in state.probes:
        spans = [
            span
            for start, end, vessel in _stays(batch, from_ms, to_ms)
            for span in _spans(state, probe, vessel, start, end)
        ]
        if not spans or probe.startswith("hand:"):
            continue
        for quantity in state.probes[probe].series:
            kind = "temperature" if quantity == "temperature" else "gravity"
            if quantity != "temperature" and quantity not in GRAVITY_LIKE:
                continue
            parts = [
                part for start, end in spans for part in _parts(_read(reader, state, probe, quantity, start, end), cell)
            ]
            if parts:
                lines.append(Line(probe, kind, parts))
    hand = [point for point in batch.hand if from_ms <= point.at_ms <= to_ms]
    return Curve(batch.name, from_ms, to_ms, cell, _in_order(state, batch.vessel, lines), hand)


def _stays(batch: BatchState, from_ms: int, to_ms: int) -> Iterator[tuple[int, int, str]]:
    """In which vessel a batch was, from when to when, cut to a span."""
    homes = batch.homes or [(batch.pitched_ms, batch.vessel)]
    ends = [*(start for start, _ in homes[1:]), to_ms + 1]
    for index, ((start, vessel), end) in enumerate(zip(homes, ends, strict=True)):
        first, last = max(start, from_ms) if index else from_ms, min(end - 1, to_ms)
        if first <= last:
            yield first, last, vessel


def _in_order(state: State, vessel: str, lines: list[Line]) -> list[Line]:
    settings = state.vessel(vessel)
    listed = settings.probes if settings else []
    return sorted(
        lines, key=lambda line: (listed.index(line.probe) if line.probe in listed else len(listed), line.quantity)
    )


def _spans(state: State, probe: str, vessel: str, from_ms: int, to_ms: int) -> Iterator[tuple[int, int]]:
    """When a probe sat in a vessel, cut to a span."""
    moves = state.places.get(probe, [])
    ends = [*(start for start, _ in moves[1:]), to_ms + 1]
    for (start, place), end in zip(moves, ends, strict=False):  # a probe that never had a place has no spans
        first, last = max(start, from_ms), min(end - 1, to_ms)
        if place == f"vessel:{vessel}" and first <= last:
            yield first, last


def _read(reader: Reader, state: State, probe: str, quantity: str, start: int, end: int) -> list[Point]:
    low, high = QUANTITIES[quantity].plausible
    raw = [point for point in reader.curve(probe, quantity, start, end) if low <= point[1] <= high]
    return list(_convert(state, probe, quantity, raw))


def _convert(state: State, probe: str, quantity: str, raw: list[Point]) -> Iterator[Point]:
    if quantity == "temperature":
        if state.curve(probe, "temperature") is None:
            yield from raw
        else:
            yield from ((at, temperature_of(state, probe, value)) for at, value in raw)
        return
    plain = quantity == "gravity" and state.curve(probe, quantity) is None
    told: list[Point] = raw if plain else [
        (at, found[0]) for at, value in raw if (found := gravity_of(state, probe, quantity, value)) is not None
    ]  # fmt: skip
    yield from _without_spikes(told)


def _without_spikes(points: list[Point]) -> Iterator[Point]:
    """Pass over what stands alone: further than a step from the median of its neighbours."""
    for index, (at, value) in enumerate(points):
        around = sorted(each for _, each in points[max(0, index - 2) : index + 3])
        if len(around) < 3 or abs(value - around[len(around) // 2]) <= SPIKE:
            yield at, value


def _parts(points: Sequence[Point], cell_ms: int) -> list[list[Point]]:
    """Cells of each stretch without a gap."""
    if not points:
        return []
    steps = sorted(later[0] - earlier[0] for earlier, later in pairwise(points))
    longest = GAP_INTERVALS * (steps[len(steps) // 2] if steps else MINUTE)
    stretches: list[list[Point]] = [[points[0]]]
    for earlier, later in pairwise(points):
        if later[0] - earlier[0] > longest:
            stretches.append([])
        stretches[-1].append(later)
    return [_cells(stretch, cell_ms) for stretch in stretches]


def _cells(stretch: list[Point], cell_ms: int) -> list[Point]:
    told: list[Point] = []
    start = 0
    for index in range(1, len(stretch) + 1):
        if index < len(stretch) and stretch[index][0] // cell_ms == stretch[start][0] // cell_ms:
            continue
        inside = stretch[start:index]
        values = sorted(value for _, value in inside)
        middle = len(values) // 2
        median = values[middle] if len(values) % 2 else (values[middle - 1] + values[middle]) / 2.0
        told.append((inside[len(inside) // 2][0], median))
        start = index
    return told


class Curves:
    """Curves of whole batches, kept for about as long as one cell is wide: drawing one reads every reading of it."""

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[str, int], tuple[int, int, Curve]] = OrderedDict()
        self._lock = threading.Lock()

    def whole(self, reader: Reader, state: State, batch: BatchState, now_ms: int) -> Curve:
        """A batch since its pitch (until it was closed), as of a cell's width ago at most."""
        key = (batch.name, batch.pitched_ms)
        places = hash((str(state.places), str(batch.hand), batch.closed))
        with self._lock:
            made_ms, seen, curve = self._kept.get(key, (0, 0, None))
            if curve is not None and seen == places and 0 <= now_ms - made_ms < curve.cell_ms:
                return curve
        end = now_ms if batch.closed_ms is None else batch.closed_ms
        end = max(end, batch.pitched_ms + MINUTE)
        # About an hour a cell, so that its median passes over bubbles; finer in the first days.
        cells = min(CELLS, max(CELLS_LEAST, (end - batch.pitched_ms) // HOUR))
        curve = draw(reader, state, batch, batch.pitched_ms, end, cells)
        with self._lock:
            self._kept[key] = (now_ms, places, curve)
            self._kept.move_to_end(key)
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return curve
