"""Clearing, holds and seals as JSON-able values: for `--json`, the API and the report."""

from __future__ import annotations

from typing import Any

from monitor.batches import clearing, hold
from monitor.batches.clearing import Part
from monitor.batches.seal import Judgement
from monitor.engine import clocks, cold
from monitor.engine.cold import Tender
from monitor.engine.state import State
from monitor.model.clock import iso
from monitor.model.deeds import Held
from monitor.rules.batch import BatchState
from monitor.science.thermal import seconds_to_reach


def clearing_picture(state: State, batch: BatchState) -> dict[str, Any]:
    """Where the clearing of a batch stands, and what there is to do next; unknown is null."""
    practice = state.settings.practice
    found = clocks.clearing_of(state, batch)
    due, expected = (
        clearing.second_due_ms(found, practice.clearing),
        clearing.clear_expected_ms(found, practice.clearing),
    )
    clear = found.clear_ms()
    due = due if batch.stage in clocks.CLEARS else None
    steps = clearing.next_steps(found, practice.clearing, practice.cold.settle_hours, batch.stage)
    return {
        "batch": batch.name,
        "first": _part(found.first),
        "second": _part(found.second),
        "second_due": iso(due) if due is not None else None,
        "clear_expected": [iso(each) for each in expected] if expected else None,
        "looks": [
            {"time": iso(each.at_ms), "clearness": each.clearness, "ntu": each.ntu, "how": each.how}
            for each in found.looks
        ],
        "clear_since": iso(clear) if clear is not None else None,
        "allergens": list(found.allergens),
        "next": [each.replace("NAME", batch.name) for each in steps],
    }


def _part(part: Part | None) -> dict[str, Any] | None:
    return None if part is None else {"time": iso(part.at_ms), "what": part.what, "dose_ml": part.dose_ml}


def seal_picture(found: Judgement) -> dict[str, Any]:
    """A judgement on a closed vessel; pressures in bar above the air outside, null where not known."""
    span = found.pressure_range
    return {
        "safe": found.safe,
        "pressure_bar_gauge": None if found.pressure_bar is None else round(found.pressure_bar, 2),
        "pressure_range": None if span is None else [round(each, 2) for each in span],
        "warming_only_bar": None if found.warming_bar is None else round(found.warming_bar, 2),
        "rating": found.rating,
        "checks": [{"name": each.name, "so": each.so, "why": each.why} for each in found.checks],
        "warnings": list(found.warnings),
    }


def seals_picture(state: State, batch: BatchState, now_ms: int) -> list[dict[str, Any]]:
    """Each vessel of a batch that stands closed, with how safe that is now."""
    return [
        {"closed": iso(sealed.at), "litres": sealed.litres, "material": sealed.material, **seal_picture(found)}
        for sealed, found in clocks.judged(state, batch, now_ms)
    ]


def outlook(state: State, deed: Held) -> dict[str, Any]:
    """What can be said beforehand: when its liquid will be cold, where it freezes, and what is too cold for it."""
    practice = state.settings.practice.cold
    fridge = cold.fridge_of(state, deed)
    thing = cold.thing_of(state, deed)
    heard = cold.air_now(fridge, state.clock.last_ms) is not None
    air = fridge.slow if fridge is not None and heard else fridge.target if fridge is not None else None
    limit = deed.target_c + practice.within_k
    hours: list[float] | None = None
    if air is not None and (air < limit or deed.from_c <= limit):
        hours = [seconds_to_reach(deed.from_c, limit, air, tau) / 3600.0 if deed.from_c > limit else 0.0
                 for tau in hold.taus(thing.litres, thing.material)]  # fmt: skip
    notes, others = [], []
    if fridge is not None:
        others = cold.tender(state, fridge, {**clocks.holds(state), deed.about: deed})
        for each in others:
            other = hold.Thing(0.5, "glass", each.freezes_c, each.why)
            advice = hold.too_cold(each.name, other, f"fridge {fridge.name}", fridge.target)
            if advice is None and each.name != thing.tender and deed.target_c - each.freezes_c < hold.FREEZE_CARE_K:
                advice = f"{deed.target_c:g} °C would be too cold for {each.name} in the same fridge: {each.why}"
            notes += [advice] if advice is not None else []
    if deed.target_c - thing.freezes_c < hold.FREEZE_CARE_K:
        notes.append(f"the target itself is too cold for it: {thing.why}; {hold.GLASS_CAUTION}")
    return {
        "air_c": None if air is None else round(air, 2),
        "air_from": None if air is None else "measured" if heard else "as set",
        "cold_after_h": None if hours is None else round(hours[0], 1),
        "cold_after_range_h": None if hours is None else [round(min(hours), 1), round(max(hours), 1)],
        "freezes_c": round(thing.freezes_c, 2),
        "why": thing.why,
        "advice": notes,
        "most_tender": None if not others else _tender(others[0]),
        "checklist": list(practice.checklist),
    }


def _tender(found: Tender) -> dict[str, Any]:
    liquid = found.liquid_c
    return {
        "name": found.name,
        "freezes_c": round(found.freezes_c, 2),
        "liquid_c": None if liquid is None else round(liquid, 2),
        "why": found.why,
    }


def hold_picture(state: State, about: str, held: Held) -> dict[str, Any]:
    """Where a hold stands. Cel, hours, K; times RFC 3339 as likely, earliest, latest; unknown is null."""
    found = cold.standing(state, about, held)
    told = outlook(state, held)
    head: dict[str, Any] = {
        "about": about, "target_c": held.target_c, "hours_wanted": held.hours, "fridge": held.fridge,
        "since": iso(held.at), "freezes_c": told["freezes_c"], "why": told["why"], "advice": told["advice"],
        "most_tender": told["most_tender"],
    }  # fmt: skip
    if found is None:
        return {**head, "liquid_c": None}
    own = state.holds[about]
    return {
        **head,
        "liquid_c": round(found.liquid_c.usual, 2),
        "liquid_range_c": [round(found.liquid_c.low, 2), round(found.liquid_c.high, 2)],
        "by": found.by,
        "cold": found.cold,
        "hours": round(found.held.usual, 2),
        "hours_range": [round(found.held.low, 2), round(found.held.high, 2)],
        "unseen_hours": round(found.unseen_hours, 2),
        "breaks": found.breaks,
        "done": own.done,
        "cold_expected": _span_json(found.cold_at_ms),
        "done_expected": _span_json(found.done_at_ms),
        "margin_k": round(found.margin_k, 2),
    }


def _span_json(span: tuple[int, int, int | None] | None) -> list[str | None] | None:
    return None if span is None else [None if each is None else iso(each) for each in span]
