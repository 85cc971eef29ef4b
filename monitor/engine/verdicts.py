"""Gathers the evidence on a batch, asks the rule, and says what changed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from monitor.alerts.book import Outcome
from monitor.engine import activity
from monitor.engine.state import State
from monitor.model.clock import DAY, HOUR
from monitor.model.findings import Finding
from monitor.rules import advice, ferment
from monitor.rules.batch import BatchState
from monitor.rules.evidence import Evidence
from monitor.rules.health import GRAVITY_LIKE, STEADY_READINGS, ProbeHealth, span_words
from monitor.rules.track import KEPT_HOURS, PointSource, Track
from monitor.rules.truth import Offsets, Pair, ProbeTruth, hand_finding

SAY_AT_LEAST = 6 * HOUR
COMFORT_OVER = 2 * HOUR
UNANSWERED = 3 * DAY
UNHEARD = 3 * HOUR
BESIDE = 2 * HOUR  # hours of a probe that a hand reading is held against
BESIDE_SD = 0.0003  # SG: their mean's noise
UNCALIBRATED = 0.001  # SG: standard error of a probe in what it was made for (common practice, no source)


@dataclass(frozen=True, slots=True)
class Witness:
    """A probe that can tell the gravity in a vessel."""

    name: str
    track: Track
    health: ProbeHealth
    error: float

    def seen_ms(self) -> int:
        """When it last told something."""
        return max((each.measured_ms for name, each in self.health.series.items() if name in GRAVITY_LIKE), default=0)


def evaluate(state: State, batch: BatchState, now_ms: int, out: Outcome, *, anew: bool = False) -> None:
    """Judge a batch now, and say the verdict when it changed, was not said for six hours, or `anew`."""
    if batch.closed or batch.stage != "fermenting":
        return
    witnesses = gravity_witnesses(state, batch.vessel)
    liquid = liquid_source(state, batch.vessel)
    asked = batch.step_ms
    evidence = _evidence(state, batch, witnesses, liquid, now_ms) or _nothing_yet(state, batch, liquid, now_ms)
    event = ferment.judge(batch, evidence, now_ms)
    if batch.step_ms is not None and batch.step_ms != asked:
        state.book.note(advice.step_question(batch), now_ms, out)
    if anew:
        state.book.renew(f"batch:{batch.name}")
    changed = anew or event.verdict != batch.verdict or event.hint != batch.hint
    # The next look is an hour away: what was last said off the hour must not wait for it.
    if changed or now_ms - batch.said_ms > SAY_AT_LEAST - HOUR:
        batch.since_ms = now_ms if event.verdict != batch.verdict else batch.since_ms
        batch.verdict, batch.hint, batch.said_ms = event.verdict, event.hint, now_ms
        out.events.append(event)
    batch.last_gravity = event.gravity if event.gravity is not None else batch.last_gravity
    for finding in advice.verdict_findings(batch, event):
        state.book.note(finding, now_ms, out)
    _ask_for_reading(state, batch, bool(witnesses), now_ms, out)
    state.touch(f"batch:{batch.name}")


def hourly(state: State, batch: BatchState, now_ms: int, out: Outcome) -> None:
    """What an hour brings: the verdict, the comfort of the yeast, and whether hand and probe agree."""
    if batch.closed or batch.stage != "fermenting":
        return
    evaluate(state, batch, now_ms, out)
    _teach(state, batch, now_ms)
    liquid = liquid_source(state, batch.vessel)
    recent = [value for _, value in liquid(now_ms - COMFORT_OVER, now_ms)] if liquid else []
    if recent:
        cause = _fridge_cause(state, batch.vessel)
        for finding in advice.comfort(batch, sum(recent) / len(recent), now_ms, now_ms):
            state.book.note(replace(finding, under=cause) if cause else finding, now_ms, out)
    for finding in _disagreement(state, batch, now_ms):
        state.book.note(finding, now_ms, out)
    if batch.step_ms is not None and now_ms - batch.step_ms >= UNANSWERED:
        settle_step(state, batch, "Nobody answered, and the new gravity has held for three days: it is taken as real.",
                    now_ms, out)  # fmt: skip


def _teach(state: State, batch: BatchState, now_ms: int) -> None:
    """Other witnesses learn from the gravity while it falls, if that can be believed."""
    lead = _believed(gravity_witnesses(state, batch.vessel), now_ms)
    activity.learn(state, batch, lead.track.points if lead else None, now_ms)


def _fridge_cause(state: State, vessel: str) -> str | None:
    """The standing alert of the fridge that a vessel is in: it also tells of the vessel's temperature."""
    for name, fridge in state.fridges.items():
        if vessel in fridge.contents:
            for alert in ("fridge-compressor", "fridge-door", "fridge-drift", "freeze-risk"):
                if f"{alert}/fridge:{name}" in state.book.standing:
                    return f"{alert}/fridge:{name}"
    return None


