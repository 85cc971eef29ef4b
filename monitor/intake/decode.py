"""From the bytes of one message or line to samples in canonical units.

How a probe's words are read follows from its configuration: a `pattern` reads lines of text, `fields` read any JSON,
and with neither the payload is SenML; a bare number is taken too where the last segment of the topic names the
quantity. Whatever cannot be read is returned beside what can: no bytes raise, and one bad value never loses a good
one. What a probe said is not corrected here: recordings hold it as it was.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any, Protocol

import jmespath
from jmespath.exceptions import JMESPathError

from monitor.intake import foreign, senml
from monitor.intake.units import to_canonical
from monitor.intake.values import number, number_from_text, own_time, refuse_future, shown
from monitor.model.config import Probe
from monitor.model.errors import PayloadError
from monitor.model.inputs import Sample, Unreadable
from monitor.model.quantities import QUANTITIES

__all__ = ["Decoder", "check_fields", "refuse_future"]

MAX_PAYLOAD = 64 * 1024
MAX_LINE = 4096  # bytes of text that a pattern is tried on: a pattern may need time that grows as their square
MAX_SAMPLES = 4096
MAX_REFUSED = 16  # reasons kept of one message; the rest are counted in the last
KEPT_BYTES = 512  # of what could not be read
_UNSAID = ("1", "0/1", "pH")  # units that only say that there is none

# `nan` as microcontrollers print it is no JSON, yet must not cost the other values of the message.
_NOT_JSON = re.compile(r'"(?:[^"\\]|\\.)*"?|[-+]?\b(?:nan|inf(?:inity)?)\b', re.IGNORECASE)


class _Expression(Protocol):
    def search(self, value: Any) -> Any: ...


class Decoder:
    """Reads the words of one probe."""

    def __init__(self, probe: Probe) -> None:
        self._source = probe.source
        self._units: Mapping[str, str] = dict(probe.units.items())
        self._pattern = re.compile(probe.pattern) if probe.pattern else None
        self._fields: dict[str, _Expression] = {key: jmespath.compile(text) for key, text in probe.fields.items()}

    def decode(
        self, payload: bytes, origin: str, *, torn: bool = False
    ) -> tuple[tuple[Sample, ...], tuple[Unreadable, ...]]:
        """The samples in `payload`, and what of it cannot be read and why.

        `origin` is the topic, port or device it came from. `torn` says that its beginning may be missing: a number
        that stands at the very start of a line may then be the tail of a longer one, and is refused.
        """
        found = _Found(self._source, origin, self._units)
        try:
            self._read(payload, origin, found, torn=torn)
        except PayloadError as error:
            found.refuse(str(error), payload)
        except RecursionError:
            found.refuse("the payload is nested too deeply", payload)
        return tuple(found.samples), found.unreadable()

    def _read(self, payload: bytes, origin: str, found: _Found, *, torn: bool) -> None:
        if len(payload) > MAX_PAYLOAD:
            raise PayloadError(f"{len(payload)} bytes are more than the {MAX_PAYLOAD} that one message may have")
        if not payload.strip():
            return  # an empty message only clears what a broker retained
        if self._pattern:
            _read_lines(self._pattern, payload, found, torn=torn)
        elif self._fields:
            _read_fields(self._fields, _as_json(payload), payload, found)
        else:
            _read_senml(_as_json(payload), origin, found)


class _Found:
    """What came out of one message so far."""

    def __init__(self, source: str, origin: str, units: Mapping[str, str]) -> None:
        self.samples: list[Sample] = []
        self._source = source
        self._origin = origin
        self._units = units
        self._refused: list[Unreadable] = []
        self._more = 0

    def add(
        self, quantity: str, value: float, *, unit: str | None = None, time_ms: int | None = None, offset_ms: int = 0
    ) -> None:
        """Take a value in `unit`, or in the unit the configuration gives; PayloadError when it cannot be."""
        if quantity not in QUANTITIES:
            raise PayloadError(f"{shown(quantity)} is no quantity", f"name one of {', '.join(QUANTITIES)}")
        if len(self.samples) >= MAX_SAMPLES:
            raise PayloadError(f"one message may hold {MAX_SAMPLES} values")
        canonical = to_canonical(quantity, value, unit if unit is not None else self._units.get(quantity))
        low, high = QUANTITIES[quantity].possible
        if not low <= canonical <= high or (quantity == "contact" and canonical not in (0.0, 1.0)):
            raise PayloadError(f"{with_unit(quantity, canonical)} is not possible")
        self.samples.append(Sample(quantity, canonical, time_ms, offset_ms))

    def refuse(self, reason: str, content: bytes) -> None:
        """Keep what could not be read, with its reason."""
        if len(self._refused) >= MAX_REFUSED:
            self._more += 1
            return
        self._refused.append(Unreadable(self._source, self._origin, reason, content[:KEPT_BYTES]))

    def unreadable(self) -> tuple[Unreadable, ...]:
        """What could not be read; a very bad message is summed up at its end."""
        if self._more:
            self._refused.append(Unreadable(self._source, self._origin, f"and {self._more} more like these", b""))
            self._more = 0
        return tuple(self._refused)


def check_fields(fields: Mapping[str, str]) -> list[tuple[str, str]]:
    """The entries of `[probe.fields]` that are no JMESPath expression, each with its reason."""
    found: list[tuple[str, str]] = []
    for key, text in fields.items():
        try:
            jmespath.compile(text)
        except (JMESPathError, ValueError, RecursionError) as error:
            # The library's own sentence draws an arrow under the place, over several lines: its first line says it.
            reason = str(error).partition("\n")[0].rstrip(":") or "cannot be read"
            found.append((key, f"{text!r} is no JMESPath expression: {reason}"))
    return found


def with_unit(quantity: str, value: float) -> str:
    """A quantity, its value and its unit, where it has one that a person would say."""
    unit = QUANTITIES[quantity].unit
    return f"{quantity} {value:g}" + (f" {unit}" if unit not in _UNSAID else "")


def _as_text(payload: bytes) -> str:
    """UTF-8, else Latin-1: a degree sign in an old encoding must not cost the reading."""
    try:
        return payload.decode("utf-8-sig")
    except UnicodeDecodeError:
        return payload.decode("latin-1")


def _as_json(payload: bytes) -> Any:
    try:
        text = payload.decode("utf-8-sig").strip("\0 \t\r\n")
    except UnicodeDecodeError as error:
        raise PayloadError(
            "this is neither UTF-8 nor JSON", "check the line's speed and what the probe sends"
        ) from error
    try:
        return json.loads(text)
    except ValueError as first:
        mended = _NOT_JSON.sub(lambda found: found[0] if found[0].startswith('"') else "NaN", text)
        try:
            return json.loads(mended)
        except ValueError:
            raise PayloadError(
                f"this is no JSON: {shown(str(first))}", "send SenML, or give the probe fields or a pattern"
            ) from first


def _read_senml(pack: Any, origin: str, found: _Found) -> None:
    last = re.split(r"[/:]", origin)[-1]
    if isinstance(pack, int | float) and last in QUANTITIES:
        found.add(last, number(pack))
        return
    for record in senml.resolve(pack):
        if isinstance(record, senml.Refused):
            found.refuse(record.reason, _as_bytes(record.record))
            continue
        try:
            value, unit = _senml_value(record)
            found.add(record.quantity, value, unit=unit, time_ms=record.time_ms, offset_ms=record.offset_ms)
        except PayloadError as error:
            found.refuse(f"{shown(record.name)}: {error}", _as_bytes([record.name, record.unit, record.value]))
    for each in pack if isinstance(pack, list) else [pack]:
        if foreign.is_foreign(each):  # in SenML it sets nothing and says nothing, and would be lost in silence
            found.refuse(foreign.reason(each), _as_bytes(each))


def _senml_value(record: senml.Resolved) -> tuple[float, str | None]:
    """A number with its unit; true and false are the two states of a contact, whatever the unit."""
    if not isinstance(record.value, bool):
        return record.value, record.unit
    if record.quantity != "contact" and record.quantity in QUANTITIES:
        raise PayloadError(f"{record.quantity} is a number, not true or false")
    return float(record.value), QUANTITIES["contact"].unit


def _read_fields(fields: Mapping[str, _Expression], data: Any, payload: bytes, found: _Found) -> None:
    values: dict[str, Any] = {}
    for key, expression in fields.items():
        try:
            values[key] = expression.search(data)
        except (JMESPathError, TypeError, ValueError, ArithmeticError, AttributeError, LookupError) as error:
            found.refuse(f"{key}: the field cannot be worked out: {shown(str(error))}", payload)
    given = {key: value for key, value in values.items() if value is not None}
    time_ms = own_time(given.pop("time")) if "time" in given else None
    if not given and not found.unreadable():
        raise PayloadError(f"none of the fields {', '.join(key for key in fields if key != 'time')} is in this message")
    for quantity, value in given.items():
        try:
            truth = quantity == "contact" and isinstance(value, bool)
            found.add(quantity, float(value) if truth else _field_number(value), time_ms=time_ms)
        except PayloadError as error:
            found.refuse(f"{quantity}: {error}", payload)


def _field_number(value: Any) -> float:
    if isinstance(value, str):
        raise PayloadError(f"{shown(value)} is text, not a number", "write to_number(…) around the field")
    return number(value)


def _read_lines(pattern: re.Pattern[str], payload: bytes, found: _Found, *, torn: bool) -> None:
    for line in payload.splitlines():
        if line.strip():
            try:
                _read_line(pattern, line, found, torn=torn)
            except PayloadError as error:
                found.refuse(str(error), line)
        torn = False


def _read_line(pattern: re.Pattern[str], line: bytes, found: _Found, *, torn: bool) -> None:
    if len(line) > MAX_LINE:
        raise PayloadError(f"a line of {len(line)} bytes is longer than the {MAX_LINE} that one may have")
    match = pattern.search(_as_text(line))
    if not match:
        raise PayloadError("the pattern does not fit this line")
    given = {name: text for name, text in match.groupdict().items() if text is not None}
    if torn and any(match.start(name) == 0 for name in given):
        raise PayloadError("the beginning of this line may be missing")
    time_ms = own_time(given.pop("time")) if "time" in given else None
    for quantity, text in given.items():
        try:
            found.add(quantity, number_from_text(text), time_ms=time_ms)
        except PayloadError as error:
            found.refuse(f"{quantity}: {error}", line)


def _as_bytes(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=True).encode("ascii")
