"""`leeswatch batch show`, `history` and `plan`: what is known of a batch."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from monitor.cli.batch_words import stamp
from monitor.cli.common import (
    Commands,
    amount,
    batch_of,
    command,
    local,
    named,
    now_ms,
    number,
    reader_of,
    say_json,
    settings_of,
    whole_state,
)
from monitor.model.clock import parse_time
from monitor.model.errors import StoreError, UsageError

if TYPE_CHECKING:
    from monitor.batches.life import Life, Strength
    from monitor.batches.racking import Plan
    from monitor.model.config import Settings


def add(verbs: Commands) -> None:
    """Add the verbs."""
    show = command(verbs, "show", "All that is known of a batch: where, how much, how strong, what went in.",
                   "leeswatch batch show amber-1", _show)  # fmt: skip
    named(show)
    history = command(verbs, "history", "Everything that was told of a batch; what was taken back is struck out.",
                      "leeswatch batch history amber-1", _history)  # fmt: skip
    named(history)
    plan = command(
        verbs, "plan", "The racking plan: strength now, what the lees and the siphon keep, what arrives, a checklist.",
        "leeswatch batch plan amber-1 --to jug-a --lees 20mm --diameter 280", _plan,
    )  # fmt: skip
    named(plan)
    plan.add_argument("--to", metavar="VESSEL", help="the vessel it is to go into")
    plan.add_argument("--lees", metavar="L|MM", help="the lees as measured: 1.2L, or their height such as 20mm")
    plan.add_argument("--diameter", type=number, metavar="MM", help="of the vessel it is in, inside")


# --- show --------------------------------------------------------------------------------------------------------


def _life(args: argparse.Namespace, settings: Settings) -> Life:
    from monitor.engine.lives import life_of  # noqa: PLC0415 - with half the science

    state = whole_state(settings)
    batch_of(state, args.name)
    found = life_of(state, args.name, now_ms(settings), lambda ms: stamp(ms, settings))
    assert found is not None
    return found


def _show(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    life = _life(args, settings)
    said = _said(life, settings)
    if args.json:
        from monitor.batches import picture  # noqa: PLC0415

        say_json({**picture.life(life), "judgement": said})
        return 0
    for line in _picture(life, said, settings):
        print(line)
    return 0


def _said(life: Life, settings: Settings) -> dict[str, Any] | None:
    """The verdict as it was last told, with why; None where none was."""
    try:
        with reader_of(settings) as reader:
            return reader.latest_verdicts().get(life.name)
    except StoreError:
        return None


def _picture(life: Life, said: dict[str, Any] | None, settings: Settings) -> list[str]:
    facts = life.facts
    closed = f"closed since {local(life.closed_ms, settings)}" if life.closed_ms is not None else facts.stage
    lines = [f"{life.name} in {facts.vessel}: {closed}"]
    if facts.verdict and life.closed_ms is None:
        lines += _verdict(facts.verdict, said, settings)
    lines.append(f"  pitched {local(facts.pitched_ms, settings)}")
    if life.split_from:
        lines.append(f"  split from {life.split_from}")
    lines += [
        f"  {stay.what}: from {local(stay.from_ms, settings)}{_until(stay.to_ms, settings)}" for stay in life.vessels
    ]
    lines += [
        f"  stage {stay.what}: from {local(stay.from_ms, settings)}{_until(stay.to_ms, settings)}"
        for stay in life.stages if len(life.stages) > 1
    ]  # fmt: skip
    if life.volume_l is not None:
        lost = f"; {life.lost_l:.1f} L lost in racking" if life.lost_l else ""
        lines.append(f"  {life.volume_l:.1f} L ({life.volume_how}){lost}")
    if facts.gravity is not None:
        seen = f", {local(facts.gravity_ms, settings)}" if facts.gravity_ms is not None else ""
        lines.append(f"  gravity {facts.gravity:.4f}{seen}")
    lines += strength_lines(life.strength, life.no_strength)
    if life.jars:
        lines.append(f"  pitched from {', '.join(life.jars)}")
    if life.parts:
        lines.append(f"  parts: {', '.join(life.parts)}")
    if life.merged_from:
        lines.append(f"  came in: {', '.join(life.merged_from)}")
    if life.merged_into:
        lines.append(f"  poured into {life.merged_into}")
    counted = [line for line in life.history if line.counts]
    if counted:
        lines.append("  last:")
        lines += [f"    {local(line.at_ms, settings)}  {line.text}" for line in counted[-5:]]
        lines.append(f"  all of it: leeswatch batch history {life.name}")
    return lines


def _verdict(verdict: str, said: dict[str, Any] | None, settings: Settings) -> list[str]:
    if said is None or said["verdict"] != verdict:
        return [f"  verdict: {verdict}"]
    when = local(parse_time(said["time"]), settings)
    return [f"  verdict: {verdict}, as of {when}", *(f"    because {why}" for why in said["because"])]


def _until(to_ms: int | None, settings: Settings) -> str:
    return f" to {local(to_ms, settings)}" if to_ms is not None else ""


def strength_lines(found: Strength | None, why_none: str) -> list[str]:
    """Strength and attenuation with their ranges, or why there are none."""
    if found is None:
        return [f"  strength not known: {why_none}"]
    return [
        f"  {found.abv:.1f} % by volume ({found.abv_low:.1f} to {found.abv_high:.1f}), apparent attenuation "
        f"{found.apparent_attenuation:.0f} % ({found.apparent_low:.0f} to {found.apparent_high:.0f})",
        f"    from {found.og:.4f} ({found.og_low:.4f} to {found.og_high:.4f}): {found.how}",
    ]


# --- history -----------------------------------------------------------------------------------------------------


def _history(args: argparse.Namespace) -> int:
    settings = settings_of(args)
    life = _life(args, settings)
    if args.json:
        from monitor.batches import picture  # noqa: PLC0415

        say_json(picture.history(life))
        return 0
    print(f"{life.name}, as it was told:")
    for line in life.history:
        why = f"  [{line.why}]" if line.why else ""
        print(f"  {stamp(line.at_ms, settings)} {' ' if line.counts else '-'} {line.text}{why}")
    print(
        f"take one back: leeswatch batch undo {life.name} --of 'TIME' "
        f"(a reading: leeswatch batch reading {life.name} --undo --when 'TIME')"
    )
    if not all(line.counts for line in life.history):
        print(f"count one again: leeswatch batch undo {life.name} --of the 'TIME' it was taken back on")
    return 0


# --- plan --------------------------------------------------------------------------------------------------------


def _plan(args: argparse.Namespace) -> int:
    from monitor.batches import picture  # noqa: PLC0415
    from monitor.engine.lives import plan_of  # noqa: PLC0415

    settings = settings_of(args)
    state = whole_state(settings)
    batch_of(state, args.name)
    if args.to is not None and state.vessel(args.to) is None:
        known = ", ".join(vessel.name for vessel in settings.vessel) or "none"
        raise UsageError(f"there is no vessel {args.to}", f"vessels: {known}; a new one is a [[vessel]] of its own")
    lees_l, lees_mm = _lees(args.lees)
    try:
        found = plan_of(
            state, args.name, now_ms(settings), args.to, lees_l=lees_l, lees_mm=lees_mm, diameter_mm=args.diameter
        )
    except ValueError as error:
        raise UsageError(str(error), "check the figures") from error
    assert found is not None
    if args.json:
        say_json(picture.plan(found))
    else:
        for line in _plan_lines(found):
            print(line)
    return 0


def _lees(text: str | None) -> tuple[float | None, float | None]:
    if text is None:
        return None, None
    height = text.lower().endswith("mm")
    try:
        value, unit = (number(text[:-2]), None) if height else amount(text)
    except (ValueError, argparse.ArgumentTypeError):
        value, unit = -1.0, None
    if value < 0.0 or (not height and unit not in ("L", "mL")):
        raise UsageError(f"{text!r} are no lees", "write litres such as 1.2L, or their height such as 20mm")
    if height:
        return None, value
    return (value if unit == "L" else value / 1000.0), None


def _plan_lines(plan: Plan) -> list[str]:
    to = f" to {plan.to}" if plan.to else ""
    lines = [f"racking {plan.batch} from {plan.vessel}{to}", f"  {plan.volume_l:.1f} L in it ({plan.volume_how})"]
    lines += strength_lines(plan.strength, plan.no_strength)
    lines += [
        f"  lees {plan.lees_l:.1f} L, {plan.lees_mm:.0f} mm deep: {plan.lees_how}",
        f"  siphon tip {plan.tip_mm:.0f} mm above them keeps {plan.tip_l:.1f} L "
        f"(vessel {plan.diameter_mm:.0f} mm wide: {plan.diameter_how})",
        f"  about {plan.arrives_l:.1f} L will arrive, {plan.stays_l:.1f} L stay behind",
    ]
    if plan.headspace_l is not None and plan.headspace_l >= 0.0:
        lines.append(f"  headspace in {plan.to}: {plan.headspace_l:.1f} L of {plan.to_l:g} L; "
                     f"{plan.headspace_wanted_l:.1f} L is usual (common practice, no source)")  # fmt: skip
    lines += [f"  ! {caution}" for caution in plan.cautions]
    lines += [
        "  checklist (yours to edit: practice.racking.checklist):",
        *(f"    [ ] {each}" for each in plan.checklist),
    ]
    if plan.headspace_l is None or plan.headspace_l >= 0.0:
        to = plan.to or "VESSEL"
        lines += [
            "  done? then say so, with what arrived in place of L:",
            f"    leeswatch batch rack {plan.batch} --to {to} --litres L",
        ]
    return lines
