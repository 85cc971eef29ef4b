"""Everything a report says of a batch, gathered from one moment of the store."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from monitor.batches import siblings
from monitor.batches.clearing import has_allergen
from monitor.batches.life import Life
from monitor.batches.record import counting
from monitor.batches.seal import closed
from monitor.batches.siblings import Comparison
from monitor.engine.lives import life_of
from monitor.engine.state import STATE_VERSION, State
from monitor.engine.view import overview
from monitor.model.clock import HOUR, parse_time
from monitor.model.deeds import Fined, Merged, Racked, Split
from monitor.model.errors import StoreError
from monitor.model.inputs import Added
from monitor.report.allergens import with_chitosan
from monitor.report.course import course_of, curve_of
from monitor.report.curve import Curve
from monitor.report.figure import NARROW, WIDE, Figure, figure
from monitor.report.numbers import Number, numbers
from monitor.report.pictures import Shown, pictures
from monitor.report.words import GLASS, ICE, Site, headline, sentence
from monitor.report.yeast import yeast_of
from monitor.rules.advice import CO2_CAUTION, SEAL_CAUTION
from monitor.store.reader import Reader

MOST_EVENTS = 400
ALLERGEN = (
    "It was fined with chitosan, which can come from the shells of shellfish (some is made from fungi: the packet "
    "says). Tell whoever is allergic to shellfish before they taste it."
)
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"


@dataclass(frozen=True, slots=True)
class Happened:
    """A line of the story: what was done, or what Leeswatch said."""

    at_ms: int
    when: str
    text: str
    kind: str  # deed, verdict, alert
    letter: str = ""  # on the curve
    counts: bool = True
    why: str = ""


@dataclass(frozen=True, slots=True)
class Fining:
    """A part of the finings."""

    what: str
    part: int
    dose: str
    when: str
    allergen: bool


@dataclass(frozen=True, slots=True)
class Beside:
    """The sibling: what differs, and the two curves on one another."""

    name: str
    comparison: Comparison
    wide: Figure | None
    narrow: Figure | None


@dataclass(frozen=True, slots=True)
class Report:
    """All that the page shows of a batch."""

    name: str
    site: str
    made: str
    zone: str
    headline: str
    because: list[str]
    vessel: str
    recipe: str
    life: Life
    wide: Figure | None
    narrow: Figure | None
    probes: list[str]
    numbers: list[Number]
    story: list[Happened]
    left_out: int
    finings: list[Fining]
    allergen: str
    cleared: str
    yeast: list[str]
    lineage: str
    photos: list[Shown]
    notes: list[tuple[str, str, str]]
    beside: Beside | None
    cautions: list[str]


def state_in(reader: Reader) -> State:
    """The engine's memory without the hours of its tracks; StoreError while the store is brought up to date."""
    version = reader.meta("state_version")
    if version is None:
        return State()
    if version != STATE_VERSION:
        raise StoreError(
            "the store was written by another version", "start `leeswatch run` once: it brings it up to date"
        )
    return State.restore({key: value for key, value in reader.state().items() if not key.startswith("hour:")})


def comparison(reader: Reader, state: State, first: str, second: str, now_ms: int) -> Comparison:
    """Two batches of the state held side by side."""
    return siblings.compare(course(reader, state, first, now_ms), course(reader, state, second, now_ms))


def course(reader: Reader, state: State, name: str, now_ms: int) -> siblings.Course:
    """What can be compared of a batch of the state."""
    batch = state.batches[name]
    return course_of(state, batch, curve_of(reader, state, batch, now_ms), now_ms)


def sibling_of(state: State, name: str) -> str | None:
    """The batch of the same recipe that was pitched closest to it; None where there is none."""
    batch = state.batches[name]
    others = [each for each in state.batches.values()
              if each.name != name and batch.recipe is not None and each.recipe == batch.recipe]  # fmt: skip
    nearest = min(others, key=lambda each: abs(each.pitched_ms - batch.pitched_ms), default=None)
    return nearest.name if nearest is not None else None


