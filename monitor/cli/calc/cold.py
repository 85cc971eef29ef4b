"""Settling, cooling, and holds in the cold."""

from __future__ import annotations

import argparse
from pathlib import Path

from monitor.cli.calc.answer import Answer, Kind, Row, spread, written
from monitor.cli.calc.options import at, value
from monitor.intake.recording import Recording
from monitor.model.clock import iso
from monitor.model.errors import UsageError
from monitor.science import cooling, settling
from monitor.science.limits import Estimate
from monitor.science.thermal import Material

# --- settling ----------------------------------------------------------------------------------------------------


def _settling_options(parser: argparse.ArgumentParser) -> None:
    value(parser, "--depth-mm", "depth of the liquid, mm", "MM", default=100.0)
    at(parser, "--at", "temperature, 0 to 40", default=4.0)
    value(parser, "--abv", "alcohol in it, % by volume (0 to 24; 0 is water)", "PCT", default=0.0)
    value(parser, "--sg", "its gravity, SG, if extract remains", "SG")
    parser.add_argument(
        "--particle", choices=("cell", "floc"), default="cell", help="a single cell, or a floc of many (default cell)"
    )
    value(parser, "--um", "its diameter, µm (a cell 4 to 8, a floc 50 to 200)", "UM")
    value(parser, "--density", "its density, kg/m³ (a cell 1080 to 1113)", "D")
    value(parser, "--crowd", "share of the volume that particles take, 0 to 0.5", "X", default=0.0)


def _settling(args: argparse.Namespace) -> Answer:
    through = settling.liquid(args.at, args.abv, args.sg)
    found = settling.settle(
        args.depth_mm, through, args.particle,
        diameter_um=args.um, density_kg_m3=args.density, volume_share=args.crowd,
    )  # fmt: skip
    floc = settling.settle(args.depth_mm, through, "floc", volume_share=args.crowd)
    hours = found.hours
    rows = [
        spread("hours", f"hours for {args.depth_mm:g} mm", hours, "h", ".3g"),
        spread("mm_per_hour", "it sinks", found.mm_per_hour, "mm/h", ".3g"),
        Row("reynolds", "Reynolds number", found.reynolds, "", ".1e"),
        Row("density_kg_m3", "density of the liquid", through.density, "kg/m³", ".1f"),
        Row("viscosity_mpa_s", "viscosity of the liquid", through.viscosity, "mPa s", ".3f"),
    ]
    if args.particle == "cell":
        rows.append(spread("floc_hours", "flocs instead", floc.hours, "h", ".2g"))
    return Answer(
        f"A {args.particle} takes {written(hours.usual, '.2g')} h ({written(hours.low, '.2g')} to "
        f"{written(hours.high, '.2g')}) for {args.depth_mm:g} mm of still liquid.",
        rows,
        notes=[
            "Theory and practice disagree, and nothing is fitted: a single cell of 5 µm takes 20 to 40 h for 100 mm of "
            "water, yet a jar stands clear overnight, because most yeast sinks as flocs. Size and looseness of flocs "
            "are assumptions. Warm and cold corners stir a vessel faster than single cells sink.",
        ],
    )


# --- cooling -----------------------------------------------------------------------------------------------------


def _vessel_options(parser: argparse.ArgumentParser, *, required: bool) -> None:
    value(parser, "--litres", "liquid in the vessel, litres", "L", required=required)
    parser.add_argument(
        "--material", choices=("plastic", "glass", "steel"),
        help="of the vessel (default: glass to 5 litres, plastic above)",
    )  # fmt: skip


def _cooling_options(parser: argparse.ArgumentParser) -> None:
    _vessel_options(parser, required=True)
    at(parser, "--from", "temperature of the liquid now", required=True)
    at(parser, "--to", "temperature wanted", required=True)
    at(parser, "--air", "temperature of the air around it", required=True)


def _material(args: argparse.Namespace) -> Material:
    given: Material | None = args.material
    return given or ("glass" if args.litres <= 5.0 else "plastic")


def _cooling(args: argparse.Namespace) -> Answer:
    material = _material(args)
    found = cooling.cooling(args.litres, getattr(args, "from"), args.to, args.air, material)
    hours = found.hours
    return Answer(
        f"{hours.usual:.1f} h ({hours.low:.1f} to {hours.high:.1f}) until the liquid is at {args.to:g} °C.",
        [
            spread("hours", f"until {args.to:g} °C", hours, "h", ".1f"),
            Row("biot", "Biot number", found.biot, "", ".2f"),
            Row("material", "vessel", material),
        ],
        notes=[
            "Still air, all sides free. Packed close it is slower, under a fan two to three times faster. The air of "
            "a fridge is warmer for hours after a big vessel goes in.",
            *(["A Biot number above 0.1: the middle lags the wall; the slow end allows for it."]
              if found.biot > 0.1 else []),
        ],
    )  # fmt: skip


# --- hold --------------------------------------------------------------------------------------------------------


