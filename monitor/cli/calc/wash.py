"""Gravity, strength, freezing."""

from __future__ import annotations

import argparse

from rich.table import Table

from monitor.cli.calc.answer import Answer, Kind, Row, written
from monitor.cli.calc.options import at, value
from monitor.science import alcohol, freezing, gravity, sugar

# --- gravity -----------------------------------------------------------------------------------------------------


def _gravity_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--reading", "what the scale shows, SG (0.950 to 1.210)", "SG", required=True)
    at(parser, "--at", "temperature of the liquid, 0 to 40", required=True)
    at(parser, "--calibrated", "temperature the scale is made for, often 20, 15 or 60F", default=20.0)
    value(parser, "--abv", "alcohol in it, % by volume, if known (0 to 25)", "PCT")


def _gravity(args: argparse.Namespace) -> Answer:
    sg = gravity.hydrometer_sg(args.reading, args.at, args.calibrated, abv=args.abv)
    half = alcohol.Z_90 * gravity.hydrometer_error(args.reading, args.at, args.calibrated, abv=args.abv)
    low, high = max(sugar.SG_LOW, sg - half), min(sugar.SG_HIGH, sg + half)
    platos = sugar.plato_from_sg(low), sugar.plato_from_sg(high)
    notes = ["The range holds one graduation of 0.001, half a kelvin, the glass" +
             (", and the alcohol that was not told." if args.abv is None else ".")]  # fmt: skip
    if sg < 1.0:
        notes.append("Below 1.000 the extract is an apparent one: alcohol hides what is left.")
    return Answer(
        f"Gravity {sg:.4f} at 20 °C ({low:.4f} to {high:.4f}), {sugar.plato_from_sg(sg):.2f} °P.",
        [
            Row("sg", "gravity, SG 20/20", sg, "", ".4f", (low, high)),
            Row("plato", "extract (apparent)", sugar.plato_from_sg(sg), "°P", ".2f", platos),
            Row("correction", "correction", sg - args.reading, "", "+.4f"),
            Row("density_kg_m3", "density at its temperature", gravity.density_at(sg, args.at, args.abv), "kg/m³",
                ".2f"),
        ],
        notes=notes,
    )  # fmt: skip


# --- plato -------------------------------------------------------------------------------------------------------


def _plato_options(parser: argparse.ArgumentParser) -> None:
    given = parser.add_mutually_exclusive_group(required=True)
    value(given, "--sg", "gravity, SG 20/20 (0.960 to 1.200)", "SG")
    value(given, "--plato", "extract, °P (-10 to 43; below 0 for a dry wash)", "P")
    value(given, "--kg-m3", "density at 20 °C, kg/m³", "D")


def _plato(args: argparse.Namespace) -> Answer:
    if args.plato is not None:
        sg = sugar.sg_from_plato(args.plato)
    elif args.kg_m3 is not None:
        sg = sugar.sg_from_kg_m3(args.kg_m3)
    else:
        sg = args.sg
    plato = sugar.plato_from_sg(sg)
    rows = [
        Row("sg", "gravity in air, SG 20/20", sg, "", ".4f"),
        Row("plato", "extract", plato, "°P", ".2f"),
        Row("kg_m3", "density at 20 °C", sugar.kg_m3_from_sg(sg), "kg/m³", ".2f"),
        Row("sg_in_vacuo", "gravity in vacuo, SG 20/20", sugar.true_from_apparent(sg), "", ".5f"),
    ]
    if plato >= 0.0:
        rows.append(Row("g_l", "sugar in it, as sucrose", sugar.g_l_from_plato(plato), "g/L", ".1f"))
    return Answer(f"SG {sg:.4f} is {plato:.2f} °P.", rows)


# --- alcohol -----------------------------------------------------------------------------------------------------


def _alcohol_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--og", "original gravity, SG (1.001 to 1.200)", "SG", required=True)
    value(parser, "--fg", "gravity now, SG (0.960 to 1.200)", "SG", required=True)
    value(parser, "--og-error", "standard error of the original gravity", "E", default=0.001)
    value(parser, "--fg-error", "standard error of the gravity now", "E", default=0.001)


