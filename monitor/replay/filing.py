"""A recording, its journal and its photos into a store on disk, through the same engine as live and replay.

    empty store, or one that an import of the same files left half done ──► as it was: `received` kept
    store that has gone on ──► merged (merging.py): what is new is received now, with its own measured time

Nothing here notifies anybody, and no import forgets or rewrites what the store holds.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Literal

from monitor.intake.recording import Recording, journal_path, merge, photos_path, read_journal_lines
from monitor.ledger import Ledger
from monitor.model.config import Batch, RuleSettings
from monitor.model.deeds import Photo
from monitor.model.errors import Problem, RecordingError, StoreError, UsageError
from monitor.model.inputs import BatchClosed, BatchStarted, Configured, JournalEntry, ProbeMoved, Reading
from monitor.store import photos
from monitor.store.reader import Reader
from monitor.store.store import Store

GROUP = 4_000  # inputs a commit: nothing depends on where a commit ends
MARK = "importing"  # of which files an import is under way, and how far it came: kept in the same commits
Standing = Literal["empty", "halfway", "gone on"]
Progress = Callable[[int], None]


@dataclass(slots=True)
class Source:
    """A recording that was looked through once: what can be filed, and what cannot be read."""

    recording: Recording
    journal: list[JournalEntry]
    readings: int
    first_ms: int  # received
    last_ms: int  # received
    probes: list[str]
    hand: list[Reading]  # of probes `hand:…`
    fingerprint: str
    wrong: list[Problem] = field(default_factory=list)  # rows that were passed over, the first thousand
    refused: int = 0
    wrong_entries: list[RecordingError] = field(default_factory=list)

    @property
    def path(self) -> Path:
        """The file of the readings."""
        return self.recording.path


@dataclass(slots=True)
class Filed:
    """What an import did, or would do."""

    new: int = 0  # readings
    same: int = 0
    conflicts: int = 0
    entries: int = 0
    same_entries: int = 0
    left: Counter[str] = field(default_factory=Counter)  # what cannot be filed, by why
    closed: list[str] = field(default_factory=list)  # batches that came in open and were closed
    photos: int = 0
    photos_wrong: list[str] = field(default_factory=list)
    faults: int = 0  # inputs that a rule failed on: kept, and told in the log


def look_through(path: Path) -> Source:
    """Read everything once and write nothing; RecordingError where a file cannot be read at all."""
    recording = Recording(path)
    count = first = last = 0
    probes: dict[str, None] = {}
    hand: list[Reading] = []
    for reading in recording:
        count += 1
        first, last = first or reading.received_ms, reading.received_ms
        probes[reading.probe] = None
        if reading.probe.startswith("hand:"):
            hand.append(reading)
    beside = journal_path(path)
    journal, wrong_entries = read_journal_lines(beside) if beside.exists() else ([], [])
    if journal:
        first = min(first or journal[0].received, journal[0].received)
        last = max(last, journal[-1].received)
    return Source(
        recording, journal, count, first, last, list(probes), hand, _fingerprint(path, beside),
        list(recording.problems), recording.refused, wrong_entries,
    )  # fmt: skip


def _fingerprint(*paths: Path) -> str:
    digest = hashlib.blake2s(digest_size=8)
    for path in paths:
        if path.exists():
            with path.open("rb") as file:
                while chunk := file.read(1 << 20):
                    digest.update(chunk)
        digest.update(b"\0")
    return digest.hexdigest()


def as_past_batch(source: Source, told: Batch, settings: RuleSettings) -> Source:
    """A recording without a journal as the readings of one batch that is over: with the journal it would have had.

    Each probe of the file is taken to have sat in the batch's vessel, but for those the configuration places.
    UsageError where that cannot be.
    """
    if source.journal or source.wrong_entries:
        raise UsageError(f"a journal lies beside {source.path}: it names its batches itself", "leave out --batch")
    vessel = next((each for each in settings.vessel if each.name == told.vessel), None)
    if vessel is None:
        known = ", ".join(each.name for each in settings.vessel) or "none"
        raise UsageError(f"there is no vessel {told.vessel}", f"vessels: {known}; a new one is a [[vessel]] of its own")
    if not source.readings or source.last_ms <= told.pitched:
        raise UsageError(f"nothing in {source.path} was measured after it was pitched", "check --pitched, and the file")
    placed = {probe: each.name for each in settings.vessel for probe in each.probes}
    elsewhere = [probe for probe in source.probes if placed.get(probe, vessel.name) != vessel.name]
    if elsewhere:
        raise UsageError(
            f"the configuration has {', '.join(elsewhere)} in vessel {placed[elsewhere[0]]}, not in {vessel.name}",
            "give the probe another name in the file, such as the batch's",
        )
    around = {probe for room in settings.room for probe in room.probes}
    around |= {probe for fridge in settings.fridge for probe in fridge.probes}
    new = [each for each in source.probes if each not in placed and each not in around and not each.startswith("hand:")]
    inside = vessel.model_copy(update={"probes": [*vessel.probes, *new]})
    vessels = [inside if each.name == vessel.name else each for each in settings.vessel]
    then = settings.model_copy(update={"batch": [], "fridge": [], "vessel": vessels})
    start, end = min(source.first_ms, told.pitched), source.last_ms
    words = told.model_dump(mode="json", exclude_defaults=True)
    source.journal = [
        Configured(settings=then.as_json(), received=start - 2),
        BatchStarted(batch=words, received=start - 1),
        BatchClosed(batch=told.name, at=end, received=end + 1),
        *(ProbeMoved(probe=probe, to=None, at=end + 1, received=end + 2 + n) for n, probe in enumerate(new)),
    ]
    source.first_ms, source.last_ms = start - 2, source.journal[-1].received
    source.fingerprint = hashlib.blake2s(f"{source.fingerprint}{words}".encode(), digest_size=8).hexdigest()
    return source


# --- where it goes -----------------------------------------------------------------------------------------------


def standing_of(store: Path, source: Source) -> Standing:
    """Whether the store is empty, was left half done by an import of the same files, or has gone on."""
    if not store.exists():
        return "empty"
    try:
        with Reader(store) as reader:
            last, mark = reader.last_received(), reader.meta(MARK)
    except StoreError as error:
        if "never used" in error.what:
            return "empty"
        raise
    if not last:
        return "empty"
    found = json.loads(mark) if isinstance(mark, str) else {}
    return "halfway" if found.get("of") == source.fingerprint and last <= found.get("to", 0) else "gone on"


def as_it_was(store: Store, source: Source, settings: RuleSettings | None, progress: Progress) -> Filed:
    """File everything with its `received`, from where an import that was cut off had come to."""
    done = Filed()
    ledger = Ledger(store)
    ledger.load()
    reached = store.last_received()
    items = iter(_inputs(source, settings))
    while group := list(islice(items, GROUP)):
        fresh = [item for item in group if received(item) > reached]
        done.same += sum(isinstance(item, Reading) for item in group) - sum(isinstance(i, Reading) for i in fresh)
        done.same_entries += sum(not isinstance(i, Reading) for i in group) - sum(
            not isinstance(i, Reading) for i in fresh
        )
        if fresh:
            with ledger.commit():
                for item in fresh:
                    count(done, item, ledger.put(item))
                store.put_meta(MARK, json.dumps({"of": source.fingerprint, "to": received(fresh[-1])}))
        progress(done.new + done.same + done.conflicts)
    with store.transaction():
        store.put_meta(MARK, None)
    return done


def count(done: Filed, item: Reading | JournalEntry, added: str) -> None:
    """Note what became of one input."""
    if not isinstance(item, Reading):
        done.entries += 1
    elif added == "new":
        done.new += 1
    elif added == "same":
        done.same += 1
    else:
        done.conflicts += 1


def _inputs(source: Source, settings: RuleSettings | None) -> Iterator[Reading | JournalEntry]:
    entries = source.journal
    if not any(isinstance(entry, Configured) for entry in entries):
        if settings is None:
            raise RecordingError(
                str(source.path), 0, "no configuration lies in a journal beside it", "give --config FILE"
            )
        entries = [Configured(settings=settings.as_json(), received=source.first_ms - 1), *entries]
    return merge(source.recording, entries)


def received(item: Reading | JournalEntry) -> int:
    """When the writer received it, UTC ms."""
    return item.received_ms if isinstance(item, Reading) else item.received


# --- photos ------------------------------------------------------------------------------------------------------


def photos_in(entries: Iterable[JournalEntry]) -> list[str]:
    """The files of all photos a journal tells of, each once."""
    return list(dict.fromkeys(entry.file for entry in entries if isinstance(entry, Photo)))


def take_photos(store: Path, source: Source, done: Filed, *, dry: bool) -> None:
    """Keep the photos that lie beside the recording; those that are there stay as they are."""
    folder = photos_path(source.path)
    for name in photos_in(source.journal):
        if (photos.folder_of(store) / name).exists():
            continue
        file = folder / name
        if not file.exists():
            done.photos_wrong.append(f"{file}: the journal tells of this photo, and it is not there; put it there")
            continue
        try:
            content = photos.read(file)
            found = hashlib.sha256(content).hexdigest()[:16]
            if found != name[:16]:
                done.photos_wrong.append(f"{file}: it is not the picture that was kept; copy it again")
                continue
            if not dry:
                photos.keep(store, content)
            done.photos += 1
        except UsageError as error:
            done.photos_wrong.append(f"{file}: {error}")
