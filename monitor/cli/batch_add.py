"""`leeswatch batch add`: what went into a batch, and what that makes of its original gravity and strength."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.cli.batch_look import asked_of, deed, life_of, when_of
from monitor.cli.common import (
    Commands,
    Unit,
    amount,
    command,
    iso,
    local,
    named,
    number,
    say_done,
    settings_of,
    with_when,
    write,
)
from monitor.model.deeds import Merged
from monitor.model.errors import UsageError
from monitor.model.inputs import Added

if TYPE_CHECKING:
    from monitor.batches.additions import Rise
    from monitor.batches.life import Life
    from monitor.engine.state import State
    from monitor.science.additions import Step

MOST_RISE = 0.2


def add(verbs: Commands) -> None:
    """Add the verb."""
    addition = command(
        verbs, "add",
        "Say what was added and how much, so that original gravity and strength are reckoned anew. The strength of a "
        "wash fed in steps follows from all its sugar.",
        "leeswatch batch add amber-1 sugar 500g", _add,
    )  # fmt: skip
    named(addition)
    addition.add_argument("what", help="sugar, water, nutrient, acid or a word of yours")
    addition.add_argument("amount", nargs="?", type=amount, help="how much: a number and kg, g, L or mL, such as 500g")
    addition.add_argument(
        "--sugar", metavar="NAME", help="which sugar or syrup (names: leeswatch calc original --help)"
    )
    addition.add_argument(
        "--rise", type=number, metavar="SG", help="by how much it raised the gravity, if you know, such as 0.012"
    )
    with_when(addition, "when it went in")


def _add(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - the engine, where a deed is told only

    settings = settings_of(args)
    asked = asked_of(settings)
    if args.rise is not None and not -MOST_RISE <= args.rise <= MOST_RISE:
        raise UsageError(f"--rise {args.rise:g} cannot be", "gravity rises by parts of one, such as 0.012")
    value, unit = args.amount or (None, None)
    sugar = _sugar(args.what, args.sugar, unit)
    given = deed(
        Added, batch=args.name, what=args.what, at=when_of(args, settings, asked), gravity_rise=args.rise, amount=value,
        unit=unit, sugar=sugar,
    )  # fmt: skip
    entry = checks.added(asked, given)
    told = f"{value:g} {unit} {args.what}" if value is not None else args.what
    lines = [f"{args.name}: {told} added {local(entry.at, settings)}; its window starts anew"]
    life = life_of(asked.state, settings, args.name)
    entry, said = _reckoned(asked.state, life, entry, known=args.rise is not None)
    received = write(settings, [entry])
    return say_done(
        args, [*lines, *said], f"leeswatch batch undo {args.name}", batch=args.name, received=iso(received),
        gravity_rise=entry.gravity_rise, volume_l=entry.volume_l,
    )  # fmt: skip


def _sugar(what: str, told: str | None, unit: Unit | None) -> str | None:
    """The fermentable's name where it is one; UsageError for a name that is none."""
    from monitor.batches.additions import sugar_of  # noqa: PLC0415 - with the science
    from monitor.science import fermentables  # noqa: PLC0415

    kind = sugar_of(what, told)
    if kind is not None and kind not in fermentables.SUGARS:
        raise UsageError(f"{kind} is no sugar that is known", f"known: {', '.join(fermentables.SUGARS)}")
    if told is not None and unit in ("L", "mL"):
        raise UsageError("sugar and syrup are told by weight", "give kg or g, such as 500g")
    return kind