def gather(
    reader: Reader, state: State, name: str, now_ms: int, site: Site, photos: Path, beside: str | None = None
) -> Report:
    """The report of a batch that is in the state; `photos` is the folder they are kept in."""
    batch = state.batches[name]
    life = life_of(state, name, now_ms, site.when)
    assert life is not None
    told = overview(state, now_ms)
    shown = next(each for each in told["batches"] if each["name"] == name)
    said = reader.latest_verdicts().get(name) or {}
    curve = curve_of(reader, state, batch, now_ms)
    course = course_of(state, batch, curve, now_ms)
    story, left_out = _story(reader, state, life, site)
    curve = _seen(curve, [each.at_ms for each in story if each.letter])
    flags = [(each.at_ms, each.letter) for each in story if each.letter]
    final = shown["final"] if life.facts.stage == "fermenting" and not life.facts.closed else None
    aim = (final["gravity"], final["range"][0], final["range"][1]) if final else None
    finings = _finings(life, site)
    return Report(
        name=name,
        site=state.settings.site,
        made=site.when(now_ms),
        zone=site.zone.key,
        headline=headline(life, said, site),
        because=[sentence(each) for each in said.get("because", ())] if _judged(life, said) else [],
        vessel=life.facts.vessel,
        recipe=batch.recipe or "",
        life=life,
        wide=figure([curve], WIDE, aim, flags),
        narrow=figure([curve], NARROW, aim, flags),
        probes=list(dict.fromkeys(line.probe for line in curve.lines)),
        numbers=numbers(life, course, curve, shown["final"], siblings.measure(course), site),
        story=story,
        left_out=left_out,
        finings=finings,
        allergen=ALLERGEN if with_chitosan(state.records, name) else "",
        cleared=_cleared(course),
        yeast=yeast_of(state, life, site),
        lineage="",
        photos=pictures(life.photos, photos, site),
        notes=_notes(life, site),
        beside=_beside(reader, state, name, beside or sibling_of(state, name), now_ms),
        cautions=_cautions(state, life, told["alerts"]),
    )


def _judged(life: Life, said: dict[str, Any]) -> bool:
    """Whether the latest verdict still is what there is to say."""
    return life.facts.stage == "fermenting" and not life.facts.closed and said.get("verdict") == life.facts.verdict


def _seen(curve: Curve, marked: Sequence[int]) -> Curve:
    """The curve up to the last that was seen or done; what was silent since is no part of the drawing."""
    ends = [part[-1][0] for line in curve.lines for part in line.parts]
    last = max([*ends, *(point.at_ms for point in curve.hand), *marked], default=curve.to_ms)
    return replace(curve, to_ms=min(curve.to_ms, max(last + HOUR, curve.from_ms + HOUR)))


# --- the story ---------------------------------------------------------------------------------------------------


def _story(reader: Reader, state: State, life: Life, site: Site) -> tuple[list[Happened], int]:
    done = counting(state.records.get(f"batch:{life.name}", ()))
    marked = [each for each in done if isinstance(each, Racked | Added | Fined | Split | Merged)]
    letters = {each.received: letter for each, letter in zip(marked, _LETTERS, strict=False)}
    photos = {each.received: f"photo: {each.caption}" if each.caption else "photo" for each in life.photos}
    lines = [
        Happened(line.at_ms, site.when(line.at_ms), sentence(photos.get(line.received_ms, line.text)), "deed",
                 letters.get(line.received_ms, "") if line.counts else "", line.counts, line.why)
        for line in life.history
    ]  # fmt: skip
    told = sorted([*lines, *_said(reader, life.name, site)], key=lambda each: (each.at_ms, each.kind != "deed"))
    return told[:MOST_EVENTS], max(0, len(told) - MOST_EVENTS)


