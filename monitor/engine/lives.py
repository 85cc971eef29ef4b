"""The life of each batch as the engine's state has it: for commands, page, API and report."""

from __future__ import annotations

from collections.abc import Callable

from monitor.batches.life import Facts, Life, fold
from monitor.batches.racking import Plan, plan
from monitor.batches.strength import HowKnown
from monitor.engine.facts import births, configured, told_in
from monitor.engine.state import State
from monitor.engine.verdicts import gravity_witnesses
from monitor.model.clock import iso
from monitor.model.config import Batch, Vessel
from monitor.model.deeds import Split
from monitor.rules.batch import BatchState, HandPoint

READING_ERROR = 0.001  # SG, standard error: of a gravity that was read


def start_of(state: State, name: str, seen: frozenset[str] = frozenset()) -> Batch | None:
    """A batch as it was told; of one that was split from another, the other as it was told.

    `seen` are those that are parts of it: splits that go round in a ring, as a start taken back may leave them, end.
    """
    told = configured(state, name)
    begun = births(state, name)
    for each in begun:
        told = told or told_in(each)
    if told is None and begun and isinstance(begun[0], Split) and begun[0].batch not in (name, *seen):
        return start_of(state, begun[0].batch, seen | {name})
    return told


def facts_for(state: State, batch: BatchState, now_ms: int) -> Facts:
    """What the engine knows of a batch, as plain values."""
    original, original_error, original_how = original_of(batch)
    error, gravity, seen_ms = _now(state, batch)
    return Facts(
        now_ms=now_ms,
        vessel=batch.vessel,
        stage=batch.stage,
        closed=batch.closed,
        pitched_ms=batch.pitched_ms,
        verdict=batch.verdict,
        rest=batch.rest,
        gravity=gravity,
        gravity_error=error,
        gravity_ms=seen_ms,
        original=original,
        original_error=original_error,
        original_how=original_how,
        rises=dict(batch.rises),
        contains_ms=batch.contains_ms,
        thinned=batch.thinned,
        hand=_plain(batch.hand),
        struck=_plain(batch.struck),
        vessels_l={vessel.name: vessel.volume_l for vessel in state.settings.vessel},
    )  # fmt: skip


def original_of(batch: BatchState) -> tuple[float | None, float, HowKnown | None]:
    """Its original gravity as far as it is known, its standard error, and how it is known.

    The rules take it from hand readings once there are enough to judge by; that it was read is so from the first on.
    """
    read = batch.start_by_hand()
    unread = batch.original is None or batch.forecast_sd is not None
    if read is not None and unread and not (batch.original_told or batch.rises or batch.probe_ms is not None):
        return read.gravity, max(READING_ERROR, read.error), "read"
    value = batch.original if batch.original is not None else batch.baseline
    if value is None:
        return None, READING_ERROR, None
    how: HowKnown = "told" if batch.original_told else "forecast" if batch.forecast_sd is not None else "read"
    return value, batch.forecast_sd or READING_ERROR, how


def _plain(points: list[HandPoint]) -> tuple[tuple[int, float, float], ...]:
    return tuple((point.at_ms, point.gravity, point.error) for point in points)


def _now(state: State, batch: BatchState) -> tuple[float, float | None, int | None]:
    """Error, gravity and when it was seen: as last judged, else as last read by hand."""
    witnesses = gravity_witnesses(state, batch.vessel)
    hand = batch.hand[-1] if batch.hand else None
    seen_ms = max([each.seen_ms() for each in witnesses] + ([hand.at_ms] if hand else []), default=None)
    by_hand = hand is not None and (batch.last_gravity is None or not witnesses or hand.at_ms == seen_ms)
    if by_hand and hand is not None:
        return max(READING_ERROR, hand.error), hand.gravity, hand.at_ms
    return max(READING_ERROR, witnesses[0].error if witnesses else 0.0), batch.last_gravity, seen_ms


def life_of(state: State, name: str, now_ms: int, local: Callable[[int], str] = iso) -> Life | None:
    """The life of a batch; None where there is none of that name. `local` writes times for people."""
    batch = state.batches.get(name)
    if batch is None:
        return None
    return fold(
        name,
        start_of(state, name),
        state.records.get(f"batch:{name}", ()),
        facts_for(state, batch, now_ms),
        first_stage=batch.first_stage,
        local=local,
    )


def plan_of(
    state: State,
    name: str,
    now_ms: int,
    to: str | None = None,
    *,
    lees_l: float | None = None,
    lees_mm: float | None = None,
    diameter_mm: float | None = None,
) -> Plan | None:
    """The racking plan of a batch into the vessel `to`; None where there is no such batch. ValueError as `plan`."""
    life = life_of(state, name, now_ms)
    if life is None:
        return None
    here = state.vessel(life.facts.vessel) or Vessel(name=life.facts.vessel)
    return plan(
        life, state.settings.practice.racking, here, state.vessel(to) if to is not None else None, lees_l=lees_l,
        lees_mm=lees_mm, diameter_mm=diameter_mm,
    )  # fmt: skip
