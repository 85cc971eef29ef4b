"""A simulated scenario as the watcher would have lived it: recording, configuration, and what the keeper announced."""

from __future__ import annotations

import functools
import logging
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from monitor.intake.recording import journal_path, write_journal
from monitor.model.clock import HOUR
from monitor.model.config import RuleSettings
from monitor.model.events import AlertEvent, AlertName, Event, VerdictEvent
from monitor.model.inputs import Added, Configured, ContentsChanged, JournalEntry, ProbeMoved
from monitor.replay.replay import Replayed, replay
from monitor.settings import parse_settings
from simulators.configure import configuration
from simulators.play import Deed, Player
from simulators.record import recording
from simulators.scenario import Scenario, load
from simulators.truth import Found, truth


@dataclass(frozen=True)
class Play:
    """What was so, what was told, and what the watcher said. Hours count from the scenario's start."""

    scenario: Scenario
    start_ms: int
    end_ms: int  # when the last message came: the clock of a replay goes no further
    found: Found
    settings: RuleSettings
    journal: tuple[JournalEntry, ...]
    events: tuple[Event, ...]
    replayed: Replayed
    faults: tuple[str, ...]  # of the rules themselves: there may be none

    def hours(self, ms: int) -> float:
        """A time as hours from the start."""
        return (ms - self.start_ms) / HOUR

    def verdicts(self, batch: str) -> list[tuple[float, VerdictEvent]]:
        """All verdict events of a batch, with their hours."""
        return [(self.hours(e.time_ms), e) for e in self.events if isinstance(e, VerdictEvent) and e.batch == batch]

    def first(self, batch: str, verdict: str, after_h: float = 0.0) -> float | None:
        """When a verdict was first said (after an hour)."""
        return next((h for h, e in self.verdicts(batch) if e.verdict == verdict and h >= after_h), None)

    def at(self, batch: str, hours: float) -> VerdictEvent:
        """The verdict event that stood at an hour."""
        return [event for h, event in self.verdicts(batch) if h <= hours][-1]

    def alerts(self, alert: AlertName, change: str = "raised", about: str | None = None) -> list[float]:
        """Hours at which an alert changed so."""
        return [
            self.hours(e.time_ms)
            for e in self.events
            if isinstance(e, AlertEvent)
            and (e.alert, e.change) == (alert, change)
            and (about is None or e.about == about)
        ]


@functools.cache
def played(name: str) -> Play:
    """One of the project's scenarios through replay, once for all tests."""
    return play(Player(load(name)))


def play(player: Player) -> Play:
    """Any scenario through replay, as a recording and the journal beside it."""
    settings = parse_settings(configuration(player.scenario, start_ms=player.start_ms)).for_rules()
    journal = announced(player, settings)
    events: list[Event] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "scenario.csv"
        recording(player, path)
        if journal:
            with journal_path(path).open("w", encoding="utf-8") as out:
                write_journal(journal, out)
        with _Faults() as faults:
            done = replay(path, settings, events.append)
    return Play(
        player.scenario,
        player.start_ms,
        max(emission.send_ms for emission in player.emissions),
        truth(player.scenario, player.world),
        settings,
        tuple(journal),
        tuple(events),
        done,
        tuple(faults.seen),
    )


class _Faults(logging.Handler):
    """The ledger counts a rule that breaks and goes on; a test wants to know."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.seen: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.seen.append(self.format(record))

    def __enter__(self) -> Self:
        logging.getLogger("monitor").addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        logging.getLogger("monitor").removeHandler(self)


def announced(player: Player, settings: RuleSettings) -> list[JournalEntry]:
    """What the keeper told the watcher, as journal entries; empty where nothing was told."""
    deeds = [deed for deed in player.deeds if deed.announced]
    if not deeds:
        return []
    contents = {fridge.name: list(fridge.contents) for fridge in settings.fridge}
    entries: list[JournalEntry] = [Configured(settings=settings.as_json(), received=player.start_ms)]
    for deed in deeds:
        entries += _entries(player.scenario, deed, contents)
    return entries


def _entries(scenario: Scenario, deed: Deed, contents: dict[str, list[str]]) -> Iterable[JournalEntry]:
    if deed.what == "addition":
        yield Added(batch=deed.about, what="sugar", at=deed.at_ms, received=deed.at_ms)
    elif deed.what == "probe-moved":
        place = _place(scenario, str(deed.detail["to"]))
        yield ProbeMoved(probe=deed.about, to=place, at=deed.at_ms, received=deed.at_ms)
    elif deed.what == "vessel-moved":
        for fridge, inside in contents.items():
            before = list(inside)
            if deed.about in inside:
                inside.remove(deed.about)
            if deed.detail["to"] == fridge:
                inside.append(deed.about)
            if inside != before:
                yield ContentsChanged(fridge=fridge, contents=list(inside), received=deed.at_ms)


def _place(scenario: Scenario, name: str) -> str | None:
    for kind, things in (("vessel", scenario.vessel), ("fridge", scenario.fridge), ("room", scenario.room)):
        if name in {thing.name for thing in things}:
            return f"{kind}:{name}"
    return None
