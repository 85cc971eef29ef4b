"""Clocks of clearing, cold and sealing: looked at each minute.

What runs is worked out from the records, and only an entry changes it: between two entries a minute costs a look at
what runs, however many batches there were.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any
from weakref import WeakKeyDictionary

from monitor.alerts.book import Outcome
from monitor.batches import clearing, hold, seal
from monitor.batches.clearing import Clearing, Sinking, Surroundings
from monitor.batches.seal import Judgement
from monitor.engine import cold, ice, seals
from monitor.engine.state import State
from monitor.engine.verdicts import liquid_source
from monitor.model.clock import HOUR, MINUTE, parse_time
from monitor.model.deeds import Held, SealedUp
from monitor.model.findings import Finding
from monitor.rules.batch import BatchState
from monitor.rules.health import SeriesHealth, span_words

ABV_UNKNOWN = 10.0  # % by volume, for how fast things sink: it changes that by a third at most
CLEARS = ("fermenting", "clearing")


@dataclass(frozen=True, slots=True)
class Plan:
    """What a record says of clearing, cold and sealing, as long as nothing was added to it."""

    length: int
    clear_ntu: float
    clearing: Clearing
    held: Held | None
    sealed: tuple[SealedUp, ...]


@dataclass(slots=True)
class _Memo:
    """What was worked out of a state's records; never kept, always the same again."""

    plans: dict[str, Plan] = field(default_factory=dict)
    judged: dict[str, tuple[tuple[object, ...], tuple[tuple[SealedUp, Judgement], ...]]] = field(default_factory=dict)
    entries: int = -1
    """As many had the state taken when its records were last read."""
    ticked: int = -1
    """As many had it taken at the latest tick."""
    at_work: tuple[Planned, ...] = ()
    """Batches with a clock that runs, or that stand closed."""
    fined: tuple[Planned, ...] = ()
    holds: dict[str, Held] = field(default_factory=dict)


Planned = tuple[BatchState, Plan]
_MEMOS: WeakKeyDictionary[State, _Memo] = WeakKeyDictionary()


def plans(state: State) -> dict[str, Plan]:
    """What runs, by what it is about."""
    return _memo(state).plans


def holds(state: State) -> dict[str, Held]:
    """The holds that run; a batch whose start was taken back is not there to be held."""
    return _memo(state).holds


def _memo(state: State) -> _Memo:
    memo = _MEMOS.setdefault(state, _Memo())
    if memo.entries != state.entries:
        _read(state, memo)
        memo.entries = state.entries
    return memo


def _read(state: State, memo: _Memo) -> None:
    practice = state.settings.practice.clearing
    for about, record in state.records.items():
        plan = memo.plans.get(about)
        if plan is None or plan.length != len(record) or plan.clear_ntu != practice.clear_ntu:
            memo.plans[about] = Plan(
                len(record), practice.clear_ntu, clearing.clearing(record, practice), hold.active(record),
                seal.closed(record),
            )  # fmt: skip
    planned = _planned(state, memo)
    memo.at_work = tuple((batch, plan) for batch, plan in planned if plan.sealed or _runs(batch, plan))
    memo.fined = tuple((batch, plan) for batch, plan in planned if plan.clearing.second is not None)
    memo.holds = {
        about: plan.held for about, plan in memo.plans.items()
        if plan.held is not None and (not about.startswith("batch:") or about[6:] in state.batches)
    }  # fmt: skip


def _planned(state: State, memo: _Memo) -> list[Planned]:
    found = memo.plans
    return [(batch, plan) for name, batch in state.batches.items() if (plan := found.get(f"batch:{name}"))]


