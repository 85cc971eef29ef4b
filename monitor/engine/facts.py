"""What is so of a batch by the entries about it that count: vessel, stage, original gravity, whether it is over.

These are worked out anew from the record whenever one is added or taken back, so that a deed that was undone leaves no
trace in them, whatever came in between. What the readings taught (start, rates, verdict) is not touched.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from typing import NamedTuple, cast

from pydantic import ValidationError

from monitor.batches.record import counting, when
from monitor.engine.state import State
from monitor.model.config import Batch
from monitor.model.deeds import Merged, Racked, Reopened, Split
from monitor.model.inputs import Added, BatchClosed, BatchStarted, ForcedFinal, JournalEntry, StageChanged
from monitor.rules import finals
from monitor.rules.batch import BatchState
from monitor.science import forecast, gravity

UNTOLD_ERROR = 0.003  # SG: of a scale read at a temperature nobody noted, in a room
NO_EXTRACT = ("nutrient", "acid", "yeast", "finings")  # what goes in without moving where it ends
MOST_RISE = 0.2  # SG: more than this is a slip of the pen
Z90 = 1.645


class Facts(NamedTuple):
    """What deeds decide of a batch."""

    vessel: str
    stage: str
    closed: bool
    original: float | None


def facts_of(batch: BatchState) -> Facts:
    """As they are now."""
    return Facts(batch.vessel, batch.stage, batch.closed, batch.original)


# --- as it was told ----------------------------------------------------------------------------------------------


def set_batch(state: State, told: Batch) -> BatchState:
    """Take a batch as a person told it: by the configuration, or when it was started. Its vessel is the first one's."""
    batch = state.batches.get(told.name)
    if batch is None:
        batch = state.batches[told.name] = BatchState(told.name, told.vessel, told.pitched)
        batch.homes = [(told.pitched, told.vessel)]
    batch.expected_final, batch.expected_sd = told.expected_final, told.expected_final_sd
    batch.fermentables, batch.alcohol_limit = told.fermentables or _kind_of(told), told.alcohol_limit_abv
    batch.recipe, batch.yeast = told.recipe, told.yeast
    batch.mix = _mix_of(told)
    batch.past = finals.like(state.finals, batch.recipe, batch.yeast, batch.fermentables)
    batch.yeast_low, batch.yeast_high = told.yeast_range_c or (None, None)
    batch.start_within_ms = round(told.start_within * 1000)
    if told.original_gravity is not None and told.original_gravity != batch.original_set:
        # Only when it is new: one that was read since then stands, and a configuration read again is no news.
        batch.tell_original(told.original_gravity)
        batch.original_told, batch.forecast_sd = True, None
    batch.original_set = told.original_gravity
    if batch.original is None or (batch.forecast_sd is not None and not batch.original_told):
        _reckon(batch, told)
    state.touch(f"batch:{told.name}")
    return batch


def _kind_of(told: Batch) -> str | None:
    """Sugar, grain or both, by what went in."""
    mix = told.ingredients
    if mix is None or not (mix.sugar_kg or mix.grain_kg):
        return None
    return "mixed" if mix.sugar_kg and mix.grain_kg else "sugar" if mix.sugar_kg else "grain"


def forecast_of(told: Batch) -> forecast.Forecast | None:
    """What its ingredients should give; None where they or the volume are not known, or cannot be."""
    if told.ingredients is None or told.volume_l is None:
        return None
    mix = told.ingredients
    try:
        found = forecast.original(told.volume_l, mix.sugar_kg, mix.grain_kg, mix.enzymes)
    except ValueError:
        return None
    return found if found.og > 1.001 else None


def _mix_of(told: Batch) -> tuple[float, float] | None:
    """Apparent attenuation, a share, that its ingredients should give, and the sd of that forecast."""
    found = forecast_of(told)
    if found is None:
        return None
    whole = found.og - 1.0
    return (found.og - found.fg) / whole, (found.fg_high - found.fg_low) / (2.0 * Z90 * whole)


def _reckon(batch: BatchState, told: Batch) -> None:
    """Nobody read its original gravity: what its ingredients should give stands in, with that forecast's error."""
    found = forecast_of(told)
    if found is not None:
        batch.tell_original(found.og)
        batch.forecast_sd = max(found.og_high - found.og, found.og - found.og_low) / Z90


def told_in(entry: JournalEntry) -> Batch | None:
    """The batch that an entry starts; None where it starts none, or is not in order."""
    if not isinstance(entry, BatchStarted):
        return None
    try:
        return Batch.model_validate(entry.batch)
    except ValidationError:
        return None  # the command line checks before it writes; a journal edited by hand may still be wrong


