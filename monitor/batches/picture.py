"""A batch's life and its racking plan as JSON-able values: for `--json`, the API and the report."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from monitor.batches.life import Life, Stay, Strength
from monitor.batches.racking import Plan
from monitor.model.clock import iso
from monitor.model.inputs import JournalEntry


def _time(ms: int | None) -> str | None:
    return iso(ms) if ms is not None else None


def _stay(stay: Stay, word: str) -> dict[str, Any]:
    said = {word: stay.what, "from": iso(stay.from_ms), "to": _time(stay.to_ms)}
    return {**said, "how": stay.how} if stay.how else said


def strength(found: Strength | None) -> dict[str, Any] | None:
    """Strength and attenuation, per cent, with their 90 % ranges; None where not known."""
    if found is None:
        return None
    return {
        "original": round(found.og, 5),
        "original_range": [round(found.og_low, 5), round(found.og_high, 5)],
        "gravity": round(found.gravity, 5),
        "abv": round(found.abv, 2),
        "abv_range": [round(found.abv_low, 2), round(found.abv_high, 2)],
        "apparent_attenuation": round(found.apparent_attenuation, 1),
        "apparent_attenuation_range": [round(found.apparent_low, 1), round(found.apparent_high, 1)],
        "real_attenuation": round(found.real_attenuation, 1),
        "source": found.how,
    }


def _entries(entries: Sequence[JournalEntry]) -> list[dict[str, Any]]:
    """Entries in the journal's own words, their times as in all JSON."""
    told = []
    for entry in entries:
        words = entry.model_dump(mode="json", exclude_none=True, exclude={"kind", "batch", "about"})
        for key in ("at", "received"):
            if isinstance(words.get(key), int):
                words[key] = iso(words[key])
        told.append(words)
    return told


def history(life: Life) -> list[dict[str, Any]]:
    """The history; `received` names an entry to whoever takes it back, a hand reading its `time`.

    `taken_back` names the undoing to whoever takes that back, so that the entry or reading counts again.
    """
    return [
        {"time": iso(line.at_ms), "received": iso(line.received_ms), "text": line.text, "by_hand": line.by_hand,
         "counts": line.counts, "taken_back": _time(line.off_ms), "why": line.why or None}
        for line in life.history
    ]  # fmt: skip


def life(found: Life) -> dict[str, Any]:
    """The whole picture. Volumes L, gravities SG 20/20, times RFC 3339; unknown is null."""
    facts = found.facts
    return {
        "batch": found.name,
        "vessel": facts.vessel,
        "stage": facts.stage,
        "closed": _time(found.closed_ms),
        "pitched": iso(facts.pitched_ms),
        "verdict": facts.verdict,
        "gravity": None if facts.gravity is None else round(facts.gravity, 5),
        "gravity_seen": _time(facts.gravity_ms),
        "original": None if facts.original is None else round(facts.original, 5),
        "original_how": facts.original_how,
        "volume_l": None if found.volume_l is None else round(found.volume_l, 2),
        "volume_how": found.volume_how,
        "lost_l": round(found.lost_l, 2),
        "strength": strength(found.strength),
        "no_strength": found.no_strength or None,
        "yeast": found.start.yeast if found.start else None,
        "recipe": found.start.recipe if found.start else None,
        "ingredients": found.start.ingredients.model_dump(mode="json")
        if found.start and found.start.ingredients else None,
        "jars": list(found.jars),
        "stages": [_stay(stay, "stage") for stay in found.stages],
        "vessels": [_stay(stay, "vessel") for stay in found.vessels],
        "split_from": found.split_from,
        "parts": list(found.parts),
        "merged_into": found.merged_into,
        "merged_from": list(found.merged_from),
        "additions": _entries(found.additions),
        "finings": _entries(found.finings),
        "clearness": _entries(found.clearness),
        "holds": _entries(found.holds),
        "seals": _entries(found.seals),
        "harvests": _entries(found.harvests),
        "forced": _entries(found.forced),
        "notes": _entries(found.notes),
        "tastings": _entries(found.tastings),
        "off_smells": _entries(found.off_smells),
        "photos": _entries(found.photos),
        "history": history(found),
    }  # fmt: skip


def plan(found: Plan) -> dict[str, Any]:
    """The racking plan. Volumes L, lengths mm."""

    def litres(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    return {
        "batch": found.batch,
        "vessel": found.vessel,
        "to": found.to,
        "verdict": found.verdict,
        "strength": strength(found.strength),
        "no_strength": found.no_strength or None,
        "volume_l": litres(found.volume_l),
        "volume_how": found.volume_how,
        "lees_l": litres(found.lees_l),
        "lees_mm": round(found.lees_mm),
        "lees_how": found.lees_how,
        "diameter_mm": round(found.diameter_mm),
        "diameter_how": found.diameter_how,
        "tip_mm": round(found.tip_mm),
        "tip_l": litres(found.tip_l),
        "stays_l": litres(found.stays_l),
        "arrives_l": litres(found.arrives_l),
        "to_l": found.to_l,
        "headspace_l": litres(found.headspace_l),
        "headspace_wanted_l": litres(found.headspace_wanted_l),
        "cautions": list(found.cautions),
        "checklist": list(found.checklist),
    }
