"""A recording into a store that has gone on.

`received` strictly increases, so what is new here is received now, and keeps the time at which it was measured or done.
A reading is known by its key (probe, quantity, measured time): what is there stays. A deed is known by what it says.
What has no time of its own (the other watcher's starts, configurations, acknowledgements) is of the other store's past
and stays there. The rest of the store is not touched: probes it has placed keep their places, and a batch or jar whose
name means another thing here is left out, and told.

All journal entries and hand readings come in one commit, the other readings after it: cut off anywhere, a second run
goes on where the first had come to.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice

from monitor import __version__
from monitor.alerts.book import Outcome
from monitor.batches.record import subjects
from monitor.engine.condition import open_batch
from monitor.engine.entries import apply_entry
from monitor.engine.state import State
from monitor.intake.recording import merge
from monitor.ledger import Ledger
from monitor.model.clock import EARLIEST_MS, Clock, SystemClock
from monitor.model.config import Batch, RuleSettings
from monitor.model.deeds import Deed, Harvested, Jarred, Split, Undone
from monitor.model.inputs import (
    Acknowledged,
    Added,
    BatchClosed,
    BatchStarted,
    Configured,
    ForcedFinal,
    HandReading,
    JournalEntry,
    ProbeMoved,
    Reading,
    ReadingUndone,
    StageChanged,
    Started,
    Stopped,
)
from monitor.replay.filing import GROUP, Filed, Progress, Source, count
from monitor.store.reader import Reader
from monitor.store.store import Store

ALWAYS = 946_684_800_000  # 2000-01-01T00:00:00Z: since before any reading
TOLD = (
    Added, BatchClosed, BatchStarted, Deed, ForcedFinal, HandReading, ProbeMoved, ReadingUndone, StageChanged, Undone,
)  # fmt: skip

OWN = "entries of the other watcher's own running (starts, configurations, alerts seen), which are of its past"
ANOTHER = "entries about a batch, wash or jar whose name means another one here; rename it in the files to keep both"
MOVES = "moves of probes that this store has placed itself"
NO_TARGET = "undoings of something that is not here"
TAKEN = "hand readings of a vessel that holds another batch here"


@dataclass(slots=True)
class Plan:
    """What of a recording's journal and hand readings is new here."""

    items: list[Reading | JournalEntry] = field(default_factory=list)
    same: int = 0
    same_hand: int = 0
    conflicts: int = 0
    left: Counter[str] = field(default_factory=Counter)
    here: dict[int, int] = field(default_factory=dict)  # received there → received here, of entries that are here
    pending: set[int] = field(default_factory=set)  # undoings of what is new here too, by when they were received there
    begun: list[str] = field(default_factory=list)  # batches that are new here


def plan(source: Source, reader: Reader | Store, state: State) -> Plan:
    """What would be filed, in order; nothing is written."""
    made = Plan()
    known = _known(reader)
    told = [*_configured(source, state), *source.journal]
    clash = _clashes(told, known, state)
    names = {name for entry in told for kind, _, name in _parts(entry) if kind == "batch"} - {
        name for kind, _, name in clash
    }
    for item in merge(source.hand, sorted(told, key=lambda entry: entry.received)):
        if isinstance(item, Reading):
            _plan_hand(item, reader, state, names, made)
        else:
            _plan_entry(item, known, clash, state, made)
    return made


def _parts(entry: JournalEntry) -> list[tuple[str, str, str]]:
    return [subject.partition(":") for subject in subjects(entry)]


def _dated(entry: JournalEntry) -> JournalEntry:
    """With the time it was done, where until now that was when it was received."""
    if isinstance(entry, StageChanged | BatchClosed) and entry.at is None:
        return entry.model_copy(update={"at": entry.received})
    return entry


def _content(entry: JournalEntry) -> str:
    return _dated(entry).model_dump_json(exclude={"received"})


def _known(reader: Reader | Store) -> dict[str, list[int]]:
    """What the journal here says, and when each was received: equal entries each count."""
    known: dict[str, list[int]] = {}
    for entry in reader.journal():
        known.setdefault(_content(entry), []).append(entry.received)
    return known


