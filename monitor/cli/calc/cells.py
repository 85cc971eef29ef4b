"""Yeast: how much, counting it, keeping it, growing it."""

from __future__ import annotations

import argparse
from pathlib import Path

from monitor.batches import shelf
from monitor.batches.cells import between, cells_range
from monitor.cli.calc.answer import CELLS, Answer, Kind, Row, spread, written
from monitor.cli.calc.options import at, value, whole
from monitor.model.clock import DAY
from monitor.model.config import YeastPractice
from monitor.model.deeds import JarCounted, Jarred
from monitor.model.errors import UsageError
from monitor.science import growth, yeast
from monitor.science.limits import Estimate
from monitor.settings import load_settings

_FRESH = Estimate(90.0, 80.0, 95.0)
"""Per cent alive in a good slurry of a few days: common practice, no source."""


# --- pitch -------------------------------------------------------------------------------------------------------


def _pitch_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--litres", "volume of the batch, litres", "L", required=True)
    value(parser, "--og", "original gravity, SG (1.001 to 1.200)", "SG", required=True)
    parser.add_argument(
        "--kind", choices=tuple(yeast.PITCH_RATES), default="usual",
        help="usual (1.0 million cells a mL and °P), ale (0.75) or lager (1.5)",
    )  # fmt: skip


def _pitch(args: argparse.Namespace) -> Answer:
    found = yeast.pitch(args.litres, args.og, args.kind)
    cells = found.cells
    cautions = []
    if args.og > 1.080:
        cautions.append(
            "The rule was made for worts to about 1.080; above, take the upper end, and see to nutrients: sugar "
            "alone feeds no yeast (common practice, no source)."
        )
    return Answer(
        f"{cells_range(cells)} living cells.",
        [
            spread("cells", "living cells wanted", cells, "", CELLS),
            Row("cells_per_ml", "in each mL of wash", found.per_ml, "", CELLS),
            spread("slurry_ml", "as thick slurry, 90 % alive", yeast.slurry_ml(cells.usual, _FRESH,
                   yeast.SLURRY["thick"]), "mL", ".0f"),
            spread("dried_g", "as dried yeast", yeast.dried_grams(cells.usual), "g", ".0f"),
        ],
        cautions=cautions,
        notes=[
            f"Slurry of {_many(yeast.SLURRY['thick'])} cells a mL, 80 to 95 % alive, and {_many(yeast.DRIED)} in a "
            "gram of dried yeast are common practice without a source: a count is better, a packet's own word too.",
        ],
    )  # fmt: skip


def _many(found: Estimate) -> str:
    return between(found.low, found.high)


# --- slurry ------------------------------------------------------------------------------------------------------


def _slurry_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--cells", "living cells wanted, such as 4.3e11 (or tell the batch)", "N")
    value(parser, "--litres", "volume of the batch, litres", "L")
    value(parser, "--og", "original gravity, SG", "SG")
    value(parser, "--viability", "per cent alive, if counted (else by age and temperature)", "PCT")
    value(parser, "--days", "days in the cold", "D", default=0.0)
    at(parser, "--at", "temperature it stood at, 0 to 25", default=4.0)
    parser.add_argument(
        "--thickness", choices=tuple(yeast.SLURRY), default="thick", help="thick (settled hard) or loose (pours freely)"
    )
    value(parser, "--cells-per-ml", "cells in a mL, if counted", "N")


def _slurry(args: argparse.Namespace) -> Answer:
    wanted = _wanted(args)
    extrapolated = False
    if args.viability is not None:
        alive = Estimate(args.viability, args.viability, args.viability)
    else:
        kept = yeast.stored(args.days, args.at)
        extrapolated = kept.extrapolated
        alive = Estimate(kept.viability.usual, max(0.01, kept.viability.low), kept.viability.high)
    dense = yeast.SLURRY[args.thickness]
    if args.cells_per_ml is not None:
        dense = Estimate(args.cells_per_ml, args.cells_per_ml, args.cells_per_ml)
    volume = yeast.slurry_ml(wanted, alive, dense)
    return Answer(
        f"{volume.usual:.0f} mL of slurry ({volume.low:.0f} to {volume.high:.0f}).",
        [
            spread("slurry_ml", "slurry", volume, "mL", ".0f"),
            Row("cells", "for living cells", wanted, "", CELLS),
            spread("viability", "alive", alive, "%", ".0f"),
            spread("cells_per_ml", "cells in a mL", dense, "", CELLS),
        ],
        cautions=[_BEYOND] if extrapolated else [],
        notes=["Cells in a mL of slurry are common practice without a source unless you counted them."],
        extra={"extrapolated": extrapolated},
    )


