"""Reading back by InfluxQL at `/query`: InfluxDB 1, 2 (its compatibility API) and 3 answer it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

from monitor.model.errors import RelayError
from monitor.relay.asking import MOST_NAMES, Asking
from monitor.relay.codes import ALERT, JOURNAL, READING, VERDICT
from monitor.relay.scratch import COLUMNS, Scratch, Span
from monitor.relay.text import NAMES

CHUNK: Final = "10000"  # rows in one piece of an answer: what must fit into memory at once
_PICKS: Final = ("first", "last")


class _Series(NamedTuple):
    tags: Mapping[str, str]
    rows: Sequence[Sequence[Any]]
    """The time, then the columns that were asked for."""


class Influxql:
    """A server that answers InfluxQL."""

    name = "InfluxQL"

    def __init__(self, asking: Asking, bucket: str) -> None:
        self._asking, self._bucket = asking, bucket

    def spans(self, of: str, site: str | None) -> list[Span]:
        """First and last reading by a tag, of one site or of all."""
        where = _is("site", site) if site is not None else ""
        first, last = (
            {each.tags.get(of, ""): each.rows[0][0] for each in self._query([which], [READING], where, [of])}
            for which in ("first", "last")
        )  # fmt: skip
        return [Span(name, first[name], last.get(name, first[name])) for name in sorted(first) if name]

    def fill_readings(
        self, scratch: Scratch, site: str, from_ms: int, to_ms: int, probes: Collection[str] | None
    ) -> None:
        """Put the readings of a time into the scratch."""
        where = f"{_is('site', site)} AND {_between(from_ms, to_ms)}"
        if probes is not None and len(probes) <= MOST_NAMES:
            where += f" AND ({' OR '.join(_is('probe', name) for name in sorted(probes)) or _is('probe', '')})"
        for each in self._query(COLUMNS, [READING], where, ["probe", "quantity", "place", "batch"]):
            if probes is None or each.tags.get("probe") in probes:
                scratch.add_points(each.tags, each.rows)

    def fill_journal(self, scratch: Scratch, site: str) -> None:
        """Put the numbers of the journal into the scratch."""
        names = ("bytes", "parts", *NAMES)
        for each in self._query(names, [JOURNAL], _is("site", site), ["part"]):
            part = each.tags.get("part", "")
            number = int(part) if part.isascii() and part.isdigit() else -1
            scratch.add_parts(
                (at, number, name, value)
                for at, *values in each.rows
                for name, value in zip(names, values, strict=True)
                if value is not None
            )

    def fill_numbers(self, scratch: Scratch, site: str, from_ms: int, to_ms: int) -> None:
        """Put the outbox numbers of a time into the scratch."""
        where = f"{_is('site', site)} AND {_between(from_ms, to_ms)}"
        for each in self._query(["seq"], [READING, VERDICT, ALERT, JOURNAL], where):
            scratch.add_numbers((row[0] for row in each.rows), (row[1] for row in each.rows))

    def _query(
        self, what: Sequence[str], measurements: Sequence[str], where: str, by: Sequence[str] = ()
    ) -> Iterator[_Series]:
        """The series of an answer in pieces, times in ms. `what`: fields, or `first` or `last` of the value."""
        columns = f'{what[0]}("value")' if what[0] in _PICKS else _names(what)
        query = f"SELECT {columns} FROM {_names(measurements)}"  # noqa: S608 - what comes from outside is escaped
        query += f" WHERE {where}" if where else ""
        query += f" GROUP BY {_names(by)}" if by else ""
        fields = [("db", self._bucket), ("q", query), ("epoch", "ms"), ("chunked", "true"), ("chunk_size", CHUNK)]
        more = False
        for document in self._asking.documents("/query", fields):
            for result in self._results(document):
                more = bool(result.get("partial"))
                for series in result.get("series", []):
                    yield _series(series, ["time", *what])
        if more:
            raise RelayError("the server ended its answer although there was more to come", "read it again")

    def _results(self, document: Any) -> Iterator[dict[str, Any]]:
        results = document.get("results") if isinstance(document, dict) else None
        if not isinstance(results, list):
            error = document.get("error") if isinstance(document, dict) else None
            raise self._refused(str(error)) if error else _foreign()
        for result in results:
            if not isinstance(result, dict) or not isinstance(result.get("series", []), list):
                raise _foreign()
            if "error" in result:
                raise self._refused(str(result["error"]))
            yield result

    def _refused(self, error: str) -> RelayError:
        if "not found" in error:
            return RelayError(
                f"the server says: {error}", f"name a bucket of it in [relay].bucket (now {self._bucket})"
            )
        return RelayError(f"the server says: {error}", "look into its log, and check [relay].reads")


def _series(told: Any, wanted: Sequence[str]) -> _Series:
    """A piece of a series with the columns that are wanted, in their order; one that is not there is all None."""
    try:
        columns: list[str] = told["columns"]
        rows: list[list[Any]] = told.get("values") or []
        tags: Mapping[str, str] = told.get("tags") or {}
        if columns != wanted:
            places = [columns.index(name) if name in columns else None for name in wanted]
            rows = [[None if place is None else row[place] for place in places] for row in rows]
    except (TypeError, KeyError, AttributeError, IndexError) as error:
        raise _foreign() from error
    if "time" not in columns:
        raise _foreign()
    return _Series(tags, rows)


def _foreign() -> RelayError:
    return RelayError(
        "an answer of the server is not what InfluxQL gives",
        "check [relay].url, and [relay].reads: it says how the server is read",
    )


def _names(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _between(from_ms: int, to_ms: int) -> str:
    return f"time >= {from_ms}ms AND time < {to_ms}ms"


def _is(tag: str, text: str) -> str:
    """A condition on a tag."""
    plain = text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n")
    return f"\"{tag}\" = '{plain}'"
