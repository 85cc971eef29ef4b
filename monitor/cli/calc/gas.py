"""Carbon dioxide: from a batch, in a room, in a closed vessel."""

from __future__ import annotations

import argparse
import math

from monitor.cli.calc.answer import Answer, Kind, Row
from monitor.cli.calc.options import at, value
from monitor.model.errors import UsageError
from monitor.science import carbon, sealing


def _batch_options(parser: argparse.ArgumentParser, *, required: bool) -> None:
    value(parser, "--litres", "volume of the batch, litres", "L", required=required)
    value(parser, "--og", "original gravity, SG", "SG", required=required)
    value(parser, "--fg", "where it ends, SG", "SG", required=required)
    at(parser, "--at", "temperature, 0 to 40", default=20.0)


# --- gas ---------------------------------------------------------------------------------------------------------


def _gas_options(parser: argparse.ArgumentParser) -> None:
    _batch_options(parser, required=True)


def _gas(args: argparse.Namespace) -> Answer:
    made = carbon.made(args.litres, args.og, args.fg, args.at)
    peak = carbon.rate(args.litres, carbon.peak_points_per_day(args.og, args.fg), args.at)
    return Answer(
        f"{made.grams / 1000.0:.2f} kg of carbon dioxide, {made.gas_litres:.0f} litres of gas; at its fastest about "
        f"{peak.litres_per_hour:.0f} litres an hour.",
        [
            Row("co2_g", "carbon dioxide", made.grams, "g", ".0f", (made.grams_low, made.grams_high)),
            Row("gas_l", "as gas", made.gas_litres, "litres", ".0f"),
            Row("peak_g_per_h", "on its fastest day", peak.grams_per_hour, "g/h", ".1f"),
            Row("peak_l_per_h", "the same as gas", peak.litres_per_hour, "L/h", ".1f"),
        ],
        cautions=["It is heavier than air and has no smell: air the room before you bend over a vessel."],
        notes=["The fastest day is taken as a third of the whole fall: common practice, no source."],
    )


# --- room --------------------------------------------------------------------------------------------------------


def _room_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--room-m3", "volume of the room, m³", "V", required=True)
    value(parser, "--air-changes", "times an hour that its air is renewed (a tight cellar 0.1 or less)", "N",
          required=True)  # fmt: skip
    value(parser, "--gas-l-h", "carbon dioxide, litres an hour (or tell the batch)", "G")
    value(parser, "--hours", "after so many hours (left out: in the long run)", "H")
    _batch_options(parser, required=False)


def _room(args: argparse.Namespace) -> Answer:
    litres = _gas_per_hour(args)
    found = carbon.room(litres, args.room_m3, args.air_changes, hours=args.hours)
    when = f"after {args.hours:g} hours" if args.hours is not None else "in the long run"
    rows = [
        Row("ppm", f"concentration {when}", found.ppm, "ppm", ",.0f"),
        Row("ppm_steady", "in the long run", math.inf if found.ppm_steady is None else found.ppm_steady, "ppm", ",.0f"),
        Row(
            "hours_to_limit",
            f"until {carbon.LIMITS[0].ppm:,.0f} ppm are passed",
            math.inf if found.hours_to_limit is None else found.hours_to_limit,
            "h",
            ".1f",
        ),
        Row("gas_l_per_h", "gas reckoned with", litres, "L/h", ".1f"),
    ]
    return Answer(
        f"About {found.ppm:,.0f} ppm of carbon dioxide {when}.",
        rows,
        cautions=found.cautions,
        extra={"passed": [{"body": each.body, "limit": each.name, "ppm": each.ppm} for each in found.passed]},
    )


def _gas_per_hour(args: argparse.Namespace) -> float:
    if args.gas_l_h is not None:
        return float(args.gas_l_h)
    if args.litres is None or args.og is None or args.fg is None:
        raise UsageError("how much gas comes is not told", "give --gas-l-h, or --litres, --og and --fg of the batch")
    return carbon.rate(args.litres, carbon.peak_points_per_day(args.og, args.fg), args.at).litres_per_hour


# --- seal --------------------------------------------------------------------------------------------------------


def _seal_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--gravity", "gravity now, SG", "SG", required=True)
    value(parser, "--final", "lowest gravity it could come to, SG (a sugar wash 0.985 to 0.992)", "SG", required=True)
    value(parser, "--litres", "wash in the vessel, litres", "L", required=True)
    value(parser, "--headspace-l", "room above it, litres", "L", required=True)
    at(parser, "--sealed-at", "temperature when it is closed, 0 to 40", required=True)
    at(parser, "--stored-at", "warmest that it will stand, 0 to 40", required=True)
    value(parser, "--abv", "alcohol now, % by volume (0 to 16; left out: 10, give or take 5)", "PCT")


def _seal(args: argparse.Namespace) -> Answer:
    found = sealing.seal(
        args.gravity, args.final, args.litres, args.headspace_l, args.sealed_at, args.stored_at, abv=args.abv
    )
    verdict = "Dangerous to close" if found.dangerous else "No pressure that matters"
    return Answer(
        f"{verdict}: {found.pressure_bar_gauge:.1f} bar above the air outside "
        f"({found.pressure_low_bar:.1f} to {found.pressure_high_bar:.1f}).",
        [
            Row("pressure_bar_gauge", "pressure above the air outside", found.pressure_bar_gauge, "bar", ".2f",
                (found.pressure_low_bar, found.pressure_high_bar), "pressure_range"),
            Row("co2_g", "carbon dioxide in all", found.co2_g, "g", ".1f"),
            Row("co2_from_sugar_g", "of it still to be made", found.co2_from_sugar_g, "g", ".1f"),
            Row("co2_already_g", "of it there already", found.co2_already_g, "g", ".1f"),
            Row("warming_only_bar", "pressure from warming alone", found.warming_only_bar, "bar", ".2f"),
        ],
        cautions=found.cautions,
        notes=["The wash counts as saturated with gas when it is closed."],
        extra={"dangerous": found.dangerous},
    )  # fmt: skip


KINDS = (
    Kind(
        "gas",
        "Carbon dioxide that a batch makes, in all and per hour.",
        "--litres 19 --og 1.094 --fg 0.990",
        "1.99 kg of carbon dioxide, 1082 litres of gas; at its fastest about 15 litres an hour.",
        ("carbon.made_g_l", "carbon.made", "carbon.rate", "carbon.peak_points_per_day"),
        _gas_options,
        _gas,
    ),
    Kind(
        "room",
        "Carbon dioxide in the air of a room, against exposure limits.",
        "--room-m3 20 --air-changes 0.2 --litres 19 --og 1.094 --fg 0.990",
        "About 4,150 ppm of carbon dioxide in the long run.",
        ("carbon.room", "carbon.rate"),
        _room_options,
        _room,
    ),
    Kind(
        "seal",
        "Pressure in a closed vessel from sugar that remains and gas that is dissolved.",
        "--gravity 0.996 --final 0.988 --litres 4 --headspace-l 0.3 --sealed-at 4 --stored-at 25",
        "Dangerous to close: 8.0 bar above the air outside (5.7 to 10.1).",
        ("sealing.seal",),
        _seal_options,
        _seal,
    ),
)