_BEYOND = (
    f"What is published about cold storage ends at {yeast.PUBLISHED_DAYS:.0f} days. Beyond, this is extrapolated and "
    "wide: count it, or wake it in a starter and see."
)


def _wanted(args: argparse.Namespace) -> float:
    if args.cells is not None:
        return float(args.cells)
    if args.litres is None or args.og is None:
        raise UsageError("how many cells are wanted is not told", "give --cells, or --litres and --og of the batch")
    return yeast.pitch(args.litres, args.og).cells.usual


# --- count -------------------------------------------------------------------------------------------------------


def _count_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--cells", type=whole, required=True, metavar="N", help="cells counted in all squares, stained ones included"
    )
    parser.add_argument("--squares", type=whole, required=True, metavar="N", help="squares counted")
    value(parser, "--square-mm", "side of one square, mm (0.2, 0.05 or 1)", "MM", required=True)
    value(parser, "--depth-mm", "depth of the chamber, mm", "MM", default=0.1)
    value(parser, "--dilution", "parts in all for one part of sample", "X", default=1.0)
    parser.add_argument("--dead", type=whole, metavar="N", help="stained (dead) ones among them")
    value(parser, "--confidence", "confidence of the ranges, %", "PCT", default=90.0)


def _count(args: argparse.Namespace) -> Answer:
    found = yeast.count(
        args.cells, args.squares, args.square_mm, args.depth_mm,
        dilution=args.dilution, dead=args.dead, confidence=args.confidence,
    )  # fmt: skip
    rows = [spread("cells_per_ml", "cells in a mL", found.cells_per_ml, "", CELLS)]
    told = f"{written(found.cells_per_ml.usual, CELLS)} cells in a mL"
    if found.viability is None:
        rows.append(Row("viability", "alive", None))
    else:
        rows.append(spread("viability", "alive", found.viability, "%", ".1f"))
        told += f", {found.viability.usual:.0f} % alive"
    return Answer(
        f"{told}.",
        rows,
        cautions=["Fewer than 100 cells: count more squares."] if args.cells < 100 else [],
        notes=[
            f"The ranges ({args.confidence:g} %) hold the chance of counting alone: exact Poisson and binomial limits. "
            "Pipetting, clumps and the chamber's depth add some 10 % (from memory).",
        ],
    )


# --- storage -----------------------------------------------------------------------------------------------------


def _storage_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--days", "days since it was put away, 0 to 180", "D", required=True)
    at(parser, "--at", "temperature it stands at, 0 to 25", default=4.0)
    value(parser, "--start", "per cent alive when it was put away, if counted (else 90 to 98)", "PCT")
    parser.add_argument("--generation", type=whole, default=1, metavar="N", help="how often pitched (default 1)")
    parser.add_argument(
        "--config", type=Path, metavar="FILE", help="go by the figures under [practice.yeast] of this configuration"
    )


