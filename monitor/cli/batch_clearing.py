"""`leeswatch batch`: finings and clearness; the seal check is beside it."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from monitor.cli import batch_seal
from monitor.cli.batch_look import look, open_batch, past, undo
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
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from monitor.batches.clearing import Clearing, Condition
    from monitor.engine.state import State
    from monitor.rules.batch import BatchState

CLEARNESSES = ("opaque", "cloudy", "hazy", "clear", "bright")
SAID = {True: "yes", False: "NO"}


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
    from monitor.engine import clocks  # noqa: PLC0415

    settings = settings_of(args)
    state, batch, _, finished = look(settings, args.name)
    found = clocks.clearing_of(state, batch)
    if args.part is None:
        return _where(args, settings, state, batch, found)
    open_batch(batch)
    at = past(args, settings)
    if not args.what:
        raise UsageError(f"part {args.part} needs its name", 'for example: --what "silica sol", or --what chitosan')
    if args.dose is not None and not 0 < args.dose <= 10_000:
        raise UsageError(f"--dose {args.dose:g} cannot be", "give millilitres, such as 19")
    if args.per_litre is not None and not 0 < args.per_litre <= 100:
        raise UsageError(f"--per-litre {args.per_litre:g} cannot be", "give the packet's millilitres for one litre")
    if args.part == 2:
        return _second(args, settings, state, batch, found, at)
    return _first(args, settings, state, batch, at, finished)


def _first(
    args: argparse.Namespace, settings: Settings, state: State, batch: BatchState, at: int, finished: int | None
) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - as above
    from monitor.engine import clocks  # noqa: PLC0415
    from monitor.model.deeds import Fined  # noqa: PLC0415
    from monitor.model.inputs import StageChanged  # noqa: PLC0415

    practice = settings.practice.clearing
    warmth = clocks.warmth_of(state, batch, at)
    if args.at is not None:
        warmth = (args.at, "as you say")
    facts = clocks.before_fining(state, batch, warmth, finished)
    conditions = clearing.before_first(
        facts, practice, degassed=args.degassed, dose_ml=args.dose, ml_per_l=args.per_litre
    )
    dose = args.dose or clearing.suggested_dose(facts.volume_l, args.per_litre or practice.first_ml_per_l)
    met = all(each.answer == "pass" for each in conditions)
    if met or args.anyway:
        entries: list[Any] = []
        if met and facts.stage == "fermenting":
            entries.append(StageChanged(batch=args.name, stage="clearing", at=at))
        deed = Fined(
            at=at, batch=args.name, part=1, what=args.what, dose_ml=dose, degassed=args.degassed, anyway=not met
        )
        write(settings, [*entries, deed])
    due = at + round(practice.second_after * 1000)
    if args.json:
        say_json({
            "batch": args.name, "part": 1, "done": met or args.anyway, "dose_ml": dose, "second_due": iso(due),
            "conditions": [{"name": c.name, "answer": c.answer, "why": c.why, "do": c.do} for c in conditions],
            "allergen": clearing.has_allergen(args.what),
        })  # fmt: skip
        return 0 if met or args.anyway else 1
    _say_conditions(args.name, conditions)
    if not met and not args.anyway:
        print("Nothing was noted. To note it all the same, against this advice: --anyway")
        return 1
    amount = f", {dose:g} mL" if dose is not None else ""
    moved = "; its stage is clearing now" if met and facts.stage == "fermenting" else ""
    print(f"{args.name}: first part in ({args.what}{amount}), {local(at, settings)}{moved}")
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


def _second(
    args: argparse.Namespace, settings: Settings, state: State, batch: BatchState, found: Clearing, at: int
) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - as above
    from monitor.engine import cold  # noqa: PLC0415
    from monitor.model.deeds import Fined  # noqa: PLC0415

    practice = settings.practice.clearing
    if found.first is None:
        raise UsageError(
            f"no first part is noted for {args.name}", f"leeswatch batch fine {args.name} 1 --what WHAT comes before"
        )
    if found.second is not None and not args.anyway:
        said = local(found.second.at_ms, settings)
        raise UsageError(f"the second part went in {said}", "--anyway if another one did; undo if that was a mistake")
    if at < found.first.at_ms:
        raise UsageError(
            f"that is before the first part, which went in {local(found.first.at_ms, settings)}", "look at --when"
        )
    due = found.first.at_ms + round(practice.second_after * 1000)
    early = at < due
    volume = cold.volume_of(state, batch)
    wanted = clearing.suggested_dose(volume, args.per_litre or practice.second_ml_per_l)
    dose = args.dose or wanted
    done = not early or args.anyway
    if done:
        write(settings, [Fined(at=at, batch=args.name, part=2, what=args.what, dose_ml=dose, anyway=early)])
    soon, late = (at + round(each * 1000) for each in practice.clear_after)
    if args.json:
        say_json({"batch": args.name, "part": 2, "done": done, "dose_ml": dose, "due": iso(due),
                  "clear_expected": [iso(soon), iso(late)], "allergen": clearing.has_allergen(args.what)})  # fmt: skip
        return 0 if done else 1
    if not done:
        wait = (due - at + MINUTE - 1) // MINUTE
        print(f"{args.name}: still {wait} min. The second part goes in {practice.second_after / 60:.0f} min after the "
              f"first (common practice): {local(due, settings)}.")  # fmt: skip
        print("Nothing was noted. If it went in already: --anyway")
        return 1
    amount = f", {dose:g} mL" if dose is not None else ""
    print(f"{args.name}: second part in ({args.what}{amount}), {local(at, settings)}")
    if early:
        print(f"{(due - at) // MINUTE} min before its time: that may clear less well (common practice)")
    if wanted is not None and args.dose is not None and abs(args.dose - wanted) > clearing.DOSE_OFF * wanted:
        print(f"by the packet it would have been {wanted:g} mL: too much does not clear it better, too little may not")
    print(f"it should be clear between {local(soon, settings)} and {local(late, settings)} (common practice)")
    _say_allergen(args.what)
    print(f"then say so: leeswatch batch clarity {args.name} clear")
    print(f"a mistake? {undo(args.name)}")
    return 0


def _where(args: argparse.Namespace, settings: Settings, state: State, batch: BatchState, found: Clearing) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - as above
    from monitor.engine import clocks, pictures  # noqa: PLC0415

    practice = settings.practice.clearing
    due, expected = clearing.second_due_ms(found, practice), clearing.clear_expected_ms(found, practice)
    steps = [
        each.replace("NAME", args.name)
        for each in clearing.next_steps(found, practice, settings.practice.cold.settle_hours, batch.stage)
    ]
    if args.json:
        say_json(pictures.clearing_picture(state, batch))
        return 0
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
    for step in steps:
        print(f"→ {step}")
    for what in found.allergens:
        print(f"allergen ({what}): {clearing.ALLERGEN}")
    return 0


# --- clearness ---------------------------------------------------------------------------------------------------


def _clarity(args: argparse.Namespace) -> int:
    from monitor.batches import clearing  # noqa: PLC0415 - as above
    from monitor.model.deeds import Clarity  # noqa: PLC0415

    settings = settings_of(args)
    look(settings, args.name)
    if args.clearness is None and args.ntu is None:
        raise UsageError("how clear is it?", f"say one of {', '.join(CLEARNESSES)}, or a reading with --ntu")
    if args.ntu is not None and not 0 <= args.ntu <= 10_000:
        raise UsageError(f"--ntu {args.ntu:g} cannot be", "give the turbidity as read, 0 to 10000")
    at = past(args, settings)
    deed = Clarity(at=at, batch=args.name, clearness=args.clearness, ntu=args.ntu)
    write(settings, [deed])
    practice = settings.practice.clearing
    word = args.clearness or clearing.clearness_of(args.ntu, practice.clear_ntu)
    state, batch, _, _ = look(settings, args.name)
    from monitor.engine import clocks  # noqa: PLC0415 - as above

    found = clocks.clearing_of(state, batch)
    steps = [
        each.replace("NAME", args.name)
        for each in clearing.next_steps(found, practice, settings.practice.cold.settle_hours, batch.stage)
    ]
    if args.json:
        say_json({"batch": args.name, "time": iso(at), "clearness": word, "ntu": args.ntu, "next": steps})
        return 0
    limit = f" ({args.ntu:g} NTU; clear is {practice.clear_ntu:g} or less, as set)" if args.ntu is not None else ""
    print(f"{args.name}: {word}{limit}, {local(at, settings)}")
    if found.first is not None:
        for step in steps:
            print(f"→ {step}")
    print(f"a mistake? {undo(args.name)}")
    return 0
