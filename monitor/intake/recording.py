"""Recordings: files of readings (CSV, RFC 4180, UTF-8), and the journal that may lie beside one.

A header that cannot be used is an error. A single bad row is not: it is passed over, counted, and said with its line,
so that the good rows around it are not lost. The journal is the other way round: it says what people and the daemon
did, so a line of it that cannot be read would quietly change every verdict after it, and is an error.
"""

from __future__ import annotations

import contextlib
import csv
import difflib
from array import array
from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise
from operator import itemgetter
from pathlib import Path
from typing import NamedTuple, TextIO

from pydantic import ValidationError

from monitor.intake.times import TimeReader, TimeWriter
from monitor.intake.units import affine
from monitor.intake.values import FUTURE_TOLERANCE_MS, NEWEST_OWN_MS, number_from_text, refuse_future, shown
from monitor.model.errors import PayloadError, Problem, RecordingError
from monitor.model.inputs import JOURNAL, JournalEntry, Reading
from monitor.model.quantities import QUANTITIES

COLUMNS = ("time", "probe", "quantity", "value", "unit")
OPTIONAL = ("received",)
HEADER = (*COLUMNS, *OPTIONAL)
PROBLEMS_KEPT = 1000
_OLDEST_MS = 946_684_800_000  # 2000-01-01T00:00:00Z: what is older was stamped by a clock that was not set


class _Series(NamedTuple):
    """What each row of one probe, quantity and unit has in common."""

    probe: str
    quantity: str
    factor: float
    offset: float
    low: float
    high: float
    plain: bool  # already in the canonical unit


# Series, measured, received if known, value: a plain tuple, for there are hundreds of thousands.
_Row = tuple[_Series, int, int | None, float]


class Recording:
    """A recording whose header is good. Each iteration reads the file anew and yields its readings as received.

    `problems` holds what was wrong with single rows in the last iteration (the first thousand; `refused` counts all).
    """

    def __init__(self, path: Path) -> None:
        """Check the header; RecordingError where it, or the file, cannot be read."""
        self.path = path
        self.problems: list[Problem] = []
        self.refused = 0
        with self._open() as file:
            columns = _header(file, str(path))
        self.has_received = "received" in columns
        self._width = len(columns)
        places = [columns.index(name) for name in HEADER if name in columns]
        self._pick: Callable[[list[str]], tuple[str, ...]] = itemgetter(*places)
        self._known: dict[tuple[str, str, str], _Series] = {}

    def __iter__(self) -> Iterator[Reading]:
        """The readings, `received` strictly increasing."""
        self.problems, self.refused = [], 0
        return self._as_received() if self.has_received else self._by_time()

    def _open(self) -> TextIO:
        try:
            # A byte that is no UTF-8 must spoil its row, not the file: it becomes a lone surrogate.
            return self.path.open(encoding="utf-8-sig", errors="surrogateescape", newline="")
        except OSError as error:
            raise RecordingError(
                str(self.path), 0, error.strerror or str(error), "name a file that can be read"
            ) from error

    def _as_received(self) -> Iterator[Reading]:
        last = 0
        for series, measured_ms, received_ms, value in self._rows():
            last = max(received_ms if received_ms is not None else measured_ms, last + 1)
            yield Reading(series.probe, series.quantity, measured_ms, value, last)

    def _by_time(self) -> Iterator[Reading]:
        """In time order; rows of one time follow each other by a millisecond, in the order of the file."""
        series: dict[_Series, int] = {}
        places, times, values = array("L"), array("q"), array("d")
        for name, measured_ms, _, value in self._rows():
            places.append(series.setdefault(name, len(series)))
            times.append(measured_ms)
            values.append(value)
        names = list(series)
        order = range(len(times)) if _is_sorted(times) else sorted(range(len(times)), key=times.__getitem__)
        last = 0
        for index in order:
            name, measured_ms = names[places[index]], times[index]
            last = max(measured_ms, last + 1)
            yield Reading(name.probe, name.quantity, measured_ms, values[index], last)

    def _rows(self) -> Iterator[_Row]:
        """The good rows. What was seen before is looked up; anything else takes the careful way once."""
        known, pick, width, time_of = self._known, self._pick, self._width, TimeReader().read
        with self._open() as file:
            file.readline()
            for number, line in enumerate(file, start=2):
                try:
                    row = _split(line)
                    time_text, probe, quantity, value_text, unit, *received_text = pick(row)
                    series = known[probe, quantity, unit]
                    value = float(value_text)
                    if not series.plain:
                        value = round(series.factor * value + series.offset, 9)
                    measured_ms = time_of(time_text)
                    received_ms = time_of(received_text[0]) if received_text else None
                    if (
                        len(row) == width
                        and series.low <= value <= series.high
                        and _OLDEST_MS <= measured_ms < NEWEST_OWN_MS
                        and (received_ms is None or measured_ms - FUTURE_TOLERANCE_MS <= received_ms < NEWEST_OWN_MS)
                        and "_" not in value_text
                    ):
                        yield series, measured_ms, received_ms, value
                        continue
                except (LookupError, ValueError, csv.Error):
                    pass
                careful = self._careful(line, number, time_of)
                if careful:
                    yield careful

    def _careful(self, text: str, line: int, time_of: Callable[[str], int]) -> _Row | None:
        """Read one row with a reason for everything; None, and a problem noted, where it is bad."""
        if not text.strip():
            return None
        try:
            row = _split(text)
        except csv.Error as error:
            self._problem(line, "row", f"this is no CSV: {error}", 'close each quotation mark, double it ("") inside')
            return None
        if len(row) != self._width:
            self._problem(
                line, "row", f"{len(row)} columns instead of {self._width}", "write every column of the header"
            )
            return None
        time_text, probe, quantity, value_text, unit, *received_text = self._pick(row)
        where = "time"
        try:
            measured_ms = _plausible(time_of(time_text))
            where = "probe"
            _check_probe(probe)
            where = "quantity"
            _check_quantity(quantity)
            where = "unit"
            series = self._known[probe, quantity, unit] = self._series(probe, quantity, unit)
            where = "value"
            value = _value(series, value_text)
            where = "received"
            received_ms = _plausible(time_of(received_text[0])) if received_text and received_text[0] else None
            _check_order(measured_ms, received_ms)
        except PayloadError as error:
            self._problem(line, where, error.what, error.remedy or "correct the row")
            return None
        except ValueError as error:
            self._problem(line, where, str(error), "write RFC 3339 with offset")
            return None
        return series, measured_ms, received_ms, value

    def _series(self, probe: str, quantity: str, unit: str) -> _Series:
        canonical = QUANTITIES[quantity].unit
        factor, offset = affine(quantity, unit or canonical)
        low, high = QUANTITIES[quantity].possible
        return _Series(probe, quantity, factor, offset, low, high, (factor, offset) == (1.0, 0.0))

    def _problem(self, line: int, where: str, found: str, allowed: str) -> None:
        self.refused += 1
        if len(self.problems) < PROBLEMS_KEPT:
            self.problems.append(Problem(line, where, found, allowed))


