"""What truly became of each batch, and what truly went wrong, asked of the physics.

A batch is over when its gravity is within 0.001 of where it will end, or falls slower than 0.0005 a day
and never faster again. Where it will end is found by letting the same yeast go on for weeks. Over with
sugar left that this yeast could have taken is a stall, and the yeast itself says why.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass
from typing import Literal

from simulators.parts import Batch, Silent, Stuck
from simulators.physics.ferment import Brew, Yeast
from simulators.physics.liquid import ETHANOL_DENSITY_20
from simulators.scenario import Scenario
from simulators.world import STEP_H, Kept, World

NEAR = 0.001
SLOW_PER_DAY = 0.0005
LEFT_OVER = 0.004
"""Gravity that still could have gone: more is a stall."""
GO_ON_H = 60 * 24.0

Kind = Literal["finished", "stalled", "working", "chilled", "not-started"]
Cause = Literal["nutrients", "alcohol-limit", "cold-crash", "under-pitch"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a batch. Hours from the scenario's start."""

    batch: str
    kind: Kind
    at_h: float | None
    """When it was over; None where it is not."""
    cause: Cause | None
    original: float
    last: float
    """Gravity at the end of the scenario."""
    asymptote: float
    """Where this yeast would end."""
    dry: float
    """Where it would be with all its sugar gone."""
    abv: float
    pauses: tuple[tuple[float, float], ...]
    """Spans of 12 h and more of standstill that did not last."""


@dataclass(frozen=True, slots=True)
class Happening:
    """A fault of a fridge or probe: its span in hours."""

    kind: str
    about: str
    from_h: float
    to_h: float


@dataclass(frozen=True, slots=True)
class Found:
    """The truth of a scenario."""

    batches: dict[str, Outcome]
    faults: tuple[Happening, ...]
    coldest_c: dict[str, tuple[float, float]]
    """Per vessel: its lowest temperature and the hour of it."""
    freezes_h: dict[str, float]
    """Per vessel in which ice formed: the hour it reached its freezing point."""


def truth(scenario: Scenario, world: World | None = None) -> Found:
    """Ask the physics. `world`: one already lived through, to save the time."""
    lived = world or World(scenario)
    coldest, freezes = {}, {}
    for name, kept in lived.vessels.items():
        values = kept.celsius.values
        low = min(range(len(values)), key=values.__getitem__)
        coldest[name] = (round(values[low], 3), round(low * STEP_H, 2))
        if kept.warmth.ice_g > 0 or values[low] <= kept.warmth.freezing_c:
            freezes[name] = round(next(i for i, c in enumerate(values) if c <= kept.warmth.freezing_c) * STEP_H, 2)
    return Found(
        {batch.name: _outcome(lived, batch) for batch in scenario.batch}, _happenings(scenario), coldest, freezes
    )


def _happenings(scenario: Scenario) -> tuple[Happening, ...]:
    end = scenario.days * 24
    found = [
        Happening(fault.kind, fridge.name, fault.from_h, min(fault.to_h, end))
        for fridge in scenario.fridge
        for fault in fridge.fault
    ]
    for probe in scenario.probe:
        for fault in probe.fault:
            kind: str = fault.kind
            if isinstance(fault, Stuck):
                kind = f"stuck-{fault.what}"
            elif isinstance(fault, Silent) and fault.battery:
                kind = "battery-flat"
            found.append(Happening(kind, probe.name, fault.from_h, min(fault.to_h, end)))
    return tuple(sorted(found, key=lambda one: (one.from_h, one.about)))


def _outcome(world: World, batch: Batch) -> Outcome:
    kept = world.vessels[batch.vessel]
    first = round(batch.pitched_h / STEP_H)
    chilled_from = _last_warm(kept, batch.strain)
    at_h, brew = _snapshot_before(kept, chilled_from * STEP_H)
    onward, end_brew = _go_on(brew, batch.strain, _mean(kept, at_h))
    asymptote, dry = onward[-1], end_brew.dry_mixture.gravity
    original, last = max(kept.gravity.values[first:]), kept.gravity.values[-1]
    over_h = _over(kept, first, round(at_h / STEP_H), onward, asymptote)
    kind: Kind
    if kept.gravity.values[first] - last < 0.002:
        kind = "not-started"
    elif chilled_from < len(kept.celsius.values) - 1 and over_h > chilled_from * STEP_H:
        kind = "chilled"
    elif over_h > world.scenario.days * 24:
        kind = "working"
    else:
        kind = "stalled" if asymptote - dry > LEFT_OVER else "finished"
    return Outcome(
        batch=batch.name,
        kind=kind,
        at_h=round(over_h, 2) if kind in ("finished", "stalled") else None,
        cause=_cause(end_brew, batch.strain) if kind == "stalled" else None,
        original=round(original, 5),
        last=round(last, 5),
        asymptote=round(asymptote, 5),
        dry=round(kept.dry_gravity.values[-1], 5),
        abv=round(kept.mixture.abv, 2),
        pauses=_pauses(kept, first, over_h) if kind != "not-started" else (),
    )