def _storage(args: argparse.Namespace) -> Answer:
    """The shelf's own judgement, of a jar that was put up so many days ago."""
    found = yeast.stored(args.days, args.at, shelf.START.usual if args.start is None else args.start)
    if not 0 <= args.generation <= 100:
        raise UsageError(f"--generation {args.generation} cannot be", "give 0 (a packet) to 100")
    practice = YeastPractice() if args.config is None else load_settings(args.config).practice.yeast
    made = Jarred(
        at=0, received=0, jar="jar", strain="yeast", origin="given", generation=args.generation, volume_ml=250.0,
        stored_c=args.at,
    )  # fmt: skip
    told = (
        [] if args.start is None else [JarCounted(at=0, received=1, jar="jar", cells_per_ml=1e9, viability=args.start)]
    )
    jar = shelf.jar("jar", [made, *told], practice, round(args.days * DAY))
    assert jar is not None
    alive = jar.viability
    assert alive is not None
    said = shelf.SAID[jar.advice]
    best, out = (each / 86_400 for each in (practice.best_within, practice.discard_after))
    whose = "the defaults" if args.config is None else "from --config"
    return Answer(
        f"{said[0].upper()}{said[1:]}: about {alive.usual:.0f} % alive ({alive.low:.0f} to {alive.high:.0f}).",
        [
            spread("viability", "alive", alive, "%", ".0f"),
            Row("advice", "by common practice", jar.advice),
        ],
        cautions=[
            *([_BEYOND] if found.extrapolated else []),
            "Keep the lid loose: stored yeast still makes gas.",
        ],
        notes=[
            *(f"Because {reason}." for reason in jar.because),
            f"As `yeast shelf` judges a jar of your own: best within {best:.0f} days, thrown out after {out:.0f}, at "
            f"most generation {practice.most_generations} ({whose}); "
            "common practice without a source, yours to set under [practice.yeast]. Nose and microscope overrule it.",
        ],
        extra={"extrapolated": found.extrapolated, "because": list(jar.because)},
    )


# --- starter -----------------------------------------------------------------------------------------------------


def _starter_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--litres", "volume of the starter, litres", "L", required=True)
    value(parser, "--sg", "its gravity, SG (1.005 to 1.120; about 1.040 is usual)", "SG", default=1.040)
    value(parser, "--cells", "living cells put in, such as 5e10", "N", required=True)
    at(parser, "--at", "temperature, 0 to 45", default=22.0)
    value(parser, "--fermentable", "share of its extract that ferments (malt 0.67, sugar 1)", "X", default=0.67)


def _starter(args: argparse.Namespace) -> Answer:
    found = growth.starter(args.litres, args.sg, args.cells, args.at, args.fermentable)
    stops = {
        "sugar": "Its sugar ends it.",
        "room": "Crowding ends it.",
        "reserves": "Few cells end it, having divided as often as their reserves allow: begin with more, or give air.",
    }
    return Answer(
        f"{cells_range(found.cells)} cells, {found.cells.usual / args.cells:.1f} times as many.",
        [
            spread("cells", "cells at the end", found.cells, "", CELLS),
            spread("hours", "until 95 % are there", found.hours, "h", ".0f"),
            Row("limited_by", "what ends it", found.limited_by),
        ],
        notes=[
            stops[found.limited_by],
            "Hours begin when growth begins; the lag before is left out. A factor of two either way is ordinary.",
        ],
    )


KINDS = (
    Kind(
        "pitch",
        "How many cells a batch wants.",
        "--litres 19 --og 1.094",
        "426 (320 to 640) billion (10⁹) living cells.",
        ("yeast.pitch", "yeast.slurry_ml", "yeast.dried_grams"),
        _pitch_options,
        _pitch,
    ),
    Kind(
        "slurry",
        "How much slurry holds the cells that are wanted.",
        "--litres 19 --og 1.060 --days 5 --at 4",
        "273 mL of slurry (207 to 363).",
        ("yeast.stored", "yeast.slurry_ml", "yeast.pitch"),
        _slurry_options,
        _slurry,
    ),
    Kind(
        "count",
        "Cells in a mL and how many live, from a counting chamber.",
        "--cells 250 --squares 5 --square-mm 0.2 --depth-mm 0.1 --dilution 100 --dead 25",
        "1.25 billion (10⁹) cells in a mL, 90 % alive.",
        ("limits.poisson", "limits.binomial", "yeast.count"),
        _count_options,
        _count,
    ),
    Kind(
        "storage",
        "How much of a stored jar of yeast lives, and whether it is worth keeping.",
        "--days 10 --at 4 --generation 3",
        "Pitch it: about 77 % alive (55 to 90).",
        ("yeast.stored",),
        _storage_options,
        _storage,
    ),
    Kind(
        "starter",
        "What a starter grows to, and in what time.",
        "--litres 1 --sg 1.040 --cells 5e10",
        "142 (106 to 200) billion (10⁹) cells, 2.8 times as many.",
        ("growth.starter", "growth.growth_rate", "growth.logistic"),
        _starter_options,
        _starter,
    ),
)