def _split(line: str) -> list[str]:
    """The columns of one line; csv.Error where a quotation mark stands wrong.

    Lines are read one by one although RFC 4180 allows a line break inside quotation marks: no column of a recording
    can hold one, and a forgotten mark would otherwise swallow every row after it.
    """
    if '"' in line:
        return next(csv.reader((line,), strict=True))
    return line.rstrip("\r\n").split(",")


def _header(file: TextIO, name: str) -> list[str]:
    remedy = f"the first line is {','.join(COLUMNS)} and, if known, received"
    try:
        columns = [column.strip().lower() for column in _split(file.readline())]
    except csv.Error as error:
        raise RecordingError(name, 1, f"the header is no CSV: {error}", remedy) from error
    if not any(columns):
        raise RecordingError(name, 1, "the header is missing", remedy)
    for column in columns:
        if column not in HEADER:
            close = difflib.get_close_matches(column, HEADER, n=1)
            hint = f"did you mean {close[0]}? {remedy}" if close else remedy
            raise RecordingError(name, 1, f"unknown column {shown(column)}", hint)
    missing = [column for column in COLUMNS if column not in columns]
    if missing or len(set(columns)) != len(columns):
        what = f"the column {missing[0]} is missing" if missing else "a column stands there twice"
        raise RecordingError(name, 1, what, remedy)
    return columns


def _is_sorted(times: array[int]) -> bool:
    return all(before <= after for before, after in pairwise(times))


def _plausible(ms: int) -> int:
    if not _OLDEST_MS <= ms < NEWEST_OWN_MS:
        raise PayloadError("the time lies before 2000 or after 2099: the clock that gave it was not set")
    return ms


def _check_probe(name: str) -> None:
    if not name.strip() or len(name) > 128 or not name.isprintable():
        raise PayloadError(f"{shown(name)} is no probe's name", "write a name of 1 to 128 printable characters")


