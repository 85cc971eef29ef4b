"""`leeswatch yeast`: jars of the shelf, from where they come to where they go."""

from __future__ import annotations

import argparse
import re
from typing import Any

from monitor.batches.cells import cells, cells_range
from monitor.cli.batch_look import asked_of, deed, when_of
from monitor.cli.common import (
    Commands,
    command,
    iso,
    litres,
    local,
    moment,
    named,
    number,
    say_done,
    settings_of,
    whole_state,
    with_config,
    with_json,
    with_when,
    write,
)
from monitor.cli.yeast_common import day, free_name, jar_at, millilitres, undo_of
from monitor.model.clock import HOUR, MINUTE
from monitor.model.config import Settings
from monitor.model.deeds import JarDiscarded, Jarred, JarUsed, WashDiscarded
from monitor.model.errors import UsageError


def add(verbs: Commands) -> None:
    """Add the verbs."""
    packet = command(
        verbs, "packet", "A fresh packet stands on the shelf, or a jar that someone gave (--given).",
        "leeswatch yeast packet --strain ale --grams 11", _packet,
    )  # fmt: skip
    with_config(packet)
    with_json(packet)
    packet.add_argument("name", nargs="?", metavar="NAME", help="a name for it (default: made up)")
    packet.add_argument("--strain", required=True, metavar="NAME", help="your name for the yeast")
    packet.add_argument("--grams", type=number, metavar="G", help="of dried yeast")
    packet.add_argument("--ml", type=millilitres, metavar="ML", help="of liquid yeast")
    packet.add_argument(
        "--cells", type=number, metavar="N", help="living cells in all, as the packet says, such as 1e11"
    )
    packet.add_argument("--best-before", metavar="DATE", help="as the packet says")
    packet.add_argument("--given", action="store_true", help="someone gave it: it ages as your own jars do")
    packet.add_argument("--generation", type=int, default=0, metavar="N", help="of a given jar (a packet is 0)")
    packet.add_argument("--layer", type=millilitres, metavar="ML", help="settled yeast in a given jar")
    packet.add_argument("--stored", type=number, default=4.0, metavar="°C", help="how cold it stands (default 4)")
    with_when(packet, "when it came")

    starter = command(
        verbs, "starter", "A starter was grown from a jar: it becomes a jar of its own.",
        "leeswatch yeast starter ale-1 100 --litres 1", _starter,
    )  # fmt: skip
    named(starter, "jar", "the jar it was grown from")
    starter.add_argument("ml", nargs="?", metavar="ML", help="how much of it went in (default: all that is left)")
    starter.add_argument("--litres", type=litres, required=True, metavar="L", help="how large the starter is")
    starter.add_argument("--sg", type=number, default=1.036, metavar="SG", help="its gravity (default 1.036)")
    starter.add_argument("--at", type=number, default=22.0, metavar="°C", help="how warm it stands (default 22)")
    starter.add_argument(
        "--stored", type=number, default=4.0, metavar="°C", help="how cold it is kept then (default 4)"
    )
    starter.add_argument("--name", metavar="JAR", help="a name for it (default: made up)")
    with_when(starter, "when the yeast went in")

    use = command(
        verbs, "use", "Some of a jar was pitched: mL of the jar shaken up (grams of dried yeast), or all.",
        "leeswatch yeast use ale-1 150 --batch amber-2", _use,
    )  # fmt: skip
    named(use, "jar", "the jar")
    use.add_argument("ml", metavar="ML", help="how much, or `all`")
    use.add_argument("--batch", metavar="BATCH", help="the batch it went into")
    with_when(use)

    discard = command(
        verbs, "discard", "A jar, or what was left of a wash, was thrown out.",
        "leeswatch yeast discard ale-1 --why 'smells of vinegar'", _discard,
    )  # fmt: skip
    named(discard, "jar", "the jar or the wash")
    discard.add_argument("--why", default="", metavar="WHY", help="why")
    with_when(discard)


# --- onto the shelf ----------------------------------------------------------------------------------------------


