"""Recordings and journals: read back what was written, lose no good row, name every bad one."""

import io
import random
import time
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.intake import recording
from monitor.intake.recording import (
    Recording,
    journal_path,
    merge,
    read_journal,
    write_journal,
    write_recording,
)
from monitor.intake.times import TimeReader, TimeWriter
from monitor.model.clock import iso, parse_time
from monitor.model.errors import RecordingError
from monitor.model.inputs import BatchStarted, JournalEntry, Reading, StageChanged, Stopped
from monitor.model.quantities import QUANTITIES

T0 = parse_time("2026-03-02T18:00:00Z")


def written(folder: Path, text: str | bytes, name: str = "r.csv") -> Recording:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return Recording(path)


readings = st.builds(
    Reading,
    st.sampled_from(["float-a", "hand:bucket-a", 'odd, "name"', "größe"]),
    st.sampled_from(["gravity", "temperature"]),
    st.integers(T0, T0 + 10**10),
    st.floats(0.9, 1.1),
    st.just(0),
)


@settings(max_examples=100, deadline=None)
@given(st.lists(readings, max_size=20))
def test_what_is_written_is_read(tmp_path_factory: pytest.TempPathFactory, rows: list[Reading]) -> None:
    """Every value, name and millisecond comes back as it was, in the order received."""
    rows = [row._replace(received_ms=max(row.measured_ms, T0) + 10**10 + 7 * index) for index, row in enumerate(rows)]
    rows.sort(key=lambda row: row.received_ms)
    rows = [row._replace(received_ms=row.received_ms + index) for index, row in enumerate(rows)]
    path = tmp_path_factory.mktemp("r") / "r.csv"
    with path.open("w", encoding="utf-8", newline="") as out:
        assert write_recording(rows, out) == len(rows)
    found = Recording(path)
    assert list(found) == rows
    assert found.problems == []


def test_the_file_is_rfc_4180_and_to_the_millisecond() -> None:
    """A recording has its header, CRLF line ends, UTC times to the millisecond and canonical units."""
    out = io.StringIO(newline="")
    write_recording([Reading("a,b", "temperature", T0 + 5, 20.5, T0 + 61_250)], out)
    assert out.getvalue() == (
        "time,probe,quantity,value,unit,received\r\n"
        '2026-03-02T18:00:00.005Z,"a,b",temperature,20.5,Cel,2026-03-02T18:01:01.250Z\r\n'
    )


def test_units_offsets_and_a_byte_order_mark(tmp_path: Path) -> None:
    """Fahrenheit is converted, an offset is applied, a byte order mark and other columns' order do not matter."""
    found = written(
        tmp_path,
        b"\xef\xbb\xbfprobe,time,unit,quantity,value\n"
        b"a,2026-03-02T19:00:00+01:00,degF,temperature,50\n"
        b"a,2026-03-02T18:00:01.5Z,,gravity,1.05\n"
        b"a,2026-03-02t18:00:02z,1,gravity,1.049\n",
    )
    assert [(row.quantity, row.measured_ms - T0, row.value) for row in found] == [
        ("temperature", 0, 10.0),
        ("gravity", 1500, 1.05),
        ("gravity", 2000, 1.049),
    ]
    assert found.problems == []
    assert not found.has_received


def test_without_received_rows_come_in_time_order(tmp_path: Path) -> None:
    """Unordered rows are sorted by time, and rows of one time follow each other by a millisecond in file order."""
    found = written(
        tmp_path,
        "time,probe,quantity,value,unit\n"
        "2026-03-02T18:02:00Z,a,temperature,3,Cel\n"
        "2026-03-02T18:00:00Z,a,temperature,1,Cel\n"
        "2026-03-02T18:00:00Z,b,temperature,2,Cel\n",
    )
    assert [(row.value, row.measured_ms - T0, row.received_ms - T0) for row in found] == [
        (1.0, 0, 0),
        (2.0, 0, 1),
        (3.0, 120_000, 120_000),
    ]


