"""Where what a server says is put together: a database of its own in a temporary file that vanishes with it.

Servers answer in their own order, some a field at a time. Here the fields of a point come together, points that say
the same fall together, and all come out in the order they were received: in little memory, however much there is.
"""

from __future__ import annotations

import math
import sqlite3
import struct
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby, repeat
from operator import itemgetter
from types import TracebackType
from typing import Any, Final, NamedTuple, Self

from pydantic import ValidationError

from monitor.intake.values import NEWEST_OWN_MS
from monitor.model.errors import PayloadError, RelayError
from monitor.model.inputs import JOURNAL, JournalEntry, Reading
from monitor.model.quantities import QUANTITIES
from monitor.relay.text import unpack

FIRST_MS: Final = 946_684_800_000  # 2000-01-01T00:00:00Z: before any reading
LAST_MS: Final = NEWEST_OWN_MS  # 2100
COLUMNS: Final = ("value", "received_ms", "bits_high", "bits_low")  # fields of a reading that are read back

_TABLES = """
    PRAGMA journal_mode = OFF;
    PRAGMA synchronous = OFF;
    CREATE TABLE points (
        tags INTEGER, measured INTEGER, value REAL, received_ms INTEGER, bits_high INTEGER, bits_low INTEGER,
        PRIMARY KEY (tags, measured)
    ) WITHOUT ROWID;
    CREATE TABLE tags (tags INTEGER PRIMARY KEY, series INTEGER);
    CREATE TABLE parts (received INTEGER, part INTEGER, name TEXT, value INTEGER, PRIMARY KEY (received, part, name))
        WITHOUT ROWID;
    CREATE TABLE numbers (seq INTEGER PRIMARY KEY, time INTEGER);
    CREATE VIEW found AS
        SELECT *, typeof(measured) = 'integer' AND typeof(value) = 'real' AND typeof(received_ms) = 'integer'
            AND received_ms BETWEEN 946684800000 AND 4102444799999 AND (
                (bits_high IS NULL AND bits_low IS NULL) OR (
                    typeof(bits_high) = 'integer' AND bits_high BETWEEN 0 AND 4294967295
                    AND typeof(bits_low) = 'integer' AND bits_low BETWEEN 0 AND 4294967295
                )
            ) AS whole
        FROM points JOIN tags USING (tags);
"""
_PUT = {
    name: f"INSERT INTO points (tags, measured, {name}) VALUES (?, ?, ?)"  # noqa: S608 - names of our own
    f" ON CONFLICT DO UPDATE SET {name} = excluded.{name}"
    for name in COLUMNS
}
# With one set of tags to a series each reading stands there once, and nothing need be gathered.
_ONCE = """
    SELECT series, measured, value, bits_high, bits_low, received_ms FROM found WHERE whole
    ORDER BY received_ms, series, measured
"""
_GATHERED = """
    SELECT series, measured, value, bits_high, bits_low, min(received_ms) AS received FROM found WHERE whole
    GROUP BY series, measured ORDER BY received, series, measured
"""
_CONFLICTS = """
    SELECT count(*) FROM (
        SELECT 1 FROM found WHERE whole GROUP BY series, measured HAVING min(value) <> max(value)
    )
"""
_GAPS = """
    SELECT seq + 1, next - 1, time, next_time FROM (
        SELECT seq, time, lead(seq) OVER ordered AS next, lead(time) OVER ordered AS next_time
        FROM numbers WINDOW ordered AS (ORDER BY seq)
    ) WHERE next > seq + 1
"""


@dataclass(slots=True)
class Wrong:
    """What a server keeps of readings and cannot be read back as one."""

    incomplete: int = 0
    """A field that each reading has is missing, or is none."""
    conflicts: int = 0
    """Two values of one probe and quantity at one time: the one received first stays."""
    unknown: Counter[str] = field(default_factory=Counter)
    """Of quantities that this version does not know."""


class Span(NamedTuple):
    """A site or batch with the times of its first and last reading."""

    name: str
    first_ms: int
    last_ms: int


class Gap(NamedTuple):
    """Numbers of a site's outbox that are not on the server, and the times of what stands around them there."""

    first: int
    last: int
    after_ms: int
    before_ms: int

    @property
    def size(self) -> int:
        """How many."""
        return self.last - self.first + 1


class Damaged(NamedTuple):
    """A journal entry that is on the server and cannot be read."""

    received_ms: int
    why: str


@dataclass(frozen=True, slots=True)
class Journal:
    """A site's journal as received, and what of it cannot be read."""

    entries: list[JournalEntry]
    damaged: list[Damaged]


