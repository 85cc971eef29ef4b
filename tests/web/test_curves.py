from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.ledger import Ledger
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.config import RuleSettings, Vessel
from monitor.model.inputs import BatchStarted, Configured, JournalEntry, ProbeMoved, Reading
from monitor.report.curve import Curve, Curves, Line, _parts, _without_spikes, draw
from monitor.report.drawing import GRAVITY_FOOT, GRAVITY_TOP, LEFT, RIGHT, drawing
from monitor.store.reader import Reader
from monitor.store.store import Store
from monitor.web.look import load
from tests.web.cellar import START

Points = list[tuple[int, float]]


def steady(count: int, every: int = 10 * MINUTE, value: float = 1.05) -> Points:
    return [(START + index * every, value) for index in range(count)]


def test_a_line_ends_where_more_than_three_intervals_are_missing():
    """Three missing readings are bridged; a longer silence is a gap."""
    points = steady(20)
    bridged = points[:5] + points[7:]
    assert len(_parts(bridged, MINUTE)) == 1
    broken = points[:5] + points[8:]
    first, second = _parts(broken, MINUTE)
    assert (first[-1][0], second[0][0]) == (points[4][0], points[8][0])


def test_a_cell_never_reaches_across_a_gap():
    """However wide the cells, what lies on either side of a gap is not gathered into one."""
    points = steady(6) + [(at + 2 * HOUR, value) for at, value in steady(6)]
    assert len(_parts(points, DAY)) == 2


@given(
    st.lists(st.tuples(st.integers(1, 6 * HOUR), st.floats(0.98, 1.1)), min_size=1, max_size=200),
    st.integers(MINUTE, DAY),
)
def test_cells_keep_order_range_and_gaps(steps: list[tuple[int, float]], cell: int):
    """For any readings: times rise, no value leaves the range of what was read, and every reading is in a part."""
    points: Points = []
    at = START
    for step, value in steps:
        at += step
        points.append((at, value))
    parts = _parts(points, cell)
    told = [point for part in parts for point in part]
    assert all(earlier[0] < later[0] for earlier, later in pairwise(told))
    low, high = min(value for _, value in points), max(value for _, value in points)
    assert all(low <= value <= high for _, value in told)
    known = {when for when, _ in points}
    assert all(when in known for when, _ in told)


def test_a_lone_spike_is_passed_over_and_a_step_is_kept():
    """A bubble that jumps and comes back is no gravity; a level that moved for good is."""
    points = steady(9)
    spiked = [*points[:4], (points[4][0], 1.09), *points[5:]]
    assert list(_without_spikes(spiked)) == [*points[:4], *points[5:]]
    stepped = points[:4] + [(at, 1.09) for at, _ in points[4:]]
    assert list(_without_spikes(stepped)) == stepped


@pytest.fixture
def moved(tmp_path: Path) -> Path:
    """A probe that sat in bucket a for a day, then in bucket b."""
    path = tmp_path / "s.db"
    settings = RuleSettings(vessel=[Vessel(name="a", probes=["float"]), Vessel(name="b")])
    entries: list[JournalEntry | Reading] = [
        Configured(settings=settings.as_json(), received=START),
        BatchStarted(batch={"name": "one", "vessel": "a", "pitched": START + 1}, received=START + 1),
        BatchStarted(batch={"name": "two", "vessel": "b", "pitched": START + 1}, received=START + 2),
    ]
    for index in range(288):
        at = START + (index + 1) * 10 * MINUTE
        if index == 144:
            entries.append(ProbeMoved(probe="float", to="vessel:b", at=at - 1, received=at - 1))
        entries.append(Reading("float", "gravity", at, 1.05 if index < 144 else 1.01, at))
    with Store.open(path) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        with ledger.commit():
            for entry in entries:
                ledger.put(entry)
    return path


def test_a_moved_probe_leaves_its_readings_with_the_old_place(moved: Path):
    """The curve of a batch holds only what the probe said while it sat in that vessel."""
    with Reader(moved) as reader:
        state = load(reader)
        told = {
            name: draw(reader, state, state.batches[name], START, START + 2 * DAY + HOUR) for name in ("one", "two")
        }
    values = {name: {value for line in curve.lines for part in line.parts for _, value in part}
              for name, curve in told.items()}  # fmt: skip
    assert values == {"one": {1.05}, "two": {1.01}}


def test_whole_curves_are_drawn_anew_after_a_cell_has_passed(moved: Path):
    """Within a cell's width the kept curve is given out; after it, and when probes move, a new one."""
    curves = Curves()
    with Reader(moved) as reader:
        state = load(reader)
        batch = state.batches["two"]
        now = START + 2 * DAY
        first = curves.whole(reader, state, batch, now)
        assert curves.whole(reader, state, batch, now + first.cell_ms - 1) is first
        again = curves.whole(reader, state, batch, now + first.cell_ms)
        assert again is not first
        state.places["float"].append((now, None))
        assert curves.whole(reader, state, batch, now + first.cell_ms) is not again


@given(st.lists(st.floats(0.96, 1.2), min_size=1, max_size=40), st.integers(10 * MINUTE, 60 * DAY))
def test_everything_drawn_lies_inside_the_frame(values: list[float], span: int):
    """Whatever the gravities and the age, lines and marks stay inside their panel and labels are few."""
    points = [(START + index * span // len(values), value) for index, value in enumerate(values)]
    curve = Curve("x", START, START + span, MINUTE, [Line("p", "gravity", [points])])
    told = drawing(curve, {"gravity": 0.998, "range": [0.99, 1.006]})
    assert told is not None
    assert told.gravity is not None
    for x, y in told.gravity.dots:
        assert LEFT <= x <= RIGHT
        assert GRAVITY_TOP - 0.2 <= y <= GRAVITY_FOOT + 0.2
    for piece in "".join(told.gravity.paths).replace("M", "L").split("L")[1:]:
        x, y = (float(each) for each in piece.split())
        assert LEFT <= x <= RIGHT
        assert GRAVITY_TOP - 0.2 <= y <= GRAVITY_FOOT + 0.2
    assert 2 <= len(told.gravity.marks) <= 7
    assert 1 <= len(told.days) <= 8
    assert len({mark.label for mark in told.gravity.marks}) == len(told.gravity.marks)


def test_nothing_to_draw_is_no_drawing():
    """A batch nothing was heard of has no drawing at all."""
    assert drawing(Curve("x", START, START + DAY, MINUTE), None) is None
