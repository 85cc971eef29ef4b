"""A recording, with its journal, of what a time-series server keeps of a site or of some of its batches.

It is what `leeswatch export` would write there, as far as it has reached the server; what has not is told.
"""

from __future__ import annotations

import heapq
import logging
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from operator import attrgetter, itemgetter
from pathlib import Path

from monitor.alerts.book import Outcome
from monitor.engine.part import Part, part_of
from monitor.engine.state import State
from monitor.engine.step import step
from monitor.intake.recording import journal_path, whole_file, write_journal, write_recording
from monitor.model.errors import UsageError
from monitor.model.inputs import Exported, JournalEntry, Reading
from monitor.relay.past import Past
from monitor.relay.scratch import FIRST_MS, LAST_MS, Damaged, Gap, Wrong

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Recalled:
    """What was read back, and what is missing of it. Times are UTC ms."""

    site: str
    batches: list[str]
    readings: int = 0
    entries: int = 0
    first_ms: int | None = None
    """When the first reading was measured."""
    last_ms: int | None = None
    wrong: Wrong = field(default_factory=Wrong)
    damaged: list[Damaged] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)

    @property
    def whole(self) -> bool:
        """Whether nothing is known to be missing."""
        return not (self.damaged or self.gaps or self.wrong != Wrong())


@dataclass(frozen=True, slots=True)
class Story:
    """A site's journal, and what follows from it alone: its batches, their vessels, which probe sat where."""

    site: str
    entries: list[JournalEntry]
    damaged: list[Damaged]
    state: State


def story_of(past: Past, site: str) -> Story:
    """Read a site's journal; UsageError where the server has none."""
    journal = past.journal(site)
    if not journal.entries:
        known = ", ".join(each.name for each in past.sites()) or "none"
        raise UsageError(
            f'the server has no journal of a site "{site}"',
            f"sites there: {known}; what is older than its relay is sent by `leeswatch relay backfill` at the site",
        )
    state = State()
    for entry in journal.entries:
        try:
            step(state, entry, entry.received, Outcome())
        except Exception as error:  # noqa: BLE001 - as where it was filed, where it stopped nothing either
            log.warning("a rule failed on %r: %s", entry, error)
    return Story(site, journal.entries, journal.damaged, state)


def recall(
    past: Past, story: Story, out: Path, batches: Sequence[str] = (), from_ms: int | None = None,
    to_ms: int | None = None,
) -> Recalled:  # fmt: skip
    """Write the recording `out` and its journal: of these batches with all that was around them, or of the site.

    UsageError where there is no such batch.
    """
    done = Recalled(story.site, list(batches), damaged=story.damaged)
    parts = [part.within(from_ms, to_ms) for part in _parts(story, batches)]
    last = _Last(done)
    with whole_file(out, newline="") as file:
        done.readings = write_recording(last.of(_readings(past, story.site, parts, done.wrong)), file)
    entries = _ended(story.entries, last.received_ms)
    with whole_file(journal_path(out)) as file:
        done.entries = write_journal(entries, file)
    found = {gap: None for part in parts for gap in past.gaps(story.site, *_span(part))}
    done.gaps = sorted(found)
    return done


def _parts(story: Story, batches: Sequence[str]) -> list[Part]:
    for name in batches:
        if name not in story.state.batches:
            known = ", ".join(story.state.batches) or "none"
            raise UsageError(f'site {story.site} has no batch "{name}" on the server', f"batches there: {known}")
    if not batches:
        return [Part()]
    pieces = {key: piece for key, piece in story.state.drain().items() if piece is not None}
    return [part_of(pieces, name, story.state.batches[name].vessel) for name in batches]


def _span(part: Part) -> tuple[int, int]:
    return max(part.from_ms, FIRST_MS), LAST_MS if part.to_ms is None else part.to_ms


def _readings(past: Past, site: str, parts: Iterable[Part], wrong: Wrong) -> Iterator[Reading]:
    """The readings of all parts as received, each once."""
    each = (past.readings(site, *_span(part), part.probes, wrong) for part in parts)
    for _, same in groupby(heapq.merge(*each, key=attrgetter("received_ms")), itemgetter(slice(None))):
        yield next(same)


class _Last:
    """Notes the times of what goes through."""

    def __init__(self, done: Recalled) -> None:
        self._done = done
        self.received_ms = 0

    def of(self, readings: Iterable[Reading]) -> Iterator[Reading]:
        """The same readings."""
        done = self._done
        for reading in readings:
            at, self.received_ms = reading.measured_ms, reading.received_ms
            done.first_ms = at if done.first_ms is None else min(done.first_ms, at)
            done.last_ms = at if done.last_ms is None else max(done.last_ms, at)
            yield reading


def _ended(entries: list[JournalEntry], received_ms: int) -> list[JournalEntry]:
    """A journal that ends where what was read back ends, as an exported one does; an export before it ends nothing."""
    last = entries[-1]
    if isinstance(last, Exported) and last.received > received_ms:
        return entries
    return [*entries, Exported(received=max(last.received, received_ms) + 1)]