def _reckoned(state: State, life: Life, entry: Added, *, known: bool) -> tuple[Added, list[str]]:
    """The entry with the rise that its amount makes, and what that means, in words."""
    from monitor.batches.additions import is_bare, is_water, step_of, volume_after  # noqa: PLC0415 - with the science

    if known:
        # The volume that the amount makes is kept too; the rise is as the person told it.
        after = life.volume_l is not None and entry.amount is not None and not _guessed(life)
        litres = volume_after(life.volume_l or 0.0, entry, life.name) if after else None
        return entry.model_copy(update={"volume_l": litres}), []
    if is_bare(entry.what) and entry.sugar is None:
        return entry, []
    step = step_of(entry)
    if step is None:
        if entry.amount is None:
            lost = "; its strength is not known any more" if is_water(entry.what) else ""
            return entry, [
                f"  how much was not said{lost}: a probe may show what it did, or take this back and give the amount"
            ]
        return entry, [f"  what {entry.what} brings is not known: give --rise, or --sugar NAME and its weight"]
    found, why = _rise(state, life, step)
    if found is None:
        return entry, [f"  what it makes of the original gravity cannot be reckoned: {why}"]
    entry = entry.model_copy(update={"gravity_rise": round(found.by, 5), "volume_l": round(found.litres, 3)})
    return entry, _words(life, found, step)


def _guessed(life: Life) -> bool:
    return life.volume_how.startswith("the vessel's own")


def _rise(state: State, life: Life, step: Step) -> tuple[Rise | None, str]:
    from monitor.batches.additions import rise  # noqa: PLC0415 - with the science
    from monitor.batches.strength import balance_of  # noqa: PLC0415

    facts = life.facts
    if facts.original is None:
        return None, "its original gravity is not known yet"
    if facts.thinned:
        return None, "water went in before, and nobody said how much"
    begun = balance_of(life.name, life.start, state.records.get(f"batch:{life.name}", ()), facts)
    if begun is None:
        return None, "how much it is was not told when it was started, or what went in before was not weighed"
    now = min(facts.gravity, facts.original) if facts.gravity is not None else facts.original
    try:
        return rise(begun.litres, begun.og, begun.all(), step, now, facts.original_error), ""
    except ValueError as error:
        raise UsageError(f"that cannot be: {error}", "check the amount, and the volume of the batch") from error


def _words(life: Life, found: Rise, step: Step) -> list[str]:
    from monitor.batches.additions import parts_of  # noqa: PLC0415 - loaded already
    from monitor.science import additions  # noqa: PLC0415

    balance = found.balance
    lines = [
        f"  original gravity of all that went in: {found.og:.4f} ({balance.og_low:.4f} to {balance.og_high:.4f}), "
        f"{found.by:+.4f}; {found.litres:.1f} L"
    ]
    holds = life.facts.vessels_l.get(life.facts.vessel)
    if holds is not None and found.litres > holds:
        lines.append(f"  ! {life.facts.vessel} holds {holds:g} L: is that right?")
    strength = life.strength
    if strength is None or not isinstance(step, additions.AddSugar | additions.AddWater):
        return lines
    kilograms, water = parts_of(step)
    try:
        litres = life.volume_l or found.litres
        shown = additions.mixed_gravity(litres, strength.gravity, strength.abv, sugar_kg=kilograms, water_l=water)
    except ValueError:
        return lines
    lying = "; less while sugar lies below" if kilograms else ""
    lines.append(f"  a hydrometer should show about {shown:.3f} once it is stirred in{lying}")
    return lines


def merged(state: State, life: Life, into: Life, entry: Merged) -> tuple[Merged, list[str]]:
    """A merge with what it makes of the batch that goes on, and that in words."""
    from monitor.science.additions import AddWash  # noqa: PLC0415 - with the science

    facts = life.facts
    entry = entry.model_copy(update={"original": facts.original, "gravity": facts.gravity})
    if facts.original is None or facts.gravity is None or facts.thinned or entry.volume_l is None:
        why = f"of {life.name} its original gravity, its gravity or its volume is not known"
        return entry, [f"  the original gravity of {into.name} is not known any more: {why}"]
    found, why = _rise(state, into, AddWash(entry.volume_l, facts.original, min(facts.gravity, facts.original)))
    if found is None:
        return entry, [f"  the original gravity of {into.name} is not known any more: {why}"]
    entry = entry.model_copy(update={"gravity_rise": round(found.by, 5), "into_volume_l": round(found.litres, 3)})
    return entry, [
        f"  {into.name}: original gravity of the whole {found.og:.4f}, {found.by:+.4f}; {found.litres:.1f} L"
    ]