# --- as its record has it ----------------------------------------------------------------------------------------


def record_of(state: State, name: str) -> list[JournalEntry]:
    """The entries about a batch that count, in the order in which they were done."""
    return counting(state.records.get(f"batch:{name}", ()))


def births(state: State, name: str) -> list[JournalEntry]:
    """What a batch began with, in the order received: told, or split from another."""
    found = [
        each for each in record_of(state, name) if told_in(each) or (isinstance(each, Split) and each.name == name)
    ]
    return sorted(found, key=lambda each: each.received)


def configured(state: State, name: str) -> Batch | None:
    """The batch as the configuration has it."""
    return next((batch for batch in state.settings.batch if batch.name == name), None)


def lineage(state: State, name: str, seen: frozenset[str] = frozenset()) -> list[JournalEntry]:
    """What was done to the liquid of a batch, before it was split from another too; not that it was poured away."""
    own = [each for each in record_of(state, name) if not (isinstance(each, Merged) and each.batch == name)]
    first = next(iter(births(state, name)), None)
    if configured(state, name) or not isinstance(first, Split) or name in seen:
        return own
    born = (first.at, first.received)
    before = lineage(state, first.batch, seen | {name})
    known = {each.received for each in own}
    return [each for each in before if (when(each), each.received) < born and each.received not in known] + own


def children(state: State, name: str) -> list[str]:
    """Batches that were split from this one, and from those, while the splits count."""
    found: list[str] = []
    waiting = [name]
    while waiting:
        for each in record_of(state, waiting.pop()):
            if isinstance(each, Split) and each.name not in (name, *found) and each.name in state.batches:
                found.append(each.name)
                waiting.append(each.name)
    return found


def reconcile(state: State, name: str) -> BatchState | None:
    """Bring what is so of a batch into line with its record; None where there is no such batch (any more)."""
    begun = births(state, name)
    config = configured(state, name)
    batch = state.batches.get(name)
    if batch is None:
        batch = _begin(state, config, begun)
        if batch is None:
            return None
    elif config is None and not begun and not batch.hand and not record_of(state, name):
        return None
    _place(batch, None if config else next(iter(begun), None), record_of(state, name))
    _stand(batch, record_of(state, name))
    rebase(state, batch)
    state.touch(f"batch:{name}")
    return batch


def told_of(state: State, name: str) -> Batch | None:
    """A batch as it was told: by the configuration, else by the start that was told last and counts."""
    return configured(state, name) or next(filter(None, map(told_in, reversed(births(state, name)))), None)


def retell(state: State, name: str) -> None:
    """A start was taken back, or counts again: what was told is what the others say."""
    batch, told = state.batches.get(name), told_of(state, name)
    if batch is None or told is None:
        return
    if told.original_gravity is None and batch.original_told:
        batch.tell_original(None)
        batch.original_told, batch.original_set, batch.baseline = False, None, None
    set_batch(state, told)


def restart(state: State, batch: BatchState) -> None:
    """Its original gravity is not known any more as it was read: what its ingredients should give stands in again."""
    batch.tell_original(None)
    told = told_of(state, batch.name)
    if told is not None:
        set_batch(state, told)


def _begin(state: State, config: Batch | None, begun: list[JournalEntry]) -> BatchState | None:
    if config is not None:
        return set_batch(state, config)
    for each in begun:
        told = told_in(each)
        if told is not None:
            return set_batch(state, told)
        split = cast("Split", each)
        parent = state.batches.get(split.batch)
        if parent is not None and _began_before(state, split.batch, split.received):
            return _part(state, parent, split)
    return None


def _began_before(state: State, name: str, received: int) -> bool:
    begun = births(state, name)
    return configured(state, name) is not None or (bool(begun) and begun[0].received < received)


def _part(state: State, parent: BatchState, split: Split) -> BatchState:
    """A part of a batch: what was known of the whole is known of it; what is seen of it is seen from now on."""
    fresh = BatchState(split.name, split.vessel, parent.pitched_ms)
    part = copy.deepcopy(parent)
    for own in ("name", "vessel", "hand", "truths", "verdict", "hint", "said_ms", "since_ms", "step_ms", "step_probe",
                "step_by", "added_ms", "added_before", "added_known", "added_of", "too_warm_ms", "too_cold_ms",
                "hand_warmth", "reference_c", "rest_gravity", "closed", "closed_ms", "probe_ms"):  # fmt: skip
        setattr(part, own, getattr(fresh, own))
    part.homes, part.split_off = [(split.at, split.vessel)], True
    part.first_stage = parent.stage
    part.window_from_ms = max(parent.window_from_ms, part.placed_ms())
    state.batches[split.name] = part
    return part