def test_with_received_rows_keep_the_order_of_the_file(tmp_path: Path) -> None:
    """Late rows stay where they were; received that does not rise moves on by one, an empty one is the time."""
    found = written(
        tmp_path,
        "time,probe,quantity,value,unit,received\n"
        "2026-03-02T18:02:00Z,a,temperature,1,Cel,2026-03-02T18:02:01Z\n"
        "2026-03-02T18:00:00Z,a,temperature,2,Cel,2026-03-02T18:02:01Z\n"
        "2026-03-02T18:03:00Z,a,temperature,3,Cel,\n",
    )
    assert [(row.value, row.received_ms - T0) for row in found] == [(1.0, 121_000), (2.0, 121_001), (3.0, 180_000)]


BAD_ROWS = [
    ("2026-03-02T18:00:00,a,temperature,20,Cel", "time", "no"),
    ("yesterday,a,temperature,20,Cel", "time", "yesterday"),
    ("2026-02-30T18:00:00Z,a,temperature,20,Cel", "time", "day"),
    ("1970-01-01T00:00:09Z,a,temperature,20,Cel", "time", "before 2000"),
    ("2026-03-02T18:00:00Z,,temperature,20,Cel", "probe", "''"),
    ("2026-03-02T18:00:00Z,a,warmth,20,Cel", "quantity", "'warmth'"),
    ("2026-03-02T18:00:00Z,a,temperature,20,kg", "unit", "'kg'"),
    ("2026-03-02T18:00:00Z,a,temperature,warm,Cel", "value", "'warm'"),
    ("2026-03-02T18:00:00Z,a,temperature,nan,Cel", "value", "'nan'"),
    ("2026-03-02T18:00:00Z,a,temperature,1_0,Cel", "value", "'1_0'"),
    ("2026-03-02T18:00:00Z,a,temperature,1e999,Cel", "value", "no number"),
    ("2026-03-02T18:00:00Z,a,temperature,900,Cel", "value", "not possible"),
    ("2026-03-02T18:00:00Z,a,temperature,2000,degF", "value", "not possible"),
    ("2026-03-02T18:00:00Z,a,temperature,20", "row", "4 columns"),
    ("2026-03-02T18:00:00Z,a,temperature,20,Cel,x", "row", "6 columns"),
    ('2026-03-02T18:00:00Z,"a"b,temperature,20,Cel', "row", "no CSV"),
    ('2026-03-02T18:00:00Z,"a,temperature,20,Cel', "row", "no CSV"),
    ('2026-03-02T18:00:00Z,x"y,"temperature,20,Cel', "row", "no CSV"),
]


@pytest.mark.parametrize("warm", [False, True], ids=["first", "after-good-rows"])
@pytest.mark.parametrize(("row", "where", "found"), BAD_ROWS, ids=[f"{where}-{found}" for _, where, found in BAD_ROWS])
def test_a_bad_row_is_named_and_costs_no_good_one(tmp_path: Path, row: str, where: str, found: str, warm: bool) -> None:
    """Each bad row is noted with its line and column and passed over; the rows around it are read."""
    good = "2026-03-02T18:00:00Z,a,temperature,20,Cel\n"
    before = good + good.replace("Cel", "degF").replace("20,", "50,") if warm else ""
    text = written(tmp_path, "time,probe,quantity,value,unit\n" + before + row + "\n" + good)
    assert len(list(text)) == (3 if warm else 1)
    (problem,) = text.problems
    assert (problem.line, problem.where) == (4 if warm else 2, where)
    assert found in problem.found
    assert problem.allowed
    assert problem.sentence("r.csv").startswith(f"r.csv:{problem.line}: {where}: ")


def test_bytes_that_are_no_utf8_spoil_only_their_row(tmp_path: Path) -> None:
    """A row in another encoding is refused by its line, the next is read."""
    found = written(
        tmp_path,
        b"time,probe,quantity,value,unit\n"
        b"2026-03-02T18:00:00Z,gr\xf6\xdfe,temperature,20,Cel\n"
        b"2026-03-02T18:00:00Z,a,temperature,20,Cel\n",
    )
    assert [row.probe for row in found] == ["a"]
    assert [(each.line, each.where) for each in found.problems] == [(2, "probe")]


