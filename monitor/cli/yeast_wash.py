"""`leeswatch yeast`: from the lees of a batch through rounds of water into jars."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.cli.batch_look import asked_of, deed, when_of
from monitor.cli.common import (
    Commands,
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
from monitor.cli.yeast_common import day, free_name, millilitres, undo_of, wash_now
from monitor.model.config import Settings
from monitor.model.deeds import Harvested, Jarred, PouredOff, WashRound
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.washing import Source, Stand
    from monitor.engine.state import State


def add(verbs: Commands) -> None:
    """Add the verbs."""
    harvest = command(
        verbs, "harvest", "Lees were taken from a batch, to be washed. Never from one that was fined.",
        "leeswatch yeast harvest amber-1 --ml 600", _harvest,
    )  # fmt: skip
    named(harvest, "batch", "the batch")
    harvest.add_argument("--ml", type=millilitres, required=True, metavar="ML", help="how much lees, mL (or 0.6L)")
    harvest.add_argument("--name", metavar="WASH", help="a name for the wash (default: made up)")
    harvest.add_argument("--strain", metavar="NAME", help="your name for the yeast (default: as the batch tells)")
    harvest.add_argument(
        "--generation", type=int, metavar="N", help="1 for yeast that fermented once (default: by the jar it was from)"
    )
    with_when(harvest)

    round_ = command(
        verbs, "round", "Water was put on and shaken: it stands from now.",
        "leeswatch yeast round amber-1-lees-1 --water 1000", _round,
    )  # fmt: skip
    named(round_, "wash", "the wash")
    round_.add_argument("--water", type=millilitres, required=True, metavar="ML", help="how much water, mL (or 1L)")
    round_.add_argument("--short", action="store_true", help="a first short stand: only grain and dark matter drop")
    round_.add_argument("--powdery", action="store_true", help="the yeast sinks badly: it stands overnight")
    round_.add_argument("--distilled", action="store_true", help="distilled water (default: boiled and cooled)")
    round_.add_argument("--depth", type=number, metavar="MM", help="how deep the liquid is (default: by its volume)")
    round_.add_argument("--at", type=number, default=20.0, metavar="°C", help="where it stands (default 20)")
    with_when(round_)

    pour = command(
        verbs, "pour", "The stand is over: the water was poured off, or after a short stand the cloudy part on.",
        "leeswatch yeast pour amber-1-lees-1 --kept 400", _pour,
    )  # fmt: skip
    named(pour, "wash", "the wash")
    pour.add_argument("--kept", type=millilitres, metavar="ML", help="how much there is now, mL")
    pour.add_argument("--anyway", action="store_true", help="note it although it stood too short")
    with_when(pour)

    jar = command(
        verbs, "jar", "A wash was filled into jars: NAME=ML, or ML alone; NAME=ML/LAYER tells the settled yeast in it.",
        "leeswatch yeast jar amber-1-lees-1 ale-1=200/60 ale-2=200/60", _jar,
    )  # fmt: skip
    named(jar, "wash", "the wash")
    jar.add_argument("jars", nargs="*", metavar="NAME=ML", help="the jars (none: how many are wanted)")
    jar.add_argument("--stored", type=number, default=4.0, metavar="°C", help="how cold they stand (default 4)")
    jar.add_argument("--fridge", metavar="FRIDGE", help="the fridge they stand in")
    jar.add_argument("--anyway", action="store_true", help="note it although it stood too short")
    with_when(jar, "when they were put up")


# --- harvest -----------------------------------------------------------------------------------------------------


def _harvest(args: argparse.Namespace) -> int:
    from monitor.batches import washing  # noqa: PLC0415 - with the science
    from monitor.engine.checks import yeast as checks  # noqa: PLC0415
    from monitor.engine.lives import start_of  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings)
    state, at = asked.state, when_of(args, settings, asked)
    source = checks.source(asked, args.batch, at)
    start = start_of(state, args.batch)
    strain = args.strain or _strain(state, source) or (start.yeast if start is not None else None)
    if not strain:
        raise UsageError(f"which yeast is in {args.batch} was never told", "say so with --strain NAME")
    generation = args.generation if args.generation is not None else source.generation
    if generation is None:
        raise UsageError(
            f"which jar {args.batch} was pitched from was never told, so its generation is not known",
            "say it: --generation 1 where a fresh packet was pitched, one more for each batch it fermented since",
        )
    name = free_name(state, args.name, f"{args.batch}-lees")
    told = deed(Harvested, at=at, wash=name, batch=args.batch, strain=strain, generation=generation, volume_ml=args.ml)
    entry = checks.harvested(asked, told)
    received = write(settings, [entry])
    practice = settings.practice.yeast
    doubts = washing.doubts(source.abv, practice, stalled=source.stalled, off_smell=source.off_smell)
    lines = [f"{name}: {args.ml:g} mL of lees of {args.batch} to wash, {strain}, generation {generation}"]
    lines += [f"  ! {each}" for each in doubts] + ([f"  → {washing.FROM_FRESH}"] if doubts else [])
    lines += _too_old(generation, settings)
    if source.abv is None:
        lines.append("  how strong the batch is is not known, so that was not checked")
    lines += [f"  {each}" for each in washing.HYGIENE]
    found = wash_now(settings, name)
    lines.append(f"→ {washing.next_step(found, practice, entry.at)}: leeswatch yeast round {name} --water ML")
    return say_done(
        args, lines, undo_of(name), wash=name, strain=strain, generation=generation, abv=source.abv,
        parents=list(source.parents), warnings=list(doubts), received=iso(received),
    )  # fmt: skip


def _strain(state: State, source: Source) -> str | None:
    """The one strain of the jars that it was pitched from."""
    from monitor.engine.yeast_clocks import jar_of  # noqa: PLC0415 - with the science

    jars = [jar_of(state, each, 0) for each in source.parents]
    strains = {each.made.strain for each in jars if each is not None}
    return strains.pop() if len(strains) == 1 else None


def _too_old(generation: int, settings: Settings) -> list[str]:
    practice = settings.practice.yeast
    if generation > practice.most_generations:
        return [f"  ! generation {generation} is past {practice.most_generations}: start from fresh (common practice)"]
    if generation > practice.doubtful_generations:
        return [f"  ! generation {generation} is past {practice.doubtful_generations}: fresh yeast is safer by now"]
    return []


# --- rounds ------------------------------------------------------------------------------------------------------


def _round(args: argparse.Namespace) -> int:
    from monitor.batches import washing  # noqa: PLC0415 - with the science
    from monitor.engine.checks import yeast as checks  # noqa: PLC0415

    settings = settings_of(args)
    practice, asked = settings.practice.yeast, asked_of(settings)
    told = deed(
        WashRound, at=when_of(args, settings, asked), wash=args.wash, water_ml=args.water,
        stand="short" if args.short else "long",
        powdery=args.powdery, water="distilled" if args.distilled else "boiled", depth_mm=args.depth, stands_c=args.at,
    )  # fmt: skip
    entry, wash = checks.watered(asked, told), checks.wash_of(asked, args.wash)
    lines = []
    running = wash.running
    if running is not None:
        lines.append(f"  stand {running.number} ended with that; how much was left was not said (yeast pour --kept)")
        if running.stand == "long" and entry.at < running.due_ms:
            lines.append(f"  ! it was due only {local(running.due_ms, settings)}: pouring early throws yeast away")
    if not args.short and wash.rounds > practice.rounds:
        lines.append(f"  {wash.rounds} rounds are done: {practice.rounds} or {practice.rounds + 1} are enough")
    received = write(settings, [entry])
    stand = wash_now(settings, args.wash).running
    assert stand is not None
    which = "a short stand" if args.short else f"round {wash.rounds + 1} of {practice.rounds}"
    head = f"{args.wash}: {which}, from {local(entry.at, settings)} until {local(stand.due_ms, settings)} at least"
    lines = [head, *lines, *_standing(stand)]
    lines += [f"  {washing.HYGIENE[1]}", f"  {washing.SHAKE}"]
    lines.append(f"→ then: {washing.pour_how(stand)}; leeswatch yeast pour {args.wash} --kept ML")
    return say_done(
        args, lines, undo_of(args.wash), wash=args.wash, stand=stand.number, due=iso(stand.due_ms),
        depth_mm=None if stand.depth_mm is None else round(stand.depth_mm), received=iso(received),
    )  # fmt: skip


def _standing(stand: Stand) -> list[str]:
    """The clock by practice, and what physics says beside it."""
    from monitor.batches import washing  # noqa: PLC0415 - loaded already

    if stand.stand == "short":
        return ["  a short stand is common practice, no source"]
    said = washing.physics(stand)
    lines = ["  the time is common practice, no source; what counts is a clear top"]
    return [*lines, f"  physics: {said}"] if said else lines


def _pour(args: argparse.Namespace) -> int:
    from monitor.batches import washing  # noqa: PLC0415 - with the science
    from monitor.engine.checks import yeast as checks  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings, anyway=args.anyway)
    told = deed(PouredOff, at=when_of(args, settings, asked), wash=args.wash, kept_ml=args.kept)
    entry, running = checks.poured_off(asked, told), checks.wash_of(asked, args.wash).running
    received = write(settings, [entry])
    found = wash_now(settings, args.wash)
    long = running is not None and running.stand == "long"
    kept = f", {args.kept:g} mL kept" if args.kept is not None else ""
    lines = [f"{args.wash}: {'water poured off' if long else 'the cloudy part poured on'}{kept}"]
    if long:
        lines.append("  keep the light layer; the dark at the bottom and what clings to the glass stays behind")
    lines[0] += f", {local(entry.at, settings)}"
    lines.append(f"→ {washing.next_step(found, settings.practice.yeast, entry.at)}")
    if found.rounds >= settings.practice.yeast.rounds and found.volume_ml:
        lines.append(f"  {_sizes(found.volume_ml, settings)}")
    return say_done(args, lines, undo_of(args.wash), wash=args.wash, rounds=found.rounds, kept_ml=args.kept,
                    received=iso(received))  # fmt: skip


def _sizes(volume: float, settings: Settings) -> str:
    from monitor.batches import washing  # noqa: PLC0415 - loaded already

    sizes = washing.jars_for(volume, settings.practice.yeast)
    share = settings.practice.yeast.jar_fill_share * 100
    return f"jars for {volume:.0f} mL, filled to {share:.0f} % at most: {', '.join(f'{each:g} mL' for each in sizes)}"


# --- into jars ---------------------------------------------------------------------------------------------------


def _jar(args: argparse.Namespace) -> int:
    from monitor.batches import shelf  # noqa: PLC0415 - with the science
    from monitor.engine.checks import yeast as checks  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings, anyway=args.anyway)
    wash, harvest = checks.washable(asked, args.wash)
    if not args.jars:
        hint = f" ({_sizes(wash.volume_ml, settings)})" if wash.volume_ml else ""
        raise UsageError("no jar was named", f"NAME=ML for each, such as ale-1=200{hint}")
    at = when_of(args, settings, asked)
    names: list[str] = []
    told = []
    for text in args.jars:
        name, volume, layer = _one(text)
        names.append(free_name(asked.state, name, harvest.strain, names))
        told.append(deed(
            Jarred, at=at, jar=names[-1], strain=harvest.strain, origin="wash", wash=args.wash,
            generation=harvest.generation, volume_ml=volume, layer_ml=layer,
            stored_c=args.stored, fridge=args.fridge,
        ))  # fmt: skip
    entries = checks.filled(asked, told)
    total = sum(each.volume_ml for each in entries)
    received = write(settings, entries)
    lines = [f"{args.wash}: put up as {', '.join(names)}, {total:g} mL in all, {local(entries[0].at, settings)}"]
    if wash.rounds < settings.practice.yeast.rounds:
        lines.append(f"  after {wash.rounds} round{'' if wash.rounds == 1 else 's'}; "
                     f"{settings.practice.yeast.rounds} are usual")  # fmt: skip
    best, discard = shelf.keeps(entries[0], settings.practice.yeast)
    if best is not None and discard is not None:
        lines.append(f"  best by {day(best, settings)}, thrown out by {day(discard, settings)} (common practice)")
    if any(each.layer_ml is None for each in entries):
        lines.append(f"  once it has settled, say how much: leeswatch yeast layer {names[-1]} ML")
    low, high = settings.practice.yeast.store_c
    lines.append(f"  keep them at {low:g} to {high:g} °C, labelled")
    lines += [f"  ! {each}" for each in shelf.CAUTIONS]
    return say_done(args, lines, "; ".join(undo_of(each) for each in names), wash=args.wash, jars=names,
                    received=iso(received))  # fmt: skip


def _one(text: str) -> tuple[str | None, float, float | None]:
    """NAME=ML, ML, or either with /LAYER."""
    name, sign, rest = text.rpartition("=")
    volume, slash, layer = rest.partition("/")
    try:
        millis, settled = millilitres(volume), millilitres(layer) if slash else None
    except argparse.ArgumentTypeError as error:
        raise UsageError(f"{text!r} is no jar", "write NAME=ML, such as ale-1=200, or ale-1=200/60") from error
    return (name if sign else None), millis, settled
