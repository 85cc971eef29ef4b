"""Past batches through the same engine: a recording, and the journal beside it, instead of probes and a clock.

Nothing is opened but the files named: a private store in memory, no port, no broker, no route, and time is what the
recording says.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path

from pydantic import ValidationError

from monitor.intake.recording import Recording, journal_path, merge, read_journal
from monitor.ledger import Ledger
from monitor.model.config import Batch, RuleSettings
from monitor.model.errors import Problem, RecordingError
from monitor.model.events import Event
from monitor.model.inputs import (
    Added,
    BatchClosed,
    BatchStarted,
    Configured,
    Exported,
    JournalEntry,
    ProbeMoved,
    Reading,
    StageChanged,
)
from monitor.store.store import Store

GROUP = 4_000  # inputs a commit: nothing depends on where a commit ends
Edit = Callable[[JournalEntry], JournalEntry]


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
    breaks: list[tuple[str, int]] = field(default_factory=list)  # what ended the own course of a batch or vessel, ms

    def breaks_of(self, batch: str, vessel: str) -> list[int]:
        """When people fed, moved on or closed a batch, or put another probe into its vessel."""
        return [at for about, at in self.breaks if about in (f"batch:{batch}", f"vessel:{vessel}")]


def replay(
    recording: Path,
    settings: RuleSettings | None,
    say: Callable[[Event], None],
    *,
    override: bool = False,
    edit: Edit | None = None,
    progress: Callable[[int], None] | None = None,
) -> Replayed:
    """Run a recording and hand each event to `say`, in order.

    With a journal beside the recording, the configuration that the journal holds rules, so that the events are those
    of the day; `override` puts `settings` in its place, and `edit` changes entries of the journal (and the
    configuration, where it comes from `settings`). RecordingError where a file cannot be read at all, or where there
    are neither `settings` nor a configuration in the journal.
    """
    source = Recording(recording)
    journal = journal_of(recording)
    done = Replayed(journal=bool(journal))
    if override:
        assert settings is not None
        journal = overridden(journal, settings)
    elif settings is not None:
        configured = [entry for entry in journal if isinstance(entry, Configured)]
        done.other_configuration = bool(configured) and configured[-1].settings != settings.as_json()
    with Store.private() as store:
        ledger = Ledger(store)
        inputs = _inputs(source, journal, settings, edit)
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


def journal_of(recording: Path) -> list[JournalEntry]:
    """The journal beside a recording, up to its export (what follows is of another time); empty if there is none."""
    beside = journal_path(recording)
    journal = read_journal(beside) if beside.exists() else []
    last = max((index for index, entry in enumerate(journal) if isinstance(entry, Exported)), default=None)
    return journal if last is None else journal[: last + 1]


def in_force(journal: list[JournalEntry], settings: RuleSettings | None) -> RuleSettings | None:
    """The configuration a replay ends with: the journal's latest, else `settings`; and the batches people started."""
    told = [RuleSettings.model_validate(entry.settings) for entry in journal if isinstance(entry, Configured)]
    found = told[-1] if told else settings
    if found is None:
        return None
    batches = {batch.name: batch for batch in found.batch}
    for entry in journal:
        if isinstance(entry, BatchStarted):
            with contextlib.suppress(ValidationError):  # as the engine does: a journal edited by hand may be wrong
                batch = Batch.model_validate(entry.batch)
                batches[batch.name] = batch
    return found.model_copy(update={"batch": list(batches.values())})


def _put(ledger: Ledger, item: Reading | JournalEntry, done: Replayed) -> None:
    added = ledger.put(item)
    if isinstance(item, Added):
        done.breaks.append((f"batch:{item.batch}", min(item.at, item.received)))
    elif isinstance(item, StageChanged | BatchClosed):
        done.breaks.append((f"batch:{item.batch}", item.received))
    elif isinstance(item, ProbeMoved) and item.to is not None:
        done.breaks.append((item.to, min(item.at, item.received)))
    if isinstance(item, Reading):
        done.readings += 1
        done.duplicates += added == "same"
        done.conflicts += added == "conflict"


def overridden(journal: list[JournalEntry], settings: RuleSettings) -> list[JournalEntry]:
    """The journal with `settings` in place of its configurations.

    A batch that people started begins when they did, with what `settings` says of it, if it says anything.
    """
    wanted = {batch.name: batch for batch in settings.batch}
    started = {str(entry.batch.get("name")) for entry in journal if isinstance(entry, BatchStarted)}
    configured = [entry for entry in journal if isinstance(entry, Configured)]
    from_the_start = {batch["name"] for entry in configured for batch in entry.settings.get("batch", ())}
    at_first = [batch for batch in settings.batch if batch.name in from_the_start or batch.name not in started]
    told = settings.model_copy(update={"batch": at_first}).as_json()
    kept: list[JournalEntry] = []
    for entry in journal:
        if isinstance(entry, Configured):
            if entry is configured[0]:
                kept.append(entry.model_copy(update={"settings": told}))
        elif isinstance(entry, BatchStarted) and entry.batch.get("name") in wanted:
            batch = wanted[str(entry.batch["name"])].model_dump(mode="json", exclude_defaults=True)
            kept.append(entry.model_copy(update={"batch": batch}))
        else:
            kept.append(entry)
    return kept


def _inputs(
    source: Recording, journal: list[JournalEntry], settings: RuleSettings | None, edit: Edit | None
) -> Iterator[Reading | JournalEntry]:
    entries = journal if edit is None else [edit(entry) for entry in journal]
    inputs = merge(source, entries)
    if any(isinstance(entry, Configured) for entry in journal):
        yield from inputs
        return
    if settings is None:
        raise RecordingError(str(source.path), 0, "no configuration lies in a journal beside it", "give --config FILE")
    first = next(inputs, None)
    if first is None:
        return
    at = first.received_ms if isinstance(first, Reading) else first.received
    told: JournalEntry = Configured(settings=settings.as_json(), received=at - 1)
    yield told if edit is None else edit(told)
    yield from chain((first,), inputs)


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
