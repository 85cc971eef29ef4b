"""JSON that a probe sent in words of its own: what it holds, and the lines of configuration that would read it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

from monitor.intake.values import shown
from monitor.model.quantities import QUANTITIES

NAMED = 8  # keys told at most
LONGEST = 60  # characters of one
DEEPEST = 4
_SENML = frozenset(("n", "v", "vb", "vs", "vd", "s", "bn", "bt", "bu", "bv", "bs", "bver"))  # RFC 8428, section 4
_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")  # needs no quotation marks in JMESPath
# What such a key usually means (common practice, no source); a key that is a quantity's name means that.
_MEANT = {
    "sg": "gravity", "density": "gravity", "plato": "extract", "temp": "temperature", "angle": "float_angle",
    "tilt": "float_angle", "weight": "mass", "kg": "mass", "volt": "battery", "voltage": "battery", "rssi": "signal",
    "hum": "humidity",
}  # fmt: skip


def is_foreign(record: object) -> bool:
    """Whether this is a JSON object with no field that makes a SenML record or sets a base value."""
    return isinstance(record, dict) and not any(key in _SENML or (key[:1] == "b" and key[-1:] == "_") for key in record)


def reason(record: dict[str, Any]) -> str:
    """Why it cannot be read, what it holds, and what to write so that it can."""
    paths = list(_paths(record))
    if not paths:
        return "this JSON is not SenML and the probe has no fields: it holds nothing"
    names = [path if len(path) <= LONGEST and path.isprintable() else shown(path) for path, _ in paths[:NAMED]]
    more = f" and {len(paths) - NAMED} more" if len(paths) > NAMED else ""
    return (
        f"this JSON is not SenML and the probe has no fields: it holds {', '.join(names)}{more}; "
        f"write [probe.fields] {_line([path for path, is_number in paths if is_number] or [paths[0][0]])}"
    )


def _line(paths: list[str]) -> str:
    """One line of the table, for the path whose meaning is plainest; gravity goes before temperature."""
    order = ["gravity", "extract", "float_angle", "pressure", "mass"]
    meant = [(path, quantity) for path in paths if (quantity := _quantity(path))]
    meant.sort(key=lambda each: order.index(each[1]) if each[1] in order else len(order))
    path, quantity = meant[0] if meant else (paths[0], "temperature")
    which = "" if meant else "and under it the quantity each is, such as "
    quoted = f"'{path}'" if '"' in path and "'" not in path else json.dumps(path)
    return f"{which}{quantity} = {quoted}"


def _quantity(path: str) -> str | None:
    last = path.rpartition(".")[2].strip('"').lower()
    return last if last in QUANTITIES else _MEANT.get(last)


def _paths(record: dict[str, Any], before: str = "", depth: int = 1) -> Iterator[tuple[str, bool]]:
    """The JMESPath of each value, and whether a number stands there."""
    for key, value in record.items():
        name = key if _PLAIN.fullmatch(key) else json.dumps(key)
        path = f"{before}.{name}" if before else name
        if isinstance(value, dict) and value and depth < DEEPEST:
            yield from _paths(value, path, depth + 1)
        else:
            yield path, isinstance(value, int | float) and not isinstance(value, bool)
