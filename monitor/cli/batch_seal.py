"""`leeswatch batch seal`: whether it is safe to close a batch tight."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.cli.batch_look import asked_of, deed, undo, when_of
from monitor.cli.common import (
    Commands,
    batch_of,
    command,
    iso,
    local,
    named,
    number,
    say_json,
    settings_of,
    with_when,
    write,
)
from monitor.model.config import Settings
from monitor.model.deeds import SealedUp, Unsealed
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.seal import Judgement

SAID = {True: "yes", False: "NO"}


def add(verbs: Commands) -> None:
    """Add the verb."""
    seal = command(
        verbs, "seal", "Whether it is safe to close tight; note that it was closed, or opened.",
        "leeswatch batch seal amber-1 --litres 4 --headspace 0.3 --sealed-at 20 --stored-at 25", _seal,
    )  # fmt: skip
    named(seal)
    seal.add_argument("--litres", type=number, metavar="L", help="wash in the vessel")
    seal.add_argument("--headspace", type=number, metavar="L", help="room above it, litres")
    seal.add_argument("--sealed-at", type=number, metavar="°C", help="temperature when it is closed (else a probe's)")
    seal.add_argument("--stored-at", type=number, default=25.0, metavar="°C", help="the hottest it will stand (25)")
    seal.add_argument("--material", choices=("plastic", "glass", "steel"), default="glass", help="(default glass)")
    seal.add_argument("--rated", type=number, metavar="BAR", help="what its maker rates it for; left out: not rated")
    seal.add_argument("--closed", action="store_true", help="it has been closed: note it, safe or not, and watch it")
    seal.add_argument("--opened", action="store_true", help="it stands open again, or under an airlock")
    with_when(seal, "when it was closed or opened")


def _seal(args: argparse.Namespace) -> int:
    from monitor.engine import clocks, pictures  # noqa: PLC0415 - the engine, where it is judged only
    from monitor.engine.checks import keeping as checks  # noqa: PLC0415

    settings = settings_of(args)
    asked = asked_of(settings)
    at = when_of(args, settings, asked)
    if args.opened:
        opened = checks.unsealed(asked, deed(Unsealed, at=at, batch=args.name))
        write(settings, [opened])
        return _opened(args, settings, opened.at)
    if args.litres is None or args.headspace is None:
        raise UsageError(
            "the pressure depends on the vessel", "give --litres of wash and --headspace litres of room above it"
        )
    warmth = clocks.warmth_of(asked.state, batch_of(asked.state, args.name), at)
    cold_c = args.sealed_at if args.sealed_at is not None else round(warmth[0], 1) if warmth else None
    if cold_c is None:
        raise UsageError("how warm it is when closed is not known", "measure it and give --sealed-at")
    told = deed(
        SealedUp, at=at, batch=args.name, litres=args.litres, headspace_l=args.headspace, sealed_at_c=cold_c,
        stored_at_c=args.stored_at, material=args.material, rated_bar=args.rated,
    )  # fmt: skip
    entry, found = checks.judged(asked, told)
    if args.closed:
        write(settings, [entry])
    if args.json:
        say_json({
            "batch": args.name, "closed": args.closed, "sealed_at_c": cold_c, **pictures.seal_picture(found)
        })  # fmt: skip
    else:
        _say_seal(args, found, entry.at, settings)
    return 0 if found.safe else 1


def _opened(args: argparse.Namespace, settings: Settings, at: int) -> int:
    from monitor.batches import seal  # noqa: PLC0415 - as above

    if args.json:
        say_json({"batch": args.name, "opened": iso(at)})
        return 0
    print(f"{args.name}: opened {local(at, settings)}; it is not watched as closed any more")
    print(seal.AIR_THE_ROOM)
    print(f"a mistake? {undo(args.name)}")
    return 0


def _say_seal(args: argparse.Namespace, found: Judgement, at: int, settings: Settings) -> None:
    print(f"{args.name}: {'safe to close, by what is known' if found.safe else 'NOT safe to close'}")
    for check in found.checks:
        print(f"  {SAID[check.so]:<4} {check.name:<24} {check.why}")
    if found.pressure_bar is not None and found.pressure_range is not None and found.warming_bar is not None:
        low, high = found.pressure_range
        print(f"pressure in the end: {found.pressure_bar:.1f} bar above the air outside ({max(low, 0.0):.1f} to "
              f"{high:.1f}) at {args.stored_at:g} °C; {max(found.warming_bar, 0.0):.1f} of it without any more "
              "fermenting")  # fmt: skip
    print(f"vessel: {found.rating}")
    for warning in found.warnings:
        print(f"! {warning}")
    if args.closed:
        print(f"noted as closed {local(at, settings)}" + ("" if found.safe else ", although it is not safe: open it"))
        print(f"opened again? leeswatch batch seal {args.name} --opened")
        print(f"a mistake? {undo(args.name)}")
    elif not found.safe:
        print("to be surer of the end: let a warm sample ferment out (batch forced), then read the batch with the same "
              "hydrometer (batch reading); both degassed, at 15 to 25 °C, and each with --at")  # fmt: skip
