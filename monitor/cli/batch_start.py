"""`leeswatch batch start`: a batch was pitched; what its ingredients should give."""

from __future__ import annotations

import argparse
from typing import Any

from monitor.cli.batch_look import asked_of, undo
from monitor.cli.common import (
    Commands,
    command,
    iso,
    litres,
    local,
    moment,
    named,
    number,
    pair,
    say_done,
    settings_of,
    write,
)
from monitor.model.config import Batch
from monitor.model.inputs import BatchStarted


def add(verbs: Commands) -> None:
    """Add the verb."""
    start = command(
        verbs, "start", "A batch was pitched; with its ingredients its original gravity is forecast.",
        "leeswatch batch start amber-1 --vessel bucket-a --litres 19 --sugar sucrose=3 --grain corn=2.3 "
        "--enzymes added --range 18 26", _start,
    )  # fmt: skip
    named(start, about="its name: a-z, 0-9, dot, dash and underscore")
    start.add_argument("--vessel", required=True, metavar="VESSEL", help="the vessel it is in")
    start.add_argument("--pitched", metavar="T", help="when the yeast went in (default: now)")
    start.add_argument("--litres", type=litres, metavar="L", help="how much of it there is, all mixed")
    start.add_argument("--sugar", type=pair, action="append", default=[], metavar="NAME=KG",
                       help="sugar or syrup, kg; may be repeated (names: leeswatch calc original --help)")  # fmt: skip
    start.add_argument("--grain", type=pair, action="append", default=[], metavar="NAME=KG",
                       help="grain, kg as weighed; may be repeated")  # fmt: skip
    start.add_argument("--enzymes", choices=("none", "malt", "added"), default="none",
                       help="what turns the grain's starch into sugar (default none: it stays starch)")  # fmt: skip
    start.add_argument("--og", type=number, metavar="SG", help="original gravity as you measured it")
    start.add_argument("--final", type=number, metavar="SG", help="where it should end, if you know")
    start.add_argument("--yeast", metavar="NAME", help="a name of yours for the yeast")
    start.add_argument("--range", type=number, nargs=2, metavar=("LOW", "HIGH"), help="what the yeast likes, °C")
    start.add_argument("--limit", type=number, metavar="PCT", help="strength the yeast bears, per cent by volume")
    start.add_argument("--recipe", metavar="NAME", help="batches of one recipe tell each other where they end")
    start.add_argument("--jar", action="append", default=[], metavar="JAR", help="a jar of the shelf that was pitched")


def _start(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - the engine, where a deed is told only

    settings = settings_of(args)
    asked = asked_of(settings)
    pitched = asked.now_ms if args.pitched is None else moment(args.pitched, settings)
    entry = checks.started(asked, BatchStarted(batch=_told(args, pitched)))
    said, figures = _forecast(Batch.model_validate(entry.batch))
    lines = [f"{args.name}: pitched in {args.vessel}, {local(pitched, settings)}", *said]
    received = write(settings, [entry])
    return say_done(args, lines, undo(args.name), batch=args.name, received=iso(received), forecast=figures)


def _told(args: argparse.Namespace, pitched: int) -> dict[str, Any]:
    sugars, grains = _added_up(args.sugar), _added_up(args.grain)
    mix = {"sugar_kg": sugars, "grain_kg": grains, "enzymes": args.enzymes} if sugars or grains else None
    told = {
        "name": args.name, "vessel": args.vessel, "pitched": iso(pitched), "original_gravity": args.og,
        "expected_final": args.final, "yeast": args.yeast, "yeast_range_c": args.range, "alcohol_limit_abv": args.limit,
        "recipe": args.recipe, "volume_l": args.litres, "ingredients": mix, "jars": args.jar or None,
    }  # fmt: skip
    return {key: value for key, value in told.items() if value is not None}


def _added_up(parts: list[tuple[str, float]]) -> dict[str, float]:
    total: dict[str, float] = {}
    for name, kilograms in parts:
        total[name] = total.get(name, 0.0) + kilograms
    return total


def _forecast(batch: Batch) -> tuple[list[str], dict[str, Any] | None]:
    """What its ingredients should give, in words and figures, and that nobody has read it yet."""
    if batch.ingredients is None:
        return ([] if batch.volume_l else [f"  {_NO_VOLUME}"]), None
    from monitor.science import forecast  # noqa: PLC0415 - only where there are ingredients

    mix = batch.ingredients
    assert batch.volume_l is not None  # or it was refused
    found = forecast.original(
        batch.volume_l, mix.sugar_kg, mix.grain_kg, mix.enzymes, alcohol_limit_abv=batch.alcohol_limit_abv
    )
    told = (
        f"you measured {batch.original_gravity:.4f}, and that counts" if batch.original_gravity is not None
        else "that is a forecast, not a reading: it stands in until a hydrometer or a probe reads the original gravity"
    )  # fmt: skip
    lines = [
        f"  original gravity {found.og:.3f} by what went in ({found.og_low:.3f} to {found.og_high:.3f})",
        f"  {told}",
        f"  it may end near {found.fg:.3f} ({found.fg_low:.3f} to {found.fg_high:.3f}), "
        f"{found.abv:.1f} % by volume ({found.abv_low:.1f} to {found.abv_high:.1f})",
        *(f"  {note}" for note in found.notes),
    ]
    figures = {"og": (found.og, found.og_low, found.og_high), "final": (found.fg, found.fg_low, found.fg_high),
               "abv": (found.abv, found.abv_low, found.abv_high)}  # fmt: skip
    ranges = {f"{name}_range": [round(low, 4), round(high, 4)] for name, (_, low, high) in figures.items()}
    return lines, {name: round(value, 4) for name, (value, _, _) in figures.items()} | ranges


_NO_VOLUME = "how much it is was not said (--litres): the strength after additions and what racking leaves need that"
