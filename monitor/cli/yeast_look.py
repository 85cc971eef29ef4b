"""`leeswatch yeast`: the shelf, one thing, what to pitch, where it comes from."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from monitor.cli.common import (
    Commands,
    batch_of,
    command,
    iso,
    litres,
    local,
    named,
    now_ms,
    number,
    say_json,
    settings_of,
    whole_state,
    with_config,
    with_json,
)
from monitor.cli.yeast_common import cells, cells_range, day, jar_named, sentence, spread
from monitor.model.config import Settings
from monitor.model.deeds import Undone
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.pitching import Offer, PitchPlan, StarterAdvice, Together
    from monitor.batches.shelf import Jar
    from monitor.batches.washing import Washing
    from monitor.engine.state import State


def add(verbs: Commands) -> None:
    """Add the verbs."""
    shelf = command(
        verbs, "shelf", "What stands on the shelf, and what is being washed.", "leeswatch yeast shelf", _shelf
    )
    with_config(shelf)
    with_json(shelf)
    shelf.add_argument("--all", action="store_true", help="jars that are gone, too")

    show = command(verbs, "show", "All that is known of a wash or a jar.", "leeswatch yeast show ale-1", _show)
    named(show, "name", "the wash or the jar")

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

    tree = command(
        verbs, "tree", "Where a jar comes from, back to its first packet.", "leeswatch yeast tree ale-1", _tree
    )
    named(tree, "jar", "the jar")


# --- the shelf ---------------------------------------------------------------------------------------------------


def _shelf(args: argparse.Namespace) -> int:
    from monitor.batches import shelf, washing  # noqa: PLC0415 - with the science
    from monitor.engine.yeast_clocks import shelf_of, washings_of  # noqa: PLC0415

    settings = settings_of(args)
    state, now = whole_state(settings), now_ms(settings)
    practice = settings.practice.yeast
    jars = [each for each in shelf_of(state, now) if args.all or not each.gone]
    washes = [each for each in washings_of(state) if args.all or not each.jars]
    if args.json:
        say_json({
            "jars": [shelf.as_json(each) for each in jars],
            "washes": [washing.as_json(each, practice, now) for each in washes],
        })  # fmt: skip
        return 0
    for wash in washes:
        print(f"wash {wash.name}: {washing.next_step(wash, practice, now)}")
    if not jars:
        print("Nothing stands on the shelf: leeswatch yeast packet, or leeswatch yeast harvest BATCH")
        return 0
    _table(jars, settings)
    for jar in jars:
        print(f"{jar.name}: {shelf.do(jar)}")
        for batch in jar.unmeasured:
            print(f"{jar.name}: how much of it went into {batch}? leeswatch yeast use {jar.name} ML --batch {batch}")
    print("Ages and generations are common practice, no source; smell, colour and a microscope overrule them.")
    for caution in shelf.CAUTIONS if any(each.made.origin != "packet" for each in jars) else ():
        print(f"! {caution}")
    return 0


def _table(jars: list[Jar], settings: Settings) -> None:
    from rich import box  # noqa: PLC0415 - tables only here
    from rich.console import Console  # noqa: PLC0415
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, collapse_padding=True)
    for heading in ("jar", "strain", "gen.", "left", "age", "% alive", "best by", "out by"):
        table.add_column(Text(heading), no_wrap=heading not in ("jar", "strain"), overflow="fold")
    for jar in jars:
        alive = jar.viability
        row = (
            jar.name, jar.made.strain, str(jar.made.generation), f"{jar.left_ml:.0f} {jar.unit}",
            f"{jar.age_days:.0f} d", "–" if alive is None else f"{alive.low:.0f}–{alive.high:.0f}",
            _short(jar.best_ms, settings), _short(jar.discard_ms, settings),
        )  # fmt: skip
        table.add_row(*(Text(each) for each in row))
    Console().print(table)


def _short(ms: int | None, settings: Settings) -> str:
    """A day without its year."""
    return day(ms, settings)[:6].strip()


# --- one thing ---------------------------------------------------------------------------------------------------


def _show(args: argparse.Namespace) -> int:
    from monitor.batches import shelf, washing  # noqa: PLC0415 - with the science
    from monitor.engine.yeast_clocks import jar_of, washing_of  # noqa: PLC0415

    settings = settings_of(args)
    state, now = whole_state(settings), now_ms(settings)
    wash, jar = washing_of(state, args.name), jar_of(state, args.name, now)
    if wash is None and jar is None and not any(f"{kind}:{args.name}" in state.records for kind in ("wash", "jar")):
        wash_or_jar = [key.partition(":")[2] for key in state.records if not key.startswith("batch:")]
        raise UsageError(f'there is no wash or jar "{args.name}"', f"there are: {', '.join(wash_or_jar) or 'none yet'}")
    history = _history(state, args.name)
    if args.json:
        say_json({
            "wash": None if wash is None else washing.as_json(wash, settings.practice.yeast, now),
            "jar": None if jar is None else shelf.as_json(jar),
            "history": [{"time": iso(at), "told": iso(told), "text": text, "counts": on}
                        for at, told, text, on in history],
        })  # fmt: skip
        return 0
    if wash is not None:
        _say_wash(wash, settings, now)
    if jar is not None:
        _say_jar(jar, settings)
    for at, _, text, on in history:
        print(f"  {local(at, settings)}  {text}{'' if on else '  (taken back)'}")
    return 0


def _history(state: State, name: str) -> list[tuple[int, int, str, bool]]:
    """When done, when told, what, and whether it counts; by when it was done."""
    from monitor.batches.record import counting, when  # noqa: PLC0415 - loaded already

    record = {
        each.received: each for kind in ("wash", "jar") for each in state.records.get(f"{kind}:{name}", ())
    }  # fmt: skip
    on = {each.received for each in counting(record.values())}
    deeds = [each for each in record.values() if not isinstance(each, Undone)]
    found = [(when(each), each.received, sentence(each), each.received in on) for each in deeds]
    return sorted(found)


def _say_wash(wash: Washing, settings: Settings, now: int) -> None:
    from monitor.batches import washing  # noqa: PLC0415 - loaded already

    practice = settings.practice.yeast
    if wash.harvest is not None:
        print(f"wash {wash.name}: {wash.harvest.strain}, generation {wash.harvest.generation}, "
              f"from {wash.harvest.batch}, {wash.rounds} of {practice.rounds} rounds")  # fmt: skip
        said = washing.doubts(
            wash.harvest.abv, practice, stalled=wash.harvest.stalled, off_smell=wash.harvest.off_smell
        )
        for each in said:
            print(f"  ! {each}")
        if said:
            print(f"  → {washing.FROM_FRESH}")
    else:
        print(f"wash {wash.name}: where it comes from was not told")
    running = wash.running
    if running is not None:
        print(f"  stands since {local(running.from_ms, settings)}, at least until {local(running.due_ms, settings)}")
        said_by = washing.physics(running)
        if said_by and running.stand == "long":
            print(f"  physics: {said_by}")
    print(f"→ {washing.next_step(wash, practice, now)}")


def _say_jar(jar: Jar, settings: Settings) -> None:
    from monitor.batches import shelf  # noqa: PLC0415 - loaded already

    made, unit, packet = jar.made, jar.unit, jar.made.origin == "packet"
    print(f"jar {jar.name}: {made.strain}, generation {made.generation}, put up {local(made.at, settings)}")
    layer = f", {jar.layer_left_ml:.0f} mL of it settled yeast" if jar.layer_left_ml is not None else ""
    print(f"  {jar.left_ml:.0f} of {made.volume_ml:g} {unit} left{layer}, at {made.stored_c:g} °C"
          f"{f' in {made.fridge}' if made.fridge else ''}")  # fmt: skip
    if jar.viability is not None:
        wide = "; beyond what is published, so wide" if jar.extrapolated else ""
        print(f"  about {spread(jar.viability)} % alive, {jar.viability_how}{wide}")
    else:
        print(f"  alive: {jar.viability_how}")
    if jar.living is not None and not jar.gone:
        print(f"  about {cells_range(jar.living)} living cells, {jar.per_ml_how}")
    elif not jar.gone:
        print(f"  cells: {jar.per_ml_how if jar.per_ml is None else 'not known'}")
    if jar.best_ms is not None:
        out = f", thrown out by {day(jar.discard_ms, settings)}" if jar.discard_ms is not None else ""
        print(f"  best by {day(jar.best_ms, settings)}{out} ({'its packet' if packet else 'common practice'})")
    print(f"→ {shelf.do(jar)}")
    if not jar.gone and made.origin != "packet":
        for caution in shelf.CAUTIONS:
            print(f"  ! {caution}")


# --- what to pitch -----------------------------------------------------------------------------------------------


def _plan(args: argparse.Namespace) -> int:
    from monitor.batches import pitching  # noqa: PLC0415 - with the science
    from monitor.engine.yeast_clocks import shelf_of  # noqa: PLC0415

    settings = settings_of(args)
    state, now = whole_state(settings), now_ms(settings)
    volume, og, strain = args.litres, args.og, None
    if args.batch is not None:
        from monitor.cli.batch_life import life_now  # noqa: PLC0415 - with all its verbs
        from monitor.engine.lives import start_of  # noqa: PLC0415

        batch_of(state, args.batch)
        start = start_of(state, args.batch)
        strain = start.yeast if start is not None else None
        life = life_now(state, args.batch, settings)
        volume = volume if volume is not None else life.volume_l
        og = og if og is not None else life.facts.original
    if volume is None or og is None:
        missing = "--litres" if volume is None else "--og"
        raise UsageError(
            "how much of what is to be pitched is not known", f"give {missing}, or a --batch that tells it"
        )
    try:
        plan = pitching.plan(volume, og, args.kind, shelf_of(state, now), strain)
    except ValueError as error:
        raise UsageError(str(error), "check --litres and --og") from error
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
    for offer in plan.offers:
        _say_offer(offer)
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


# --- where it comes from -------------------------------------------------------------------------------------------


def _tree(args: argparse.Namespace) -> int:
    from monitor.batches import lineage  # noqa: PLC0415 - with the rest of the batches
    from monitor.engine.yeast_clocks import lineage_of  # noqa: PLC0415

    settings = settings_of(args)
    state = whole_state(settings)
    jar_named(state, args.jar, now_ms(settings), there=False)
    found = lineage_of(state, args.jar)
    if args.json:
        say_json(lineage.as_json(found))
        return 0
    encoding = sys.stdout.encoding or "ascii"
    for line in lineage.as_text(found, plain=not _boxes(encoding)):
        print(line.encode(encoding, "replace").decode(encoding))
    return 0


def _boxes(encoding: str) -> bool:
    """Whether an output of that encoding can show box characters."""
    try:
        "├└│─".encode(encoding)
    except UnicodeEncodeError:
        return False
    return True