def _place(batch: BatchState, birth: JournalEntry | None, record: Iterable[JournalEntry]) -> None:
    told = told_in(birth) if birth is not None else None
    if told is not None:
        homes = [(told.pitched, told.vessel)]
    elif isinstance(birth, Split):
        homes = [(birth.at, birth.vessel)]
    else:
        homes = batch.homes[:1] or [(batch.pitched_ms, batch.vessel)]
    for entry in record:
        if isinstance(entry, Racked) and entry.batch == batch.name and entry.to != homes[-1][1]:
            homes.append((entry.at, entry.to))
    batch.homes, batch.vessel = homes, homes[-1][1]
    batch.split_off = isinstance(birth, Split)


def _stand(batch: BatchState, record: Iterable[JournalEntry]) -> None:
    """Its stage, and whether it is over."""
    batch.stage, batch.closed, batch.closed_ms = batch.first_stage, False, None
    for entry in record:
        if isinstance(entry, StageChanged):
            batch.stage = entry.stage
        elif isinstance(entry, BatchClosed) or (isinstance(entry, Merged) and entry.batch == batch.name):
            batch.closed_ms = when(entry) if batch.closed_ms is None else batch.closed_ms
            batch.closed = True
        elif isinstance(entry, Reopened):
            batch.closed, batch.closed_ms = False, None


# --- what went in ------------------------------------------------------------------------------------------------


def went_in(entry: JournalEntry) -> bool:
    """Whether, of an entry of the lineage, something went in."""
    return isinstance(entry, Added | Merged)


def with_extract(entry: JournalEntry) -> bool:
    """Whether what went in may move where the batch ends."""
    if not isinstance(entry, Added):
        return True
    return bool(entry.what.split()) and entry.what.split()[0].rstrip(",:") not in NO_EXTRACT


def thins(entry: JournalEntry) -> bool:
    """Whether the strength is not known any more after what went in: thinned, and nobody knows how much it was."""
    if isinstance(entry, Merged):
        return entry.gravity_rise is None
    if not isinstance(entry, Added) or (entry.gravity_rise is not None and entry.volume_l is not None):
        return False
    return entry.what.startswith("water") or (entry.gravity_rise or 0.0) < 0.0


def rebase(state: State, batch: BatchState) -> None:
    """Original gravity, what thinned it, and the forced sample, by what went in and counts."""
    record = lineage(state, batch.name)
    inside = {each.received: each for each in record if went_in(each)}
    for of in [of for of in batch.rises if of not in inside]:
        batch.take_back(of)
    for of, entry in inside.items():
        rise = cast("Added | Merged", entry).gravity_rise
        known = rise is not None and abs(rise) <= MOST_RISE
        if of > batch.contains_ms and rise is not None and known and batch.rises.get(of) != rise:
            batch.raise_by(of, rise)
    thinners = [of for of, entry in inside.items() if thins(entry)]
    if thinners != batch.thinners:
        batch.thinners, batch.thinned = thinners, batch.thinned_seen or bool(thinners)
    batch.fed_ms = max((when(each) for each in inside.values()), default=None)
    if batch.added_of not in inside:
        batch.added_ms = batch.added_of = None
    batch.forced = _forced(record)


def _forced(record: Iterable[JournalEntry]) -> tuple[float, float, int] | None:
    """Where the small sample ended, as told last; it tells nothing once something went in that it had none of."""
    forced = None
    for entry in sorted(record, key=lambda each: each.received):
        if isinstance(entry, ForcedFinal):
            try:
                forced = None if entry.hydrometer is None else (*_scale(entry, entry.hydrometer), entry.at)
            except ValueError:
                continue  # the command line checks before it writes; a journal edited by hand may still be wrong
        elif went_in(entry) and with_extract(entry):
            forced = None
    return forced


def _scale(entry: ForcedFinal, reading: float) -> tuple[float, float]:
    if entry.temperature is None:
        return gravity.rescale_hydrometer(reading, entry.calibrated, 20.0), UNTOLD_ERROR
    return (
        gravity.hydrometer_sg(reading, entry.temperature, entry.calibrated),
        gravity.hydrometer_error(reading, entry.temperature, entry.calibrated),
    )
