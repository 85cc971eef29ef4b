"""What the verbs of `leeswatch yeast` share: finding a wash or a jar, names, amounts."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from monitor.cli.common import amount, iso, local, whole_state
from monitor.model.config import Settings

if TYPE_CHECKING:
    from monitor.batches.shelf import Jar
    from monitor.batches.washing import Washing
    from monitor.engine.state import State
    from monitor.science.limits import Estimate


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


def wash_now(settings: Settings, name: str) -> Washing:
    """A wash that there is, after something was told of it."""
    from monitor.engine.yeast_clocks import washing_of  # noqa: PLC0415 - with the science

    found = washing_of(whole_state(settings), name)
    assert found is not None
    return found


def jar_at(state: State, name: str, at_ms: int) -> Jar:
    """A jar that there is, as it stood at a time."""
    from monitor.engine.yeast_clocks import jar_of  # noqa: PLC0415 - with the science

    found = jar_of(state, name, at_ms)
    assert found is not None
    return found


def free_name(state: State, name: str | None, stem: str, taken: Sequence[str] = ()) -> str:
    """A name as given, or one made up from a stem that no wash, jar or batch has."""
    from monitor.batches.shelf import slug  # noqa: PLC0415 - with the science
    from monitor.engine.checks.common import is_taken  # noqa: PLC0415

    if name is not None:
        return name
    short = slug(stem)[:40].strip("-") or "yeast"
    number = 1
    while f"{short}-{number}" in taken or is_taken(state, f"{short}-{number}"):
        number += 1
    return f"{short}-{number}"


def spread(found: Estimate, digits: int = 0) -> str:
    """`60 (50 to 75)`."""
    return f"{found.usual:.{digits}f} ({found.low:.{digits}f} to {found.high:.{digits}f})"