def _check_quantity(name: str) -> None:
    if name not in QUANTITIES:
        raise PayloadError(f"{shown(name)} is no quantity", f"write one of {', '.join(QUANTITIES)}")


def _check_order(measured_ms: int, received_ms: int | None) -> None:
    late = refuse_future(measured_ms, received_ms) if received_ms is not None else None
    if late:
        raise PayloadError(late, "correct the row's time")


def _value(series: _Series, text: str) -> float:
    value = number_from_text(text)
    if not series.plain:
        value = round(series.factor * value + series.offset, 9)
    if not series.low <= value <= series.high:
        raise PayloadError(f"{series.quantity} {value:g} {QUANTITIES[series.quantity].unit} is not possible")
    return value


# --- writing -----------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def whole_file(path: Path, newline: str | None = None) -> Iterator[TextIO]:
    """A file under a temporary name until it is whole."""
    part = path.with_name(f".{path.name}.part")
    with part.open("w", encoding="utf-8", newline=newline) as file:
        yield file
    part.replace(path)


def write_recording(readings: Iterable[Reading], out: TextIO) -> int:
    """Write readings as a recording with `received`; returns how many. `out` is opened with `newline=""`."""
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADER)
    text_of = TimeWriter().write
    units = {name: quantity.unit for name, quantity in QUANTITIES.items()}
    count = 0
    for count, (probe, quantity, measured_ms, value, received_ms) in enumerate(readings, start=1):  # noqa: B007
        writer.writerow((text_of(measured_ms), probe, quantity, repr(value), units[quantity], text_of(received_ms)))
    return count


# --- the journal -------------------------------------------------------------------------------------------------


def journal_path(recording: Path) -> Path:
    """Where the journal of a recording lies: `X.csv` has `X.journal.jsonl`."""
    return recording.with_name(f"{recording.name.removesuffix('.csv')}.journal.jsonl")


def photos_path(recording: Path) -> Path:
    """Where the photos of a recording lie: `X.csv` has the folder `X.photos`."""
    return recording.with_name(f"{recording.name.removesuffix('.csv')}.photos")


def read_journal(path: Path) -> list[JournalEntry]:
    """The entries of a journal as received; RecordingError with file and line for the first that cannot be read."""
    entries, wrong = read_journal_lines(path)
    if wrong:
        raise wrong[0]
    return entries


def read_journal_lines(path: Path) -> tuple[list[JournalEntry], list[RecordingError]]:
    """The entries of a journal as received, and what is wrong with the lines that cannot be read, each by itself."""
    entries: list[JournalEntry] = []
    wrong: list[RecordingError] = []
    try:
        with path.open("rb") as file:
            for line, text in enumerate(file, start=1):
                if not text.strip():
                    continue
                try:
                    entries.append(_entry(text, str(path), line))
                except RecordingError as error:
                    wrong.append(error)
    except OSError as error:
        raise RecordingError(str(path), 0, error.strerror or str(error), "name a file that can be read") from error
    return sorted(entries, key=lambda entry: entry.received), wrong


def _entry(text: bytes, file: str, line: int) -> JournalEntry:
    try:
        entry = JOURNAL.validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise RecordingError(
            file, line, f"{where}: {first['msg']}" if where else first["msg"], "correct the line or export again"
        ) from error
    if entry.received < _OLDEST_MS:
        raise RecordingError(
            file, line, "received is missing or was given by a clock that was not set", "give its time"
        )
    return entry


def write_journal(entries: Iterable[JournalEntry], out: TextIO) -> int:
    """Write journal entries as JSON lines; returns how many."""
    count = 0
    for count, entry in enumerate(entries, start=1):  # noqa: B007
        out.write(entry.model_dump_json() + "\n")
    return count


def merge(readings: Iterable[Reading], journal: Iterable[JournalEntry]) -> Iterator[Reading | JournalEntry]:
    """Readings and entries as one stream in the order they were received, `received` strictly increasing.

    An entry goes before a reading of the same millisecond, which then moves on by one.
    """
    last = 0
    waiting = iter(journal)
    entry = next(waiting, None)
    for reading in readings:
        while entry is not None and entry.received <= reading.received_ms:
            last = max(entry.received, last + 1)
            yield entry if entry.received == last else entry.model_copy(update={"received": last})
            entry = next(waiting, None)
        if reading.received_ms > last:
            last = reading.received_ms
            yield reading
        else:
            last += 1
            yield reading._replace(received_ms=last)
    while entry is not None:
        last = max(entry.received, last + 1)
        yield entry if entry.received == last else entry.model_copy(update={"received": last})
        entry = next(waiting, None)