def tick(state: State, now_ms: int, out: Outcome) -> None:
    """Look at what runs; at all batches after an entry, for what it ended."""
    memo = _memo(state)
    for batch, plan in memo.at_work:
        if _runs(batch, plan):
            _file_turbidity(state, batch, now_ms)
    stands: dict[str, Clearing] = {}
    for batch, plan in memo.at_work if memo.ticked == state.entries else _planned(state, memo):
        _clears(state, batch, plan, _near(state, batch, plan, memo.fined, stands), now_ms, out)
        _sealed(state, batch, plan, now_ms, out)
    memo.ticked = state.entries
    if memo.holds or state.holds:
        cold.tick(state, memo.holds, now_ms, out)


def _runs(batch: BatchState, plan: Plan) -> bool:
    """Whether finings are at work in it."""
    return plan.clearing.first is not None and not batch.closed and batch.stage in CLEARS


def _near(
    state: State, batch: BatchState, plan: Plan, fined: Iterable[Planned], stands: dict[str, Clearing]
) -> list[tuple[str, Clearing]]:
    """Batches fined at about the same time as this one, and how they cleared; `stands` keeps what was looked up."""
    since = plan.clearing.since_ms()
    if since is None or not _runs(batch, plan):
        return []
    within, found = state.settings.practice.clearing.sibling_within * 1000, []
    for other, its in fined:
        at = its.clearing.since_ms()
        if other is batch or at is None or abs(at - since) > within:
            continue
        if other.name not in stands:
            stands[other.name] = _stands(state, other, its.clearing)
        found.append((other.name, stands[other.name]))
    return found


# --- clearing ----------------------------------------------------------------------------------------------------


def clearing_of(state: State, batch: BatchState) -> Clearing:
    """Where the clearing of a batch stands, the word of a turbidity probe included."""
    plan = plans(state).get(f"batch:{batch.name}")
    practice = state.settings.practice.clearing
    return _stands(state, batch, plan.clearing if plan is not None else clearing.clearing((), practice))


def called_finished(verdicts: Iterable[Mapping[str, Any]]) -> int | None:
    """When a batch was called finished, by its verdict events in order, where nothing but not knowing came after."""
    since: int | None = None
    for event in verdicts:
        if event["verdict"] != "finished":
            since = since if event["verdict"] == "unknown" else None
        elif since is None:
            since = parse_time(event["time"])
    return since


def before_fining(
    state: State, batch: BatchState, warmth: tuple[float, str] | None, finished_ms: int | None
) -> clearing.Facts:
    """What is so of a batch before the first part goes in; `finished_ms` is by `called_finished`."""
    found = clearing_of(state, batch)
    return clearing.Facts(
        verdict="finished" if batch.rest == "finished" else batch.verdict,
        finished_ms=finished_ms,
        racked_ms=found.racked_ms,
        stage=batch.stage,
        temperature_c=warmth[0] if warmth else None,
        temperature_from=warmth[1] if warmth else "",
        volume_l=cold.volume_of(state, batch),
    )


def _stands(state: State, batch: BatchState, found: Clearing) -> Clearing:
    practice = state.settings.practice.clearing
    if found.first is None:
        return found
    # Hours that were kept count whatever became of the probe since: silence takes nothing back.
    for _, name, quantity, track in state.tracks_at(f"vessel:{batch.vessel}"):
        if quantity == "turbidity":
            hours = track.points(found.first.at_ms, state.clock.last_ms)
            found = clearing.with_probe(found, name, [(round(at * HOUR), ntu) for at, ntu in hours], practice)
    if not found.looks:
        for name, series in _turbid(state, batch):
            found = clearing.with_probe(found, name, [(series.measured_ms, series.value)], practice)
    return found


def _turbid(state: State, batch: BatchState) -> list[tuple[str, SeriesHealth]]:
    """Turbidity probes in a batch's vessel that can be believed."""
    return [
        (name, health.series["turbidity"])
        for name in state.probes_at(f"vessel:{batch.vessel}")
        if (health := state.probes.get(name)) is not None
        and "turbidity" in health.series
        and health.stuck_since_ms is None
        and health.moved_ms is None
        and not health.silent
    ]


