"""Reads the configuration file, and says every problem at once with its line, what was found, what is allowed."""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import platformdirs
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from monitor.intake.decode import check_fields
from monitor.intake.units import check_units
from monitor.model.config import Settings
from monitor.model.errors import ConfigError, Problem
from monitor.science.calibration import fit

Where = tuple[str | int, ...]

_TABLE = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"""^\s*([A-Za-z0-9_-]+|"[^"]*"|'[^']*')((?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"))*)\s*=""")


def load_settings(path: Path) -> Settings:
    """Read and check a configuration file; ConfigError with all problems."""
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise ConfigError(
            str(path), [Problem(None, "file", error.strerror or str(error), "name a file that can be read")]
        ) from error
    except UnicodeDecodeError as error:
        raise ConfigError(str(path), [Problem(None, "file", str(error), "the file is UTF-8 text")]) from error
    return parse_settings(text, str(path), folder=path.parent)


def parse_settings(text: str, file: str = "configuration", folder: Path | None = None) -> Settings:
    """Check a configuration given as text; paths in it are relative to `folder`."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = re.search(r"\(at line (\d+)", str(error))
        line = int(match[1]) if match else len(text.splitlines())
        raise ConfigError(file, [Problem(line, "syntax", str(error), "write it as TOML 1.0")]) from error
    lines = line_index(text)
    try:
        settings = Settings.model_validate(data)
    except ValidationError as error:
        problems = [_problem(detail, lines) for detail in error.errors()]
        raise ConfigError(file, sorted(problems, key=lambda each: each.line or 0)) from error
    problems = [Problem(_line(lines, where), _dotted(where), found, allowed) for where, found, allowed in
                _cross_checks(settings)]  # fmt: skip
    if problems:
        raise ConfigError(file, sorted(problems, key=lambda each: each.line or 0))
    return _anchored(settings, folder) if folder else settings


def _anchored(settings: Settings, folder: Path) -> Settings:
    """Relative paths are meant from where the file lies, not from where the daemon was started."""

    def walk(section: BaseModel) -> BaseModel:
        changed: dict[str, object] = {}
        for name in type(section).model_fields:
            value = getattr(section, name)
            if isinstance(value, Path) and not value.is_absolute():
                changed[name] = folder / value
            elif isinstance(value, BaseModel):
                changed[name] = walk(value)
            elif isinstance(value, list) and value and isinstance(value[0], BaseModel):
                changed[name] = [walk(item) for item in value]
        return section.model_copy(update=changed)

    anchored = walk(settings)
    assert isinstance(anchored, Settings)
    return anchored


# --- where a key stands ----------------------------------------------------------------------------------


def line_index(text: str) -> dict[Where, int]:
    """The line of each table and key of a TOML text, by its path, such as ("probe", 0, "topic")."""
    found: dict[Where, int] = {}
    counts: Counter[Where] = Counter()
    here: Where = ()
    for number, line in enumerate(text.splitlines(), start=1):
        table = _TABLE.match(line)
        if table:
            here = _table_path(_parts(table[2]), counts, array=table[1] == "[[")
            found.setdefault(here, number)
            continue
        key = _KEY.match(line)
        if key:
            found.setdefault((*here, *_parts(key[1] + key[2])), number)
    return found


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in dotted.split(".")]


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


def _line(lines: dict[Where, int], where: Where) -> int | None:
    for end in range(len(where), 0, -1):
        if where[:end] in lines:
            return lines[where[:end]]
    return None


def _dotted(where: Where) -> str:
    text = ""
    for part in where:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text or "configuration"


def _problem(detail: ErrorDetails, lines: dict[Where, int]) -> Problem:
    where = tuple(detail["loc"])
    found = (
        f"found {detail['input']!r}" if not isinstance(detail["input"], dict | list | BaseModel) else "found a table"
    )
    allowed = detail["msg"].removeprefix("Value error, ").replace("Input should be", "it should be")
    if detail["type"] == "extra_forbidden":
        found, allowed = f"unknown key, {found}", _known_keys(where)
    elif detail["type"] == "missing":
        found, allowed = "missing", "this key is needed"
    elif detail["type"] == "value_error":
        found = found if not found.endswith("a table") else "found values that do not fit together"
    return Problem(_line(lines, where), _dotted(where), found, allowed)


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


# --- what pydantic cannot see --------------------------------------------------------------------------------

Found = tuple[Where, str, str]


def _cross_checks(settings: Settings) -> list[Found]:
    return [
        *_unique_names(settings),
        *_probe_places(settings),
        *_vessel_names(settings),
        *_probe_details(settings),
    ]


def _unique_names(settings: Settings) -> list[Found]:
    found: list[Found] = []
    for section in ("probe", "vessel", "room", "fridge", "batch"):
        seen: set[str] = set()
        for index, item in enumerate(getattr(settings, section)):
            if item.name in seen:
                found.append(((section, index, "name"), f'"{item.name}" is used twice', "each name is used once"))
            seen.add(item.name)
    return found


def _probe_places(settings: Settings) -> list[Found]:
    placed: dict[str, str] = {}
    found: list[Found] = []
    for section in ("vessel", "room", "fridge"):
        for index, place in enumerate(getattr(settings, section)):
            for probe in place.probes:
                where = (section, index, "probes")
                if probe in placed:
                    found.append((where, f'"{probe}" already sits in {placed[probe]}', "a probe sits in one place"))
                placed[probe] = f"{section} {place.name}"
    return found


def _vessel_names(settings: Settings) -> list[Found]:
    vessels = {vessel.name for vessel in settings.vessel}
    known = f"vessels: {', '.join(sorted(vessels)) or 'none'}"
    found: list[Found] = [
        (("batch", index, "vessel"), f'"{batch.vessel}" is no vessel', known)
        for index, batch in enumerate(settings.batch)
        if batch.vessel not in vessels
    ]
    inside: dict[str, str] = {}
    for index, fridge in enumerate(settings.fridge):
        for name in fridge.contents:
            where = ("fridge", index, "contents")
            if name not in vessels:
                found.append((where, f'"{name}" is no vessel', known))
            elif name in inside:
                found.append((where, f'"{name}" already stands in {inside[name]}', "a vessel stands in one fridge"))
            inside[name] = fridge.name
    return found


def _probe_details(settings: Settings) -> list[Found]:
    found: list[Found] = []
    for index, probe in enumerate(settings.probe):
        for key, reason in check_fields(probe.fields):
            found.append((("probe", index, "fields", key), reason, "write a JMESPath expression"))
        for key, reason in check_units(probe.units):
            found.append((("probe", index, "units", key), reason, "name a unit of that quantity, such as degF"))
        for quantity, calibration in probe.calibration.items():
            try:
                fit(calibration.points)
            except ValueError as error:
                where = ("probe", index, "calibration", quantity, calibration.target)
                found.append((where, str(error), "give points that rise or fall throughout"))
    return found


# --- where things lie ------------------------------------------------------------------------------------------


def store_path(settings: Settings) -> Path:
    """The store's file: as configured, else in the service's or the user's own state directory."""
    if settings.store.path is not None:
        return settings.store.path
    service = os.environ.get("STATE_DIRECTORY", "").split(":")[0]  # set by systemd
    folder = Path(service) if service else platformdirs.user_state_path("leeswatch", appauthor=False)
    return folder / "store.db"


def find_config(given: Path | None) -> Path:
    """The configuration file: as given, else in this folder, else the machine's; ConfigError when there is none."""
    if given is not None:
        return given
    places = [Path("leeswatch.toml"), Path("/etc/leeswatch/leeswatch.toml")]
    for place in places:
        if place.exists():
            return place
    names = " or ".join(str(place) for place in places)
    raise ConfigError(
        "leeswatch.toml",
        [Problem(None, "file", f"no {names}", "name one with --config, or copy config/leeswatch.example.toml")],
    )
