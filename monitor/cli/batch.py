"""`leeswatch batch`: batches, and readings typed by hand."""

from __future__ import annotations

import argparse
import json
from typing import Any

from monitor.batches.by_hand import BEFORE_PITCH, SAME_FIGURE, filed_at, of_time
from monitor.cli import batch_clearing, batch_cold, batch_compare, batch_life
from monitor.cli.batch_words import undo_reading
from monitor.cli.common import (
    Commands,
    batch_of,
    batch_vessel,
    command,
    group,
    local,
    moment,
    number,
    reader_of,
    say_done,
    say_json,
    settings_of,
    whole_state,
    with_config,
    with_json,
    write,
)
from monitor.control import TypedReading
from monitor.model.clock import iso, parse_time
from monitor.model.config import Settings
from monitor.model.errors import StoreError, UsageError
from monitor.model.inputs import ForcedFinal, HandReading, ReadingUndone
from monitor.science.gravity import hydrometer_sg, rescale_hydrometer


def add(commands: Commands) -> None:
    """Add the commands."""
    verbs = group(
        commands,
        "batch",
        "Batches: their whole life, readings by hand, racking plan, history.",
        "leeswatch batch reading amber-1 1.012 --at 18",
    )

    reading = command(
        verbs, "reading",
        "Enter a hydrometer reading, or take the latest one back with --undo. It stays in the history, struck out, and "
        "counts again once that is taken back in turn: `batch undo NAME --of` the time it was taken back on.",
        "leeswatch batch reading amber-1 1.012 --at 18 --calibrated 20", _reading,
    )  # fmt: skip
    _named(reading)
    _scale(reading, else_=" (else a probe's is used)")
    reading.add_argument("--undo", action="store_true", help="take back the latest reading, or the one of --when")

    forced = command(
        verbs, "forced", "Say where a small sample ended that was kept warm until it stopped.",
        "leeswatch batch forced amber-1 1.008 --at 20", _forced,
    )  # fmt: skip
    _named(forced)
    _scale(forced)
    forced.add_argument("--undo", action="store_true", help="it no longer counts")

    listing = command(verbs, "list", "What the batches are doing.", "leeswatch batch list", _list)
    with_config(listing)
    with_json(listing)

    for area in (batch_life, batch_clearing, batch_cold, batch_compare):
        area.add(verbs)


def _named(parser: argparse.ArgumentParser) -> None:
    with_config(parser)
    with_json(parser)
    parser.add_argument("name", metavar="NAME", help="the batch")


def _scale(parser: argparse.ArgumentParser, else_: str = "") -> None:
    parser.add_argument("value", nargs="?", type=number, metavar="SCALE", help="what the hydrometer's scale shows")
    parser.add_argument("--at", type=number, metavar="°C", help=f"temperature of the sample{else_}")
    parser.add_argument(
        "--calibrated", type=number, default=20.0, metavar="°C", help="temperature the scale is made for (default 20)"
    )
    parser.add_argument("--when", metavar="T", help="when it was taken (default: now)")