def _file_turbidity(state: State, batch: BatchState, now_ms: int) -> None:
    """Keep the hours of a turbidity probe while finings are at work, so that it is known when it was clear first."""
    for name, series in _turbid(state, batch):
        if now_ms - MINUTE < series.measured_ms <= now_ms:
            key = f"vessel:{batch.vessel}|{name}|turbidity"
            number = state.track(key).add(series.measured_ms, series.value)
            state.touch(f"hour:{key}|{number}")


def warmth_of(state: State, batch: BatchState, now_ms: int) -> tuple[float, str] | None:
    """Temperature of a batch's liquid, Cel, and by what that is known; None where nothing tells."""
    probe = cold.liquid_now(state, batch.vessel, now_ms)
    if probe is not None:
        return probe[1], f"by probe {probe[0]}"
    for fridge in state.fridges.values():
        content = fridge.contents.get(batch.vessel)
        if content is not None and cold.air_now(fridge, now_ms) is not None:
            return content.estimate, f"by estimate from the air of fridge {fridge.name}"
    source = liquid_source(state, batch.vessel)
    recent = source(now_ms - 6 * HOUR, now_ms) if source is not None else []
    return (recent[-1][1], "by a probe on it, some hours ago") if recent else None


def sinking_of(state: State, batch: BatchState, now_ms: int) -> Sinking | None:
    """How long things need to sink in a batch's vessel; None where its warmth is not known or out of range."""
    warmth, litres, found = warmth_of(state, batch, now_ms), cold.volume_of(state, batch), ice.strength(state, batch)
    if warmth is None or litres is None:
        return None
    abv = found[0] if found is not None else ABV_UNKNOWN
    around = Surroundings(
        clearing.depth_mm(litres), min(max(warmth[0], 0.0), 40.0), min(abv, 24.0), abv_known=found is not None
    )
    try:
        return clearing.sinking(around)
    except ValueError:
        return None


def _clears(
    state: State, batch: BatchState, plan: Plan, siblings: list[tuple[str, Clearing]], now_ms: int, out: Outcome
) -> None:
    name, about = batch.name, f"batch:{batch.name}"
    if not _runs(batch, plan):
        words = f"No finings are at work in batch {name} any more."
        state.book.over("clearing-due", about, words, now_ms, out)
        state.book.over("clearing-slow", about, words, now_ms, out)
        return
    practice = state.settings.practice.clearing
    found = _stands(state, batch, plan.clearing)
    due_ms = clearing.second_due_ms(found, practice)
    if due_ms is None:
        state.book.over("clearing-due", about, f"The second part is in batch {name}.", now_ms, out)
    elif now_ms >= due_ms:
        state.book.note(_due(name, found, now_ms), now_ms, out)
    else:
        state.book.over("clearing-due", about, f"The second part for batch {name} is not due yet.", now_ms, out)
    latest = found.looks[-1] if found.looks else None
    if latest is not None and latest.clear():
        words = f"Batch {name} is {latest.clearness} now, {latest.how}."
        state.book.over("clearing-slow", about, words, now_ms, out)
    elif latest is not None and found.second is not None:
        slow = clearing.slow(name, found, practice, now_ms, siblings, sinking_of(state, batch, now_ms))
        if slow is not None:
            finding = Finding(
                "clearing-slow", about, active=True, message=slow.message, because=slow.because, do=clearing.SLOW_DO,
                seen_ms=latest.at_ms,
            )  # fmt: skip
            state.book.note(finding, now_ms, out)
        else:
            state.book.over("clearing-slow", about, f"Batch {name} clears as it should.", now_ms, out)
    else:
        state.book.over("clearing-slow", about, f"The clearing of batch {name} begins anew.", now_ms, out)
    _ask_to_look(state, batch, found, now_ms, out)