def _packet(args: argparse.Namespace) -> int:
    from monitor.batches import shelf  # noqa: PLC0415 - with the science
    from monitor.engine.checks import jars as checks  # noqa: PLC0415

    settings = settings_of(args)
    if (args.grams is None) == (args.ml is None):
        raise UsageError("how much it is was not said", "--grams of dried yeast, or --ml of liquid")
    asked = asked_of(settings)
    best = _best_before(args.best_before, settings) if args.best_before is not None else None
    name = free_name(asked.state, args.name, args.strain)
    told = deed(
        Jarred, at=when_of(args, settings, asked), jar=name, strain=args.strain,
        origin="given" if args.given else "packet",
        generation=args.generation, volume_ml=args.ml if args.ml is not None else args.grams, grams=args.grams,
        layer_ml=args.layer, cells=args.cells, best_before=best, stored_c=args.stored,
    )  # fmt: skip
    entry = checks.put_up(asked, told)
    received = write(settings, [entry])
    found = jar_at(whole_state(settings), name, entry.at)
    what = "a jar that was given" if args.given else "a packet"
    lines = [f"{name}: {what} of {args.strain}, {entry.volume_ml:g} {found.unit}, on the shelf"]
    if found.living is not None:
        lines.append(f"  about {cells_range(found.living)} living cells, {found.per_ml_how}")
    else:
        lines.append(f"  how many cells it holds is not known: {found.per_ml_how}")
    lines.append(f"  best by {day(found.best_ms, settings)}" if found.best_ms is not None
                 else "  go by the date on it, and tell it with --best-before")  # fmt: skip
    if args.given:
        lines += [f"  ! {each}" for each in shelf.CAUTIONS]
    return say_done(args, lines, undo_of(name), jar=name, received=iso(received))


def _best_before(text: str, settings: Settings) -> int:
    """A packet's date; of a month alone (2027-05) its end."""
    month = re.fullmatch(r"(\d{4})-(\d{2})", text.strip())
    if month is None:
        return moment(text, settings)
    year, after = divmod(int(month[1]) * 12 + int(month[2]), 12)
    if not 1 <= int(month[2]) <= 12:
        raise UsageError(f"{text} is no month", "write it like 2027-05, or the day like 2027-05-31")
    return moment(f"{year:04d}-{after + 1:02d}-01", settings) - MINUTE


def _much(text: str, left: float, unit: str) -> float:
    """How much of a jar as typed: mL or grams, or all of it."""
    if text == "all":
        return left
    try:
        return number(text) if unit == "g" else millilitres(text)
    except (ValueError, argparse.ArgumentTypeError) as error:
        raise UsageError(f"{text!r} is no amount", f"a number of {unit}, or all") from error


def _starter(args: argparse.Namespace) -> int:
    from monitor.engine.checks import jars as checks  # noqa: PLC0415 - with the science
    from monitor.science import growth  # noqa: PLC0415
    from monitor.science.limits import Estimate  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings)
    at, jar = when_of(args, settings, asked), checks.jar_there(asked, args.jar)
    taken = _much(args.ml or "all", jar.left_ml, jar.unit)
    checks.enough(jar, taken)
    name = free_name(asked.state, args.name, f"{args.jar}-starter")
    words: dict[str, Any] = {}
    lines: list[str] = []
    if jar.living is not None and jar.living.low > 0:
        share = taken / jar.left_ml
        try:
            usual, low, high = (
                growth.starter(args.litres, args.sg, each * share, args.at)
                for each in (jar.living.usual, jar.living.low, jar.living.high)
            )
        except ValueError as error:
            raise UsageError(str(error), "check --litres, --sg and --at") from error
        words = {"cells": usual.cells.usual, "cells_low": low.cells.low, "cells_high": high.cells.high}
        hours = usual.hours.usual
        grown = Estimate(usual.cells.usual, low.cells.low, high.cells.high)
        lines.append(
            f"  grows from {cells(jar.living.usual * share)} to about {cells_range(grown)} living cells"
            + (f", in about {hours:.0f} h after its lag" if 0 < hours < 1000 else "")
        )
        if usual.cells.usual < 1.1 * jar.living.usual * share:
            lines.append("  ! so much yeast hardly grows in so small a starter: put in less, or make it larger")
        if 0 < hours < 1000:
            words["ready"] = at + round(hours * HOUR)
    else:
        lines.append("  how many cells went in is not known, so nor is what it grows to")
    told = deed(
        Jarred, at=at, jar=name, strain=jar.made.strain, origin="starter", parents=[args.jar],
        generation=jar.made.generation, volume_ml=args.litres * 1000.0, taken_ml=taken, stored_c=args.stored, **words,
    )  # fmt: skip
    received = write(settings, [checks.put_up(asked, told)])
    lines = [f"{name}: a starter of {args.litres:g} L from {taken:g} {jar.unit} of {args.jar}", *lines]
    if jar.advice in ("doubtful", "discard"):
        lines += [f"  ! of {args.jar}: {each}" for each in jar.because]
    lines += [
        "  boil the wort and cool it first; cover it with foil, never a tight lid: it makes gas",
        "  a starter is no generation of its own (common practice, no source)",
    ]
    return say_done(args, lines, undo_of(name), jar=name, parent=args.jar, taken=taken, received=iso(received), **words)