def _said(reader: Reader, name: str, site: Site) -> list[Happened]:
    """What was said of it: each change of its verdict, each alert that was raised."""
    told = []
    before = None
    for _, event in reader.events():
        if event["event"] == "verdict" and event["batch"] == name:
            if event["verdict"] != before:
                sure = f", {event['confidence']:.0%} sure" if event["confidence"] is not None else ""
                sure = "" if event["verdict"] == "unknown" else sure
                told.append((event, f"verdict: {event['verdict']}{sure}", "verdict"))
            before = event["verdict"]
        elif event["event"] == "alert" and event["about"] == f"batch:{name}" and event["change"] == "raised":
            told.append((event, event["message"], "alert"))
    return [
        Happened(at, site.when(at), sentence(text), kind)
        for at, text, kind in ((parse_time(event["time"]), text, kind) for event, text, kind in told)
    ]


def _finings(life: Life, site: Site) -> list[Fining]:
    return [
        Fining(each.what, each.part, f"{each.dose_ml:g} mL" if each.dose_ml is not None else "not noted",
               site.when(each.at), has_allergen(each.what))
        for each in life.finings
    ]  # fmt: skip


def _cleared(course: siblings.Course) -> str:
    if course.clearing_h is None:
        return ""
    cloudy, clear = course.clearing_h
    return f"It was first seen clear {clear:.0f} h after the second part; {cloudy:.0f} h after it, it was not."


# --- notes, the sibling, and what to beware of -----------------------------------------------------------------------


def _notes(life: Life, site: Site) -> list[tuple[str, str, str]]:
    """What sort, when, and the words."""
    sorts = {"note": "Note", "tasting": "Tasting", "off-smell": "Smells off"}
    every = sorted([*life.notes, *life.tastings, *life.off_smells], key=lambda each: (each.at, each.received))
    return [
        (sorts[each.sort] + (f", {each.score} of 10" if each.score is not None else ""), site.when(each.at), each.text)
        for each in every
    ]


def _beside(reader: Reader, state: State, name: str, other: str | None, now_ms: int) -> Beside | None:
    if other is None:
        return None
    curves = []
    courses = []
    for each in (name, other):
        batch = state.batches[each]
        curve = curve_of(reader, state, batch, now_ms)
        course = course_of(state, batch, curve, now_ms)
        courses.append(course)
        curves.append(curve)
    end = max([0.0, *(point.hours for course in courses for point in course.points)])
    if end > 0.0:  # what came after the fall is no matter of the comparison
        curves = [replace(curve, to_ms=min(curve.to_ms, curve.from_ms + round(end * HOUR) + HOUR)) for curve in curves]
        curves = [_cut(curve) for curve in curves]
    return Beside(other, siblings.compare(*courses), figure(curves, WIDE), figure(curves, NARROW))


def _cut(curve: Curve) -> Curve:
    lines = [
        replace(line, parts=[kept for part in line.parts if (kept := [at for at in part if at[0] <= curve.to_ms])])
        for line in curve.lines
    ]
    return replace(curve, lines=lines)


def _cautions(state: State, life: Life, alerts: Sequence[dict[str, Any]]) -> list[str]:
    standing = [each["message"] for each in alerts if each["about"] == f"batch:{life.name}"]
    sealed = [
        f"{each.litres:g} L were closed tight in {each.material} that is "
        + (f"rated {each.rated_bar:g} bar" if each.rated_bar is not None else "not rated for pressure: it can burst")
        for each in closed(state.records.get(f"batch:{life.name}", ()))
    ]
    told = [*standing, *sealed, CO2_CAUTION, SEAL_CAUTION]
    vessel = state.vessel(life.facts.vessel)
    if vessel is not None and vessel.material == "glass":
        told += [GLASS]
    if life.facts.stage in ("cold", "stored") or life.holds:
        told += [ICE]
    told.append("local codes, and the makers' instructions for what was used, come before anything written here")
    return list(dict.fromkeys(sentence(each) for each in told))
