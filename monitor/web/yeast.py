"""The shelf, its jars and its washes as values for page and API."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.batches import shelf, washing
from monitor.batches.record import counting
from monitor.batches.shelf import Jar
from monitor.engine.state import State
from monitor.model.clock import iso
from monitor.model.deeds import Harvested, Jarred, JarUsed, WashRound
from monitor.model.inputs import BatchStarted
from monitor.science.limits import Estimate


def jars(state: State, now_ms: int) -> tuple[Jar, ...]:
    """All jars, those on the shelf first, the oldest of them first."""
    return shelf.shelf(state.records, state.settings.practice.yeast, now_ms)


def jar_of(state: State, name: str, now_ms: int) -> Jar | None:
    """One jar; None when nothing says that it was put up."""
    return shelf.one(state.records, name, state.settings.practice.yeast, now_ms)


def mind(jar: Jar) -> str:
    """What to do with a jar where it cannot just be pitched, in one sentence without its stop; else empty."""
    return "" if jar.advice in ("pitch", "gone") else shelf.do(jar)


def picture(jar: Jar) -> dict[str, Any]:
    """A jar as JSON-able values: amounts mL (dried yeast g), shares per cent; unknown is null."""
    made = jar.made
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
        "left": round(jar.left_ml, 1),
        "stored_c": made.stored_c,
        "fridge": made.fridge,
        "viability": None if jar.viability is None else round(jar.viability.usual, 1),
        "viability_range": _range(jar.viability, 1),
        "viability_how": jar.viability_how,
        "living_cells": None if jar.living is None else float(f"{jar.living.usual:.3g}"),
        "living_cells_range": None if jar.living is None else [float(f"{each:.3g}") for each in
                                                               (jar.living.low, jar.living.high)],
        "best_by": None if jar.best_ms is None else iso(jar.best_ms),
        "discard_by": None if jar.discard_ms is None else iso(jar.discard_ms),
        "advice": jar.advice,
        "because": list(jar.because),
        "gone": jar.gone or None,
        "gone_since": None if jar.gone_ms is None else iso(jar.gone_ms),
        "unmeasured": list(jar.unmeasured),
    }  # fmt: skip


def _range(value: Estimate | None, digits: int) -> list[float] | None:
    return None if value is None else [round(value.low, digits), round(value.high, digits)]


def wash_picture(state: State, name: str, now_ms: int) -> dict[str, Any] | None:
    """A wash: what it comes from, its stands, its jars and what is next; None when there is none of that name."""
    practice = state.settings.practice.yeast
    found = washing.fold(name, state.records.get(f"wash:{name}", ()), practice)
    if found is None:
        return None
    return {
        "wash": name,
        "harvest": None if found.harvest is None else found.harvest.model_dump(mode="json", exclude={"kind", "wash"}),
        "volume_ml": found.volume_ml,
        "rounds": found.rounds,
        "stands": [
            {
                "stand": each.stand, "powdery": each.powdery, "water_ml": each.water_ml, "from": iso(each.from_ms),
                "due": iso(each.due_ms), "ended": None if each.ended_ms is None else iso(each.ended_ms),
                "how": each.how, "kept_ml": each.kept_ml, "early": each.early,
            }
            for each in found.stands
        ],
        "next": washing.next_step(found, practice, now_ms),
        "jars": [each.jar for each in found.jars],
    }  # fmt: skip


# --- where it comes from -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ancestor:
    """A thing in a jar's past, `step` steps back, and the things it became."""

    about: str
    step: int
    text: str
    becomes: tuple[str, ...]


def ancestors(state: State, name: str) -> list[Ancestor]:
    """A jar and everything it comes from, back to its first packets: each thing once, as far back as it was."""
    steps: dict[str, int] = {}
    becomes: dict[str, list[str]] = {}
    waiting = [(f"jar:{name}", 0, "")]
    while waiting:
        about, step, child = waiting.pop(0)
        if child and child not in becomes.setdefault(about, []):
            becomes[about].append(child)
        if steps.get(about, -1) >= step or step > 60:  # a ring in a journal edited by hand must end
            continue
        steps[about] = step
        waiting += [(parent, step + 1, about) for parent in _parents(state, about)]
    found = [
        Ancestor(about, step, _words(state, about), tuple(becomes.get(about, ()))) for about, step in steps.items()
    ]
    return sorted(found, key=lambda each: (each.step, each.about))


def _parents(state: State, about: str) -> list[str]:
    kind, _, name = about.partition(":")
    record = counting(state.records.get(about, ()))
    if kind == "jar":
        made = next((each for each in reversed(record) if isinstance(each, Jarred) and each.jar == name), None)
        return [] if made is None else [f"wash:{made.wash}"] if made.wash else [f"jar:{each}" for each in made.parents]
    if kind == "wash":
        return [f"batch:{each.batch}" for each in record if isinstance(each, Harvested)]
    started = [str(jar) for each in record if isinstance(each, BatchStarted) for jar in each.batch.get("jars", ())]
    used = [each.jar for each in record if isinstance(each, JarUsed)]
    return [f"jar:{jar}" for jar in dict.fromkeys([*started, *used])]


def _words(state: State, about: str) -> str:
    kind, _, name = about.partition(":")
    record = counting(state.records.get(about, ()))
    if kind == "jar":
        made = next((each for each in reversed(record) if isinstance(each, Jarred) and each.jar == name), None)
        return "not on record" if made is None else f"generation {made.generation}, {made.origin}"
    if kind == "wash":
        rounds = sum(isinstance(each, WashRound) for each in record)
        return f"{rounds} round{'' if rounds == 1 else 's'}"
    return "fermented"
