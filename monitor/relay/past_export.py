"""Reading back by the export API of VictoriaMetrics: JSON lines, each a stretch of one field with its tags.

What each field of a point is called there: `leeswatch_reading_value{site="…",probe="…",…}`.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from itertools import repeat
from typing import Any, Final

from monitor.model.errors import RelayError
from monitor.relay.asking import MOST_NAMES, Asking, Fields
from monitor.relay.codes import ALERT, JOURNAL, READING, VERDICT
from monitor.relay.scratch import COLUMNS, FIRST_MS, LAST_MS, Scratch, Span
from monitor.relay.text import NAMES

LINE_ROWS: Final = "10000"  # of one field in a line: what must fit into memory at once
EVER: Final = "[50y]"
_SPECIAL: Final = re.compile(r"([\\.+*?()|\[\]{}^$])")


class ExportApi:
    """A server with VictoriaMetrics' export API."""

    name = "the export API of VictoriaMetrics"

    def __init__(self, asking: Asking) -> None:
        self._asking = asking

    def spans(self, of: str, site: str | None) -> list[Span]:
        """First and last reading by a tag, of one site or of all."""
        which = f"{READING}_value" + (f"{{site={_quoted(site)}}}" if site is not None else "")
        firsts = self._query(f"min(tfirst_over_time({which}{EVER})) by ({of})", of)
        lasts = self._query(f"max(tlast_over_time({which}{EVER})) by ({of})", of)
        return [Span(name, firsts[name], lasts.get(name, firsts[name])) for name in sorted(firsts) if name]

    def _query(self, query: str, of: str) -> dict[str, int]:
        found: dict[str, int] = {}
        for told in self._asking.documents("/api/v1/query", [("query", query), ("nocache", "1")]):
            try:
                for row in _given(told, "data", "result"):
                    found[row["metric"].get(of, "")] = round(float(row["value"][1]) * 1000)
            except (TypeError, KeyError, AttributeError, IndexError, ValueError, OverflowError) as error:
                raise _foreign("a result") from error
        return found

    def fill_readings(
        self, scratch: Scratch, site: str, from_ms: int, to_ms: int, probes: Collection[str] | None
    ) -> None:
        """Put the readings of a time into the scratch."""
        names = "|".join(COLUMNS)
        wanted = ""
        if probes is not None and len(probes) <= MOST_NAMES:
            wanted = f",probe=~{_quoted(_any_of(probes))}"
        match = f'{{__name__=~"{READING}_({names})",site={_quoted(site)}{wanted}}}'
        for tags, name, times, values in self._export(match, from_ms, to_ms):
            if probes is None or tags.get("probe") in probes:
                scratch.add_column(tags, name.removeprefix(f"{READING}_"), times, values)

    def fill_journal(self, scratch: Scratch, site: str) -> None:
        """Put the numbers of the journal into the scratch."""
        names = "|".join(("bytes", "parts", *NAMES))
        match = f'{{__name__=~"{JOURNAL}_({names})",site={_quoted(site)}}}'
        for tags, name, times, values in self._export(match, FIRST_MS, LAST_MS):
            part, word = _part(tags), name.removeprefix(f"{JOURNAL}_")
            scratch.add_parts(zip(times, repeat(part), repeat(word), values))

    def fill_numbers(self, scratch: Scratch, site: str, from_ms: int, to_ms: int) -> None:
        """Put the outbox numbers of a time into the scratch."""
        match = f'{{__name__=~"({READING}|{VERDICT}|{ALERT}|{JOURNAL})_seq",site={_quoted(site)}}}'
        for _, _, times, values in self._export(match, from_ms, to_ms):
            scratch.add_numbers(times, values)

    def _export(
        self, match: str, from_ms: int, to_ms: int
    ) -> Iterator[tuple[Mapping[str, str], str, list[int], list[Any]]]:
        """Tags, name, times and values of each line; `to_ms` is not among them."""
        fields: Fields = [("match[]", match), ("start", _seconds(from_ms)), ("end", _seconds(to_ms - 1)),
                          ("max_rows_per_line", LINE_ROWS)]  # fmt: skip
        for line in self._asking.documents("/api/v1/export", fields):
            metric, times, values = _given(line, "metric"), _given(line, "timestamps"), _given(line, "values")
            if not (isinstance(metric, dict) and isinstance(times, list) and isinstance(values, list)):
                raise _foreign("a list")
            if len(times) != len(values):
                raise _foreign("as many times as values")
            yield metric, str(metric.get("__name__", "")), times, values


def _given(document: Any, *keys: str) -> Any:
    """What stands in a document under these keys; RelayError where it is of another form."""
    for key in keys:
        if not isinstance(document, dict) or key not in document:
            raise _foreign(f'"{key}"')
        document = document[key]
    return document


def _foreign(missing: str) -> RelayError:
    return RelayError(
        f"an answer of the server is without {missing}: it is not what the export API gives",
        "check [relay].url, and [relay].reads: it says how the server is read",
    )


def _part(tags: Mapping[str, str]) -> int:
    part = tags.get("part", "")
    return int(part) if part.isascii() and part.isdigit() else -1


def _seconds(ms: int) -> str:
    return f"{ms // 1000}.{ms % 1000:03d}"


def _quoted(text: str) -> str:
    """A string of the server's query language."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\r", "\\r")
    return f'"{plain}"'


def _any_of(names: Collection[str]) -> str:
    """A pattern of the server (RE2) for exactly these names."""
    return "|".join(_SPECIAL.sub(r"\\\1", name) for name in sorted(names))