class Scratch:
    """The temporary database of one question."""

    def __init__(self, wrong: Wrong | None = None) -> None:
        """`wrong`: where to count what is no reading."""
        self._connection = sqlite3.connect("", isolation_level=None)
        self._connection.executescript(_TABLES)
        self._connection.execute("BEGIN")
        self._series: dict[tuple[str, str], int] = {}
        self._tags: dict[tuple[str, ...], int] = {}
        self.wrong = Wrong() if wrong is None else wrong

    def close(self) -> None:
        """All of it vanishes."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _put(self, statement: str, rows: Iterable[Sequence[Any]]) -> None:
        try:
            self._connection.executemany(statement, rows)
        except (sqlite3.OperationalError, MemoryError) as error:
            raise RelayError(
                f"what the server answers cannot be put together: {error}", "free space on the disk of temporary files"
            ) from error
        except (sqlite3.Error, TypeError, ValueError, OverflowError) as error:
            raise RelayError(
                f"an answer of the server holds what is no number ({error})",
                "check [relay].url, and [relay].reads: it says how the server is read",
            ) from error

    # --- readings --------------------------------------------------------------------------------------------------

    def add_column(self, tags: Mapping[str, str], name: str, times: Sequence[int], values: Sequence[Any]) -> None:
        """One field of points with the same tags."""
        number = self._number(tags, len(times) if name == "value" else 0)
        if number is not None:
            self._put(_PUT[name], zip(repeat(number), times, values))

    def add_points(self, tags: Mapping[str, str], rows: Sequence[Sequence[Any]]) -> None:
        """Whole points with the same tags: the time, then the fields of `COLUMNS`."""
        number = self._number(tags, len(rows))
        if number is not None:
            self._put("INSERT OR REPLACE INTO points VALUES (?, ?, ?, ?, ?, ?)", ((number, *row) for row in rows))

    def _number(self, tags: Mapping[str, str], points: int) -> int | None:
        key = tuple(tags.get(name) or "" for name in ("probe", "quantity", "place", "batch"))
        probe, quantity = key[:2]
        if quantity not in QUANTITIES:
            self.wrong.unknown[quantity] += points
            return None
        if not probe:
            self.wrong.incomplete += points
            return None
        number = self._tags.get(key)
        if number is None:
            number = self._tags[key] = len(self._tags)
            series = self._series.setdefault((probe, quantity), len(self._series))
            self._connection.execute("INSERT INTO tags VALUES (?, ?)", (number, series))
        return number

    def readings(self) -> Iterator[Reading]:
        """Each reading once, as received."""
        ask = self._connection.execute
        (incomplete,) = ask("SELECT count(*) FROM found WHERE NOT whole").fetchone()
        self.wrong.incomplete += incomplete
        names = list(self._series)
        twice = len(self._tags) > len(names)
        if twice:
            (conflicts,) = ask(_CONFLICTS).fetchone()
            self.wrong.conflicts += conflicts
        for series, measured, value, high, low, received in ask(_GATHERED if twice else _ONCE):
            probe, quantity = names[series]
            exact = value if high is None else struct.unpack(">d", struct.pack(">II", high, low))[0]
            if math.isfinite(exact):
                yield Reading(probe, quantity, measured, exact, received)
            else:
                self.wrong.incomplete += 1

    # --- the journal -----------------------------------------------------------------------------------------------

    def add_parts(self, rows: Iterable[tuple[int, int, str, int]]) -> None:
        """Received, part, name of the number, the number."""
        self._put("INSERT OR REPLACE INTO parts VALUES (?, ?, ?, ?)", rows)

    def journal(self) -> Journal:
        """Every entry that is whole, and why the others are not."""
        entries: list[JournalEntry] = []
        damaged: list[Damaged] = []
        rows = self._connection.execute(
            "SELECT received, part, name, value FROM parts WHERE typeof(value) = 'integer' ORDER BY received, part"
        )
        for received, of_entry in groupby(rows, itemgetter(0)):
            parts: dict[int, dict[str, int]] = {}
            for _, part, name, value in of_entry:
                parts.setdefault(part, {})[name] = value
            try:
                entry = JOURNAL.validate_json(unpack(list(parts.values())))
            except PayloadError as error:
                damaged.append(Damaged(received, str(error)))
            except ValidationError:
                damaged.append(Damaged(received, "it is of another version of this program"))
            else:
                entries.append(entry)
        return Journal(entries, damaged)

    # --- the numbers of the outbox -----------------------------------------------------------------------------------

    def add_numbers(self, times: Iterable[int], numbers: Iterable[int | None]) -> None:
        """Numbers of rows with their times."""
        known = (row for row in zip(numbers, times, strict=True) if row[0] is not None)
        self._put("INSERT OR IGNORE INTO numbers VALUES (?, ?)", known)

    def gaps(self) -> list[Gap]:
        """Numbers that are missing between the first and the last."""
        return [Gap(*row) for row in self._connection.execute(_GAPS)]

    def reaches(self, from_ms: int, to_ms: int) -> bool:
        """Whether there are rows on both sides of a time."""
        first, last = self._connection.execute("SELECT min(time), max(time) FROM numbers").fetchone()
        return first is not None and first < from_ms and last >= to_ms