def _alcohol(args: argparse.Namespace) -> Answer:
    found = alcohol.alcohol(args.og, args.fg, og_error=args.og_error, fg_error=args.fg_error)
    table = Table("ABV by other methods", "% vol", box=None, pad_edge=False, header_style="dim")
    for name, abv in found.methods[1:]:
        table.add_row(name, f"{abv:.2f}")
    return Answer(
        f"{found.abv:.1f} % by volume ({found.abv_low:.1f} to {found.abv_high:.1f}).",
        [
            Row("abv", "alcohol by volume", found.abv, "%", ".2f", (found.abv_low, found.abv_high)),
            Row("abw", "alcohol by mass", found.abw, "%", ".2f"),
            Row("real_extract", "extract truly left", found.real_extract, "°P", ".2f"),
            Row("apparent_attenuation", "apparent attenuation", found.apparent_attenuation, "%", ".1f"),
            Row("real_attenuation", "real attenuation", found.real_attenuation, "%", ".1f"),
        ],
        notes=["Apparent attenuation over 100 % is usual for sugar washes that end below 1.000."],
        extra={"methods": {name: round(abv, 4) for name, abv in found.methods}},
        tables=[table],
    )


# --- freezing ----------------------------------------------------------------------------------------------------


def _freezing_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--abv", "alcohol, % by volume (0 to 80; to 25 with --sg)", "PCT", required=True)
    value(parser, "--sg", "gravity, SG, for what extract remains (left out: ethanol and water only)", "SG")


def _freezing(args: argparse.Namespace) -> Answer:
    found = freezing.freezing(args.abv, args.sg)
    table = Table(
        "rule of thumb", "it says, °C", "handbook, °C", "off by, K", box=None, pad_edge=False, header_style="dim"
    )
    rules = freezing.rules_of_thumb()
    for rule in rules:
        off = f"{rule.off_k:+.1f} ({rule.off_most_k:+.1f})"
        table.add_row(f"{rule.abv:.0f} % vol", f"{rule.rule_c:.0f}", f"{rule.handbook.point_c:.1f}", off)
    return Answer(
        f"Ice begins at {found.point_c:.1f} °C; count on {written(found.high_c, '.1f')} °C.",
        [
            Row("freezing_c", "freezing point", found.point_c, "°C", ".1f", (found.low_c, found.high_c),
                "freezing_range"),
        ],
        cautions=[
            "Ice bursts glass, and a wash may stay liquid below this and then freeze at once: keep glass out of "
            f"anything that can fall below {written(found.high_c, '.1f')} °C, its coldest corner included.",
        ],
        notes=[
            "What freezes first under a fridge's load is the most watery thing in it: yeast under plain water at 0 °C.",
            "The rule of thumb is common practice without a source. Off by less than nothing: ice comes sooner than it "
            "promises. In brackets: against the cautious end of the handbooks' range.",
        ],
        extra={
            "rule_of_thumb": [
                {"abv": rule.abv, "says_c": rule.rule_c, "handbook_c": round(rule.handbook.point_c, 2),
                 "off_by_k": round(rule.off_k, 2), "off_at_worst_k": round(rule.off_most_k, 2), "unsafe": rule.unsafe}
                for rule in rules
            ],
        },
        tables=[table],
    )  # fmt: skip


KINDS = (
    Kind(
        "gravity",
        "A hydrometer's reading at another temperature, corrected to SG 20/20.",
        "--reading 1.094 --at 5 --calibrated 20",
        "Gravity 1.0907 at 20 °C (1.0885 to 1.0930), 21.72 °P.",
        ("gravity.sg_at_20", "gravity.hydrometer_sg", "gravity.hydrometer_error", "sugar.plato_from_sg"),
        _gravity_options,
        _gravity,
    ),
    Kind(
        "plato",
        "Gravity, °Plato and density, each from one of the others.",
        "--sg 1.048",
        "SG 1.0480 is 11.91 °P.",
        ("sugar.plato_from_sg", "sugar.sg_from_plato", "sugar.sg_from_kg_m3", "sugar.true_from_apparent"),
        _plato_options,
        _plato,
    ),
    Kind(
        "alcohol",
        "Strength and attenuation from two gravities.",
        "--og 1.094 --fg 1.000",
        "12.7 % by volume (12.2 to 13.2).",
        ("alcohol.abv", "alcohol.alcohol", "alcohol.abv_by_density", "alcohol.abv_by_fit"),
        _alcohol_options,
        _alcohol,
    ),
    Kind(
        "freezing",
        "Where a wash begins to freeze.",
        "--abv 12.5 --sg 1.000",
        "Ice begins at -4.9 °C; count on -4.2 °C.",
        ("freezing.freezing", "freezing.rules_of_thumb"),
        _freezing_options,
        _freezing,
    ),
)