# --- off the shelf -----------------------------------------------------------------------------------------------


def _use(args: argparse.Namespace) -> int:
    from monitor.engine.checks import jars as checks  # noqa: PLC0415 - with the science
    from monitor.science.limits import Estimate  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings)
    jar = checks.jar_there(asked, args.jar)
    amount = _much(args.ml, jar.left_ml, jar.unit)
    told = deed(JarUsed, at=when_of(args, settings, asked), jar=args.jar, batch=args.batch, ml=amount, unit=jar.unit)
    entry = checks.used(asked, told)
    received = write(settings, [entry])
    left = jar_at(whole_state(settings), args.jar, entry.at).left_ml
    into = f" into {args.batch}" if args.batch is not None else ""
    lines = [f"{args.jar}: {amount:g} {jar.unit}{into}, {local(entry.at, settings)}; {left:.0f} {jar.unit} left"]
    if jar.living is not None and jar.left_ml > 0:
        share = amount / jar.left_ml
        each = Estimate(*(share * value for value in (jar.living.usual, jar.living.low, jar.living.high)))
        lines.append(f"  about {cells_range(each)} living cells")
    if jar.advice != "pitch":
        lines += [f"  ! {each}" for each in jar.because]
    dry = "  open the packet clean and with dry hands, and use up what you open"
    wet = "  smell it before it goes in; shake it up; wipe its rim with sanitiser before you pour"
    lines.append(dry if jar.unit == "g" else wet)
    return say_done(args, lines, undo_of(args.jar), jar=args.jar, used=amount, left=round(left, 1), batch=args.batch,
                    received=iso(received))  # fmt: skip


def _discard(args: argparse.Namespace) -> int:
    from monitor.engine.checks import jars, yeast  # noqa: PLC0415 - with the science

    settings = settings_of(args)
    asked = asked_of(settings)
    at, why = when_of(args, settings, asked), f" ({args.why})" if args.why else ""
    if f"jar:{args.jar}" not in asked.state.records and f"wash:{args.jar}" in asked.state.records:
        wash = yeast.wash_of(asked, args.jar)
        gone = yeast.wash_discarded(asked, deed(WashDiscarded, at=at, wash=args.jar, why=args.why))
        received = write(settings, [gone])
        left = "what was left of it is discarded" if wash.jars else "discarded"
        lines = [f"{args.jar}: {left}{why}; its record stays"]
        return say_done(args, lines, undo_of(args.jar), wash=args.jar, received=iso(received))
    received = write(settings, [jars.seen(asked, deed(JarDiscarded, at=at, jar=args.jar, why=args.why))])
    lines = [f"{args.jar}: discarded{why}; its record stays",
             "  open it slowly, away from your face: gas may have gathered"]  # fmt: skip
    return say_done(args, lines, undo_of(args.jar), jar=args.jar, received=iso(received))