def _configured(source: Source, state: State) -> list[JournalEntry]:
    """Batches and places that came by the other configuration, as the entries that say the same."""
    found: list[JournalEntry] = []
    started = {str(entry.batch.get("name")) for entry in source.journal if isinstance(entry, BatchStarted)}
    last_moves = {entry.probe: entry.to for entry in source.journal if isinstance(entry, ProbeMoved)}
    placed: set[str] = set(state.places)
    for entry in source.journal:
        if not isinstance(entry, Configured):
            continue
        try:
            settings = RuleSettings.model_validate(entry.settings)
        except ValueError:
            continue  # of a version with other settings: what it would have placed stays without a place
        for batch in settings.batch:
            here = state.batches.get(batch.name)
            twin = here is not None and (here.pitched_ms, here.homes[0][1]) == (batch.pitched, batch.vessel)
            if batch.name not in started and not twin:
                told = batch.model_dump(mode="json", exclude_defaults=True)
                found.append(BatchStarted(batch=told, received=entry.received))
            started.add(batch.name)
        places = [*((f"vessel:{each.name}", each.probes) for each in settings.vessel),
                  *((f"room:{each.name}", each.probes) for each in settings.room)]  # fmt: skip
        for place, probe in ((place, probe) for place, probes in places for probe in probes):
            if probe not in placed:
                found.append(ProbeMoved(probe=probe, to=place, at=ALWAYS, received=entry.received))
                placed.add(probe)
    # A probe that came along is not expected to speak here.
    end = source.last_ms + 1
    found += [
        ProbeMoved(probe=probe, to=None, at=end, received=end)
        for probe in source.probes
        if probe not in state.places and not probe.startswith("hand:") and last_moves.get(probe, "in") is not None
    ]
    return found


def _clashes(told: list[JournalEntry], known: dict[str, list[int]], state: State) -> set[tuple[str, str, str]]:
    """Names that mean another thing here: they are in use, and none of what they began with there is here."""
    births: dict[tuple[str, str, str], list[bool]] = {}
    for entry in told:
        if isinstance(entry, BatchStarted | Harvested | Jarred):
            births.setdefault(_parts(entry)[0], []).append(_is_here(entry, known, state))
        elif isinstance(entry, Split):
            births.setdefault(_parts(entry)[1], []).append(_is_here(entry, known, state))
    used = set(state.records) | {f"batch:{name}" for name in state.batches}
    return {subject for subject, here in births.items() if "".join(subject) in used and not any(here)}


def _is_here(entry: JournalEntry, known: dict[str, list[int]], state: State) -> bool:
    if _content(entry) in known:
        return True
    batch = state.batches.get(str(entry.batch.get("name"))) if isinstance(entry, BatchStarted) else None
    if batch is None or not isinstance(entry, BatchStarted):
        return False
    try:
        told = Batch.model_validate(entry.batch)
    except ValueError:
        return False
    return (batch.pitched_ms, batch.homes[0][1]) == (told.pitched, told.vessel)


def _plan_entry(
    entry: JournalEntry, known: dict[str, list[int]], clash: set[tuple[str, str, str]], state: State, made: Plan
) -> None:
    pending = False
    if isinstance(entry, Undone):
        mapped = made.here.get(entry.of)
        if mapped is None:
            made.left[NO_TARGET] += 1
            return
        pending = mapped == 0
        entry = entry if pending else entry.model_copy(update={"of": mapped})
    twins = known.get(_content(entry))
    if twins and not pending:
        made.here[entry.received] = twins.pop(0)
        made.same += 1
    elif not isinstance(entry, TOLD):
        made.left[OWN] += 1
    elif clash.intersection(_parts(entry)):
        made.left[ANOTHER] += 1
    elif isinstance(entry, ProbeMoved) and entry.probe in state.places:
        made.left[MOVES] += 1
    else:
        made.here[entry.received] = 0
        made.items.append(_dated(entry))
        if pending:
            made.pending.add(entry.received)
        for kind, _, name in _parts(entry):
            if kind == "batch" and name not in state.batches and name not in made.begun:
                made.begun.append(name)


def _plan_hand(reading: Reading, reader: Reader | Store, state: State, names: set[str], made: Plan) -> None:
    there = reader.value_at(reading.probe, reading.quantity, reading.measured_ms)
    if there is not None:
        made.same_hand += there == reading.value
        made.conflicts += there != reading.value
        return
    holds = open_batch(state, reading.probe[5:])
    if holds is not None and holds.name not in names:
        made.left[TAKEN] += 1  # the rules would take it for a reading of that one
        return
    made.items.append(reading)