def _reading(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    vessel = batch_vessel(settings, args.name)
    if args.undo:
        return _undo(args, settings, vessel)
    if args.value is None:
        raise UsageError("a reading needs its value", "for example: leeswatch batch reading amber-1 1.012 --at 18")
    value = _checked(args)
    probe = f"hand:{vessel}"
    known = _known(settings, args.name)
    at = _free(settings, args.name, probe, known, value, _past(args, settings, known))
    readings = [TypedReading(probe=probe, quantity="hydrometer", value=value, time=at)]
    if args.at is not None:
        readings.insert(0, TypedReading(probe=probe, quantity="temperature", value=args.at, time=at))
    typed = HandReading(
        vessel=vessel, hydrometer=args.value, temperature=args.at, calibrated=args.calibrated, at=at
    )  # fmt: skip
    write(settings, [typed], readings)
    corrected = hydrometer_sg(value, args.at) if args.at is not None else None
    if args.json:
        say_json({"batch": args.name, "vessel": vessel, "time": iso(at), "hydrometer_20c": round(value, 5),
                  "gravity": None if corrected is None else round(corrected, 5)})  # fmt: skip
    else:
        what = f"{corrected:.4f} at 20 °C" if corrected is not None else "corrected by the vessel's own temperature"
        print(f"{args.name}: {_mark(args.value)} taken {local(at, settings)}, {what}")
        later = any(point["at_ms"] > at for point in known.get("hand", ()))
        print(f"a mistake? {undo_reading(args.name, at) if later else f'leeswatch batch reading {args.name} --undo'}")
    return 0


def _known(settings: Settings, name: str) -> dict[str, Any]:
    """What the store remembers of a batch; empty where it does not know it yet. UsageError for one that is over."""
    try:
        with reader_of(settings) as reader:
            piece = reader.state().get(f"batch:{name}")
    except StoreError:
        return {}  # no store yet
    known: dict[str, Any] = json.loads(piece) if piece else {}
    if known.get("closed"):
        raise UsageError(f"batch {name} is closed", f"leeswatch batch reopen {name}")
    return known


def _past(args: argparse.Namespace, settings: Settings, known: dict[str, Any]) -> int:
    """When the reading was taken; UsageError for a time before there was anything to read."""
    at = moment(args.when, settings)
    pitched = known.get("pitched_ms")
    if pitched is not None and at < pitched - BEFORE_PITCH:
        raise UsageError(
            f"{iso(at)} lies more than a day before batch {args.name} was pitched, {local(pitched, settings)}",
            "give the time the reading was taken",
        )
    return at


def _free(settings: Settings, name: str, probe: str, known: dict[str, Any], value: float, at: int) -> int:
    """When it can be filed that was taken then; UsageError where another figure of that time counts."""
    counting = {point["at_ms"] for point in known.get("hand", ())}
    try:
        with reader_of(settings) as reader:
            free, stored = filed_at(at, counting, lambda ms: reader.value_at(probe, "hydrometer", ms))
    except StoreError:
        return at  # no store yet: nothing is in it
    if stored is not None and abs(stored - value) > SAME_FIGURE:  # the same again is no harm
        raise UsageError(
            f"there is a reading of {local(at, settings)} already", f"take it back first: {undo_reading(name, at)}"
        )
    return free


def _mark(value: float) -> str:
    """A scale's figure as a brewer writes it: 1.080, and 1.0805 where it was read between two marks."""
    return f"{value:.3f}" if round(value, 3) == value else f"{value:g}"


def _forced(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    batch = batch_of(whole_state(settings), args.name)
    at = moment(args.when, settings)
    if args.undo:
        if batch.forced is None:
            raise UsageError(
                f"batch {args.name} has no forced sample that counts: there is none to take back",
                f"leeswatch batch show {args.name} tells what was noted",
            )
        write(settings, [ForcedFinal(batch=args.name, hydrometer=None, at=at)])
        return _done(args, f"{args.name}: the forced sample no longer counts")
    if args.value is None:
        raise UsageError("a forced sample needs its value", "for example: leeswatch batch forced amber-1 1.008 --at 20")
    try:
        at_c = args.at if args.at is not None else args.calibrated
        final = hydrometer_sg(args.value, at_c, args.calibrated)
    except ValueError as error:
        raise UsageError(str(error), "write the scale's figure as 1.008 and temperatures in °C") from error
    start = batch.start_gravity()
    if start is not None and final > start:
        raise UsageError(
            f"a sample cannot end at {final:.4f}, above what batch {args.name} began at, {start:.4f}",
            "check the scale's figure and --at, and that it is this batch's; "
            f"if it is right, set original_gravity of [[batch]] {args.name}",
        )
    told = ForcedFinal(
        batch=args.name, hydrometer=args.value, temperature=args.at, calibrated=args.calibrated, at=at
    )  # fmt: skip
    write(settings, [told])
    words = f"{args.name}: the sample ended at {final:.4f}, so the batch is expected to end there too"
    return say_done(args, [words], f"leeswatch batch forced {args.name} --undo", batch=args.name)


def _checked(args: argparse.Namespace) -> float:
    """What a 20 °C scale would have shown; UsageError where the figures cannot be."""
    try:
        if args.at is not None:
            hydrometer_sg(args.value, args.at, args.calibrated)
        return rescale_hydrometer(args.value, args.calibrated, 20.0) if args.calibrated != 20.0 else float(args.value)
    except ValueError as error:
        raise UsageError(str(error), "write the scale's figure as 1.012 and temperatures in °C") from error


def _undo(args: argparse.Namespace, settings: Settings, vessel: str) -> int:
    points = {point["at_ms"]: point["gravity"] for point in _known(settings, args.name).get("hand", ())}
    found = list(points)[-1:] if args.when is None else of_time(points, moment(args.when, settings))
    if len(found) > 1:
        each = "; ".join(f"{points[at]:.4f}: {undo_reading(args.name, at)}" for at in found)
        raise UsageError(f"{len(found)} readings of batch {args.name} are of that minute", each)
    if not found:
        raise UsageError(
            f"batch {args.name} has no such hand reading that counts", f"leeswatch batch history {args.name}"
        )
    (at,) = found
    received = write(settings, [ReadingUndone(vessel=vessel, at=at)])
    back = f"leeswatch batch undo {args.name} --of {iso(received)}"
    if args.json:
        say_json({"batch": args.name, "undone": iso(at), "received": iso(received), "undo": back})
    else:
        print(f"{args.name}: the reading {points[at]:.4f} of {local(at, settings)} no longer counts")
        print(f"a mistake? {back}")
    return 0


def _done(args: argparse.Namespace, words: str) -> int:
    if args.json:
        say_json({"batch": args.name, "done": words})
    else:
        print(words)
    return 0


def _list(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    try:
        with reader_of(settings) as reader:
            state = reader.state()
            verdicts = reader.latest_verdicts()
    except StoreError:
        state, verdicts = {}, {}
    batches = {key[6:]: json.loads(piece) for key, piece in state.items() if key.startswith("batch:")}
    if args.json:
        say_json([{"batch": name, "stage": each["stage"], "closed": each["closed"], "verdict": verdicts.get(name),
                   "hand": each["hand"]} for name, each in batches.items()])  # fmt: skip
        return 0
    for batch in settings.batch:
        if batch.name not in batches:
            print(f"{batch.name} in {batch.vessel}: not watched yet; it begins when `leeswatch run` starts")
    if not batches and not settings.batch:
        print("no batch yet: leeswatch batch start NAME --vessel VESSEL, or a [[batch]] in the configuration")
    for name, told in batches.items():
        verdict = verdicts.get(name)
        what = "closed" if told["closed"] else told["stage"]
        said = f", {_judged(verdict, settings)}: {verdict['because'][0]}" if verdict and not told["closed"] else ""
        print(f"{name} in {told['vessel']}: {what}{said}")
        for point in told["hand"][-5:]:
            print(f"  by hand {local(point['at_ms'], settings)}: {point['gravity']:.4f} ± {point['error']:.4f}")
    return 0


def _judged(verdict: dict[str, Any], settings: Settings) -> str:
    return f"{verdict['verdict']} as of {local(parse_time(verdict['time']), settings)}"