def settle_step(state: State, batch: BatchState, why: str, now_ms: int, out: Outcome) -> None:
    """The question about a jump in gravity is over."""
    state.book.note(advice.step_settled(batch, why, now_ms), now_ms, out)
    batch.step_ms = None
    state.touch(f"batch:{batch.name}")


def _ask_for_reading(state: State, batch: BatchState, has_probe: bool, now_ms: int, out: Outcome) -> None:  # noqa: FBT001
    due = advice.reading_due(batch, now_ms, has_probe=has_probe)
    about = f"batch:{batch.name}"
    state.book.note(
        due or Finding("reading-due", about, active=False, message=f"No reading of batch {batch.name} is wanted now."),
        now_ms,
        out,
    )


# --- evidence ----------------------------------------------------------------------------------------------------


def gravity_witnesses(state: State, vessel: str) -> list[Witness]:
    """Probes that tell gravity in a vessel now: calibrated ones first, then in the order they are listed."""
    place = f"vessel:{vessel}"
    settings = state.vessel(vessel)
    listed = settings.probes if settings else []
    found: list[tuple[tuple[bool, int, str], Witness]] = []
    for _, probe, quantity, track in state.tracks_at(place):
        if quantity != "gravity" or state.place_now(probe) != place:
            continue
        error = _calibration_error(state, probe)
        rank = (error is None, listed.index(probe) if probe in listed else len(listed), probe)
        found.append((rank, Witness(probe, track, state.probes[probe], error if error is not None else UNCALIBRATED)))
    return [witness for _, witness in sorted(found, key=lambda each: each[0])]


def _calibration_error(state: State, probe: str) -> float | None:
    for quantity, series in state.probes[probe].series.items():
        curve = state.curve(probe, quantity)
        if curve is not None and quantity in GRAVITY_LIKE:
            return curve.error(series.value)
    return None


def _nothing_yet(state: State, batch: BatchState, liquid: PointSource | None, now_ms: int) -> Evidence:
    """No probe has told gravity here: there is none, or it has not been heard yet."""
    place = f"vessel:{batch.vessel}"
    unheard = [name for name in state.probes_at(place) if not _heard(state, name)]
    if not unheard:
        return Evidence(None, None, 0.0, None, liquid, None)
    late = now_ms - batch.pitched_ms >= UNHEARD
    trouble = f"probe {unheard[0]} has not been heard yet" if late else None
    return Evidence(lambda _, __: [], unheard[0], 0.0, trouble, liquid, None)


def _heard(state: State, probe: str) -> bool:
    health = state.probes.get(probe)
    return health is not None and bool(health.series)


def _evidence(
    state: State, batch: BatchState, witnesses: list[Witness], liquid: PointSource | None, now_ms: int
) -> Evidence | None:
    if not witnesses:
        return None
    believed = _believed(witnesses, now_ms)
    witness = believed or witnesses[0]
    truth = _truth(batch, witness, now_ms)
    offsets = truth.solve()
    _, error = offsets.at(now_ms)
    source = _set_right(witness.track.points, offsets) if offsets.pairs else witness.track.points
    trouble = None
    if believed is None:
        trouble = f"probe {witness.name} cannot be believed now: {trouble_of(witness.health, now_ms)}"
    said = tuple(activity.activities(state, batch, source, now_ms)) if believed is not None else ()
    return Evidence(
        source, witness.name, error, trouble, liquid, witness.seen_ms(), activities=said, set_right=offsets.pairs > 0
    )


def _believed(witnesses: list[Witness], now_ms: int) -> Witness | None:
    """The first of them that can carry a verdict now."""
    return next((each for each in witnesses if trouble_of(each.health, now_ms) is None), None)


def _set_right(source: PointSource, offsets: Offsets) -> PointSource:
    """The same hours with what hand readings say is to be added to each."""

    def points(from_ms: int, to_ms: int) -> list[tuple[float, float]]:
        return [(at, value + offsets.at(round(at * HOUR))[0]) for at, value in source(from_ms, to_ms)]

    return points


