"""What the verbs of `leeswatch yeast` share: finding a wash or a jar, names, amounts."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeVar

from pydantic import ValidationError

from monitor.cli.batch_look import past
from monitor.cli.common import amount, iso, local
from monitor.model.clock import MINUTE
from monitor.model.config import Settings
from monitor.model.deeds import Deed, Harvested, Jarred
from monitor.model.errors import UsageError
from monitor.model.inputs import JournalEntry

if TYPE_CHECKING:
    from monitor.batches.shelf import Jar
    from monitor.batches.washing import Washing
    from monitor.engine.state import State
    from monitor.science.limits import Estimate

D = TypeVar("D", bound=Deed)


def millilitres(text: str) -> float:
    """A volume on the command line, in mL: 250, 250mL or 0.5L."""
    value, unit = amount(text if text[-1:].isalpha() else f"{text}mL")
    if unit not in ("L", "mL"):
        raise argparse.ArgumentTypeError(f"{text!r} is no volume: write 250, 250mL or 0.5L")
    return value * 1000.0 if unit == "L" else value


def day(ms: int | None, settings: Settings) -> str:
    """The day of a time as people write it, with its year."""
    return "–" if ms is None else f"{' '.join(local(ms, settings).split()[1:3])} {iso(ms)[:4]}"


def undo_of(name: str) -> str:
    """The command that takes the latest deed about a wash or a jar back."""
    return f"leeswatch yeast undo {name}"


def deed(kind: type[D], **words: object) -> D:
    """A deed; UsageError with what cannot be."""
    try:
        return kind(**words)
    except ValidationError as error:
        first = error.errors()[0]
        where = f"{first['loc'][0]}: " if first["loc"] else ""
        raise UsageError(f"{where}{first['msg'].removeprefix('Value error, ')}", "correct it and try again") from error


def wash_named(state: State, name: str) -> Washing:
    """A wash; UsageError where there is none of that name."""
    from monitor.engine.yeast_clocks import washing_of, washings_of  # noqa: PLC0415 - with the science

    found = washing_of(state, name)
    if found is None:
        known = ", ".join(each.name for each in washings_of(state)) or "none yet: leeswatch yeast harvest BATCH"
        raise UsageError(f'there is no wash "{name}"', f"washes: {known}")
    return found


def jar_named(state: State, name: str, now_ms: int, *, there: bool = True) -> Jar:
    """A jar, one that is still there unless `there` is false; UsageError otherwise."""
    from monitor.engine.yeast_clocks import jar_of, shelf_of  # noqa: PLC0415 - with the science

    found = jar_of(state, name, now_ms)
    if found is None:
        known = ", ".join(each.name for each in shelf_of(state, now_ms) if not each.gone) or "none yet"
        raise UsageError(f'there is no jar "{name}"', f"on the shelf: {known}")
    if there and found.gone:
        raise UsageError(f"jar {name} is not there any more: {found.gone}", f"if that was a mistake: {undo_of(name)}")
    return found


def at_jar(args: argparse.Namespace, settings: Settings, jar: Jar) -> int:
    """When something was done to a jar; UsageError before it was put up, or in the future."""
    at = past(args, settings)
    if at < jar.made.at and at // MINUTE != jar.made.at // MINUTE:  # people write whole minutes
        raise UsageError(
            f"{local(at, settings)} lies before {jar.name} was put up, {local(jar.made.at, settings)}", "look at --when"
        )
    return max(at, jar.made.at)


def free_name(state: State, name: str | None, stem: str, taken: Sequence[str] = ()) -> str:
    """A name that no wash, jar or batch has: as given (else UsageError), or made up from a stem."""
    from monitor.batches.record import counting  # noqa: PLC0415 - with the rest of the batches
    from monitor.batches.shelf import slug  # noqa: PLC0415

    def used(each: str) -> bool:
        return each in taken or each in state.batches or any(
            any(entry_names(entry, each) for entry in counting(state.records.get(f"{kind}:{each}", ())))
            for kind in ("wash", "jar")
        )  # fmt: skip

    if name is not None:
        if used(name):
            raise UsageError(f"the name {name} is taken", "give another one, such as one with a number")
        return name
    short = slug(stem)[:40].strip("-") or "yeast"
    number = 1
    while used(f"{short}-{number}"):
        number += 1
    return f"{short}-{number}"


def entry_names(entry: JournalEntry, name: str) -> bool:
    """Whether an entry is one that gave a wash or a jar this name."""
    return (isinstance(entry, Jarred) and entry.jar == name) or (isinstance(entry, Harvested) and entry.wash == name)


def spread(found: Estimate, digits: int = 0) -> str:
    """`60 (50 to 75)`."""
    return f"{found.usual:.{digits}f} ({found.low:.{digits}f} to {found.high:.{digits}f})"
