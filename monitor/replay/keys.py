"""A sweep of one setting: which it is, the values it takes, and how each is put into a journal.

A key is a dotted path, `batch.expected_final` for every batch or `batch[amber-1].expected_final` for one. Only what the
rules see is named here: nothing else of a configuration can change what is told.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from monitor.model.config import WRITTEN, Alerts, Batch, Fridge, RuleProbe, RuleSettings, Vessel
from monitor.model.errors import UsageError
from monitor.model.inputs import BatchStarted, Configured, JournalEntry
from monitor.settings_words import in_words

REMIND = "alerts.remind_every"  # as it is called in the file
MODELS: dict[str, type[BaseModel]] = {"batch": Batch, "fridge": Fridge, "vessel": Vessel, "probe": RuleProbe}
# What says which thing it is, or where it stood: another value would be another story, not another setting.
FIXED = frozenset(("name", "vessel", "pitched", "probes", "contents", "calibration", "room"))
_KEY = re.compile(r"([a-z_]+)(?:\[([^\]]*)\])?\.([a-z_]+)")
_SIGNED = re.compile(r"[+-]\s*[\d.]")


def sweepable() -> list[str]:
    """Every key that can be swept."""
    return [
        *(f"{section}.{name}" for section, model in MODELS.items() for name in model.model_fields if name not in FIXED),
        REMIND,
    ]


# --- a key to sweep, and its values ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Key:
    """A setting of every entry of a section, or of the one named `only`."""

    section: str
    only: str | None
    name: str

    @property
    def path(self) -> str:
        """As it was written."""
        return f"{self.section}{f'[{self.only}]' if self.only else ''}.{self.name}"

    @property
    def field(self) -> FieldInfo:
        """What the configuration says of it."""
        if self.section == "alerts":
            return Alerts.model_fields[self.name]
        return MODELS[self.section].model_fields[self.name]

    def is_about(self, name: str) -> bool:
        """Whether an entry of its section is meant."""
        return self.only in (None, name)


@dataclass(frozen=True, slots=True)
class Change:
    """One value of a sweep: puts it into each entry of a journal that holds the key. None takes the setting away."""

    key: Key
    text: str
    value: Any
    relative: bool = False

    def __call__(self, entry: JournalEntry) -> JournalEntry:
        """The entry as it would have been; others as they are."""
        if isinstance(entry, Configured):
            return entry.model_copy(update={"settings": self.in_settings(entry.settings)})
        if isinstance(entry, BatchStarted) and self.key.section == "batch":
            return entry.model_copy(update={"batch": self._in_item(entry.batch)})
        return entry

    def in_settings(self, settings: dict[str, Any]) -> dict[str, Any]:
        """The configuration as the journal keeps it, changed."""
        if self.key.section == "alerts":
            usual = RuleSettings.model_fields["remind_every"].default
            return {**settings, "remind_every": self._of(settings.get("remind_every", usual))}
        section = self.key.section
        return {**settings, section: [self._in_item(item) for item in settings.get(section, [])]}

    def _in_item(self, item: dict[str, Any]) -> dict[str, Any]:
        if not self.key.is_about(str(item.get("name"))):
            return item
        try:
            now = getattr(MODELS[self.key.section].model_validate(item), self.key.name)
        except ValidationError:
            return item  # a journal edited by hand: the engine passes such an entry over
        return {**item, self.key.name: self._of(now)}

    def _of(self, now: Any) -> Any:
        if not self.relative:
            return self.value
        if isinstance(now, tuple | list):
            return [round(each + self.value, 9) for each in now]
        return None if now is None else round(now + self.value, 9)


def parse_sweep(text: str) -> list[Change]:
    """`KEY=V1,V2,…` as changes; UsageError with all that is wrong and what is allowed."""
    path, sign, values = text.partition("=")
    key = _key(path.strip())
    texts = [each.strip() for each in _split(values)]
    if not sign or not all(texts):
        raise UsageError(f"{text!r} holds no values, or an empty one", f"write {key.path}=V1,V2 with its values")
    twice = next((each for index, each in enumerate(texts) if each in texts[:index]), None)
    if twice is not None:
        raise UsageError(f"{key.path}={twice} is there twice", "name each value once")
    changes, wrong = [], []
    for each in texts:
        try:
            changes.append(_change(key, each))
        except ValidationError as error:
            wrong.append(f"{key.path}={each}: {_why(error, key)}")
        except ValueError as error:
            wrong.append(f"{key.path}={each}: {error}")
    if wrong:
        raise UsageError("\n".join(wrong))
    return changes


def _key(path: str) -> Key:
    match = _KEY.fullmatch(path)
    known = sweepable()
    plain = f"{match[1]}.{match[3]}" if match else path
    if match is None or plain not in known or (match[2] is not None and (match[1] == "alerts" or not match[2])):
        close = difflib.get_close_matches(plain, known, n=1)
        hint = f"did you mean {close[0]}? " if close and close[0] != plain else ""
        raise UsageError(f"{path or 'an empty key'} cannot be swept", f"{hint}these can: {', '.join(known)}")
    return Key(match[1], match[2], match[3])


def _split(text: str) -> Iterator[str]:
    """At commas, but not inside brackets."""
    depth, piece = 0, ""
    for sign in text:
        depth += (sign == "[") - (sign == "]")
        if sign == "," and depth <= 0:
            yield piece
            piece = ""
        else:
            piece += sign
    yield piece


def _change(key: Key, text: str) -> Change:
    if _SIGNED.match(text):
        kind = _kind(key.field)
        if kind == "text":
            raise ValueError(f"a sign changes what is set by so much, and {key.name} is no number; name a value")
        size = _span(key.field, text[1:].strip()) if kind == "span" else _number(text[1:])
        return Change(key, text, -size if text[0] == "-" else size, relative=True)
    value = None if text == "none" else _value(text.removeprefix("="))
    return Change(key, text, _adapter(key.field).validate_python(value, context=WRITTEN))


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text  # the shell has taken the quotation marks, or nobody wrote any


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        raise ValueError("after its sign stands a number, such as +0.002") from error


def _span(field: FieldInfo, text: str) -> float:
    try:
        return float(_adapter(field).validate_python(text, context=WRITTEN))
    except ValidationError as error:
        raise ValueError("after its sign stands a span of time, such as +6h") from error


def _adapter(field: FieldInfo) -> TypeAdapter[Any]:
    whole: Any = Annotated[field.annotation, *field.metadata] if field.metadata else field.annotation
    return TypeAdapter(whole)


def _kind(field: FieldInfo) -> Literal["text", "number", "span"]:
    if float not in _inside(field.annotation):
        return "text"
    return "span" if is_span(field) else "number"


def is_span(field: FieldInfo) -> bool:
    """Whether a setting is a span of time, kept in seconds."""
    try:
        return bool(_adapter(field).validate_python("1h", context=WRITTEN) == 3600.0)
    except ValidationError:
        return False


def _inside(annotation: Any) -> set[Any]:
    return {annotation}.union(*(_inside(each) for each in get_args(annotation)))


def _why(error: ValidationError, key: Key) -> str:
    _, found, allowed = in_words(error.errors()[0], (key.section, key.name, *error.errors()[0]["loc"]))
    return f"{found}; {allowed}"


# --- does it fit what was recorded -------------------------------------------------------------------------------


def check_changes(changes: Sequence[Change], recorded: Sequence[tuple[str, list[JournalEntry]]]) -> None:
    """Try each change on the entries of each recording (its name first); UsageError with all that does not fit."""
    key = changes[0].key
    if key.section in MODELS:
        _check_named(key, recorded)
    if all(change.relative for change in changes) and not any(
        now is not None for _, entries in recorded for now in values_of(key, entries).values()
    ):
        raise UsageError(f"{key.path} is set nowhere, so nothing can be added to it", "name values without a sign")
    wrong: dict[str, None] = {}
    for change in changes:
        for name, entries in recorded:
            for entry in entries:
                for where, why in _refusals(change, entry):
                    wrong[f"{key.path}={change.text} does not fit {where} of {name}: {why}"] = None
    if wrong:
        raise UsageError("\n".join(wrong), "name other values, or sweep one entry, as in batch[NAME].KEY")


def values_of(key: Key, entries: Sequence[JournalEntry]) -> dict[str, Any]:
    """What is set, by entry, latest."""
    found: dict[str, Any] = {}
    for entry in entries:
        if isinstance(entry, Configured):
            settings = RuleSettings.model_validate(entry.settings)
            if key.section == "alerts":
                found[key.path] = settings.remind_every
                continue
            items = getattr(settings, key.section)
        elif isinstance(entry, BatchStarted) and key.section == "batch":
            try:
                items = [Batch.model_validate(entry.batch)]
            except ValidationError:
                continue
        else:
            continue
        found |= {item.name: getattr(item, key.name) for item in items if key.is_about(item.name)}
    return found


def _check_named(key: Key, recorded: Sequence[tuple[str, list[JournalEntry]]]) -> None:
    if any(values_of(key, entries) for _, entries in recorded):
        return
    anyone = Key(key.section, None, key.name)
    names = sorted({name for _, entries in recorded for name in values_of(anyone, entries)})
    if names:
        raise UsageError(f"no recording has a {key.section} {key.only}", f"there are: {', '.join(names)}")
    raise UsageError(f"no recording has a {key.section}", "sweep a key of what was recorded")


def _refusals(change: Change, entry: JournalEntry) -> Iterator[tuple[str, str]]:
    """What is refused, and why, once the entry is changed."""
    changed = change(entry)
    if changed == entry:
        return
    key = change.key
    try:
        if isinstance(changed, Configured):
            found = RuleSettings.model_validate(changed.settings)
            if key.section == "alerts":
                _adapter(key.field).validate_python(found.remind_every)
        elif isinstance(changed, BatchStarted):
            Batch.model_validate(changed.batch)
    except ValidationError as error:
        for detail in error.errors():
            _, found_there, allowed = in_words(detail, (key.section, key.name))
            yield _whose(changed, tuple(detail["loc"]), key), f"{found_there}; {allowed}"


def _whose(entry: JournalEntry, where: tuple[int | str, ...], key: Key) -> str:
    if isinstance(entry, Configured) and len(where) > 1 and isinstance(where[1], int):
        return f"{key.section} {entry.settings[str(where[0])][where[1]]['name']}"
    return f"{key.section} {entry.batch['name']}" if isinstance(entry, BatchStarted) else "the reminders"
