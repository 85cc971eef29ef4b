"""One setting, many values, over many past batches: what each would have told."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from hashlib import blake2s
from pathlib import Path
from typing import Any

from monitor.model.clock import HOUR, MINUTE
from monitor.model.config import RuleSettings
from monitor.model.errors import LeeswatchError, UsageError
from monitor.model.inputs import Configured, JournalEntry
from monitor.replay.compare import Run
from monitor.replay.keys import Change, check_changes, values_of
from monitor.replay.replay import in_force, journal_of, replay
from monitor.replay.told import Told
from monitor.replay.workers import run_all


@dataclass(frozen=True, slots=True)
class Job:
    """One replay: a recording under one value (None: as it was)."""

    recording: Path
    settings: RuleSettings | None
    change: Change | None


@dataclass(slots=True)
class BatchTold:
    """One batch in one replay: hours after pitch at which it was called finished, unless that was proved false."""

    recording: str
    name: str
    pitched_ms: int
    finished_h: float | None


@dataclass(slots=True)
class Outcome:
    """What one replay told, or several added up."""

    batches: list[BatchTold] = field(default_factory=list)
    told: Counter[str] = field(default_factory=Counter)  # verdicts
    changes: int = 0  # from one verdict to another
    false: Counter[str] = field(default_factory=Counter)  # of `finished` and `stalled`, those proved false
    alerts: Counter[str] = field(default_factory=Counter)  # raised
    reminders: int = 0
    refused: int = 0  # rows that cannot be read
    told_when: list[str] = field(default_factory=list)  # a digest of each replay: what it told, and when

    def add(self, other: Outcome) -> None:
        """Count another replay in."""
        self.batches += other.batches
        self.told += other.told
        self.changes += other.changes
        self.false += other.false
        self.alerts += other.alerts
        self.reminders += other.reminders
        self.refused += other.refused
        self.told_when += other.told_when

    @property
    def finished_h(self) -> list[float]:
        """Hours after pitch of each finish that was told and not proved false, rising."""
        return sorted(each.finished_h for each in self.batches if each.finished_h is not None)

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        hours = self.finished_h
        return {
            "finished": {
                "batches": len(hours),
                "of": len(self.batches),
                "median_h": round(statistics.median(hours), 2) if hours else None,
                "earliest_h": round(hours[0], 2) if hours else None,
                "latest_h": round(hours[-1], 2) if hours else None,
            },
            "told": {verdict: self.told[verdict] for verdict in ("finished", "stalled")},
            "proved_false": {verdict: self.false[verdict] for verdict in ("finished", "stalled")},
            "verdict_changes": self.changes,
            "alerts": dict(sorted(self.alerts.items())),
            "reminders": self.reminders,
            "batches": [
                {
                    "recording": each.recording,
                    "batch": each.name,
                    "finished_h": None if each.finished_h is None else round(each.finished_h, 2),
                }
                for each in self.batches
            ],
        }


@dataclass(slots=True)
class Sweep:
    """What a sweep found: the baseline, and a row for each value."""

    key: str
    set_now: dict[str, dict[str, Any]]  # by recording and entry: what the key was set to
    as_it_was: Outcome
    values: list[tuple[str, Outcome]]
    notes: list[str]  # what to know of the recordings

    def the_same(self) -> list[str]:
        """Values that tell what was told, to the minute."""
        return [text for text, outcome in self.values if outcome.told_when == self.as_it_was.told_when]


def sweep(
    recordings: Sequence[Path],
    settings: RuleSettings | None,
    changes: Sequence[Change],
    *,
    jobs: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Sweep:
    """Replay each recording as it was and under each change, `jobs` at a time (None: as many as pay).

    A recording whose journal holds a configuration is run under that; others under `settings`. UsageError or
    RecordingError before anything runs where a value does not fit or a file cannot be read.
    """
    recorded = [(str(path), _entries(path, settings)) for path in recordings]
    check_changes(changes, recorded)
    todo = [Job(path, settings, change) for change in (None, *changes) for path in recordings]
    found = run_all(run, todo, [job.recording.stat().st_size for job in todo], jobs, progress)
    rows = [Outcome() for _ in (None, *changes)]
    for number, outcome in enumerate(found):
        rows[number // len(recordings)].add(outcome)
    return Sweep(
        key=changes[0].key.path,
        set_now={name: values_of(changes[0].key, entries) for name, entries in recorded},
        as_it_was=rows[0],
        values=[(change.text, row) for change, row in zip(changes, rows[1:], strict=True)],
        notes=[*_notes(recorded, settings), *_twice(found[: len(recordings)]), *_bad_rows(recordings, found)],
    )


def _notes(recorded: Sequence[tuple[str, list[JournalEntry]]], settings: RuleSettings | None) -> Iterator[str]:
    for name, entries in recorded:
        latest = [entry.settings for entry in entries if isinstance(entry, Configured)][-1]
        if settings is not None and latest != settings.as_json():
            yield f"{name}: the journal beside it holds another configuration than --config, and the journal rules"


def _twice(found: Sequence[Outcome]) -> Iterator[str]:
    """A batch that is in two recordings, as where one export overlaps another, would weigh twice unseen."""
    seen: dict[tuple[str, int], str] = {}
    for each in (batch for outcome in found for batch in outcome.batches):
        first = seen.setdefault((each.name, each.pitched_ms), each.recording)
        if first != each.recording:
            yield f"batch {each.name} is in {first} and in {each.recording}: it counts twice"


def _bad_rows(recordings: Sequence[Path], found: Sequence[Outcome]) -> Iterator[str]:
    for path, outcome in zip(recordings, found, strict=False):
        if outcome.refused:
            rows = "1 row" if outcome.refused == 1 else f"{outcome.refused} rows"
            yield f"{path}: {rows} cannot be read and passed over; replay it alone to see them"


def _entries(path: Path, settings: RuleSettings | None) -> list[JournalEntry]:
    """The journal, with the configuration that a replay puts before it where it has none."""
    journal = journal_of(path)
    if any(isinstance(entry, Configured) for entry in journal):
        return journal
    if settings is None:
        raise UsageError(f"{path} has no journal beside it that holds a configuration", "give one with --config FILE")
    return [Configured(settings=settings.as_json()), *journal]


def run(job: Job) -> Outcome:
    """One replay, added up."""
    told = Told()
    done = replay(job.recording, job.settings, told.take, edit=job.change)
    settings = in_force(journal_of(job.recording), job.settings)
    if settings is None:
        raise LeeswatchError(f"{job.recording} has no configuration any more", "leave the files alone meanwhile")
    seen = Run(told, done, settings)
    found = Outcome(refused=done.refused)
    pitched = {batch.name: batch.pitched for batch in settings.batch}
    for batch, said in sorted(told.verdicts.items()):
        found.told.update(each.verdict for each in said)
        found.changes += len(said) - 1
        right = None
        for each in said:
            if each.verdict in ("finished", "stalled"):
                proved_false = seen.later(batch, each.at_ms).outcome == "false"
                found.false[each.verdict] += proved_false
                if each.verdict == "finished" and not proved_false and right is None:
                    right = each.at_ms
        if batch in told.gravity and batch in pitched:
            hours = None if right is None else (right - pitched[batch]) / HOUR
            found.batches.append(BatchTold(str(job.recording), batch, pitched[batch], hours))
    for (_, alert), episodes in told.alerts.items():
        found.alerts[alert] += len(episodes)
        found.reminders += sum(each.reminders for each in episodes)
    found.told_when = [_digest(told)]
    return found


def _digest(told: Told) -> str:
    """Equal where two runs tell the same verdicts and alerts, and remind as often, to the minute."""
    said = [
        *(
            (batch, each.verdict, each.at_ms // MINUTE)
            for batch, verdicts in told.verdicts.items()
            for each in verdicts
        ),
        *(
            (*key, each.raised_ms // MINUTE, each.returned_ms and each.returned_ms // MINUTE, each.reminders)
            for key, episodes in told.alerts.items()
            for each in episodes
        ),
    ]
    return blake2s(repr(sorted(map(repr, said))).encode()).hexdigest()
