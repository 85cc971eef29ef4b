"""What a person or program may rely on has its line: a name that stands in no table is not a public name yet.

Settings, alerts, verdicts, commands and options stand in README.md; paths and metrics, and what would be too long for
README.md of the commands, in DEVELOPERS.md. Each in backquotes in the table, or the text, of its section.
"""

import argparse
import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from monitor.cli.main import COMMANDS, build_parser
from monitor.model.config import Section, Settings
from monitor.model.events import PRIORITIES, VerdictName
from monitor.web import metrics
from monitor.web.app import WAYS

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
NAMES = "Public names that tests hold to the documentation"


def section(text: str, heading: str) -> str:
    """The part of a document under a heading of the second rank."""
    found = re.search(rf"(?ms)^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text)
    assert found, f"the heading '## {heading}' is missing"
    return found[1]


def rows(text: str) -> list[list[str]]:
    """The rows of all tables, cell by cell."""
    lines = re.findall(r"(?m)^\|(.*)\|\s*$", text)
    return [[cell.strip() for cell in re.split(r"(?<!\\)\|", line)] for line in lines if not set(line) <= set("|- :")]


def ticked(text: str) -> set[str]:
    """Everything in backquotes."""
    return set(re.findall(r"`([^`\n]+)`", text))


def words(text: str) -> set[str]:
    """Each word of what stands in backquotes, so that `--from T` names `--from`."""
    return {word for each in ticked(text) for word in re.split(r"[\s=,]+", each)}


def say(missing: list[str], where: str) -> None:
    assert not missing, f"not in {where}:\n  " + "\n  ".join(missing)


# --- settings ----------------------------------------------------------------------------------------------------


def sections(model: type[Section], head: str = "") -> Iterator[tuple[str, list[str]]]:
    """Each table of the configuration as it is written, with its keys."""
    keys = []
    for name, field in model.model_fields.items():
        path = f"{head}.{name}" if head else name
        listed = "list[" in str(field.annotation)
        inner = [kind for kind in kinds(field.annotation) if issubclass(kind, Section)]
        if inner and model is Settings:
            yield from sections(inner[0], path)
            if listed:
                listed_heads.add(path)
        elif inner and listed:
            listed_heads.add(path)
            yield from sections(inner[0], path)
        elif inner and "dict[" not in str(field.annotation):
            keys += [f"{name}.{key}" for key in inner[0].model_fields]
        else:
            keys.append(name)
    if head:
        yield head, keys


listed_heads: set[str] = set()


def kinds(annotation: object) -> Iterator[type]:
    """The classes in a type."""
    if isinstance(annotation, type):
        yield annotation
    for inner in getattr(annotation, "__args__", ()):
        yield from kinds(inner)


TABLES = dict(sections(Settings))


@pytest.mark.parametrize("head", TABLES)
def test_every_setting_has_its_place(head: str) -> None:
    """README.md, Configuration: a row for each table of the file, and each of its keys in it."""
    name = f"[[{head}]]" if head in listed_heads else f"[{head}]"
    described = [row for row in rows(section(README, "Configuration")) if name in ticked(row[0])]
    assert described, f"README.md, Configuration: no row `{name}` with the keys {', '.join(TABLES[head])}"
    say([key for key in TABLES[head] if key not in words(" ".join(described[0][1:]))], f"README.md's row `{name}`")


def test_no_setting_is_described_that_is_not_there() -> None:
    """A key that went away goes from README.md too."""
    for row in rows(section(README, "Configuration"))[1:]:
        (name,) = ticked(row[0])
        head = name.strip("[]")
        known = {*TABLES.get(head, ()), *(value for value in ("url", "url_file"))}
        invented = [key for key in ticked(row[1]) if re.fullmatch(r"[a-z_.]+", key) and key not in known]
        say(invented, f"the program, but in README.md's row `{name}`")


# --- alerts and verdicts -----------------------------------------------------------------------------------------


def test_every_alert_is_explained_with_its_priority() -> None:
    """README.md, What it says: a row names each alert and how urgent it is."""
    told = {name: row[1] for row in rows(section(README, "What it says")) for name in ticked(row[0])}

    missing = [f"`{name}` ({priority})" for name, priority in PRIORITIES.items() if told.get(name) != priority]
    say(missing, "README.md's table of alerts, or with another priority")


def test_every_verdict_is_explained() -> None:
    """README.md, What it says: a row for each verdict."""
    told = {name for row in rows(section(README, "What it says")) for name in ticked(row[0])}

    say([f"`{name}`" for name in get_args(VerdictName) if name not in told], "README.md's table of verdicts")


# --- commands ----------------------------------------------------------------------------------------------------


def commands(parser: argparse.ArgumentParser, path: str = "") -> Iterator[tuple[str, list[str]]]:
    """Each command that does something, with its long options."""
    verbs = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    for action in verbs:
        for name, inner in action.choices.items():
            yield from commands(inner, f"{path} {name}".strip())
    if not verbs:
        options = [option for action in parser._actions for option in action.option_strings if option[:2] == "--"]
        yield path, options


def command_rows() -> list[list[str]]:
    """Where a command may have its row."""
    return [*rows(section(README, "Commands")), *rows(DEVELOPERS)]


def test_every_command_has_its_row() -> None:
    """README.md, Commands, or a table of DEVELOPERS.md: each command, and each verb of those that have verbs."""
    told = {name for row in command_rows() for name in ticked(row[0])}
    known = dict(commands(build_parser()))

    say([f"`{name}`" for name in known if name not in told], "README.md's table of commands, nor DEVELOPERS.md")
    assert {name.split()[0] for name in known} == set(COMMANDS)


def test_every_option_is_named() -> None:
    """In a row of its command, or, for those that many share, in the text of README.md, Commands."""
    prose = words(re.sub(r"(?m)^\|.*$", "", section(README, "Commands")))
    by_name: dict[str, set[str]] = {}
    for row in command_rows():
        for name in ticked(row[0]):
            by_name.setdefault(name, set()).update(words(" ".join(row)))
    missing = [
        f"`{name}`: `{option}`"
        for name, options in commands(build_parser())
        for option in options
        if option not in prose and option not in by_name.get(name, set())
    ]
    say(missing, "README.md, Commands, nor in its command's row of DEVELOPERS.md")


# --- HTTP --------------------------------------------------------------------------------------------------------


def test_every_path_is_described() -> None:
    """DEVELOPERS.md, public names: method and path of each way in."""
    told = {name for row in rows(section(DEVELOPERS, NAMES)) for name in ticked(row[0])}

    say([f"`{way.method} {way.path}`" for way in WAYS if f"{way.method} {way.path}" not in told], "DEVELOPERS.md")


def test_every_metric_is_described() -> None:
    """DEVELOPERS.md, public names: each family of numbers that a scraper is given."""
    source = Path(metrics.__file__).read_text(encoding="utf-8")
    families = re.findall(r'"(leeswatch_[a-z_]+)"', source)
    families += [f"leeswatch_{name.replace('-', '_')}" for name in metrics._COUNTERS]
    assert len(families) > 10
    told = {name for row in rows(section(DEVELOPERS, NAMES)) for name in ticked(row[0])}

    say([f"`{name}`" for name in families if name not in told], "DEVELOPERS.md")


def test_nothing_is_described_that_is_not_there() -> None:
    """Paths and metrics that went away go from DEVELOPERS.md too."""
    told = {name for row in rows(section(DEVELOPERS, NAMES)) for name in ticked(row[0])}
    paths = {f"{way.method} {way.path}" for way in WAYS}

    say([f"`{name}`" for name in told if re.match(r"(GET|POST) /", name) and name not in paths], "the program")
