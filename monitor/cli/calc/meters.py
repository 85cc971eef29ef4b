"""Gravity from probes: float angle, pressure pair, a scale; and whether readings still fall."""

from __future__ import annotations

import argparse

from monitor.cli.calc.answer import Answer, Kind, Row
from monitor.cli.calc.options import at, point, value
from monitor.model.errors import UsageError
from monitor.science import calibration, probes, sugar, trend


def _estimated(found: probes.Estimate, notes: list[str]) -> Answer:
    """A gravity with what its error is made of."""
    low, high = max(sugar.SG_LOW, found.low), min(sugar.SG_HIGH, found.high)
    parts = ", ".join(f"{name} {part:.4f}" for name, part in found.parts if part >= 5e-5)
    return Answer(
        f"Gravity {found.sg:.4f} ({low:.4f} to {high:.4f}).",
        [
            Row("sg", "gravity, SG 20/20", found.sg, "", ".4f", (low, high)),
            Row("plato", "extract (apparent)", sugar.plato_from_sg(found.sg), "°P", ".2f"),
            Row("error", "standard error", found.error, "", ".4f"),
        ],
        cautions=["The reading lies beyond the calibration, which is only run on straight."] if found.outside else [],
        notes=[f"The error is made of: {parts}." if parts else "The error is below 0.0001.", *notes],
        extra={"parts": {name: round(part, 7) for name, part in found.parts}},
    )


# --- float -------------------------------------------------------------------------------------------------------


def _float_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--angle", "tilt, degrees", "DEG", required=True)
    parser.add_argument(
        "--point", type=point, action="append", required=True, metavar="DEG=SG",
        help="a calibration point, two to eight of them: 25.1=1.000",
    )  # fmt: skip
    value(parser, "--point-error", "standard error of one point, SG", "E", default=0.001)
    at(parser, "--at", "temperature of the wash, 0 to 40 (left out: not known)")
    at(parser, "--calibrated", "temperature of the calibration", default=20.0)
    value(parser, "--abv", "alcohol in it, % by volume, if known", "PCT")


def _float(args: argparse.Namespace) -> Answer:
    curve = calibration.fit(args.point, args.point_error)
    found = probes.float_angle(curve, args.angle, temperature_c=args.at, calibrated_c=args.calibrated, abv=args.abv)
    return _estimated(found, [f"The calibration is a {curve.kind} through {len(curve.points)} points."])


# --- pressure ----------------------------------------------------------------------------------------------------


def _pressure_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--pa", "lower less upper pressure, Pa", "PA", required=True)
    value(parser, "--distance-mm", "vertical distance of the two, mm", "MM")
    parser.add_argument(
        "--in-water", type=point, metavar="PA=T", help="what the pair showed in plain water, at °C: 978.9=20"
    )
    at(parser, "--at", "temperature of the wash, 0 to 40", default=20.0)
    value(parser, "--abv", "alcohol in it, % by volume, if known", "PCT")
    value(parser, "--pa-error", "standard error of the difference, Pa", "PA", default=2.0)


def _pressure(args: argparse.Namespace) -> Answer:
    if args.in_water is None and args.distance_mm is None:
        raise UsageError("how far the two sensors are apart is not told", "give --distance-mm or --in-water")
    found = probes.pressure_pair(
        args.pa,
        (args.distance_mm or 0.0) / 1000.0,
        args.at,
        pressure_error_pa=args.pa_error,
        in_water=args.in_water,
        abv=args.abv,
    )
    return _estimated(found, ["Bubbles between the two count as lightness: wait for calm."])


# --- mass loss ---------------------------------------------------------------------------------------------------


def _massloss_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--litres", "volume of fresh wash, litres", "L", required=True)
    value(parser, "--og", "original gravity, SG", "SG", required=True)
    value(parser, "--lost-g", "grams lost since it was pitched; add what was taken out", "G", required=True)
    at(parser, "--at", "temperature, 0 to 40", default=20.0)
    value(parser, "--scale-error-g", "standard error of the scale, g", "G", default=5.0)
    value(parser, "--evaporated-g", "what an open vessel lost to the air by itself, g", "G", default=0.0)


def _massloss(args: argparse.Namespace) -> Answer:
    found = probes.mass_loss(
        args.litres,
        args.og,
        args.lost_g / 1000.0,
        temperature_c=args.at,
        scale_error_kg=args.scale_error_g / 1000.0,
        evaporated_kg=args.evaporated_g / 1000.0,
    )
    return _estimated(found, ["About 1.00 g of carbon dioxide leaves each litre for a fall of 0.001."])


# --- trend -------------------------------------------------------------------------------------------------------


def _trend_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--reading", type=point, action="append", required=True, metavar="HOURS=SG",
        help="a reading, two or more, in order of time: 24=1.0121",
    )  # fmt: skip
    value(parser, "--step", "graduation of the readings, SG", "SG", default=0.001)


def _trend(args: argparse.Namespace) -> Answer:
    days = [hours / 24.0 for hours, _ in args.reading]
    found = trend.theil_sen(days, [sg for _, sg in args.reading], 0.95, quantum=args.step / 2.0)
    says = "flat" if found.flat(0.0005) else "falling" if found.falling() else "rising" if found.rising() else "open"
    told = {
        "flat": "It stands still, to ±0.0005 a day.",
        "falling": "It still falls.",
        "rising": "It rises: something was added, or a reading is wrong.",
        "open": "It may stand still or fall: these readings cannot tell. More of them, over more hours, can.",
    }
    return Answer(
        told[says],
        [
            Row("per_day", "change of gravity a day", found.slope, "", "+.4f", (found.low, found.high)),
            Row("hours", "over", (days[-1] - days[0]) * 24.0, "h", ".0f"),
        ],
        cautions=["Flat is not finished: cold, dead or stuck are flat too. Never seal a vessel on this alone."],
        extra={"says": says},
    )


KINDS = (
    Kind(
        "float",
        "Gravity from a floating probe's tilt by its calibration.",
        "--angle 48 --point 25.1=1.000 --point 40.3=1.040 --point 55.9=1.094 --at 22",
        "Gravity 1.0656 (1.0637 to 1.0675).",
        ("probes.float_angle", "calibration.fit"),
        _float_options,
        _float,
    ),
    Kind(
        "pressure",
        "Gravity from pressures at two depths.",
        "--pa 1030 --distance-mm 100 --at 22",
        "Gravity 1.0528 (1.0434 to 1.0623).",
        ("probes.pressure_pair", "pressure.density"),
        _pressure_options,
        _pressure,
    ),
    Kind(
        "massloss",
        "Gravity from what a vessel on a scale has lost.",
        "--litres 19 --og 1.094 --lost-g 1000",
        "Gravity 1.0413 (1.0383 to 1.0444).",
        ("massloss.sg_after", "probes.mass_loss"),
        _massloss_options,
        _massloss,
    ),
    Kind(
        "trend",
        "Whether gravity readings still fall.",
        "--reading 0=1.012 --reading 24=1.010 --reading 48=1.009 --reading 72=1.007 --reading 96=1.006",
        "It still falls.",
        ("trend.theil_sen",),
        _trend_options,
        _trend,
    ),
)
