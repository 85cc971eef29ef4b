"""Past batches through the same engine: a recording, and the journal beside it, instead of probes and a clock.

Nothing is opened but the files named: a private store in memory, no port, no broker, no route, and time is what the
recording says.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

from monitor.intake.recording import Recording, journal_path, merge, read_journal
from monitor.ledger import Ledger
from monitor.model.config import RuleSettings
from monitor.model.errors import Problem, RecordingError
from monitor.model.events import Event
from monitor.model.inputs import Configured, Exported, JournalEntry, Reading
from monitor.store.store import Store

GROUP = 4_000  # inputs a commit: nothing depends on where a commit ends


@dataclass(slots=True)
class Replayed:
    """What a replay went through and found wrong with its files."""

    readings: int = 0
    duplicates: int = 0
    conflicts: int = 0
    refused: int = 0  # rows that cannot be read
    problems: list[Problem] = field(default_factory=list)  # of the first thousand of them
    journal: bool = False
    other_configuration: bool = False  # the journal's configuration is not the one given


def replay(
    recording: Path,
    settings: RuleSettings,
    say: Callable[[Event], None],
    *,
    override: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Replayed:
    """Run a recording and hand each event to `say`, in order.

    With a journal beside the recording, the configuration that the journal holds rules, so that the events are those
    of the day; `override` puts `settings` in its place. RecordingError where a file cannot be read at all.
    """
    done = Replayed()
    source = Recording(recording)
    beside = journal_path(recording)
    journal: list[JournalEntry] = read_journal(beside) if beside.exists() else []
    done.journal = bool(journal)
    with Store.private() as store:
        ledger = Ledger(store)
        inputs = _inputs(source, journal, settings, override=override, done=done)
        for group in _grouped(inputs, GROUP):
            with ledger.commit() as out:
                for item in group:
                    _put(ledger, item, done)
            for event in out.events:
                say(event)
            if progress is not None:
                progress(done.readings)
    done.problems, done.refused = source.problems, source.refused
    return done


def _put(ledger: Ledger, item: Reading | JournalEntry, done: Replayed) -> None:
    added = ledger.put(item)
    if isinstance(item, Reading):
        done.readings += 1
        done.duplicates += added == "same"
        done.conflicts += added == "conflict"


def _inputs(
    source: Recording, journal: list[JournalEntry], settings: RuleSettings, *, override: bool, done: Replayed
) -> Iterator[Reading | JournalEntry]:
    told = settings.as_json()
    configured = [entry for entry in journal if isinstance(entry, Configured)]
    done.other_configuration = bool(configured) and configured[-1].settings != told and not override
    if override:
        first = configured[0].received if configured else None
        journal = [entry for entry in journal if not isinstance(entry, Configured)]
        if first is not None:
            journal = sorted([*journal, Configured(settings=told, received=first)], key=lambda each: each.received)
            configured = [entry for entry in journal if isinstance(entry, Configured)]
    inputs = merge(source, _until_export(journal))
    if configured:
        yield from inputs
        return
    first_item = next(inputs, None)
    if first_item is None:
        return
    at = first_item.received_ms if isinstance(first_item, Reading) else first_item.received
    yield Configured(settings=told, received=at - 1)
    yield from chain((first_item,), inputs)


def _until_export(journal: list[JournalEntry]) -> list[JournalEntry]:
    """An export is written into the journal before the file: what follows it in a later file is of another time."""
    last = max((index for index, entry in enumerate(journal) if isinstance(entry, Exported)), default=None)
    return journal if last is None else journal[: last + 1]


def _grouped(inputs: Iterator[Reading | JournalEntry], size: int) -> Iterator[list[Reading | JournalEntry]]:
    group: list[Reading | JournalEntry] = []
    last = 0
    for item in inputs:
        at = item.received_ms if isinstance(item, Reading) else item.received
        if at <= last:
            raise RecordingError("recording", 0, "received times do not rise", "export it again")
        last = at
        group.append(item)
        if len(group) >= size:
            yield group
            group = []
    if group:
        yield group
