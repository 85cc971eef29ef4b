"""SenML packs in JSON (RFC 8428): base fields, versions, and what each record comes to.

A pack is resolved record by record, so that one bad record never loses its neighbours. The one thing that refuses a
whole pack is a version this program does not know (RFC 8428 section 4.4; versions are sets of features, RFC 9100).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from monitor.intake.values import FUTURE_TOLERANCE_MS, number, plausible_time, shown
from monitor.model.clock import DAY, SECOND
from monitor.model.errors import PayloadError

ABSOLUTE_FROM_S = float(2**28)  # less is relative to the moment of receipt (RFC 8428 section 4.5.3)
_BASE_VERSION = 10
_SECONDARY_UNITS = 26  # version 10 with the feature "Secondary Units"
_OLDEST_OFFSET_MS = 366 * DAY
_VALUES = ("v", "vb", "vs", "vd")
_LAST_SEGMENT = re.compile(r"[^/:]*\Z")


@dataclass(frozen=True, slots=True)
class Resolved:
    """One record with its base fields applied: a full name and a value in a unit, now or at a time of its own."""

    name: str
    unit: str | None
    value: float | bool
    time_ms: int | None
    offset_ms: int

    @property
    def quantity(self) -> str:
        """The last segment of the name, after the last `/` or `:`."""
        found = _LAST_SEGMENT.search(self.name)
        return found[0] if found else ""


@dataclass(frozen=True, slots=True)
class Refused:
    """One record that says nothing we can use."""

    record: object
    reason: str


def resolve(pack: object) -> Iterator[Resolved | Refused]:
    """Each record of a pack in turn; PayloadError where the pack as a whole cannot be used."""
    records = [pack] if isinstance(pack, dict) else pack
    if not isinstance(records, list):
        raise PayloadError("a SenML pack is a JSON array of records", 'send [{"n": …, "u": …, "v": …}]')
    _check_versions(records)
    base = _Base()
    for record in records:
        if not isinstance(record, dict):
            yield Refused(record, "a SenML record is a JSON object")
            continue
        base.take(record)
        if not any(key in record for key in ("n", "s", *_VALUES)):
            continue  # it only sets base fields
        try:
            yield _resolved(record, base)
        except PayloadError as error:
            yield Refused(record, str(error))


def _check_versions(records: list[Any]) -> None:
    for record in records:
        version = record.get("bver", _BASE_VERSION) if isinstance(record, dict) else _BASE_VERSION
        known = isinstance(version, int) and not isinstance(version, bool)
        if not known or not (0 < version <= _BASE_VERSION or version == _SECONDARY_UNITS):
            raise PayloadError(f"SenML version {shown(version)} is not understood", "send version 10 or 26 (RFC 9100)")


@dataclass(slots=True)
class _Base:
    """Base fields as they stand; `spoilt` says why one of them cannot be used, until it is given anew."""

    name: str = ""
    unit: str | None = None
    time: float = 0.0
    value: float = 0.0
    spoilt: dict[str, str] = field(default_factory=dict)

    def take(self, record: dict[str, Any]) -> None:
        for key, given in record.items():
            if key not in ("bn", "bu", "bt", "bv") and not (key.startswith("b") and key.endswith("_")):
                continue
            self.spoilt.pop(key, None)
            try:
                self._set(key, given)
            except PayloadError as error:
                self.spoilt[key] = f"{shown(key)}: {error}"

    def _set(self, key: str, given: object) -> None:
        if key == "bn":
            self.name = _text(given)
        elif key == "bu":
            self.unit = _text(given)
        elif key == "bt":
            self.time = number(given)
        elif key == "bv":
            self.value = number(given)
        else:
            raise PayloadError("this field must be understood, and is not")

    def check(self, *keys: str) -> None:
        for key, reason in self.spoilt.items():
            if key in keys or key.endswith("_"):
                raise PayloadError(reason)


def _resolved(record: dict[str, Any], base: _Base) -> Resolved:
    unknown = [key for key in record if key.endswith("_") and not key.startswith("b")]
    if unknown:
        raise PayloadError(f"field {shown(unknown[0])} must be understood, and is not")
    base.check("bn", "bt", *(() if "u" in record else ("bu",)))
    value = _value(record, base)
    name = base.name + _text(record.get("n", ""))
    unit = _text(record["u"]) if "u" in record else base.unit
    time_ms, offset_ms = _when(base.time + number(record.get("t", 0)))
    return Resolved(name, unit, value, time_ms, offset_ms)


def _value(record: dict[str, Any], base: _Base) -> float | bool:
    given = [key for key in _VALUES if key in record]
    if not given:
        raise PayloadError("a sum alone is no reading", "send the value in v")
    if len(given) > 1:
        raise PayloadError(f"a record has one value, this one has {' and '.join(given)}")
    if given[0] == "vb":
        if not isinstance(record["vb"], bool):
            raise PayloadError(f"vb is true or false, not {shown(record['vb'])}")
        return bool(record["vb"])
    if given[0] != "v":
        raise PayloadError("text and binary values are no readings", "send the number in v")
    base.check("bv")
    return number(base.value + number(record["v"]))


def _when(seconds: float) -> tuple[int | None, int]:
    """Own time in milliseconds, or None and the offset from the moment of receipt."""
    if seconds >= ABSOLUTE_FROM_S:
        return plausible_time(seconds * SECOND), 0
    offset_ms = seconds * SECOND
    if not -_OLDEST_OFFSET_MS <= offset_ms <= FUTURE_TOLERANCE_MS:
        raise PayloadError(
            f"the time {seconds:g} s is relative to now and out of range: the probe's clock is not set",
            "send Unix seconds, seconds before now as a negative number, or no time",
        )
    return None, round(offset_ms)


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise PayloadError(f"{shown(value)} should be text")
    return value
