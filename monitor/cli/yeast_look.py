"""`leeswatch yeast`: the shelf, one thing, where it comes from."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from monitor.batches.cells import cells_range
from monitor.cli.batch_look import asked_of
from monitor.cli.common import (
    Commands,
    command,
    iso,
    local,
    named,
    now_ms,
    say_json,
    settings_of,
    whole_state,
    with_config,
    with_json,
)
from monitor.cli.yeast_common import day, spread
from monitor.model.clock import DAY
from monitor.model.config import Settings
from monitor.model.deeds import Undone
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.pitching import Usual
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

    tree = command(
        verbs, "tree", "Where a jar comes from, back to its first packet.", "leeswatch yeast tree ale-1", _tree
    )
    named(tree, "jar", "the jar")


# --- the shelf ---------------------------------------------------------------------------------------------------


def _shelf(args: argparse.Namespace) -> int:
    from monitor.batches import pitching, shelf, washing  # noqa: PLC0415 - with the science
    from monitor.engine.pitching import usual_of  # noqa: PLC0415
    from monitor.engine.yeast_clocks import shelf_of, washings_of  # noqa: PLC0415

    settings = settings_of(args)
    state, now = whole_state(settings), now_ms(settings)
    usual = usual_of(state)
    practice = settings.practice.yeast
    jars = [each for each in shelf_of(state, now) if args.all or not each.gone]
    washes = [each for each in washings_of(state) if args.all or not (each.jars or each.gone)]
    if args.json:
        say_json({
            "jars": [{**shelf.as_json(each), "would_pitch": pitching.reach_json(each, usual)} for each in jars],
            "washes": [washing.as_json(each, practice, now) for each in washes],
        })  # fmt: skip
        return 0
    for wash in washes:
        print(f"wash {wash.name}: {washing.next_step(wash, practice, now)}")
    if not jars:
        print("Nothing stands on the shelf: leeswatch yeast packet, or leeswatch yeast harvest BATCH")
        return 0
    _table(jars, settings, now)
    for jar in jars:
        print(f"{jar.name}: {pitching.do(jar, usual)}")
        for batch in jar.unmeasured:
            print(f"{jar.name}: how much of it went into {batch}? leeswatch yeast use {jar.name} ML --batch {batch}")
    print("Ages and generations are common practice, no source; smell, colour and a microscope overrule them.")
    for caution in shelf.CAUTIONS if any(each.made.origin != "packet" for each in jars) else ():
        print(f"! {caution}")
    return 0


def _table(jars: list[Jar], settings: Settings, now: int) -> None:
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
            _short(jar.best_ms, settings, now), _short(jar.discard_ms, settings, now),
        )  # fmt: skip
        table.add_row(*(Text(each) for each in row))
    Console().print(table)


def _short(ms: int | None, settings: Settings, now: int) -> str:
    """A day, with its year where that could be mistaken."""
    return day(ms, settings) if ms is not None and abs(ms - now) > 300 * DAY else day(ms, settings)[:6].strip()


# --- one thing ---------------------------------------------------------------------------------------------------


def _show(args: argparse.Namespace) -> int:
    from monitor.batches import pitching, shelf, washing  # noqa: PLC0415 - with the science
    from monitor.engine.pitching import usual_of  # noqa: PLC0415
    from monitor.engine.yeast_clocks import jar_of, washing_of  # noqa: PLC0415

    settings = settings_of(args)
    state, now = whole_state(settings), now_ms(settings)
    usual = usual_of(state)
    wash, jar = washing_of(state, args.name), jar_of(state, args.name, now)
    if wash is None and jar is None and not any(f"{kind}:{args.name}" in state.records for kind in ("wash", "jar")):
        wash_or_jar = [key.partition(":")[2] for key in state.records if not key.startswith("batch:")]
        raise UsageError(f"there is no wash or jar {args.name}", f"there are: {', '.join(wash_or_jar) or 'none yet'}")
    history = _history(state, args.name)
    if args.json:
        say_json({
            "wash": None if wash is None else washing.as_json(wash, settings.practice.yeast, now),
            "jar": None if jar is None
            else {**shelf.as_json(jar), "would_pitch": pitching.reach_json(jar, usual)},
            "history": [{"time": iso(at), "told": iso(told), "text": text, "counts": on}
                        for at, told, text, on in history],
        })  # fmt: skip
        return 0
    if wash is not None:
        _say_wash(wash, settings, now)
    if jar is not None:
        _say_jar(jar, settings, usual)
    for at, _, text, on in history:
        print(f"  {local(at, settings)}  {text}{'' if on else '  (taken back)'}")
    return 0


def _history(state: State, name: str) -> list[tuple[int, int, str, bool]]:
    """When done, when told, what, and whether it counts; by when it was done."""
    from monitor.batches.record import counting, when  # noqa: PLC0415 - loaded already
    from monitor.batches.told import sentence  # noqa: PLC0415

    record = {
        each.received: each for kind in ("wash", "jar") for each in state.records.get(f"{kind}:{name}", ())
    }  # fmt: skip
    on = {each.received for each in counting(record.values())}
    deeds = [each for each in record.values() if not isinstance(each, Undone)]
    found = [(when(each), each.received, sentence(each, name), each.received in on) for each in deeds]
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


def _say_jar(jar: Jar, settings: Settings, usual: Usual | None) -> None:
    from monitor.batches import pitching, shelf  # noqa: PLC0415 - loaded already

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
    print(f"→ {pitching.do(jar, usual)}")
    if not jar.gone and made.origin != "packet":
        for caution in shelf.CAUTIONS:
            print(f"  ! {caution}")


# --- where it comes from -------------------------------------------------------------------------------------------


def _tree(args: argparse.Namespace) -> int:
    from monitor.batches import lineage  # noqa: PLC0415 - with the rest of the batches
    from monitor.engine.checks.jars import jar_told  # noqa: PLC0415
    from monitor.engine.yeast_clocks import lineage_of  # noqa: PLC0415

    asked = asked_of(settings_of(args))
    jar_told(asked, args.jar)
    found = lineage_of(asked.state, args.jar)
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
