"""`leeswatch yeast`: what was seen in a jar or a wash: counts, layers, notes."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.batches.cells import cells, cells_range
from monitor.cli.batch_look import asked_of, deed, when_of
from monitor.cli.common import (
    Commands,
    command,
    iso,
    named,
    number,
    say_done,
    settings_of,
    with_when,
    write,
)
from monitor.cli.yeast_common import millilitres, undo_of
from monitor.model.deeds import JarCounted, JarLayer, Noted
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.shelf import Jar


def add(verbs: Commands) -> None:
    """Add the verbs."""
    count = command(
        verbs, "count", "A count under the microscope: cells in a mL, and how many live.",
        "leeswatch yeast count ale-1 --cells 250 --squares 5 --square-mm 0.2 --dilution 100 --dead 20", _count,
    )  # fmt: skip
    named(count, "jar", "the jar")
    count.add_argument(
        "--cells", type=int, required=True, metavar="N", help="cells in all squares, stained ones included"
    )
    count.add_argument("--squares", type=int, required=True, metavar="N", help="squares counted")
    count.add_argument("--square-mm", type=number, default=0.2, metavar="MM", help="side of a square (default 0.2)")
    count.add_argument("--depth-mm", type=number, default=0.1, metavar="MM", help="depth of the chamber (default 0.1)")
    count.add_argument("--dilution", type=number, default=1.0, metavar="X", help="parts in all for one of sample")
    count.add_argument("--dead", type=int, metavar="N", help="stained (dead) ones among them")
    count.add_argument("--shaken", action="store_true", help="the sample is of the jar shaken up, not of its layer")
    with_when(count, "when it was looked at")

    layer = command(
        verbs, "layer", "How much of what is left in a jar is settled yeast.", "leeswatch yeast layer ale-1 60", _layer
    )
    named(layer, "jar", "the jar")
    layer.add_argument("ml", type=millilitres, metavar="ML", help="settled yeast, mL")
    with_when(layer, "when it was looked at")

    note = command(
        verbs, "note", "Keep words about a wash or a jar.", "leeswatch yeast note ale-1 'settles badly'", _note
    )
    named(note, "name", "the wash or the jar")
    note.add_argument("text", metavar="TEXT", help="the words")
    note.add_argument("--off-smell", action="store_true", help="it smells off: it is not for keeping")
    with_when(note)


def _count(args: argparse.Namespace) -> int:
    from monitor.engine.checks import jars as checks  # noqa: PLC0415 - with the science

    settings = settings_of(args)
    asked = asked_of(settings)
    words = _cells(args, checks.jar_there(asked, args.jar))
    told = deed(JarCounted, at=when_of(args, settings, asked), jar=args.jar, **words)
    received = write(settings, [checks.seen(asked, told)])
    return say_done(args, _counted(args, words), undo_of(args.jar), jar=args.jar, received=iso(received), **words)


def _layer(args: argparse.Namespace) -> int:
    from monitor.engine.checks import jars as checks  # noqa: PLC0415 - as above

    settings = settings_of(args)
    asked = asked_of(settings)
    told = deed(JarLayer, at=when_of(args, settings, asked), jar=args.jar, layer_ml=args.ml)
    entry, left = checks.layer_seen(asked, told), checks.jar_there(asked, args.jar).left_ml
    received = write(settings, [entry])
    lines = [f"{args.jar}: {args.ml:g} of {left:.0f} mL are settled yeast"]
    return say_done(args, lines, undo_of(args.jar), jar=args.jar, layer_ml=args.ml, received=iso(received))


def _cells(args: argparse.Namespace, jar: Jar) -> dict[str, float | None]:
    """What a count says, in mL of the settled layer; UsageError with what cannot be."""
    from monitor.science import yeast  # noqa: PLC0415 - with the science

    try:
        found = yeast.count(
            args.cells, args.squares, args.square_mm, args.depth_mm, dilution=args.dilution, dead=args.dead
        )
    except ValueError as error:
        raise UsageError(str(error), "leeswatch yeast count --help") from error
    if found.cells_per_ml.usual <= 0:
        raise UsageError("no cell was seen", "dilute less, or count more squares")
    times = 1.0
    if args.shaken:
        if not jar.layer_share:
            raise UsageError(f"the layer in {args.jar} was never told", f"leeswatch yeast layer {args.jar} ML")
        times = 1.0 / jar.layer_share
    dense, alive = found.cells_per_ml, found.viability
    return {
        "cells_per_ml": dense.usual * times, "cells_low": dense.low * times, "cells_high": dense.high * times,
        "viability": alive.usual if alive else None, "viability_low": alive.low if alive else None,
        "viability_high": alive.high if alive else None,
    }  # fmt: skip


def _counted(args: argparse.Namespace, found: dict[str, float | None]) -> list[str]:
    from monitor.science import yeast  # noqa: PLC0415 - loaded already
    from monitor.science.limits import Estimate  # noqa: PLC0415

    alive = ""
    if found["viability"] is not None:
        alive = f", {found['viability']:.0f} ({found['viability_low']:.0f} to {found['viability_high']:.0f}) % alive"
    dense = cells_range(Estimate(*(found[key] or 0.0 for key in ("cells_per_ml", "cells_low", "cells_high"))))
    lines = [f"{args.jar}: {dense} cells in a mL of its layer{alive}"]
    if not args.shaken:
        lines.append("  reckoned as counted in its settled layer; of a sample of the jar shaken up, say --shaken")
    if (found["cells_per_ml"] or 0.0) > 3.0 * yeast.SLURRY["thick"].high:
        lines.append(f"  ! more than yeast settled hard ever holds, about {cells(yeast.SLURRY['thick'].usual)} (common "
                     "practice): check dilution, squares and depth")  # fmt: skip
    if args.cells < 100:
        lines.append("  ! fewer than 100 cells: count more squares")
    lines.append("  the ranges hold the chance of counting alone; pipetting and clumps add some 10 % (from memory)")
    return lines


def _note(args: argparse.Namespace) -> int:
    from monitor.engine.checks import batch as checks  # noqa: PLC0415 - as above

    settings = settings_of(args)
    asked = asked_of(settings)
    kind = "jar" if f"jar:{args.name}" in asked.state.records else "wash"
    told = deed(
        Noted, at=when_of(args, settings, asked), about=f"{kind}:{args.name}", text=args.text,
        sort="off-smell" if args.off_smell else "note",
    )  # fmt: skip
    received = write(settings, [checks.noted(asked, told)])
    lines = [f"{args.name}: {'smells off, ' if args.off_smell else ''}noted"]
    if args.off_smell:
        lines.append("  what smells off is nothing to pitch or to keep")
    return say_done(args, lines, undo_of(args.name), name=args.name, received=iso(received))