# --- doing it ------------------------------------------------------------------------------------------------------


def would_do(source: Source, reader: Reader, settings: RuleSettings) -> Filed:
    """Count what a merge would do; nothing is written."""
    state = State.restore(reader.state())
    apply_entry(state, Configured(settings=settings.as_json()), state.clock.last_ms, Outcome())
    made = plan(source, reader, state)
    done = _counts(made)
    for reading in _by_probes(source):
        there = reader.value_at(reading.probe, reading.quantity, reading.measured_ms)
        done.new += there is None
        done.same += there == reading.value
        done.conflicts += there is not None and there != reading.value
    done.new += sum(isinstance(item, Reading) for item in made.items)
    done.entries = len(made.items) - sum(isinstance(item, Reading) for item in made.items)
    return done


def _counts(made: Plan) -> Filed:
    left = Counter({why: number for why, number in made.left.items() if number})
    return Filed(same=made.same_hand, conflicts=made.conflicts, same_entries=made.same, left=left)


def _by_probes(source: Source) -> Iterator[Reading]:
    return (reading for reading in source.recording if not reading.probe.startswith("hand:"))


class _Stamps:
    """What is filed now, one a millisecond, ending about now: no merge sets event time ahead, however large it is.

    It begins in the time in which nobody watched, where that is long enough.
    """

    def __init__(self, last_ms: int, now_ms: int, planned: int) -> None:
        self.last_ms = max(last_ms, EARLIEST_MS, now_ms - planned)

    def stamp(self) -> int:
        """The next `received`."""
        self.last_ms += 1
        return self.last_ms


def merge_in(
    store: Store, source: Source, settings: RuleSettings, progress: Progress, clock: Clock | None = None
) -> Filed:
    """File what is new, received now."""
    ledger = Ledger(store)
    ledger.load()
    last = max(store.last_received(), ledger.state.clock.last_ms)
    events = _Stamps(last, (clock or SystemClock()).wall_ms(), source.readings + 2 * len(source.journal) + 100)
    with ledger.commit():
        ledger.put(Started(version=__version__, watched_until=last or None, by="command", received=events.stamp()))
        if ledger.state.settings.as_json() != settings.as_json():
            ledger.put(Configured(settings=settings.as_json(), received=events.stamp()))
    made = plan(source, store, ledger.state)
    done = _counts(made)
    with ledger.commit():
        for item in made.items:
            _put(ledger, item, made, done, events)
        for name in made.begun:
            batch = ledger.state.batches.get(name)
            if batch is not None and not batch.closed:
                ledger.put(BatchClosed(batch=name, at=source.last_ms, received=events.stamp()))
                done.closed.append(name)
    readings = _by_probes(source)
    while group := list(islice(readings, GROUP)):
        with ledger.commit():
            for reading in group:
                if store.value_at(reading.probe, reading.quantity, reading.measured_ms) == reading.value:
                    done.same += 1
                else:
                    now = reading._replace(received_ms=events.stamp())
                    count(done, now, ledger.put(now))
        progress(done.new + done.same + done.conflicts)
    with ledger.commit():
        for number in _of_the_past(source, ledger.state):
            ledger.put(Acknowledged(id=number, by="import", received=events.stamp()))
        ledger.put(Stopped(received=events.stamp()))
    return done


def _of_the_past(source: Source, state: State) -> list[str]:
    """Alerts that old readings raised about probes that are out: nobody is to be reminded of them."""
    out = {f"probe:{probe}" for probe in source.probes if probe in state.places and state.place_now(probe) is None}
    return [
        alert.id for alert in state.book.standing.values() if alert.about in out and alert.state == "unacknowledged"
    ]


def _put(ledger: Ledger, item: Reading | JournalEntry, made: Plan, done: Filed, events: _Stamps) -> None:
    now = events.stamp()
    if isinstance(item, Reading):
        reading = item._replace(received_ms=now)
        count(done, reading, ledger.put(reading))
        return
    if isinstance(item, Undone) and item.received in made.pending:
        item = item.model_copy(update={"of": made.here[item.of]})
    ledger.put(item.model_copy(update={"received": now}))
    made.here[item.received] = now
    done.entries += 1
