"""How much there is of a batch, and how strong it is, by everything that went in and came out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from monitor.batches.additions import is_bare, parts_of, step_of, volume_after
from monitor.batches.record import counting, when
from monitor.model.config import Batch
from monitor.model.deeds import Merged, Racked, Split
from monitor.model.inputs import Added, JournalEntry
from monitor.science import additions, alcohol

Z90 = 1.645
HowKnown = Literal["told", "read", "forecast"]


@dataclass(frozen=True, slots=True)
class Facts:
    """What the engine knows of a batch, as plain values. Gravities SG 20/20 with standard errors, times UTC ms."""

    now_ms: int
    vessel: str
    stage: str = "fermenting"
    closed: bool = False
    pitched_ms: int = 0
    verdict: str | None = None
    rest: str | None = None  # finished or stalled, from when it was said until it moves again
    gravity: float | None = None
    gravity_error: float = 0.001
    gravity_ms: int | None = None
    original: float | None = None
    original_error: float = 0.001
    original_how: HowKnown | None = None
    rises: Mapping[int, float] = field(default_factory=dict)  # of the original gravity, by when each was received
    contains_ms: int = 0  # what was received up to then is in the original gravity as it was read
    thinned: bool = False
    hand: tuple[tuple[int, float, float], ...] = ()  # when, gravity, error
    struck: tuple[tuple[int, float, float], ...] = ()  # hand readings that were taken back
    vessels_l: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Strength:
    """Strength and attenuation now, per cent; ranges hold with 90 %. `og` is that of everything that went in."""

    og: float
    og_low: float
    og_high: float
    gravity: float
    abv: float
    abv_low: float
    abv_high: float
    apparent_attenuation: float
    apparent_low: float
    apparent_high: float
    real_attenuation: float
    how: str


def birth_of(name: str, start: Batch | None, done: Sequence[JournalEntry]) -> Split | None:
    """The split that made it, where it was not started by itself."""
    if start is not None and start.name == name:
        return None
    return next((each for each in done if isinstance(each, Split) and each.name == name and each.batch != name), None)


def volume_of(
    name: str, start: Batch | None, born: Split | None, done: Sequence[JournalEntry], facts: Facts
) -> tuple[float | None, str, float]:
    """Litres now, how that is known, and what was lost on the way."""
    told = born.volume_l if born is not None else start.volume_l if start is not None else None
    first = start.vessel if start is not None and born is None else facts.vessel
    litres = told if told is not None else facts.vessels_l.get(first)
    how = "as told" if told is not None else "the vessel's own, for nobody said how much is in it"
    lost = 0.0
    since = ", with what came and went since"
    for entry in done:
        if entry is born or litres is None:
            continue
        after = volume_after(litres, entry, name)
        if after != litres and not how.endswith(since):
            how += since
        if isinstance(entry, Racked) and entry.batch == name:
            lost += entry.loss_l if entry.loss_l is not None else max(0.0, litres - after)
            how = "as measured at racking" if entry.volume_l is not None else how
        litres = after
    return litres, how if litres is not None else "not known", lost


@dataclass(frozen=True, slots=True)
class Begun:
    """What the balance of a batch begins with, and what came and went since, oldest first."""

    litres: float
    og: float
    steps: tuple[tuple[int, additions.Step], ...]  # when, and what

    def until(self, at_ms: int) -> list[additions.Step]:
        """The steps up to a time."""
        return [step for when_ms, step in self.steps if when_ms <= at_ms]

    def all(self) -> list[additions.Step]:
        """All steps."""
        return [step for _, step in self.steps]


def balance_of(name: str, start: Batch | None, record: Sequence[JournalEntry], facts: Facts) -> Begun | None:
    """Litres and original gravity that it began with, and what came and went since, for `additions.balance`.

    None where the volume, the original gravity or an amount is not known. What was in the original gravity when it
    was read is no step, but part of the beginning.
    """
    done = counting(record)
    born = birth_of(name, start, done)
    litres = born.volume_l if born is not None else start.volume_l if start is not None else None
    if litres is None or facts.original is None or facts.thinned:
        return None
    steps: list[tuple[int, additions.Step]] = []
    running, own = litres, 0.0
    for entry in done:
        if entry is born:
            continue
        after = volume_after(running, entry, name)
        if isinstance(entry, Added) or (isinstance(entry, Merged) and entry.into == name and entry.batch != name):
            if entry.received in facts.rises:
                step = step_of(entry)
                if step is None and facts.rises[entry.received]:
                    return None  # it rose by so much, and nobody said of what
                own += facts.rises[entry.received]
                steps += [(entry.at, step)] if step is not None else []
            elif not steps:
                litres += max(0.0, after - running)
        elif after < running:
            steps.append((when(entry), additions.Lose(running - after)))
        running = after
    return Begun(litres, facts.original - own, tuple(steps))


def strength_of(
    name: str, start: Batch | None, done: Sequence[JournalEntry], facts: Facts
) -> tuple[Strength | None, str]:
    """Strength and attenuation now by everything that went in; else None, and why."""
    if facts.original is None:
        return None, "its original gravity is not known"
    if facts.gravity is None:
        return None, "its gravity now is not known: take a hydrometer reading"
    if facts.thinned:
        return None, "water went in and nobody said how much, so its original gravity is not known any more"
    unknown = _unknown(done, facts)
    if unknown is not None:
        return None, f"what {unknown} brought is not known: its original gravity is not what it was"
    og, error, how = facts.original, facts.original_error, ORIGINAL_HOW[facts.original_how or "read"]
    begun = balance_of(name, start, done, facts)
    gravity = facts.gravity
    try:
        if begun is not None and any(not isinstance(step, additions.Lose) for step in begun.all()):
            whole = additions.balance(
                begun.litres, begun.og, begun.all(), min(gravity, og), og_error=error, gravity_error=facts.gravity_error
            )
            og, how = whole.og, f"{how}, and all that went in since"
            # What another batch brought is known no better than this one: it takes nothing off the error.
            mixed_in = any(isinstance(step, additions.AddWash) for step in begun.all())
            error = max(error, whole.og_error) if mixed_in else whole.og_error
        if _since_read(done, name, facts):
            mixed = mixed_since(begun, facts)
            if mixed is None:
                return None, "its gravity was read before the latest addition: read it again"
            gravity, how = mixed, f"{how}; the gravity was read before that went in, and is reckoned for the mix"
        return _reckoned(og, error, how, gravity, facts), ""
    except ValueError as wrong:
        return None, f"these figures do not fit: {wrong}"


def _unknown(done: Sequence[JournalEntry], facts: Facts) -> str | None:
    """What went in that may have brought sugar, and nobody said or saw how much."""
    later = (entry for entry in done if isinstance(entry, Added) and entry.received > facts.contains_ms)
    return next(
        (
            entry.what
            for entry in later
            if entry.gravity_rise is None and entry.received not in facts.rises and not is_bare(entry.what)
        ),
        None,
    )


def _since_read(done: Sequence[JournalEntry], name: str, facts: Facts) -> bool:
    """Whether something that counts in the gravity went in after that was read."""
    return facts.gravity_ms is not None and any(
        entry.at > facts.gravity_ms and facts.rises.get(entry.received, 0.0) != 0.0
        for entry in done
        if isinstance(entry, Added) or (isinstance(entry, Merged) and entry.into == name)
    )


def mixed_since(begun: Begun | None, facts: Facts) -> float | None:
    """What the gravity should be now by what went in since it was read; None where that cannot be reckoned."""
    if begun is None or facts.gravity is None or facts.gravity_ms is None:
        return None
    before = begun.until(facts.gravity_ms)
    gravity = facts.gravity
    for _, step in begun.steps[len(before) :]:
        if isinstance(step, additions.Lose):
            before.append(step)
            continue
        if not isinstance(step, additions.AddSugar | additions.AddWater):
            return None
        held = additions.balance(begun.litres, begun.og, before, gravity)
        sugar, water = parts_of(step)
        gravity = additions.mixed_gravity(held.litres, gravity, held.strength.abv, sugar_kg=sugar, water_l=water)
        before.append(step)
    return gravity


ORIGINAL_HOW: dict[HowKnown, str] = {
    "told": "the original gravity you told",
    "read": "the original gravity as it was read",
    "forecast": "the forecast from what went in, which nobody has read",
}


def _reckoned(og: float, error: float, how: str, gravity: float, facts: Facts) -> Strength:
    now = min(gravity, og)
    found = alcohol.alcohol(og, now, og_error=error, fg_error=facts.gravity_error)
    low_og, high_og = max(1.001, og - Z90 * error), og + Z90 * error
    # What is off in both at once moves the attenuation as the square root of the sum of squares.
    by_og = alcohol.apparent_attenuation(high_og, now) - alcohol.apparent_attenuation(low_og, now)
    by_now = alcohol.apparent_attenuation(og, now - Z90 * facts.gravity_error) - alcohol.apparent_attenuation(
        og, min(og, now + Z90 * facts.gravity_error)
    )
    half = math.hypot(by_og / 2.0, by_now / 2.0)
    return Strength(
        og=og,
        og_low=low_og,
        og_high=high_og,
        gravity=gravity,
        abv=found.abv,
        abv_low=found.abv_low,
        abv_high=found.abv_high,
        apparent_attenuation=found.apparent_attenuation,
        apparent_low=found.apparent_attenuation - half,
        apparent_high=found.apparent_attenuation + half,
        real_attenuation=found.real_attenuation,
        how=how,
    )