def _hold_options(parser: argparse.ArgumentParser) -> None:
    at(parser, "--to", "temperature at or below which it counts as cold", required=True)
    value(parser, "--hours", "hours to be held", "H", required=True)
    _vessel_options(parser, required=False)
    at(parser, "--from", "temperature of the liquid when it went in")
    at(parser, "--air", "temperature of the air, when it stays the same")
    parser.add_argument("--recording", type=Path, metavar="FILE", help="a recording (CSV) instead of --air")
    parser.add_argument("--probe", metavar="NAME", help="its probe")
    parser.add_argument(
        "--measures", choices=("liquid", "air"), default="liquid",
        help="what that probe measures (air needs --litres and --from)",
    )  # fmt: skip


def _hold(args: argparse.Namespace) -> Answer:
    if args.recording is None:
        return _hold_planned(args)
    samples = _samples(args.recording, args.probe)
    if args.measures == "liquid":
        seen = cooling.held(samples, args.to, args.hours)
        hours = Estimate(seen.hours, seen.hours, seen.hours)
        return _held(args, hours, seen.unseen_hours, seen.done_s, "its liquid's probe")
    start = _needed(args, "from")
    _needed(args, "litres")
    by_air = cooling.held_by_air(samples, start, args.litres, args.to, args.hours, _material(args))
    return _held(args, by_air.hours, by_air.unseen_hours, by_air.done_s, "the air, by the vessel's lag")


def _needed(args: argparse.Namespace, name: str) -> float:
    found = getattr(args, name)
    if found is None:
        raise UsageError(f"--{name} is missing", "a hold is judged by a recording, or by --litres, --from and --air")
    return float(found)


def _hold_planned(args: argparse.Namespace) -> Answer:
    litres, start, air = (_needed(args, name) for name in ("litres", "from", "air"))
    cool = cooling.cooling(litres, start, args.to, air, _material(args)).hours
    total = Estimate(*(each + args.hours for each in (cool.usual, cool.low, cool.high)))
    return Answer(
        f"Held after {total.usual:.0f} h ({total.low:.0f} to {total.high:.0f}), not after {args.hours:g}.",
        [
            spread("done_after_hours", "held, counted from now", total, "h", ".1f"),
            spread("cooling_hours", "until the liquid is cold", cool, "h", ".1f"),
            Row("hours_wanted", "then held for", args.hours, "h", ".1f"),
        ],
        notes=["The clock starts when the liquid is cold, not when the air is. A door left open stops it."],
    )


def _held(args: argparse.Namespace, hours: Estimate, unseen: float, done_s: float | None, by: str) -> Answer:
    done = None if done_s is None else iso(round(done_s * 1000.0))
    told = f"Held since {done}" if done else f"Not yet held: {hours.low:.1f} of {args.hours:g} h"
    return Answer(
        f"{told}, judged by {by}.",
        [
            spread("hours", f"at or below {args.to:g} °C", hours, "h", ".1f"),
            Row("unseen_hours", "unseen, counted as not cold", unseen, "h", ".1f"),
            Row("done", "held since", done),
        ],
        notes=["A warm spell stops the clock and does not set it back."],
        extra={"held": done is not None},
    )


def _samples(path: Path, probe: str | None) -> list[cooling.Sample]:
    """A probe's temperatures, by the time they were measured."""
    found: dict[int, float] = {}
    probes = set()
    for reading in Recording(path):
        if reading.quantity == "temperature":
            probes.add(reading.probe)
            if reading.probe == probe:
                found.setdefault(reading.measured_ms, reading.value)
    if not found:
        names = ", ".join(sorted(probes)) or "none"
        raise UsageError(
            f"the recording has no temperature of {f'probe {probe}' if probe else 'a probe: give --probe'}",
            f"probes with temperature: {names}",
        )
    return [(ms / 1000.0, found[ms]) for ms in sorted(found)]


KINDS = (
    Kind(
        "settling",
        "How long cells and flocs take to sink.",
        "--depth-mm 100 --at 4 --um 5",
        "A cell takes 32 h (28 to 40) for 100 mm of still liquid.",
        ("settling.stokes", "settling.settle", "settling.viscosity", "settling.liquid"),
        _settling_options,
        _settling,
    ),
    Kind(
        "cooling",
        "How long a vessel takes to cool or warm.",
        "--litres 0.5 --from 20 --to 4 --air 2",
        "5.4 h (4.0 to 8.5) until the liquid is at 4 °C.",
        ("cooling.cooling", "thermal.time_constant", "cooling.biot"),
        _cooling_options,
        _cooling,
    ),
    Kind(
        "hold",
        "When the liquid, not the air, has been cold for long enough.",
        "--litres 19 --from 20 --air 2 --to 4 --hours 48",
        "Held after 65 h (61 to 78), not after 48.",
        ("cooling.follow", "cooling.held", "cooling.held_by_air"),
        _hold_options,
        _hold,
    ),
)
