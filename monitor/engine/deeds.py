"""Deeds: entries go into the records of what they are about, and what they change is worked out anew."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.alerts.book import Outcome
from monitor.batches.record import counting, meant, subjects
from monitor.engine import activity, by_hand
from monitor.engine.facts import Facts, children, facts_of, reconcile, retell
from monitor.engine.state import State
from monitor.engine.verdicts import evaluate, settle_step
from monitor.model.clock import DAY
from monitor.model.deeds import Merged, Racked, Reopened, Split, Undone
from monitor.model.inputs import (
    Added,
    BatchClosed,
    BatchStarted,
    ForcedFinal,
    JournalEntry,
    ReadingUndone,
    StageChanged,
)
from monitor.rules import finals
from monitor.rules.batch import BatchState

# What decides facts of a batch; the rest is kept in its record and asked when it is wanted.
DECIDING = (BatchStarted, BatchClosed, Reopened, StageChanged, Racked, Split, Merged, Added, ForcedFinal)


def keep(state: State, entry: JournalEntry) -> tuple[str, ...]:
    """Put an entry into the records it belongs to; says which."""
    if isinstance(entry, Undone):
        about = _of_undone(state, entry)
    else:
        about = by_hand.subjects(state, entry) if isinstance(entry, ReadingUndone) else subjects(entry)
    for subject in about:
        state.records.setdefault(subject, []).append(entry)
        state.touch(f"record:{subject}")
    return about


def _of_undone(state: State, entry: Undone) -> tuple[str, ...]:
    return tuple(name for name, record in state.records.items() if any(each.received == entry.of for each in record))


def apply_deed(state: State, entry: JournalEntry, about: Sequence[str], now_ms: int, out: Outcome) -> None:
    """What a deed, or taking one back, changes at once beside its records `about`."""
    record = state.records[about[0]]
    deed = meant(record, entry)
    if not isinstance(deed, DECIDING) and not isinstance(entry, Undone):
        return
    names = [subject[6:] for subject in about if subject.startswith("batch:")]
    names += [child for name in names for child in children(state, name)]
    for name in dict.fromkeys(names):
        batch = state.batches.get(name)
        before = facts_of(batch) if batch is not None else None
        batch = reconcile(state, name)
        if batch is None:
            if before is not None:
                _remove(state, name, now_ms, out)
            continue
        if isinstance(deed, BatchStarted):
            retell(state, name)
        if before is None:
            batch.window_from_ms = max(batch.window_from_ms, batch.placed_ms())  # it may have moved since it began
            if batch.split_off:
                _listen_anew(state, batch.vessel)
        if before is not None and deed is not None:
            _follow(state, batch, before, deed, now_ms, out)
    for batch in [state.batches[name] for name in dict.fromkeys(names) if name in state.batches]:
        into = deed.batch if isinstance(deed, Added) else deed.into if isinstance(deed, Merged) else None
        if batch.name == into and isinstance(deed, Added | Merged):
            if any(each.received == deed.received for each in counting(record)):
                _went_in(state, batch, deed, now_ms, out)
            else:
                _anew(batch)
        evaluate(state, batch, now_ms, out)


def _follow(state: State, batch: BatchState, before: Facts, deed: JournalEntry, now_ms: int, out: Outcome) -> None:
    """What follows from facts that changed."""
    about = f"batch:{batch.name}"
    if batch.vessel != before.vessel:
        _moved(state, batch, now_ms, out)
    if batch.stage != before.stage:
        batch.too_cold_ms = batch.too_warm_ms = None
        state.book.close(about, now_ms, out, but="seal-unsafe")  # what stands closed stays so in any stage
    if batch.closed and not before.closed:
        if isinstance(deed, BatchClosed):
            _remember(state, batch, now_ms)
        activity.forget(state, batch.name)
        state.book.close(about, now_ms, out, but="seal-unsafe")
    elif before.closed and not batch.closed:
        _forget(state, batch)
    state.touch(about)


def _moved(state: State, batch: BatchState, now_ms: int, out: Outcome) -> None:
    """It is in another vessel: other probes tell of it, so no window reaches back behind that."""
    if batch.step_ms is not None:
        words = f"The jump of batch {batch.name} is settled: it went to another vessel, {batch.vessel}."
        if batch.step_thins and abs(batch.step_ms - batch.homes[-1][0]) <= DAY:  # the probe was left without a wash
            batch.thinned_seen, batch.thinned = False, bool(batch.thinners)
        settle_step(state, batch, words, now_ms, out)
    _listen_anew(state, batch.vessel)
    batch.window_from_ms = max(batch.window_from_ms, batch.placed_ms())
    batch.rest_gravity = batch.reference_c = batch.climate = batch.hand_warmth = batch.added_ms = None
    batch.ended_ms = batch.rests_ms = batch.too_cold_ms = batch.too_warm_ms = None
    if batch.started_ms is None:
        batch.baseline = None
    activity.forget(state, batch.name)


def _listen_anew(state: State, vessel: str) -> None:
    """What stood in a vessel before makes no line with what is in it now: no jump is seen between them."""
    for key, steps in state.steps.items():
        place, _, quantity = key.split("|")
        if place == f"vessel:{vessel}" and quantity == "gravity":
            steps.level, steps.odd = None, []
            state.touch(f"track:{key}")


def _remove(state: State, name: str, now_ms: int, out: Outcome) -> None:
    """Its start was taken back, and nothing else was done to it: there is no such batch. Its record stays."""
    del state.batches[name]
    state.drop(f"batch:{name}")
    activity.forget(state, name)
    if state.holds.pop(f"batch:{name}", None) is not None:
        state.drop(f"hold:batch:{name}")
    state.book.close(f"batch:{name}", now_ms, out)


# --- what went in ------------------------------------------------------------------------------------------------


def _went_in(state: State, batch: BatchState, deed: Added | Merged, now_ms: int, out: Outcome) -> None:
    """An addition starts the window again; it is at work once more."""
    batch.window_from_ms = max(batch.window_from_ms, deed.at)
    batch.added_ms, batch.added_before = deed.at, batch.last_gravity
    batch.added_known, batch.added_of = deed.gravity_rise is not None, deed.received
    _anew(batch)
    if batch.step_ms is not None and abs(batch.step_ms - deed.at) <= DAY:
        what = deed.what if isinstance(deed, Added) else f"batch {deed.batch}"
        settle_step(state, batch, f"The jump of batch {batch.name} is explained: {what} was added.", now_ms, out)
    state.touch(f"batch:{batch.name}")


def _anew(batch: BatchState) -> None:
    """What was concluded was of another mix."""
    batch.rest = batch.rest_gravity = batch.slowed_ms = None
    if batch.started_ms is None:
        batch.baseline = None  # the fall is counted from the new mix


# --- what a batch teaches those after it -------------------------------------------------------------------------


def _remember(state: State, batch: BatchState, now_ms: int) -> None:
    """What a batch that finished teaches those after it, and those like it that are at work."""
    final = batch.last_gravity if batch.last_gravity is not None else batch.rest_gravity
    if batch.rest != "finished" or batch.original is None or batch.thinned or final is None:
        return
    if batch.forecast_sd is not None:
        return  # nobody read where it began
    how = "by a probe"
    hand = [point for point in batch.hand if point.at_ms >= batch.since_ms - DAY]
    if hand:
        final, how = hand[-1].gravity, "by hand"
    past = finals.Past(batch.name, batch.recipe, batch.yeast, batch.fermentables, batch.original, final, how, now_ms)
    _teach(state, batch, finals.remember(state.finals, past))


def _forget(state: State, batch: BatchState) -> None:
    """It is not over after all: where it ends is not known yet."""
    if any(past.batch == batch.name for past in state.finals):
        _teach(state, batch, [past for past in state.finals if past.batch != batch.name])


def _teach(state: State, batch: BatchState, known: list[finals.Past]) -> None:
    state.finals = known
    state.touch("finals")
    for other in state.batches.values():
        if not other.closed and other is not batch:
            other.past = finals.like(state.finals, other.recipe, other.yeast, other.fermentables)
            state.touch(f"batch:{other.name}")
