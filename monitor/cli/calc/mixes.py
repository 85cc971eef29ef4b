"""What a mix of sugar and grain should give, and what an addition makes of it."""

from __future__ import annotations

import argparse

from monitor.cli.calc.answer import Answer, Kind, Row
from monitor.cli.calc.options import pair, value
from monitor.science import additions, alcohol, fermentables, forecast, sugar

# --- original ----------------------------------------------------------------------------------------------------


def _original_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--litres", "volume after mixing, litres of liquid", "L", required=True)
    value(parser, "--sugar-kg", "plain sugar (sucrose), kg", "KG", default=0.0)
    parser.add_argument(
        "--sugar", type=pair, action="append", default=[], metavar="NAME=KG",
        help=f"another sugar or syrup, kg; may be repeated. Names: {', '.join(fermentables.SUGARS)}",
    )  # fmt: skip
    parser.add_argument(
        "--grain", type=pair, action="append", default=[], metavar="NAME=KG",
        help=f"a grain, kg as weighed; may be repeated. Names: {', '.join(fermentables.GRAINS)}",
    )  # fmt: skip
    parser.add_argument(
        "--enzymes", choices=("none", "malt", "added"), default="none",
        help="what turns the grain's starch into sugar (default none: then it stays starch)",
    )  # fmt: skip
    value(parser, "--yeast-limit", "strength the yeast bears, % by volume (5 to 25)", "PCT")


def _original(args: argparse.Namespace) -> Answer:
    sugars = _added_up([("sucrose", args.sugar_kg), *args.sugar])
    grains = _added_up(args.grain)
    found = forecast.original(args.litres, sugars, grains, args.enzymes, alcohol_limit_abv=args.yeast_limit)
    rows = [
        Row("og", "original gravity", found.og, "", ".4f", (found.og_low, found.og_high)),
        Row("plato", "the same", found.plato, "°P", ".1f"),
        Row("fg", "where it can end", found.fg, "", ".3f", (found.fg_low, found.fg_high)),
        Row("abv", "alcohol then", found.abv, "% vol", ".1f", (found.abv_low, found.abv_high)),
        Row("extract_kg", "extract, as sucrose", found.extract_kg, "kg", ".2f"),
        Row("extract_from_grain_kg", "of it from grain", found.from_grain_kg, "kg", ".2f"),
        Row("water_l", "water to fill up with", found.water_l, "litres", ".1f"),
    ]
    if found.early_reading is not None:
        rows.append(Row("early_reading", "reading if sugar lies below", found.early_reading, "", ".3f"))
    return Answer(
        f"Original gravity {found.og:.3f} ({found.og_low:.3f} to {found.og_high:.3f}), ending near {found.fg:.3f}.",
        rows,
        cautions=found.notes,
    )


def _added_up(parts: list[tuple[str, float]]) -> dict[str, float]:
    total: dict[str, float] = {}
    for name, kg in parts:
        if kg or name != "sucrose":
            total[name] = total.get(name, 0.0) + kg
    return total


# --- addition ----------------------------------------------------------------------------------------------------


def _addition_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--litres", "volume at the start, litres", "L", required=True)
    value(parser, "--og", "original gravity at the start, SG", "SG", required=True)
    value(parser, "--before", "gravity just before the first step, SG", "SG", required=True)
    parser.add_argument(
        "--step", type=pair, action="append", required=True, metavar="WHAT=AMOUNT",
        help="in order, may be repeated: water=LITRES, lose=LITRES (lees, samples), or a sugar in kg: "
        + ", ".join(fermentables.SUGARS),
    )  # fmt: skip
    value(parser, "--now", "gravity now, SG (left out: as stirred in)", "SG")


def _addition(args: argparse.Namespace) -> Answer:
    steps = [_step(name, amount, args.before) for name, amount in args.step]
    stirred = _stirred(args.litres, args.before, alcohol.abv(args.og, args.before), steps)
    now = args.now if args.now is not None else stirred
    found = additions.balance(args.litres, args.og, steps, now)
    strength = found.strength
    return Answer(
        f"The whole has an original gravity of {found.og:.4f}; stirred in, it should read {stirred:.3f}.",
        [
            Row("og", "original gravity of the whole", found.og, "", ".4f", (found.og_low, found.og_high)),
            Row("stirred_gravity", "reading once stirred in", stirred, "", ".4f"),
            Row("abv", "alcohol now", strength.abv, "% vol", ".1f", (strength.abv_low, strength.abv_high)),
            Row("litres", "volume now", found.litres, "litres", ".1f"),
            Row("alcohol_kg", "pure alcohol now", found.alcohol_kg, "kg", ".2f"),
            Row("extract_kg", "extract given in all", found.extract_kg, "kg", ".2f"),
        ],
        notes=["Less than that at first: sugar lies on the bottom until nothing grates any more."],
    )


def _step(name: str, amount: float, before: float) -> additions.Step:
    if name == "water":
        return additions.AddWater(amount)
    if name == "lose":
        return additions.Lose(amount, before)
    if name not in fermentables.SUGARS:
        raise ValueError(f"a step must be water, lose or one of {', '.join(fermentables.SUGARS)}; it is {name!r}")
    return additions.AddSugar(amount, name)


def _stirred(litres: float, sg: float, abv: float, steps: list[additions.Step]) -> float:
    """What a hydrometer shows after the steps, one by one: alcohol and masses stay, volumes do not."""
    for step in steps:
        if isinstance(step, additions.Lose):
            litres -= step.litres
            continue
        kg = water = 0.0
        if isinstance(step, additions.AddSugar):
            kind = fermentables.sugar_named(step.kind)
            kg = step.kg * kind.solids[0] * kind.weight
            water = step.kg * (1.0 - kind.solids[0])
        elif isinstance(step, additions.AddWater):
            water = step.litres
        after = additions.mixed_gravity(litres, sg, abv, sugar_kg=kg, water_l=water)
        mass = litres * sugar.kg_m3_from_sg(sg) / 1000.0 + kg + water * sugar.kg_m3_from_sg(1.0) / 1000.0
        grown = mass / sugar.kg_m3_from_sg(after) * 1000.0
        litres, sg, abv = grown, after, abv * litres / grown
    return sg


KINDS = (
    Kind(
        "original",
        "What gravity a mix of sugar and grain should start and end at.",
        "--litres 19 --sugar-kg 3 --grain corn=2.3 --enzymes added",
        "Original gravity 1.089 (1.081 to 1.096), ending near 0.988.",
        ("forecast.original", "fermentables.conversion"),
        _original_options,
        _original,
    ),
    Kind(
        "addition",
        "Sugar in steps, water, losses: original gravity and strength of the whole.",
        "--litres 19 --og 1.070 --before 1.020 --step sucrose=1 --now 0.995",
        "The whole has an original gravity of 1.0872; stirred in, it should read 1.039.",
        ("additions.balance", "additions.mixed_gravity"),
        _addition_options,
        _addition,
    ),
)
