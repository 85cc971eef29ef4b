"""One trial through the monitor's own engine, as `replay` does it, without store.

What is left out to be fast: ticks fall on whole hours only, because verdicts are made there (and at hand readings and
additions); the minutes between would only tell a silence sooner.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field

from monitor.alerts.book import Outcome
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.model.clock import HOUR
from monitor.model.config import Batch, Room, RuleProbe, RuleSettings, Vessel
from monitor.model.events import VerdictEvent
from monitor.model.inputs import Added, Configured, Reading, Tick
from tests.benchmarks.cellar import BATCH, FLOAT, PITCHED_MS, VESSEL, Series, Trial

PLACED = {"co2": "flow-a", "bubbles": "lock-a", "mass": "scale-a"}
ROOM = "cellar"


@dataclass(slots=True)
class Said:
    """What the monitor said of a trial, and what it cost."""

    events: list[VerdictEvent] = field(default_factory=list)
    hours: int = 0
    tick_s: float = 0.0  # processor time in hourly ticks: all rules of one vessel
    reading_s: float = 0.0
    readings: int = 0
    failed: str | None = None  # how the engine broke: a batch it cannot get through is counted, not passed over


@dataclass(frozen=True, slots=True)
class Options:
    """What is told and heard beside the float."""

    witnesses: frozenset[str] = frozenset()  # ambient, co2, bubbles, mass, hand, final
    expected: bool = True  # whether a final gravity is told
    probe: bool = True  # whether there is a float at all


def settings(trial: Trial, options: Options) -> RuleSettings:
    """The configuration of a trial: one vessel, its probes, one batch."""
    told = trial.told
    known = "final" in options.witnesses
    placed = [name for witness, name in PLACED.items() if witness in options.witnesses]
    ambient = "ambient" in options.witnesses
    return RuleSettings(
        probe=[RuleProbe(name=FLOAT, measures="liquid")],
        vessel=[Vessel(name=VESSEL, probes=[FLOAT, *placed] if options.probe else placed)],
        room=[Room(name=ROOM, probes=["air-a"])] if ambient else [],
        batch=[
            Batch(
                name=BATCH,
                vessel=VESSEL,
                pitched=PITCHED_MS,
                original_gravity=told.original,
                expected_final=(told.final_known if known else told.expected_final) if options.expected else None,
                expected_final_sd=(0.0005 if known else told.expected_sd) if options.expected else None,
                fermentables=told.fermentables,
                yeast_range_c=told.yeast_range_c,
                alcohol_limit_abv=min(told.alcohol_limit, 25.0),
            )
        ],
    )


def inputs(trial: Trial, options: Options) -> list[Reading | Added]:
    """All that comes in, in the order in which it came; received times rise strictly."""
    heard: list[Series] = list(trial.float_probe) if options.probe else []
    for witness in sorted(options.witnesses - {"final"}):
        heard += trial.witnesses[witness]
    found: list[tuple[int, Reading | Added]] = []
    for series in heard:
        rows = zip(series.measured_ms.tolist(), series.value.tolist(), series.received_ms.tolist(), strict=True)
        found += [(late, Reading(series.probe, series.quantity, at, value, late)) for at, value, late in rows]
    for each in trial.truth.additions:
        at = PITCHED_MS + each.hour * HOUR
        rise = round(each.rise, 4) if each.known else None
        found.append((at + 120_000, Added(batch=BATCH, what="sugar", at=at, gravity_rise=rise)))
    found.sort(key=lambda pair: pair[0])
    ordered: list[Reading | Added] = []
    last = 0
    for received, item in found:
        last = max(received, last + 1)
        if isinstance(item, Reading):
            ordered.append(item._replace(received_ms=last))
        else:
            ordered.append(item.model_copy(update={"received": last}))
    return ordered


def run(trial: Trial, options: Options | None = None, tick_ms: int = HOUR) -> Said:
    """What the monitor says of it."""
    out, said = Outcome(), Said(hours=trial.truth.hours)
    try:
        _run(trial, options or Options(), tick_ms, out, said)
    except Exception as error:  # noqa: BLE001
        said.failed = f"{type(error).__name__}: {error}"
    said.events = [event for event in out.events if isinstance(event, VerdictEvent)]
    return said


def _run(trial: Trial, options: Options, tick_ms: int, out: Outcome, said: Said) -> None:
    state = State()
    start = Configured(settings=settings(trial, options).as_json(), received=PITCHED_MS + 1)
    step(state, start, PITCHED_MS + 1, out)
    clock = time.thread_time
    tick = PITCHED_MS + tick_ms
    end = PITCHED_MS + trial.truth.hours * HOUR
    begun = clock()
    for item in inputs(trial, options):
        received = item.received_ms if isinstance(item, Reading) else item.received
        while tick <= min(received, end):
            before = clock()
            step(state, Tick(tick), tick, out)
            said.tick_s += clock() - before
            tick += tick_ms
        said.readings += 1
        step(state, item, received, out)
    said.reading_s = clock() - begun - said.tick_s
    for late in range(tick, end + 1, tick_ms):
        step(state, Tick(late), late, out)
