"""`leeswatch batch`: holding cold."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING, Any

from monitor.cli.batch_look import asked_of, deed, when_of
from monitor.cli.common import (
    Commands,
    batch_of,
    command,
    iso,
    local,
    number,
    say_json,
    settings_of,
    whole_state,
    with_config,
    with_json,
    with_when,
    write,
)
from monitor.model.config import Settings
from monitor.model.deeds import Held, HoldEnded
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.hold import Standing
    from monitor.engine.state import State

BY = {
    "told": "what you said; its clock has only begun",
    "probe": "a probe in it",
    "fridge": "estimate of the fridge",
    "air": "estimate from the air around it",
    "nothing": "the latest reading: neither liquid nor air is heard now",
}


def add(verbs: Commands) -> None:
    """Add the verbs."""
    hold = command(
        verbs, "hold", "Hold a batch or a jar cold: the clock starts when the liquid is cold.",
        "leeswatch batch hold amber-1 --fridge larder --target 4 --hours 48", _hold,
    )  # fmt: skip
    _about(hold)
    hold.add_argument("--fridge", metavar="F", help="the fridge it stands in, whoever controls it")
    hold.add_argument("--target", type=number, default=4.0, metavar="°C", help="the liquid at or below this (4)")
    hold.add_argument("--hours", type=number, metavar="H", help="for how long (default: practice.cold.settle_hours)")
    hold.add_argument(
        "--from", type=number, metavar="°C", help="its temperature when it went in (else a probe's, or 20)"
    )
    hold.add_argument("--litres", type=number, metavar="L", help="liquid in the vessel (default: as configured)")
    hold.add_argument(
        "--material", choices=("plastic", "glass", "steel"), help="of the vessel (default: as configured)"
    )
    hold.add_argument("--abv", type=number, metavar="PCT", help="alcohol in it, %% by volume, for where it freezes")
    with_when(hold, "when it went in")

    unhold = command(
        verbs, "unhold", "It is not held cold any more.", "leeswatch batch unhold amber-1", _unhold
    )  # fmt: skip
    _about(unhold)
    with_when(unhold, "when it came out")

    cold = command(
        verbs, "cold", "Where a cold hold stands: hours so far, when it is done, margin to freezing.",
        "leeswatch batch cold amber-1", _cold,
    )  # fmt: skip
    _about(cold)


def _about(parser: argparse.ArgumentParser) -> None:
    with_config(parser)
    with_json(parser)
    parser.add_argument("name", nargs="?", metavar="NAME", help="the batch")
    parser.add_argument("--jar", metavar="J", help="a jar instead of a batch")


def _subject(args: argparse.Namespace) -> str:
    if (args.name is None) == (args.jar is None):
        raise UsageError("say what it is about: a batch or a jar", "a batch's NAME, or --jar J")
    if args.jar is not None:
        return f"jar:{args.jar}"
    return f"batch:{args.name}"


def _words(about: str) -> str:
    """How the subject is written on the command line."""
    kind, _, name = about.partition(":")
    return name if kind == "batch" else f"--jar {name}"


# --- hold --------------------------------------------------------------------------------------------------------


def _hold(args: argparse.Namespace) -> int:
    from monitor.engine import pictures  # noqa: PLC0415 - start-up: only the verbs that judge need the engine
    from monitor.engine.checks import keeping as checks  # noqa: PLC0415

    settings = settings_of(args)
    asked, about = asked_of(settings), _subject(args)
    warmth, source = getattr(args, "from"), "as you say"
    at = when_of(args, settings, asked)
    if warmth is None:
        warmth, source = checks.warmth(asked, about, at)
    told = deed(
        Held, at=at, about=about, fridge=args.fridge, target_c=args.target,
        hours=args.hours if args.hours is not None else settings.practice.cold.settle_hours,
        litres=args.litres, material=args.material, abv=args.abv, from_c=warmth,
    )  # fmt: skip
    entry = checks.held(asked, told)
    write(settings, [entry])
    said = {**pictures.outlook(asked.state, entry), "from_source": source}
    if args.json:
        say_json({"about": about, "held": True, "target_c": entry.target_c, "hours": entry.hours,
                  "fridge": entry.fridge, "from_c": entry.from_c, **said})  # fmt: skip
        return 0
    _say_hold(entry, said)
    return 0


def _say_hold(held: Held, told: dict[str, Any]) -> None:
    name = held.about.partition(":")[2]
    print(
        f"{name}: held at {held.target_c:g} °C or below for {held.hours:g} h; the clock starts when its liquid is cold"
    )
    air, span = told["air_c"], told["cold_after_range_h"]
    if air is None:
        print("  no fridge is told, so when it will be cold is not known; its probe will say")
    elif span is None:
        print(f"  the air is at {air:g} °C ({told['air_from']}): it never gets to {held.target_c:g} °C like that")
    elif told["cold_after_h"] > 0:
        hours = f"{told['cold_after_h']:.0f} h ({span[0]:.0f} to {span[1]:.0f})"
        print(f"  from {held.from_c:.0f} °C ({told['from_source']})")
        print(f"  it takes about {hours} until its liquid is cold, in air of {air:.1f} °C, {told['air_from']}")
    else:
        print("  it is cold already")
    print(f"  {told['why']}")
    _say_tender(told["most_tender"], name)
    for advice in told["advice"]:
        print(f"! {advice}")
    print("before you leave it (common practice):")
    for each in told["checklist"]:
        print(f"  [ ] {each}")
    if held.fridge is not None:
        print("Leeswatch only watches: set the fridge itself at its own dial or controller")
    said = _words(held.about)
    print(f"where it stands: leeswatch batch cold {said}; out again: leeswatch batch unhold {said}")
    print(f"a mistake? {_undo(held.about)}")


def _unhold(args: argparse.Namespace) -> int:
    from monitor.engine import clocks  # noqa: PLC0415 - as above
    from monitor.engine.checks import keeping as checks  # noqa: PLC0415

    settings = settings_of(args)
    asked, about = asked_of(settings), _subject(args)
    entry = checks.hold_ended(asked, deed(HoldEnded, at=when_of(args, settings, asked), about=about))
    held, own = clocks.holds(asked.state)[about], asked.state.holds.get(about)
    write(settings, [entry])
    hours = own.hours() if own is not None and own.of_ms == held.received else None
    if args.json:
        say_json({"about": about, "held": False, "time": iso(entry.at), "hours": None if hours is None else hours.usual,
                  "done": bool(own is not None and own.done)})  # fmt: skip
        return 0
    so_far = "" if hours is None else f" after {hours.usual:.1f} of {held.hours:g} h cold"
    name = about.partition(":")[2]
    print(f"{name}: not held any more{so_far}")
    print(f"a mistake? {_undo(about)}")
    return 0


def _undo(about: str) -> str:
    kind, _, name = about.partition(":")
    return f"leeswatch {'batch' if kind == 'batch' else 'yeast'} undo {name}"


# --- where it stands ---------------------------------------------------------------------------------------------


def _cold(args: argparse.Namespace) -> int:
    from monitor.engine import clocks, pictures  # noqa: PLC0415 - as above

    settings = settings_of(args)
    state = whole_state(settings)
    running = clocks.holds(state)
    if args.name is not None or args.jar is not None:
        about = _subject(args)
        if args.name is not None:
            batch_of(state, args.name)
        if about not in running:
            raise UsageError(
                f"{about.partition(':')[2]} is not held", f"leeswatch batch hold {_words(about)} --fridge F starts it"
            )
        running = {about: running[about]}
    if args.json:
        say_json([pictures.hold_picture(state, about, held) for about, held in running.items()])
        return 0
    if not running:
        print("nothing is held cold: leeswatch batch hold NAME --fridge F starts it")
    for about, held in running.items():
        _say_cold(settings, state, about, held)
    return 0


def _say_cold(settings: Settings, state: State, about: str, held: Held) -> None:
    from monitor.engine import cold, pictures  # noqa: PLC0415 - as above

    name = about.partition(":")[2]
    found = cold.standing(state, about, held)
    told = pictures.outlook(state, held)
    print(f"{name}: to be at {held.target_c:g} °C or below for {held.hours:g} h, since {local(held.at, settings)}")
    if found is None:
        print("  its clock has not been looked at yet: `leeswatch run` does so each minute")
    else:
        _say_standing(settings, found, done=state.holds[about].done)
    print(f"  {told['why']}")
    _say_tender(told["most_tender"], name)
    for advice in told["advice"]:
        print(f"! {advice}")


def _say_tender(found: dict[str, Any] | None, name: str) -> None:
    """The most tender thing of the fridge, where that is another."""
    if found is None or found["name"] == name:
        return
    liquid = found["liquid_c"]
    margin = "" if liquid is None else f", {liquid - found['freezes_c']:.1f} K below its {liquid:.1f} °C"
    print(f"  most tender in the fridge is {found['name']}: ice may begin at {found['freezes_c']:.1f} °C{margin}")


def _say_standing(settings: Settings, found: Standing, *, done: bool) -> None:
    liquid, held = found.liquid_c, found.held
    print(f"  liquid {liquid.usual:.1f} °C{_range(liquid.low, liquid.high, '.1f')}, by {BY[found.by]}")
    spread = _range(held.low, held.high, ".1f")
    print(f"  cold for {held.usual:.1f} of {found.wanted:g} h{spread}" + (": done" if done else ""))
    if found.breaks:
        print(f"  it warmed up {found.breaks} times in between; the clock stood meanwhile")
    if found.unseen_hours >= 0.05:
        print(f"  {found.unseen_hours:.1f} h that nobody saw are not counted")
    if not found.cold:
        print(f"  cold: {_when(settings, found.cold_at_ms)}")
    if not done:
        print(f"  done: {_when(settings, found.done_at_ms)}")
    print(f"  {found.margin_k:.1f} K above where ice may begin in it, at the cold end of the estimate")


def _range(low: float, high: float, form: str) -> str:
    return "" if math.isclose(low, high, abs_tol=0.05) else f" ({low:{form}} to {high:{form}})"


def _when(settings: Settings, span: tuple[int, int, int | None] | None) -> str:
    if span is None:
        return "not in sight, for the air is not cold enough, or is not heard"
    likely, soonest, latest = span
    last = "perhaps never like this" if latest is None else local(latest, settings)
    return f"about {local(likely, settings)} (between {local(soonest, settings)} and {last}) if the air stays so"
