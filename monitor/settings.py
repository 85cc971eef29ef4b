"""Reads the configuration file, and says every problem at once with its line, what was found, what is allowed."""

from __future__ import annotations

import copy
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import platformdirs
from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from monitor.intake.decode import check_fields
from monitor.intake.units import check_units
from monitor.model.config import WRITTEN, Settings
from monitor.model.errors import ConfigError, Problem
from monitor.science.calibration import fit
from monitor.settings_words import in_words
from monitor.sources.topics import topic_fault
from monitor.toml_lines import Where, dotted, line_index, line_of

Found = tuple[Where, str, str]  # where, what was found, what is allowed
SECTIONS = ("probe", "vessel", "room", "fridge", "batch")


def load_settings(path: Path) -> Settings:
    """Read and check a configuration file; ConfigError with all problems."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise ConfigError(
            str(path), [Problem(None, "file", error.strerror or str(error), "name a file that can be read")]
        ) from error
    except UnicodeDecodeError as error:
        raise ConfigError(str(path), [Problem(None, "file", str(error), "the file is UTF-8 text")]) from error
    return parse_settings(text, str(path), folder=path.parent)


def parse_settings(text: str, file: str = "configuration", folder: Path | None = None) -> Settings:
    """Check a configuration given as text; paths in it are relative to `folder`."""
    lines = line_index(text)
    found, settings = _checked(_parsed(text, file))
    if found:
        problems = {
            Problem(line_of(lines, where), dotted(where), what, allowed): None for where, what, allowed in found
        }
        raise ConfigError(file, sorted(problems, key=lambda each: each.line or 0))
    assert settings is not None
    return _anchored(settings, folder) if folder else settings


def _parsed(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        problem = Problem(None, "syntax", "brackets in brackets in brackets", "write it as TOML 1.0")
        raise ConfigError(file, [problem]) from error
    except ValueError as error:
        match = re.search(r"\(at line (\d+)", str(error))
        line = int(match[1]) if match else len(text.splitlines())
        remedy = "write it as TOML 1.0; text stands in quotation marks"
        raise ConfigError(file, [Problem(line, "syntax", str(error), remedy)]) from error


def _checked(data: dict[str, Any]) -> tuple[list[Found], Settings | None]:
    """All that is wrong at once. What is wrong is taken out and the rest looked at again, until the rest is right."""
    found: list[Found] = []
    rest = copy.deepcopy(data)
    kept = {section: list(range(len(rest[section]))) for section in SECTIONS if isinstance(rest.get(section), list)}
    while True:
        try:
            settings = Settings.model_validate(rest, context=WRITTEN)
            break
        except ValidationError as error:
            wrong = error.errors()
        for detail in wrong:
            where = _as_written(tuple(detail["loc"]), kept)
            if detail["type"] != "missing" or not _stands(data, where):  # else it was taken out a moment ago
                found.append(in_words(detail, where))
        for where in sorted({_culprit(detail) for detail in wrong}, key=_from_the_end):
            _take_out(rest, where, kept)
    across = [(_as_written(where, kept), what, allowed) for where, what, allowed in _cross_checks(settings)]
    taken_out = _vessels(data) - {vessel.name for vessel in settings.vessel}
    excused = {f'"{name}" is no vessel' for name in taken_out}  # its own fault is told already
    found += [each for each in across if each[1] not in excused]
    return found, None if found else settings


def _from_the_end(where: Where) -> tuple[int, int]:
    """Keys of an item go before the item, and later items before earlier ones, so that none moves before its turn."""
    item = where[1] if len(where) > 1 and isinstance(where[1], int) else 0
    return -len(where), -item


def _as_written(where: Where, kept: dict[str, list[int]]) -> Where:
    if len(where) > 1 and isinstance(where[1], int) and where[0] in kept:
        return (where[0], kept[str(where[0])][where[1]], *where[2:])
    return where


def _culprit(detail: ErrorDetails) -> Where:
    """What has to go for the rest to be looked at: the key that is wrong, or the whole table where one is missing."""
    where = tuple(detail["loc"])
    if where[0] in SECTIONS and len(where) > 1 and isinstance(where[1], int):
        return where[:2] if detail["type"] == "missing" and len(where) == 3 else where[:3]
    return where[:2] if detail["type"] != "missing" else where[:1]


def _stands(data: Any, where: Where) -> bool:
    """Whether the file has something there."""
    try:
        for part in where:
            data = data[part]
    except (LookupError, TypeError):
        return False
    return True


def _take_out(data: dict[str, Any], where: Where, kept: dict[str, list[int]]) -> None:
    *outer, last = where
    inside: Any = data
    for part in outer:
        inside = inside[part]
    if isinstance(last, int) and len(where) == 2:
        kept[str(where[0])].pop(last)
    inside.pop(last)


def _vessels(data: dict[str, Any]) -> set[str]:
    items = data.get("vessel")
    return {str(each.get("name")) for each in items if isinstance(each, dict)} if isinstance(items, list) else set()


def _anchored(settings: Settings, folder: Path) -> Settings:
    """Relative paths are meant from where the file lies, not from where the daemon was started."""

    def walk(section: BaseModel) -> BaseModel:
        changed: dict[str, object] = {}
        for name in type(section).model_fields:
            value = getattr(section, name)
            if isinstance(value, Path):
                changed[name] = folder / _from_home(value)
            elif isinstance(value, BaseModel):
                changed[name] = walk(value)
            elif isinstance(value, list) and value and isinstance(value[0], BaseModel):
                changed[name] = [walk(item) for item in value]
        return section.model_copy(update=changed)

    anchored = walk(settings)
    assert isinstance(anchored, Settings)
    return anchored


def _from_home(path: Path) -> Path:
    try:
        return path.expanduser()
    except RuntimeError:  # a user that is not known here: the name is meant as it stands
        return path


# --- what pydantic cannot see --------------------------------------------------------------------------------


def _cross_checks(settings: Settings) -> list[Found]:
    return [
        *_unique_names(settings),
        *_probe_places(settings),
        *_vessel_names(settings),
        *_probe_details(settings),
    ]


def _unique_names(settings: Settings) -> list[Found]:
    found: list[Found] = []
    for where, items in (
        *(((section,), getattr(settings, section)) for section in SECTIONS),
        (("alerts", "routes"), settings.alerts.routes),
    ):
        seen: set[str] = set()
        for index, item in enumerate(items):
            if item.name in seen:
                found.append(((*where, index, "name"), f'"{item.name}" is used twice', "each name is used once"))
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
    rooms = {room.name for room in settings.room}
    found += [
        (("vessel", index, "room"), f'"{vessel.room}" is no room', _rooms(rooms))
        for index, vessel in enumerate(settings.vessel)
        if vessel.room is not None and vessel.room not in rooms
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


def _rooms(rooms: set[str]) -> str:
    return f"rooms: {', '.join(sorted(rooms))}" if rooms else "add a [[room]] with this name, or leave room out"


def _probe_details(settings: Settings) -> list[Found]:
    found: list[Found] = []
    for index, probe in enumerate(settings.probe):
        fault = topic_fault(probe.topic) if probe.topic is not None else None
        if fault:
            found.append((("probe", index, "topic"), *fault))
        for key, reason in check_fields({str(field): expression for field, expression in probe.fields.items()}):
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
