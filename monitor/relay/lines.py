"""Rows of the outbox as line protocol of the InfluxDB v2 write API, in milliseconds.

Every number is the same at every server that was tried: VictoriaMetrics rounds doubles of more than ten significant
digits (to about 1e-12 of them, measured) and keeps whole numbers below 2^48 as they are. A reading with more digits
therefore brings its 64 bits along as two whole numbers.
"""

from __future__ import annotations

import json
import math
import re
import struct
from collections.abc import Mapping
from typing import Any, Final

from influxdb_client import Point, WritePrecision

from monitor.model.clock import parse_time
from monitor.relay.codes import ALERT, HINTS, JOURNAL, PRIORITIES, READING, RELAY, STANDING, VERDICT, VERDICTS
from monitor.relay.text import pack
from monitor.store.outbox import Row

_UNSPEAKABLE = re.compile(r"\\(?=[ ,=\\]|$)|[\x00-\x1f\x7f]")
EXACT_DIGITS: Final = 10
_PLAIN = ("confidence", "gravity", "rate_per_day", "final_expected")
_RANGES = (("gravity_range", "gravity"), ("rate_range", "rate"), ("remaining_range", "remaining"),
           ("final_range", "final"))  # fmt: skip


def lines_of(row: Row, site: str) -> list[str]:
    """The lines of one row, more than one for a long journal entry; ValueError where what it points to is gone."""
    if row.kind == "reading":
        return [_reading(row, site)]
    if not row.text:
        raise ValueError(f"the {row.kind} that this row points to is not in the store any more")
    if row.kind == "entry":
        return _entry(row, site)
    record = json.loads(row.text)
    return [_verdict(row, site, record) if record["event"] == "verdict" else _alert(row, site, record)]


def relay_line(site: str, waiting: int, now_ms: int) -> str:
    """What the relay says of itself: also the line that is known to be good."""
    return _line(RELAY, {"site": site}, {"waiting": waiting}, now_ms)


def _reading(row: Row, site: str) -> str:
    if not row.probe or not row.quantity:
        raise ValueError("the series that this row points to is not in the store any more")
    if row.value is None or not math.isfinite(row.value):
        raise ValueError(f"its value is no number: {row.value}")
    tags = {"site": site, "probe": row.probe, "quantity": row.quantity, "place": row.place, "batch": row.batch}
    fields: dict[str, int | float] = {"value": float(row.value), "received_ms": int(row.of), "seq": row.seq}
    if row.flags:
        fields["flags"] = row.flags
    if digits(row.value) > EXACT_DIGITS:
        fields["bits_high"], fields["bits_low"] = struct.unpack(">II", struct.pack(">d", row.value))
    return _line(READING, tags, fields, row.time_ms)


def digits(value: float) -> int:
    """Significant decimal digits that a double needs."""
    return len(repr(abs(value)).partition("e")[0].replace(".", "").strip("0"))


def _verdict(row: Row, site: str, record: Mapping[str, Any]) -> str:
    fields: dict[str, int | float | None] = {"verdict": VERDICTS[record["verdict"]], "hint": HINTS[record["hint"]]}
    fields |= {name: _float(record[name]) for name in _PLAIN}
    for key, name in _RANGES:
        low, high = record[key] or (None, None)
        fields[f"{name}_low"], fields[f"{name}_high"] = _float(low), _float(high)
    first, last = record["finish_range"] or (None, None)
    for name, time in (("expected", record["finish_expected"]), ("low", first), ("high", last)):
        fields[f"finish_{name}_ms"] = parse_time(time) if time is not None else None
    fields["seq"] = row.seq
    return _line(VERDICT, {"site": site, "batch": record["batch"], "place": row.place}, fields, row.time_ms)


def _alert(row: Row, site: str, record: Mapping[str, Any]) -> str:
    tags = {"site": site, **{name: record[name] for name in ("alert", "about", "change")}}
    fields = {
        "standing": STANDING[record["change"]], "priority": PRIORITIES[record["priority"]],
        "id": int(record["id"], 16), "seq": row.seq,
    }  # fmt: skip
    return _line(ALERT, tags, fields, row.time_ms)


def _entry(row: Row, site: str) -> list[str]:
    parts = pack(row.text)
    return [
        _line(JOURNAL, {"site": site, "part": str(number)}, {**part, "seq": row.seq}, row.time_ms)
        for number, part in enumerate(parts)
    ]


def _float(value: float | None) -> float | None:
    return None if value is None else float(value)


def _line(
    measurement: str, tags: Mapping[str, str | None], fields: Mapping[str, int | float | None], time_ms: int
) -> str:
    point = Point(measurement)
    for name, tag in tags.items():
        if tag and _UNSPEAKABLE.search(tag):  # a server that takes it files it under another name, or drops it unsaid
            raise ValueError(f"{name} {tag!r} has a backslash or control character where line protocol cannot say it")
        if tag:
            point.tag(name, tag)
    for name, value in fields.items():
        if value is not None:
            point.field(name, value)
    line: str = point.time(time_ms, WritePrecision.MS).to_line_protocol()
    return line
