"""Where a key stands in a TOML text: the standard library's parser gives values without their lines."""

from __future__ import annotations

import re
from collections import Counter

Where = tuple[str | int, ...]

_TABLE = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"""^\s*([A-Za-z0-9_-]+|"[^"]*"|'[^']*')((?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"))*)\s*=""")


def line_index(text: str) -> dict[Where, int]:
    """The line of each table and key of a TOML text, by its path, such as ("probe", 0, "topic")."""
    found: dict[Where, int] = {}
    counts: Counter[Where] = Counter()
    here: Where = ()
    for number, line in enumerate(text.split("\n"), start=1):
        table = _TABLE.match(line)
        if table:
            here = _table_path(_parts(table[2]), counts, array=table[1] == "[[")
            for end in range(1, len(here) + 1):
                found.setdefault(here[:end], number)
            continue
        key = _KEY.match(line)
        if key:
            path = (*here, *_parts(key[1] + key[2]))
            for end in range(len(here) + 1, len(path) + 1):
                found.setdefault(path[:end], number)
    return found


def line_of(lines: dict[Where, int], where: Where) -> int | None:
    """The line of a key, or of the nearest table around it."""
    for end in range(len(where), 0, -1):
        if where[:end] in lines:
            return lines[where[:end]]
    return None


def dotted(where: Where) -> str:
    """A path as people read it, `probe[1].topic`; items are counted from 1."""
    text = ""
    for part in where:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "configuration"


def _parts(name: str) -> list[str]:
    return [part.strip().strip("\"'") for part in name.split(".")]


def _table_path(parts: list[str], counts: Counter[Where], *, array: bool) -> Where:
    path: Where = ()
    for part in parts[:-1]:
        path = (*path, part)
        if counts[path]:
            path = (*path, counts[path] - 1)
    path = (*path, parts[-1])
    if array:
        counts[path] += 1
        path = (*path, counts[path] - 1)
    return path
