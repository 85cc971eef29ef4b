"""Yeast: how much, counting it, keeping it, growing it."""

from __future__ import annotations

import argparse

from monitor.cli.calc.answer import Answer, Kind, Row, spread, written
from monitor.cli.calc.options import at, value, whole
from monitor.model.errors import UsageError
from monitor.science import growth, yeast
from monitor.science.limits import Estimate

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
        f"{written(cells.usual, 'big')} living cells ({written(cells.low, 'big')} to {written(cells.high, 'big')}).",
        [
            spread("cells", "living cells wanted", cells, "", "big"),
            Row("cells_per_ml", "in each mL of wash", found.per_ml, "", "big"),
            spread("slurry_ml", "as thick slurry, 90 % alive", yeast.slurry_ml(cells.usual, _FRESH,
                   yeast.SLURRY["thick"]), "mL", ".0f"),
            spread("dried_g", "as dried yeast", yeast.dried_grams(cells.usual), "g", ".0f"),
        ],
        cautions=cautions,
        notes=[
            "Slurry of 1.0 to 1.5 thousand million cells a mL, 80 to 95 % alive, and 5 to 20 thousand million in a "
            "gram of dried yeast are common practice without a source: a count is better, a packet's own word too.",
        ],
    )  # fmt: skip


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
            Row("cells", "for living cells", wanted, "", "big"),
            spread("viability", "alive", alive, "%", ".0f"),
            spread("cells_per_ml", "cells in a mL", dense, "", "big"),
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
    rows = [spread("cells_per_ml", "cells in a mL", found.cells_per_ml, "", "big")]
    told = f"{written(found.cells_per_ml.usual, 'big')} cells in a mL"
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
    value(parser, "--start", "per cent alive when it was put away", "PCT", default=95.0)
    parser.add_argument("--generation", type=whole, default=1, metavar="N", help="how often pitched (default 1)")


def _storage(args: argparse.Namespace) -> Answer:
    found = yeast.stored(args.days, args.at, args.start)
    advice = yeast.keeping(args.generation, args.days, found.viability.usual)
    told = {"pitch": "Good to pitch", "wake": "Wake it in a starter first", "discard": "Throw it out"}
    alive = found.viability
    return Answer(
        f"{told[advice.advice]}: about {alive.usual:.0f} % alive ({alive.low:.0f} to {alive.high:.0f}).",
        [
            spread("viability", "alive", alive, "%", ".0f"),
            Row("advice", "by common practice", advice.advice),
        ],
        cautions=[
            *([_BEYOND] if found.extrapolated else []),
            "Keep the lid loose: stored yeast still makes gas.",
        ],
        notes=[
            *(f"Because {reason}." for reason in advice.because),
            "Limits of age and generation are common practice without a source; nose and microscope overrule them.",
        ],
        extra={"extrapolated": found.extrapolated, "because": list(advice.because)},
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
        f"{written(found.cells.usual, 'big')} cells ({written(found.cells.low, 'big')} to "
        f"{written(found.cells.high, 'big')}), {found.cells.usual / args.cells:.1f} times as many.",
        [
            spread("cells", "cells at the end", found.cells, "", "big"),
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
        "4.26 × 10¹¹ living cells (3.20 × 10¹¹ to 6.40 × 10¹¹).",
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
        "1.25 × 10⁹ cells in a mL, 90 % alive.",
        ("limits.poisson", "limits.binomial", "yeast.count"),
        _count_options,
        _count,
    ),
    Kind(
        "storage",
        "How much of a stored jar of yeast lives, and whether it is worth keeping.",
        "--days 10 --at 4 --generation 3",
        "Wake it in a starter first: about 77 % alive (58 to 87).",
        ("yeast.stored", "yeast.keeping"),
        _storage_options,
        _storage,
    ),
    Kind(
        "starter",
        "What a starter grows to, and in what time.",
        "--litres 1 --sg 1.040 --cells 5e10",
        "1.42 × 10¹¹ cells (1.06 × 10¹¹ to 2.00 × 10¹¹), 2.8 times as many.",
        ("growth.starter", "growth.growth_rate", "growth.logistic"),
        _starter_options,
        _starter,
    ),
)
