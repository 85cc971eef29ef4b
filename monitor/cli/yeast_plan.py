"""`leeswatch yeast plan`: how much yeast a batch wants, and from where."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.batches.cells import cells, cells_range
from monitor.cli.batch_look import asked_of
from monitor.cli.common import (
    Commands,
    command,
    litres,
    number,
    say_json,
    settings_of,
    with_config,
    with_json,
)
from monitor.cli.yeast_common import spread

if TYPE_CHECKING:
    from monitor.batches.pitching import Offer, PitchPlan, StarterAdvice, Together

MOST_OFFERS = 6  # printed; more only bury the best


def add(verbs: Commands) -> None:
    """Add the verb."""
    plan = command(
        verbs, "plan", "How much yeast a batch wants, which jar serves, and a starter where none does.",
        "leeswatch yeast plan --litres 19 --og 1.060 --kind ale", _plan,
    )  # fmt: skip
    with_config(plan)
    with_json(plan)
    plan.add_argument("--batch", metavar="BATCH", help="take volume and original gravity of this batch")
    plan.add_argument("--litres", type=litres, metavar="L", help="how much it is")
    plan.add_argument("--og", type=number, metavar="SG", help="its original gravity")
    plan.add_argument("--kind", choices=("usual", "ale", "lager"), default="usual", help="what it is (default usual)")
    plan.add_argument("--strain", metavar="NAME", help="only jars of this yeast (default: as the batch tells)")


def _plan(args: argparse.Namespace) -> int:
    from monitor.batches import pitching  # noqa: PLC0415 - with the science
    from monitor.engine.pitching import plan_for  # noqa: PLC0415

    asked = asked_of(settings_of(args))
    plan = plan_for(asked, batch=args.batch, litres=args.litres, og=args.og, kind=args.kind, strain=args.strain)
    if args.json:
        say_json(pitching.as_json(plan))
        return 0
    _say_plan(plan)
    return 0


def _say_plan(plan: PitchPlan) -> None:
    from monitor.science.limits import Estimate  # noqa: PLC0415 - loaded already

    wanted = plan.wanted.cells
    print(f"{plan.litres:g} L at {plan.og:.3f} ({plan.kind}) want about "
          f"{cells_range(Estimate(plan.aim, wanted.low, wanted.high))} living cells")  # fmt: skip
    for note in plan.notes:
        print(f"  {note}")
    for offer in plan.offers[:MOST_OFFERS]:
        _say_offer(offer)
    if len(plan.offers) > MOST_OFFERS:
        print(f"  {len(plan.offers) - MOST_OFFERS} more jars come after these: --json shows all")
    if plan.best is not None:
        take = plan.best.take
        assert take is not None
        print(f"→ {plan.best.jar.name}: {plan.why}")
        much = min(take.usual, plan.best.jar.left_ml)
        print(f"  shake it up, pitch {much:.0f} {plan.best.jar.unit}, and say so: "
              f"leeswatch yeast use {plan.best.jar.name} {much:.0f} --batch BATCH")  # fmt: skip
        print("  smell it first: smell, colour and a microscope overrule all of this")
        return
    print(f"→ {plan.why}")
    if plan.together is not None:
        _say_together(plan.together)
    if plan.starter is not None:
        _say_starter(plan.starter, "or a starter" if plan.together is not None else "a starter")
    print(f"  or fresh: {spread(plan.fresh_g)} g of dried yeast (common practice; the packet rules)")


_SAYS = {"yes": "enough, by all of its range", "perhaps": "usually enough", "no": "not enough", "unknown": "unknown"}


def _say_offer(offer: Offer) -> None:
    jar = offer.jar
    head = f"  {jar.name} ({jar.made.strain}, generation {jar.made.generation}, {jar.left_ml:.0f} {jar.unit} left)"
    if offer.take is None:
        print(f"{head}: how many living cells it holds is not known")
    else:
        layer = f" = {spread(offer.layer_ml)} mL of slurry" if offer.layer_ml is not None else ""
        print(f"{head}: {spread(offer.take)} {jar.unit}{' of it shaken up' if jar.unit == 'mL' else ''}{layer}; "
              f"{_SAYS[offer.enough]}")  # fmt: skip
        print(f"    cells: {jar.per_ml_how}; alive: {jar.viability_how}")
    for why in offer.why:
        print(f"    ! {why}")


def _say_together(found: Together) -> None:
    much = [f"{much:.0f} {jar.unit} of {jar.name}" for jar, much in found.parts]
    print(
        f"  {' and '.join(much)} together hold {cells_range(found.cells)} living cells, "
        f"{'enough, by all of their range' if found.sure else 'usually enough'}; generation {found.generation}"
    )
    print("    smell each first: one that is off spoils all of it; then say so:")
    for jar, amount in found.parts:
        print(f"    leeswatch yeast use {jar.name} {amount:.0f} --batch BATCH")


def _say_starter(advice: StarterAdvice, head: str) -> None:
    grows = advice.grows
    hours = "" if not 0 < grows.hours.usual < 1000 else f" in about {grows.hours.usual:.0f} h after its lag"
    print(f"  {head}: all of {advice.jar} in {advice.litres:g} L at {advice.sg:.3f} (about {advice.extract_g:.0f} g "
          f"of malt extract), {advice.temperature_c:.0f} °C")  # fmt: skip
    print(f"    grows from {cells(advice.start_cells)} to about {cells_range(grows.cells)}{hours}; "
          f"what stops it is {advice.limited}")  # fmt: skip
    if not advice.reaches:
        print("    that is less than is wanted: let it settle and feed it a second time, or pitch fresh yeast")
    print("    cover it with foil, never a tight lid: it makes gas")
    print(f"    then say so: leeswatch yeast starter {advice.jar} --litres {advice.litres:g}")