def test_a_row_received_long_before_it_was_measured_is_refused(tmp_path: Path) -> None:
    """A measured time more than five minutes after its receipt cannot be true."""
    found = written(
        tmp_path,
        "time,probe,quantity,value,unit,received\n"
        "2026-03-02T18:05:00Z,a,temperature,1,Cel,2026-03-02T18:00:00Z\n"
        "2026-03-02T18:06:01Z,a,temperature,2,Cel,2026-03-02T18:01:00Z\n",
    )
    assert [row.value for row in found] == [1.0]
    assert "in the future" in found.problems[0].found


def test_problems_are_bounded_and_counted(tmp_path: Path) -> None:
    """A file of nothing but bad rows keeps the first thousand reasons and counts all; a second reading starts anew."""
    found = written(tmp_path, "time,probe,quantity,value,unit\n" + "x,a,temperature,20,Cel\n" * 1500)
    for _ in range(2):
        assert list(found) == []
        assert (len(found.problems), found.refused) == (recording.PROBLEMS_KEPT, 1500)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "the header is missing"),
        ("\n", "the header is missing"),
        ("2026-03-02T18:00:00Z,a,temperature,20,Cel\n", "unknown column"),
        ("time,probe,quantity,value\n", "column unit is missing"),
        ("time,probe,quantity,value,unit,recieved\n", "did you mean received?"),
        ("time,probe,quantity,value,unit,unit\n", "twice"),
        ("time;probe;quantity;value;unit\n", "unknown column"),
        ('time,"probe,quantity,value,unit\n', "no CSV"),
    ],
)
def test_a_header_that_cannot_be_used_is_an_error(tmp_path: Path, text: str, reason: str) -> None:
    """A recording without a good header is refused before any row is read, with file, line and remedy."""
    with pytest.raises(RecordingError, match=r"r\.csv:1: .*the first line is time,probe,quantity,value,unit") as caught:
        written(tmp_path, text)
    assert reason in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing recording or journal is an error that names it."""
    with pytest.raises(RecordingError, match=r"none\.csv"):
        Recording(tmp_path / "none.csv")
    with pytest.raises(RecordingError, match=r"none\.jsonl"):
        read_journal(tmp_path / "none.jsonl")


zones = st.sampled_from(["Z", "z", "+01:00", "-03:30", "+00:00", "", "+1"])
fractions = st.sampled_from(["", ".5", ".250", ".123456", ".1234567", ".", ".x"])
clocks = st.sampled_from(["00:00:00", "23:59:59", "24:00:00", "12:60:00", "12:00:60", "1:02:03", "12-00-00"])
days = st.sampled_from(["2026-03-02T", "2026-02-29T", "2028-02-29T", "0001-01-01 ", "2026-3-2T", "٢٠٢٦-03-02T"])


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(days, clocks, fractions, zones).map("".join), min_size=1, max_size=30))
def test_the_fast_reader_of_times_agrees_with_the_careful_one(texts: list[str]) -> None:
    """Whatever was read before, a time is accepted, refused and worth the same as when read alone."""

    def outcome(read: object, text: str) -> object:
        try:
            return read(text)  # type: ignore[operator]
        except (ValueError, OverflowError):
            return "refused"

    fast = TimeReader()
    for text in texts:
        assert outcome(fast.read, text) == outcome(parse_time, text)


@given(st.integers(T0 - 10**12, T0 + 10**12))
def test_the_fast_writer_of_times_agrees_with_the_careful_one(ms: int) -> None:
    """A time is written as the clock writes it."""
    assert TimeWriter().write(ms) == iso(ms)


# --- the journal ---


ENTRIES: list[JournalEntry] = [
    BatchStarted(received=T0, batch={"name": "amber-1", "vessel": "bucket-a"}),
    StageChanged(received=T0 + 86_400_000, batch="amber-1", stage="clearing"),
    Stopped(received=T0 + 90_000_000),
]


def test_a_journal_is_read_back(tmp_path: Path) -> None:
    """The journal beside X.csv is X.journal.jsonl, and comes back entry for entry in the order received."""
    path = journal_path(tmp_path / "x.csv")
    assert path.name == "x.journal.jsonl"
    with path.open("w", encoding="utf-8") as out:
        assert write_journal(ENTRIES, out) == 3
        out.write("\n")
    assert read_journal(path) == ENTRIES
    path.write_text("".join(entry.model_dump_json() + "\n" for entry in reversed(ENTRIES)), encoding="utf-8")
    assert read_journal(path) == ENTRIES


@pytest.mark.parametrize(
    "line",
    [
        b"{",
        b"[]",
        b"\xff",
        b'{"kind":"brewed","received":"2026-03-02T18:00:00Z"}',
        b'{"kind":"stopped"}',
        b'{"kind":"stopped","received":"1970-01-01T00:00:01Z"}',
        b'{"kind":"stopped","received":"2026-03-02T18:00:00Z","x":1}',
        b'{"kind":"stage","received":"2026-03-02T18:00:00Z","batch":"a","stage":"boiling"}',
    ],
)
def test_a_bad_journal_line_is_an_error_with_its_line(tmp_path: Path, line: bytes) -> None:
    """What people did cannot be passed over: the first bad line is named with file, line and remedy."""
    path = tmp_path / "x.journal.jsonl"
    path.write_bytes(ENTRIES[0].model_dump_json().encode() + b"\n" + line + b"\n")
    with pytest.raises(RecordingError, match=r"x\.journal\.jsonl:2: .+; .+"):
        read_journal(path)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(1, 30), max_size=15, unique=True), st.lists(st.integers(1, 30), max_size=8))
def test_merged_inputs_strictly_follow_each_other(reading_at: list[int], entry_at: list[int]) -> None:
    """Nothing is lost, received strictly increases, and each stream keeps its own order."""
    rows = [Reading("a", "gravity", at, 1.0 + at / 1000, at) for at in sorted(reading_at)]
    entries = [StageChanged(received=at, batch=str(n), stage="cold") for n, at in enumerate(sorted(entry_at))]
    found = list(merge(rows, entries))
    received = [each.received_ms if isinstance(each, Reading) else each.received for each in found]
    assert all(a < b for a, b in pairwise(received))
    assert [each.value for each in found if isinstance(each, Reading)] == [row.value for row in rows]
    assert [each.batch for each in found if isinstance(each, StageChanged)] == [entry.batch for entry in entries]
    if not set(reading_at) & set(entry_at) and len(set(entry_at)) == len(entry_at):
        assert received == sorted([*reading_at, *entry_at])


def test_an_export_is_merged_untouched() -> None:
    """Where received is already strict across both, as in every export, nothing is moved."""
    rows = [Reading("a", "gravity", T0 + at, 1.05, T0 + at) for at in (1, 2, 4)]
    entries = [Stopped(received=T0 + 3), Stopped(received=T0 + 9)]
    assert list(merge(rows, entries)) == [*rows[:2], entries[0], rows[2], entries[1]]


def test_a_long_recording_reads_fast(tmp_path: Path) -> None:
    """Sixty thousand rows cost under 1.5 s of processor time, eight times what was measured on a desk machine."""
    rng = random.Random(1)
    rows = [
        Reading("a", "gravity", T0 + 30_000 * n + rng.randrange(900), 1.05, T0 + 30_000 * n + 900)
        for n in range(60_000)
    ]
    path = tmp_path / "r.csv"
    with path.open("w", encoding="utf-8", newline="") as out:
        write_recording(rows, out)
    began = time.process_time()
    assert sum(1 for _ in Recording(path)) == 60_000
    assert time.process_time() - began < 1.5


def test_every_quantity_survives_the_round_trip(tmp_path: Path) -> None:
    """Each quantity is written with its canonical unit and read back unchanged."""
    rows = [
        Reading("a", name, T0 + n, quantity.plausible[1], T0 + n)
        for n, (name, quantity) in enumerate(QUANTITIES.items())
    ]
    path = tmp_path / "r.csv"
    with path.open("w", encoding="utf-8", newline="") as out:
        write_recording(rows, out)
    assert list(Recording(path)) == rows
