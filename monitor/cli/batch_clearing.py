"""`leeswatch batch`: finings and clearness; the seal check is beside it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from monitor.cli import batch_seal
from monitor.cli.batch_look import asked_of, deed, look, undo, when_of
from monitor.cli.common import (
    Commands,
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
from monitor.model.clock import MINUTE
from monitor.model.config import Settings
from monitor.model.deeds import Clarity, Fined
from monitor.model.errors import Discouraged, UsageError

if TYPE_CHECKING:
    from monitor.batches.clearing import Clearing, Condition
    from monitor.engine.checks import Asked
    from monitor.rules.batch import BatchState

CLEARNESSES = ("opaque", "cloudy", "hazy", "clear", "bright")


def add(verbs: Commands) -> None:
    """Add the verbs."""
    fine = command(
        verbs, "fine", "Finings: check before the first part, note each part, see where it stands.",
        'leeswatch batch fine amber-1 1 --what "silica sol" --per-litre 1 --degassed', _fine,
    )  # fmt: skip
    named(fine)
    fine.add_argument("part", nargs="?", type=int, choices=(1, 2), help="which part goes in; none: where it stands")
    fine.add_argument("--what", metavar="WHAT", help="what it is, such as 'silica sol' or chitosan")
    fine.add_argument("--dose", type=number, metavar="ML", help="how much went in, mL (default: by the packet)")
    fine.add_argument("--per-litre", type=number, metavar="ML", help="the packet's dose, mL for a litre")
    fine.add_argument("--at", type=number, metavar="°C", help="temperature of the liquid, where no probe tells")
    fine.add_argument("--degassed", action="store_true", help="you stirred the gas out: no probe can tell")
    fine.add_argument("--anyway", action="store_true", help="note it although a condition is not met, or before time")
    with_when(fine, "when it went in")

    clarity = command(
        verbs, "clarity", "Say how clear it is, by eye or by a turbidity reading.",
        "leeswatch batch clarity amber-1 hazy", _clarity,
    )  # fmt: skip
    named(clarity)
    clarity.add_argument("clearness", nargs="?", choices=CLEARNESSES, help="by eye, against a light")
    clarity.add_argument("--ntu", type=number, metavar="N", help="turbidity as read, NTU")
    with_when(clarity, "when you looked")

    batch_seal.add(verbs)


# --- finings -----------------------------------------------------------------------------------------------------


def _fine(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    if args.part is None:
        return _where(args, settings)
    if not args.what:
        raise UsageError(f"part {args.part} needs its name", 'for example: --what "silica sol", or --what chitosan')
    if args.dose is not None and not 0 < args.dose <= 10_000:
        raise UsageError(f"--dose {args.dose:g} cannot be", "give millilitres, such as 19")
    if args.per_litre is not None and not 0 < args.per_litre <= 100:
        raise UsageError(f"--per-litre {args.per_litre:g} cannot be", "give the packet's millilitres for one litre")
    asked = asked_of(settings, anyway=args.anyway, liquid_c=args.at, ml_per_l=args.per_litre)
    entry = deed(
        Fined, at=when_of(args, settings, asked), batch=args.name, part=args.part, what=args.what, dose_ml=args.dose,
        degassed=args.degassed,
    )  # fmt: skip
    return _second(args, settings, asked, entry) if args.part == 2 else _first(args, settings, asked, entry)


def _first(args: argparse.Namespace, settings: Settings, asked: Asked, told: Fined) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - with the science
    from monitor.engine.checks import clearing as checks  # noqa: PLC0415

    practice, against = settings.practice.clearing, None
    try:
        noted = checks.fined(asked, told)
        entry = noted[-1]
        write(settings, noted)
    except Discouraged as error:
        against, noted, entry = error, (), told
    assert isinstance(entry, Fined)
    conditions, due = checks.first_part(asked, told), entry.at + round(practice.second_after * 1000)
    if args.json:
        say_json({
            "batch": args.name, "part": 1, "done": against is None, "dose_ml": entry.dose_ml, "second_due": iso(due),
            "conditions": [{"name": c.name, "answer": c.answer, "why": c.why, "do": c.do} for c in conditions],
            "allergen": clearing.has_allergen(args.what),
        })  # fmt: skip
    else:
        _say_conditions(args.name, conditions)
    if against is not None:
        raise against
    if args.json:
        return 0
    amount = f", {entry.dose_ml:g} mL" if entry.dose_ml is not None else ""
    moved = "; its stage is clearing now" if len(noted) > 1 else ""
    print(f"{args.name}: first part in ({args.what}{amount}), {local(entry.at, settings)}{moved}")
    print(f"the second part is due {local(due, settings)}, {practice.second_after / 60:.0f} min after the first "
          "(common practice)")  # fmt: skip
    _say_allergen(args.what)
    print("yeast for the shelf is taken before finings: what settles from now on is nothing for it")
    print(f"a mistake? {undo(args.name)}")
    return 0


def _say_conditions(name: str, conditions: tuple[Condition, ...]) -> None:
    print(f"Before the first part goes into {name}:")
    for each in conditions:
        answer = "NOT" if each.answer == "not" else each.answer
        print(f"  {answer:<8} {each.name:<12} {each.why}")
        if each.answer != "pass" and each.do:
            print(f"           → {each.do}")


def _say_allergen(what: str) -> None:
    from monitor.batches import clearing  # noqa: PLC0415 - as above

    if clearing.has_allergen(what):
        print(f"allergen: {clearing.ALLERGEN}")


def _second(args: argparse.Namespace, settings: Settings, asked: Asked, told: Fined) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - as above
    from monitor.engine import clocks  # noqa: PLC0415
    from monitor.engine.checks import clearing as checks  # noqa: PLC0415

    practice = settings.practice.clearing
    (entry,) = checks.fined(asked, told)
    assert isinstance(entry, Fined)
    batch = asked.state.batches[args.name]
    due = checks.second_due(asked.state, clocks.clearing_of(asked.state, batch))
    assert due is not None  # or it was refused
    write(settings, [entry])
    soon, late = (entry.at + round(each * 1000) for each in practice.clear_after)
    if args.json:
        say_json({"batch": args.name, "part": 2, "done": True, "dose_ml": entry.dose_ml, "due": iso(due),
                  "clear_expected": [iso(soon), iso(late)], "allergen": clearing.has_allergen(args.what)})  # fmt: skip
        return 0
    amount = f", {entry.dose_ml:g} mL" if entry.dose_ml is not None else ""
    print(f"{args.name}: second part in ({args.what}{amount}), {local(entry.at, settings)}")
    if entry.at < due:
        print(f"{(due - entry.at) // MINUTE} min before its time: that may clear less well (common practice)")
    wanted = checks.packet_dose(asked, batch, 2)
    if wanted is not None and args.dose is not None and abs(args.dose - wanted) > clearing.DOSE_OFF * wanted:
        print(f"by the packet it would have been {wanted:g} mL: too much does not clear it better, too little may not")
    print(f"it should be clear between {local(soon, settings)} and {local(late, settings)} (common practice)")
    _say_allergen(args.what)
    print(f"then say so: leeswatch batch clarity {args.name} clear")
    print(f"a mistake? {undo(args.name)}")
    return 0


def _where(args: argparse.Namespace, settings: Settings) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - as above
    from monitor.engine import clocks, pictures  # noqa: PLC0415

    asked, batch = look(settings, args.name)
    if args.json:
        say_json(pictures.clearing_picture(asked.state, batch))
        return 0
    found, practice = clocks.clearing_of(asked.state, batch), settings.practice.clearing
    due, expected = clearing.second_due_ms(found, practice), clearing.clear_expected_ms(found, practice)
    for number_, part in (("first", found.first), ("second", found.second)):
        if part is not None:
            dose = f", {part.dose_ml:g} mL" if part.dose_ml is not None else ""
            print(f"{args.name}: {number_} part in {local(part.at_ms, settings)} ({part.what}{dose})")
    if found.first is None:
        print(f"{args.name}: no finings yet")
    if due is not None and batch.stage in clocks.CLEARS:
        print(f"the second part is due {local(due, settings)} (common practice)")
    if expected is not None and found.clear_ms() is None:
        soon, late = (local(each, settings) for each in expected)
        print(f"it should be clear between {soon} and {late} (common practice)")
    for seen in found.looks[-3:]:
        print(f"  {local(seen.at_ms, settings)}: {seen.clearness}, {seen.how}")
    for step in _next(settings, batch, found):
        print(f"→ {step}")
    for what in found.allergens:
        print(f"allergen ({what}): {clearing.ALLERGEN}")
    return 0


def _next(settings: Settings, batch: BatchState, found: Clearing) -> list[str]:
    from monitor.batches import clearing  # noqa: PLC0415 - as above

    practice = settings.practice
    steps = clearing.next_steps(found, practice.clearing, practice.cold.settle_hours, batch.stage)
    return [each.replace("NAME", batch.name) for each in steps]


# --- clearness ---------------------------------------------------------------------------------------------------


def _clarity(args: argparse.Namespace) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - as above
    from monitor.engine import clocks  # noqa: PLC0415
    from monitor.engine.checks import clearing as checks  # noqa: PLC0415

    settings = settings_of(args)
    if args.ntu is not None and not 0 <= args.ntu <= 10_000:
        raise UsageError(f"--ntu {args.ntu:g} cannot be", "give the turbidity as read, 0 to 10000")
    asked = asked_of(settings)
    told = deed(Clarity, at=when_of(args, settings, asked), batch=args.name, clearness=args.clearness, ntu=args.ntu)
    entry = checks.looked_at(asked, told)
    write(settings, [entry])
    practice = settings.practice.clearing
    word = args.clearness or clearing.clearness_of(args.ntu, practice.clear_ntu)
    asked, batch = look(settings, args.name)
    found = clocks.clearing_of(asked.state, batch)
    steps = _next(settings, batch, found)
    if args.json:
        say_json({"batch": args.name, "time": iso(entry.at), "clearness": word, "ntu": args.ntu, "next": steps})
        return 0
    limit = f" ({args.ntu:g} NTU; clear is {practice.clear_ntu:g} or less, as set)" if args.ntu is not None else ""
    print(f"{args.name}: {word}{limit}, {local(entry.at, settings)}")
    if found.first is not None:
        for step in steps:
            print(f"→ {step}")
    print(f"a mistake? {undo(args.name)}")
    return 0