def _truth(batch: BatchState, witness: Witness, now_ms: int) -> ProbeTruth:
    """What hand readings taught of a probe, brought up to date: hours may have come late, readings been undone."""
    truth = batch.truths.get(witness.name)
    if truth is None:
        truth = batch.truths[witness.name] = ProbeTruth(since_ms=batch.pitched_ms, first_sd=witness.error)
    for at_ms in {pair.at_ms for pair in truth.pairs} - {point.at_ms for point in batch.hand}:
        truth.forget(at_ms)
    oldest_ms = max((now_ms // HOUR - KEPT_HOURS) * HOUR, batch.placed_ms())
    for point in batch.hand:
        if point.at_ms - BESIDE < oldest_ms:
            continue  # of some of its hours nothing is known, or they were of another batch: what was learned stays
        hours = witness.track.points(point.at_ms - BESIDE, point.at_ms + BESIDE)
        if not hours:
            truth.forget(point.at_ms)  # the probe was stuck then, as was seen later
        else:
            level = sum(value for _, value in hours) / len(hours)
            truth.take(Pair(point.at_ms, level, BESIDE_SD, point.gravity, point.error))
    return truth


def trouble_of(health: ProbeHealth, now_ms: int) -> str | None:
    """Why a probe cannot carry a verdict on gravity now, in words; None when it can."""
    if health.stuck_since_ms is not None:
        return f"it is stuck, the same values for {span_words(now_ms - health.stuck_since_ms)}"
    if health.moved_ms is not None:
        return "it was just moved and is not steady yet"
    lead = [series for name, series in health.series.items() if name in GRAVITY_LIKE]
    if health.no_gravity >= STEADY_READINGS or (lead and all(series.spoilt >= 3 for series in lead)):
        return "its gravity cannot be right"
    if health.silent and lead and now_ms - max(series.received_ms for series in lead) >= HOUR:
        return f"it has been silent for {span_words(now_ms - max(series.received_ms for series in lead))}"
    return None


def liquid_source(state: State, vessel: str) -> PointSource | None:
    """Hourly temperatures of a vessel's liquid: a probe in the liquid, else on the wall; never the air."""
    ranked: list[tuple[tuple[int, bool, int, str], Track]] = []
    settings = state.vessel(vessel)
    listed = settings.probes if settings else []
    where = f"vessel:{vessel}"
    for _, probe, quantity, track in state.tracks_at(where):
        if quantity != "temperature" or probe.startswith("hand:"):
            continue
        told = state.probe_settings(probe)
        measures = told.measures if told else None
        if measures != "air":
            here = state.place_now(probe) == where
            order = listed.index(probe) if probe in listed else len(listed)
            ranked.append(((measures == "wall", not here, order, probe), track))
    ranked.sort(key=lambda each: each[0])
    return ranked[0][1].points if ranked else None


# --- two witnesses -----------------------------------------------------------------------------------------------


def _disagreement(state: State, batch: BatchState, now_ms: int) -> list[Finding]:
    """Name each of two gravity witnesses that differ by more than both their errors."""
    witnesses = gravity_witnesses(state, batch.vessel)
    if not witnesses:
        return []
    lead = witnesses[0]
    since_ms = max(now_ms - 6 * HOUR, batch.placed_ms())
    mine = lead.track.mean(since_ms, now_ms)
    if mine is None or trouble_of(lead.health, now_ms) is not None:
        return []
    if any(each.health.implausible() for each in witnesses):
        return []  # another complaint stands on the same probe, and agreement on gravity does not settle it
    others = [
        (witness.name, value, witness.error)
        for witness in witnesses[1:]
        if (value := witness.track.mean(since_ms, now_ms)) is not None
    ]
    found = [_differs(batch, lead, mine, other) for other in others]
    hand = batch.hand[-1] if batch.hand else None
    # A reading from before a jump says nothing of it, and must not settle the question what it was.
    if hand is not None and hand.at_ms >= batch.window_from_ms and batch.step_ms is None:
        told = hand_finding(lead.name, batch.name, _truth(batch, lead, now_ms).solve())
        found += [told] if told is not None else []
    return found


def _differs(batch: BatchState, lead: Witness, mine: float, other: tuple[str, float, float]) -> Finding:
    name, value, error = other
    least = max(0.002, 2.5 * math.hypot(lead.error, error))
    apart = abs(mine - value)
    suspect = lead.name if name == "your hydrometer" else name
    return Finding(
        alert="probe-suspect",
        about=f"probe:{suspect}",
        active=apart > least,
        message=f"Two witnesses of batch {batch.name} disagree: {lead.name} says {mine:.4f}, {name} says {value:.4f}."
        if apart > least
        else f"{lead.name} and {name} agree on batch {batch.name}.",
        because=(f"they are {apart:.4f} apart, and {least:.4f} is what their errors allow",),
        do=("take a careful hydrometer reading: degas the sample and note its temperature",),
        seen_ms=lead.seen_ms(),
    )
