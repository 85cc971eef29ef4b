"""What is wrong with a configuration, in words for the person who wrote it."""

from __future__ import annotations

import difflib
import typing
from collections.abc import Iterator
from datetime import date, time
from typing import Any

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from monitor.model.config import Settings
from monitor.science.sugar import sg_from_plato
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

_GRAVITIES = ("original_gravity", "expected_final")
# What else the trade, and those who wire probes, call what a key says.
_ALSO_CALLED = {
    "final_gravity": "expected_final", "final": "expected_final", "fg": "expected_final",
    "og": "original_gravity", "original": "original_gravity", "starting_gravity": "original_gravity",
    "pitch_date": "pitched", "brewed": "pitched", "started": "pitched", "start": "pitched", "date": "pitched",
    "yeast_temperature": "yeast_range_c", "temperature_range": "yeast_range_c", "range_c": "yeast_range_c",
    "alcohol_tolerance": "alcohol_limit_abv", "abv_limit": "alcohol_limit_abv", "max_abv": "alcohol_limit_abv",
    "bucket": "vessel", "fermenter": "vessel", "fermentor": "vessel", "carboy": "vessel", "demijohn": "vessel",
    "litres": "volume_l", "liters": "volume_l", "volume": "volume_l", "capacity": "volume_l", "size": "volume_l",
    "sensor": "probe", "sensors": "probe", "brew": "batch", "brews": "batch", "refrigerator": "fridge",
    "setpoint": "target_c", "target": "target_c", "temperature": "target_c", "tolerance": "band_k",
    "broker": "mqtt", "notify": "alerts", "notifications": "alerts", "location": "site", "database": "store",
    "server": "host", "address": "host", "user": "username", "password": "password_file", "tz": "timezone",
    "baudrate": "baud", "regex": "pattern", "interval": "every", "unit": "units", "inside": "contents",
}  # fmt: skip


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
    hint = _as_gravity(detail["input"]) if where[-1:] and where[-1] in _GRAVITIES else ""
    return where, found, hint + _ALLOWED.get(kind, allowed)


def _as_gravity(value: Any) -> str:
    """What a figure that is no gravity was most likely meant as; empty where that is not plain."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return ""
    if 960 <= value <= 1200:
        return f"write {value / 1000.0:.3f}; "
    if 2.0 <= value <= 40.0:
        return f"{value:g} looks like °Plato: that is {sg_from_plato(value):.3f}; "
    return ""


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
    return f"{_meant(str(where[-1]), keys)}allowed here: {', '.join(keys)}"


def _meant(written: str, keys: list[str]) -> str:
    """The key of this table that was most likely meant, else another table that has such a key; may be empty."""
    named = _ALSO_CALLED.get(written.lower().replace("-", "_"), "")
    close = [named] if named in keys else difflib.get_close_matches(written.lower(), keys, n=1)
    if close:
        return f"did you mean {close[0]}? "
    elsewhere = dict(_keys_of(Settings, ""))
    other = [named] if named in elsewhere else difflib.get_close_matches(written.lower(), elsewhere, n=1, cutoff=0.8)
    return f"did you mean {other[0]} of {elsewhere[other[0]]}? " if other else ""


def _keys_of(model: type[BaseModel], path: str) -> Iterator[tuple[str, str]]:
    """Each key below a table and the table it belongs to, as written; of keys that several have, the first wins."""
    found: dict[str, str] = {}
    for name, about in model.model_fields.items():
        section = _section_of(about.annotation)
        if section is None:
            if path:
                found.setdefault(name, path)
            continue
        inner = f"{path.strip('[]')}.{name}".lstrip(".")
        if typing.get_origin(about.annotation) is dict:
            continue  # a table of this one's own making has no name to give
        many = typing.get_origin(about.annotation) is list
        for key, table in _keys_of(section, f"[[{inner}]]" if many else f"[{inner}]"):
            found.setdefault(key, table)
    yield from found.items()


def _section_of(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        section = _section_of(inner)
        if section:
            return section
    return None