def _due(name: str, found: Clearing, now_ms: int) -> Finding:
    assert found.first is not None
    return Finding(
        "clearing-due",
        f"batch:{name}",
        active=True,
        message=f"The second part of the finings is due in batch {name}: stir it in.",
        because=(f"the first part ({found.first.what}) went in {span_words(now_ms - found.first.at_ms)} ago",),
        do=(
            "stir it in gently, all through, and then leave the vessel still",
            f"then say so: leeswatch batch fine {name} 2 --what WHAT",
        ),
        seen_ms=found.first.at_ms,
    )


def _ask_to_look(state: State, batch: BatchState, found: Clearing, now_ms: int, out: Outcome) -> None:
    """It should be clear by now, and nobody has looked since it could be."""
    about = f"batch:{batch.name}"
    if batch.stage == "fermenting":
        return  # there the verdict's own rule asks for readings
    expected = clearing.clear_expected_ms(found, state.settings.practice.clearing)
    unseen = expected is not None and not any(look.at_ms >= expected[0] for look in found.looks)
    if expected is None or not unseen:
        state.book.over("reading-due", about, f"Somebody looked at batch {batch.name}.", now_ms, out)
    elif now_ms >= expected[1]:
        since = found.since_ms() or now_ms
        ask = Finding(
            "reading-due",
            about,
            active=True,
            message=f"Batch {batch.name} should be clear by now: look at it against a light.",
            because=(f"its second part of finings went in {span_words(now_ms - since)} ago, and nobody has looked",),
            do=(f"say what you see: leeswatch batch clarity {batch.name} clear (or hazy, cloudy …)",),
            seen_ms=since,
        )
        state.book.note(ask, now_ms, out)


# --- sealing -----------------------------------------------------------------------------------------------------


def judged(state: State, batch: BatchState, now_ms: int) -> tuple[tuple[SealedUp, Judgement], ...]:
    """How safe each vessel of a batch that was closed is by now; none where none is closed."""
    plan = plans(state).get(f"batch:{batch.name}")
    if plan is None or not plan.sealed:
        return ()
    memo = _MEMOS[state].judged
    known = [
        seal.since_closed(sealed, seals.seal_facts(state, batch, now_ms, after_ms=sealed.at)) for sealed in plan.sealed
    ]
    # All that a judgement follows from, and nothing else: a memo begun anew after a restart says the same.
    key = (plan.sealed, *known)
    if batch.name not in memo or memo[batch.name][0] != key:
        found = []
        for sealed, facts in zip(plan.sealed, known, strict=True):
            try:
                found.append((sealed, seal.judge(facts, seal.closing_of(sealed))))
            except ValueError:
                continue  # the command line checks before it writes; a journal edited by hand may still be wrong
        memo[batch.name] = (key, tuple(found))
    return memo[batch.name][1]


def _sealed(state: State, batch: BatchState, plan: Plan, now_ms: int, out: Outcome) -> None:
    about = f"batch:{batch.name}"
    if not plan.sealed:
        state.book.over("seal-unsafe", about, f"Batch {batch.name} does not stand closed any more.", now_ms, out)
        return
    unsafe = [(sealed, found) for sealed, found in judged(state, batch, now_ms) if not found.safe]
    if not unsafe:
        state.book.over("seal-unsafe", about, f"Batch {batch.name} may stay closed, by what is known.", now_ms, out)
        return
    sealed, found = max(unsafe, key=lambda each: each[1].pressure_range[1] if each[1].pressure_range else math.inf)
    vessels = f", in {len(unsafe)} vessels" if len(unsafe) > 1 else ""
    finding = Finding(
        "seal-unsafe",
        about,
        active=True,
        message=f"Batch {batch.name} stands closed{vessels}, and that is not safe.",
        because=(*found.reasons(), f"{sealed.litres:g} L in {found.rating}"),
        do=(seal.RELEASE, seal.AIR_THE_ROOM, f"then say so: leeswatch batch seal {batch.name} --opened"),
        seen_ms=sealed.at,
    )
    state.book.note(finding, now_ms, out)
