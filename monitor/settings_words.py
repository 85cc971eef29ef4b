"""What is wrong with a configuration, in words for the person who wrote it."""

from __future__ import annotations

import difflib
from datetime import date, time
from typing import Any

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from monitor.model.config import Settings
from monitor.toml_lines import Where, dotted

_TABLES = ("model_type", "model_attributes_type", "dict_type")
_ALLOWED = {
    "string_type": "it should be text in quotation marks",
    "path_type": "it should be a path in quotation marks",
    "bool_type": "it should be true or false",
    "int_type": "it should be a whole number",
    "float_type": "it should be a number",
    "finite_number": "it should be a finite number",
    "tuple_type": "it should be a list of two, such as [18, 26]",
}


def in_words(detail: ErrorDetails, where: Where) -> tuple[Where, str, str]:
    """Where it is, what was found there, and what is allowed."""
    key = "[key]" in where
    where = tuple(part for part in where if part != "[key]")
    kind, found = detail["type"], f"found {_shown(detail['input'])}"
    allowed = detail["msg"].removeprefix("Value error, ").replace("Input should be", "it should be")
    if kind == "extra_forbidden":
        found, allowed = "unknown key", _known_keys(where)  # without its value, which may be a password
    elif kind == "missing":
        in_a_pair = isinstance(where[-1], int)
        found, allowed = ("too few values", "it should hold two") if in_a_pair else ("missing", "this key is needed")
    elif kind == "too_long":
        found, allowed = "too many values", "it should hold two"
    elif kind == "value_error" and isinstance(detail["input"], dict | BaseModel):
        found = "it does not fit together"
    elif kind in _TABLES:
        twice = isinstance(detail["input"], list)
        allowed = f"write [{dotted(where)}] in single brackets" if twice else "it should be a table"
    elif kind == "list_type":
        once = isinstance(detail["input"], dict)
        allowed = f"write [[{dotted(where)}]] in double brackets" if once else 'it should be a list, such as ["a", "b"]'
    elif key:
        found = f"unknown name {_shown(detail['input'])}"
    return where, found, _ALLOWED.get(kind, allowed)


def _shown(value: Any) -> str:
    if isinstance(value, dict | BaseModel):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value[:100]}{"…" if len(value) > 100 else ""}"'
    return value.isoformat() if isinstance(value, date | time) else repr(value)[:100]


def _known_keys(where: Where) -> str:
    model: type[BaseModel] = Settings
    for part in where[:-1]:
        if isinstance(part, str) and part in model.model_fields:
            model = _section_of(model.model_fields[part].annotation) or model
    keys = list(model.model_fields)
    close = difflib.get_close_matches(str(where[-1]), keys, n=1)
    return (f"did you mean {close[0]}? " if close else "") + f"allowed here: {', '.join(keys)}"


def _section_of(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        section = _section_of(inner)
        if section:
            return section
    return None