def _last_warm(kept: Kept, strain: Yeast) -> int:
    """The last step at which it was clearly warmer than where this yeast falls."""
    warm = strain.settles_below + 3
    values = kept.celsius.values
    return next((i for i in range(len(values) - 1, -1, -1) if values[i] >= warm), 0)


def _snapshot_before(kept: Kept, hours: float) -> tuple[float, Brew]:
    return next(((at, brew) for at, brew in reversed(kept.snapshots) if at <= hours), kept.snapshots[0])


def _mean(kept: Kept, hours: float) -> float:
    """Mean temperature of the day before."""
    last = round(hours / STEP_H)
    values = kept.celsius.values[max(0, last - 288) : last + 1]
    return sum(values) / len(values)


def _go_on(brew: Brew, strain: Yeast, celsius: float) -> tuple[list[float], Brew]:
    """Hourly gravity were it left alone at this temperature for weeks."""
    onward, rest = [brew.mixture.gravity], copy(brew)
    for hour in range(int(GO_ON_H)):
        rest.step(0.5, celsius, strain)
        rest.step(0.5, celsius, strain)
        onward.append(rest.mixture.gravity)
        if hour > 240 and onward[-200] - onward[-1] < 2e-6:
            break
    return onward, rest


def _over(kept: Kept, first: int, known: int, onward: list[float], asymptote: float) -> float:
    """The hour from which the batch was over: lived steps up to `known`, then `onward` by the hour."""
    day = 288
    lived = kept.gravity.values[: known + 1]
    curve = [(i * STEP_H, lived[i]) for i in range(first, len(lived), 3)]
    start = curve[-1][0] if curve else 0.0
    curve += [(start + hour, value) for hour, value in enumerate(onward[1:], 1)]
    far = max((i for i, (_, value) in enumerate(curve) if abs(value - asymptote) > NEAR), default=-1)
    fast = -1
    ahead = 0
    for i, (hours, value) in enumerate(curve):
        while ahead < len(curve) - 1 and curve[ahead][0] < hours + day * STEP_H / 4:
            ahead += 1
        span = curve[ahead][0] - hours
        if span > 0 and (value - curve[ahead][1]) / span * 24 > SLOW_PER_DAY:
            fast = i
    return curve[min(min(far, fast) + 1, len(curve) - 1)][0]


def _pauses(kept: Kept, first: int, over_h: float) -> tuple[tuple[float, float], ...]:
    """Standstills after the start and before the end, 12 h and longer."""
    ahead = 72  # six hours
    values, dry = kept.gravity.values, kept.dry_gravity.values
    found: list[tuple[float, float]] = []
    began: int | None = None
    for i in range(first, min(round(over_h / STEP_H), len(values) - ahead)):
        fallen = values[first] - values[i] > 0.15 * (values[first] - dry[first])
        still = (values[i] - values[i + ahead]) * 4 < SLOW_PER_DAY and values[i] - dry[i] > LEFT_OVER
        if fallen and still:
            began = i if began is None else began
        elif began is not None:
            found.append((round(began * STEP_H, 2), round((i + ahead) * STEP_H, 2)))
            began = None
    return tuple(pause for pause in found if pause[1] - pause[0] >= 12)


def _cause(brew: Brew, strain: Yeast) -> Cause:
    """The factor that holds the yeast back most; worn-out yeast is asked what its growth ended for."""
    litres = brew.mixture.volume
    limit = strain.alcohol_limit / 100 * ETHANOL_DENSITY_20 * 1000
    everyone = brew.yeast + brew.settled
    factors: dict[Cause, float] = {
        "nutrients": brew.transport,
        "alcohol-limit": max(0.0, 1 - (brew.ethanol / litres / limit) ** 2),
        "cold-crash": brew.yeast / everyone if everyone else 1.0,
    }
    first = min(factors, key=lambda cause: factors[cause])
    return "under-pitch" if first == "nutrients" and everyone > 0.8 * brew.most_yeast else first
