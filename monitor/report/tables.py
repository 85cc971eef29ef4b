"""Batches, jars and deeds as tables: one row each, for spreadsheets and programs."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Sequence
from typing import Any, Literal, TextIO

from monitor.batches import shelf as shelves
from monitor.batches.life import Life
from monitor.batches.record import subjects, taken_back, when
from monitor.batches.shelf import Jar
from monitor.batches.told import sentence
from monitor.engine.lives import life_of
from monitor.engine.state import State
from monitor.model.clock import iso
from monitor.model.inputs import JournalEntry

What = Literal["batches", "shelf", "deeds"]
Row = dict[str, Any]

# What a spreadsheet takes for the start of a formula (source: the OWASP page on CSV injection, from memory).
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def batches(state: State, now_ms: int) -> list[Row]:
    """One row a batch: facts and results. Times RFC 3339, volumes L, strength and attenuation per cent."""
    lives = [life_of(state, name, now_ms) for name in state.batches]
    return [_batch(life) for life in lives if life is not None]


def _batch(life: Life) -> Row:
    facts, strong = life.facts, life.strength
    return {
        "batch": life.name,
        "vessel": facts.vessel,
        "stage": facts.stage,
        "verdict": facts.verdict,
        "pitched": iso(facts.pitched_ms),
        "closed": _time(life.closed_ms),
        "recipe": life.start.recipe if life.start else None,
        "yeast": life.start.yeast if life.start else None,
        "jars": list(life.jars),
        "volume_l": _round(life.volume_l, 2),
        "volume_how": life.volume_how,
        "lost_l": _round(life.lost_l, 2),
        "original_gravity": _round(facts.original, 5),
        "original_how": facts.original_how,
        "gravity": _round(facts.gravity, 5),
        "gravity_time": _time(facts.gravity_ms),
        "abv": _round(strong.abv, 2) if strong else None,
        "abv_low": _round(strong.abv_low, 2) if strong else None,
        "abv_high": _round(strong.abv_high, 2) if strong else None,
        "apparent_attenuation": _round(strong.apparent_attenuation, 1) if strong else None,
        "real_attenuation": _round(strong.real_attenuation, 1) if strong else None,
        "split_from": life.split_from,
        "parts": list(life.parts),
        "merged_into": life.merged_into,
        "merged_from": list(life.merged_from),
        "hand_readings": len(facts.hand),
        "additions": len(life.additions),
        "finings": len(life.finings),
        "tastings": len(life.tastings),
        "notes": len(life.notes),
        "photos": len(life.photos),
    }


def shelf(state: State, now_ms: int) -> list[Row]:
    """One row a jar, those that are gone too. Amounts in `unit`, shares per cent, degrees Celsius, times RFC 3339."""
    return [_jar(jar) for jar in shelves.shelf(state.records, state.settings.practice.yeast, now_ms)]


def _jar(jar: Jar) -> Row:
    made, counted, alive = jar.made, jar.counted, jar.viability
    return {
        "jar": jar.name,
        "strain": made.strain,
        "origin": made.origin,
        "wash": made.wash,
        "parents": list(made.parents),
        "generation": made.generation,
        "made": iso(made.at),
        "age_days": round(jar.age_days, 1),
        "unit": jar.unit,
        "volume": made.volume_ml,
        "layer_ml": made.layer_ml,
        "left": round(jar.left_ml, 3),
        "counted": _time(counted.at) if counted else None,
        "cells_per_ml": counted.cells_per_ml if counted else None,
        "viability": _round(alive.usual, 1) if alive else None,
        "viability_low": _round(alive.low, 1) if alive else None,
        "viability_high": _round(alive.high, 1) if alive else None,
        "stored_c": made.stored_c,
        "fridge": made.fridge,
        "best_by": _time(jar.best_ms),
        "discard_by": _time(jar.discard_ms),
        "advice": jar.advice,
        "because": "; ".join(jar.because),
        "gone": jar.gone or None,
        "gone_since": _time(jar.gone_ms),
    }


def deeds(state: State) -> list[Row]:
    """One row an entry of a record, in the order in which they were received; what was taken back too."""
    found: dict[int, tuple[JournalEntry, str]] = {}
    off: dict[int, int] = {}
    for about, record in state.records.items():
        off |= taken_back(record)
        for entry in record:
            found.setdefault(entry.received, (entry, about))
    return [deed(entry, about, off) for _, (entry, about) in sorted(found.items())]


def deed(entry: JournalEntry, about: str, off: dict[int, int]) -> Row:
    """One entry, found in the record of `about`; `off` is what was taken back, and when."""
    chief = (subjects(entry) or (about,))[0]
    kind, _, name = chief.partition(":")
    return {
        "received": iso(entry.received),
        "time": iso(when(entry)),
        "kind": entry.kind,
        "about": kind,
        "name": name,
        "counts": entry.received not in off,
        "taken_back": _time(off.get(entry.received)),
        "text": sentence(entry, name),
        "entry": entry.model_dump(mode="json"),
    }


def _time(ms: int | None) -> str | None:
    return iso(ms) if ms is not None else None


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


# The columns as written, and as they stand where there is no row to show them.
COLUMNS: dict[What, tuple[str, ...]] = {
    "batches": (
        "batch", "vessel", "stage", "verdict", "pitched", "closed", "recipe", "yeast", "jars", "volume_l",
        "volume_how", "lost_l", "original_gravity", "original_how", "gravity", "gravity_time", "abv", "abv_low",
        "abv_high", "apparent_attenuation", "real_attenuation", "split_from", "parts", "merged_into", "merged_from",
        "hand_readings", "additions", "finings", "tastings", "notes", "photos",
    ),
    "shelf": (
        "jar", "strain", "origin", "wash", "parents", "generation", "made", "age_days", "unit", "volume", "layer_ml",
        "left", "counted", "cells_per_ml", "viability", "viability_low", "viability_high", "stored_c", "fridge",
        "best_by", "discard_by", "advice", "because", "gone", "gone_since",
    ),
    "deeds": ("received", "time", "kind", "about", "name", "counts", "taken_back", "text", "entry"),
}  # fmt: skip

MADE_BY: dict[What, Callable[[State, int], list[Row]]] = {
    "batches": batches,
    "shelf": shelf,
    "deeds": lambda state, _: deeds(state),
}


# --- writing -----------------------------------------------------------------------------------------------------


def write_csv(columns: Sequence[str], rows: Sequence[Row], out: TextIO) -> None:
    """As CSV (RFC 4180); text that a spreadsheet would take for a formula gets an apostrophe before it."""
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell(row[column]) for column in columns])


def cell(value: object) -> str:
    """One value as a cell: nothing for what is not known, a list with spaces between, other things as JSON."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        value = " ".join(map(str, value))
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return f"'{text}" if text.startswith(FORMULA) else text


def write_json(rows: Sequence[Row], out: TextIO) -> None:
    """As one JSON array of objects; unknown is null."""
    json.dump(rows, out, ensure_ascii=False, indent=2)
    out.write("\n")
