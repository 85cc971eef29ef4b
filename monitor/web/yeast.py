"""The shelf and its jars as values for page and API: what is left, how alive, until when, and where each is from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from monitor.batches.record import counting
from monitor.engine.state import State
from monitor.model.clock import DAY, iso
from monitor.model.deeds import Harvested, JarCounted, JarDiscarded, Jarred, JarUsed, PouredOff, WashRound
from monitor.model.inputs import BatchStarted
from monitor.science import yeast

UP_TO_DAYS = 180.0  # as far as the dying is known at all


@dataclass(frozen=True, slots=True)
class Jar:
    """A jar as it stands. Volumes mL, viability per cent as usual, low, high, temperatures Cel."""

    name: str
    made: Jarred
    age_days: float
    left_ml: float
    viability: tuple[float, float, float] | None
    viability_how: str
    best_ms: int
    discard_ms: int
    advice: tuple[str, ...]
    gone: str  # why it is not on the shelf any more; empty: it is


def jars(state: State, now_ms: int) -> list[Jar]:
    """All jars, those on the shelf first, the oldest of them first."""
    names = [key[4:] for key in state.records if key.startswith("jar:")]
    found = [jar for jar in (jar_of(state, name, now_ms) for name in names) if jar is not None]
    return sorted(found, key=lambda jar: (bool(jar.gone), jar.made.at, jar.name))


def jar_of(state: State, name: str, now_ms: int) -> Jar | None:
    """One jar; None when nothing says that it was put up."""
    record = counting(state.records.get(f"jar:{name}", ()))
    made = next((each for each in reversed(record) if isinstance(each, Jarred) and each.jar == name), None)
    if made is None:
        return None
    used = sum(each.ml for each in record if isinstance(each, JarUsed) and each.jar == name)
    thrown = next((each for each in reversed(record) if isinstance(each, JarDiscarded)), None)
    left = max(0.0, made.volume_ml - used)
    gone = (thrown.why or "discarded") if thrown else "used up" if left < 1e-6 else ""
    counts = [each for each in record if isinstance(each, JarCounted) and each.viability is not None]
    viability, how = _viability(made, counts[-1] if counts else None, now_ms)
    practice = state.settings.practice.yeast
    best, discard = (made.at + round(span * 1000) for span in (practice.best_within, practice.discard_after))
    return Jar(name, made, max(0.0, (now_ms - made.at) / DAY), left, viability, how, best, discard,
               () if gone else tuple(_advice(state, made, viability, now_ms)), gone)  # fmt: skip


def _viability(made: Jarred, counted: JarCounted | None, now_ms: int) -> tuple[tuple[float, float, float] | None, str]:
    """How much of it lives now: from a count, else from what was usual when it was put up, by age and cold."""
    start, since, how = 95.0, made.at, "by its age and temperature, from 95 % when it was put up"
    if counted is not None and counted.viability:
        start, since, how = max(1.0, counted.viability), counted.at, "by the count, and its age since"
    days = max(0.0, (now_ms - since) / DAY)
    if days > UP_TO_DAYS or not 0.0 <= made.stored_c <= 25.0:
        return None, "not known at this age or temperature: count it"
    found = yeast.stored(days, made.stored_c, start).viability
    return (found.usual, found.low, found.high), how


def _advice(state: State, made: Jarred, viability: tuple[float, float, float] | None, now_ms: int) -> list[str]:
    """What practice would do with it; every figure common practice, and set by the person."""
    practice = state.settings.practice.yeast
    age_s = (now_ms - made.at) / 1000.0
    notes = []
    if age_s > practice.discard_after:
        notes.append(f"throw it out: it is older than {practice.discard_after / 86400:.0f} days")
    elif age_s > practice.best_within:
        notes.append(f"wake it in a starter first: it is older than {practice.best_within / 86400:.0f} days")
    if made.generation > practice.most_generations:
        notes.append(f"throw it out: generation {made.generation} is past {practice.most_generations}")
    elif made.generation > practice.doubtful_generations:
        notes.append(f"generation {made.generation} is past {practice.doubtful_generations}: fresh yeast is safer")
    if viability is not None and viability[0] < 50.0:
        notes.append("fewer than half of its cells are likely to live")
    source = _source(state, made)
    if source is not None:
        if source.abv is not None and source.abv > practice.most_abv:
            strength = f"{source.abv:.1f} % by volume, more than {practice.most_abv:g}"
            notes.append(f"it comes from {strength}: start from fresh yeast instead")
        if source.stalled:
            notes.append("it comes from a batch that stalled: start from fresh yeast instead")
        if source.off_smell:
            notes.append("it comes from a batch that smelled off: start from fresh yeast instead")
    low, high = practice.store_c
    if not low <= made.stored_c <= high:
        notes.append(f"keep it at {low:g} to {high:g} °C: it is told to stand at {made.stored_c:g} °C")
    return notes


def _source(state: State, made: Jarred) -> Harvested | None:
    if made.wash is None:
        return None
    record = counting(state.records.get(f"wash:{made.wash}", ()))
    return next((each for each in record if isinstance(each, Harvested)), None)


def picture(jar: Jar) -> dict[str, Any]:
    """A jar as JSON-able values; unknown is null."""
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
        "volume_ml": made.volume_ml,
        "layer_ml": made.layer_ml,
        "left_ml": round(jar.left_ml, 1),
        "stored_c": made.stored_c,
        "fridge": made.fridge,
        "viability": None if jar.viability is None else round(jar.viability[0], 1),
        "viability_range": None if jar.viability is None else [round(each, 1) for each in jar.viability[1:]],
        "viability_how": jar.viability_how,
        "best_by": iso(jar.best_ms),
        "discard_by": iso(jar.discard_ms),
        "advice": list(jar.advice),
        "gone": jar.gone or None,
    }


def wash_picture(state: State, name: str) -> dict[str, Any] | None:
    """A wash: what it comes from, its rounds, and the jars that came of it; None when there is none of that name."""
    record = counting(state.records.get(f"wash:{name}", ()))
    if not record:
        return None
    harvest = next((each for each in record if isinstance(each, Harvested)), None)
    return {
        "wash": name,
        "harvest": None if harvest is None else harvest.model_dump(mode="json", exclude={"kind", "wash"}),
        "rounds": [each.model_dump(mode="json", exclude={"kind", "wash"}) for each in record
                   if isinstance(each, WashRound)],
        "poured_off": [each.model_dump(mode="json", exclude={"kind", "wash"}) for each in record
                       if isinstance(each, PouredOff)],
        "jars": [each.jar for each in record if isinstance(each, Jarred)],
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
