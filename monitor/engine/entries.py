"""Journal entries: what a person or the daemon did, applied to the state."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from monitor.alerts.book import Outcome
from monitor.batches.record import meant
from monitor.engine import air, by_hand, deeds
from monitor.engine.facts import rebase, set_batch
from monitor.engine.state import State
from monitor.engine.verdicts import settle_step
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.config import RuleSettings
from monitor.model.findings import Finding
from monitor.model.inputs import (
    Acknowledged,
    ClockStep,
    Configured,
    ContentsChanged,
    HandReading,
    JournalEntry,
    ProbeMoved,
    ProbeStatus,
    ReadingUndone,
    Shelved,
    Started,
    Ticked,
    Trouble,
)
from monitor.rules.fridge import FridgeState
from monitor.rules.health import ProbeHealth, span_words
from monitor.rules.track import KEPT_HOURS

AWAY = 10 * MINUTE


def apply_entry(state: State, entry: JournalEntry, now_ms: int, out: Outcome) -> None:
    """Apply one entry; kinds that are only kept for the record do nothing here."""
    state.entries += 1
    about = deeds.keep(state, entry)
    if about and isinstance(meant(state.records[about[0]], entry), ReadingUndone):
        by_hand.settle(state, about[0].partition(":")[2], now_ms, out)
    elif about:
        deeds.apply_deed(state, entry, about, now_ms, out)
    handler = _HANDLERS.get(type(entry))
    if handler is not None:
        handler(state, entry, now_ms, out)
    for subject in about:
        if subject.startswith("jar:"):
            air.shelve(state, subject[4:], now_ms)


# --- the watcher itself ------------------------------------------------------------------------------------------


def _started(state: State, entry: Started, now_ms: int, out: Outcome) -> None:
    _watch_from(state, now_ms)
    since = state.clock.away_since_ms if state.clock.away_since_ms is not None else entry.watched_until
    if entry.by == "command":
        state.clock.away_since_ms = since
        return
    state.clock.away_since_ms = None
    if since is None or now_ms - since < AWAY:
        return
    finding = Finding(
        alert="was-away",
        about=f"site:{state.settings.site}",
        active=True,
        message=f"I was away for {span_words(now_ms - since)} and saw nothing. "
        "What comes late is filed where it belongs.",
        because=("the daemon, or the machine, did not run",),
        do=("nothing, if you stopped it; else look at its power supply", "hours nobody saw do not count as held cold"),
        seen_ms=since,
    )
    state.book.note(replace(finding, active=False, message="I was away again since."), now_ms, out)
    state.book.note(finding, now_ms, out)


def _clock_step(state: State, _: ClockStep, now_ms: int, __: Outcome) -> None:
    _watch_from(state, now_ms)


def _watch_from(state: State, now_ms: int) -> None:
    """Nobody watched until now: no tick falls in the gap, and silence counts from here."""
    state.clock.watched_from_ms = now_ms
    state.clock.tick_ms = now_ms // MINUTE * MINUTE


def _trouble(state: State, entry: Trouble, now_ms: int, out: Outcome) -> None:
    remedy = {
        "clock-unsure": "connect it to a network with a time server, or set its clock by hand",
        "store-trouble": "free space on the disk and check the card; what arrived meanwhile was kept waiting",
        "relay-behind": "check the time-series server and the network",
    }[entry.alert]
    about = f"site:{state.settings.site}"
    finding = Finding(entry.alert, about, active=entry.active, message=entry.detail, do=(remedy,), seen_ms=now_ms)
    state.book.note(finding, now_ms, out)


# --- configuration and places --------------------------------------------------------------------------------------


def _configured(state: State, entry: Configured, now_ms: int, out: Outcome) -> None:
    """The configuration places things at first sight; after that the journal rules."""
    settings = RuleSettings.model_validate(entry.settings)
    state.use(settings)
    state.touch("settings")
    for kind, places in (("vessel", settings.vessel), ("room", settings.room), ("fridge", settings.fridge)):
        for place in places:
            for probe in place.probes:
                if probe not in state.places:
                    state.sit(probe, [(0, f"{kind}:{place.name}")])
    for fridge in settings.fridge:
        known = state.fridges.get(fridge.name)
        if known is None:
            known = state.fridges[fridge.name] = FridgeState(fridge.name, fridge.target_c, fridge.band_k)
            for vessel in fridge.contents:
                air.put_in(state, known, vessel, None)
        known.target, known.band = fridge.target_c, fridge.band_k
        state.touch(f"fridge:{fridge.name}")
    wanted = {fridge.name for fridge in settings.fridge}
    for gone in [name for name in state.fridges if name not in wanted]:
        del state.fridges[gone]
        state.drop(f"fridge:{gone}")
        state.book.close(f"fridge:{gone}", now_ms, out)
    for batch in settings.batch:
        rebase(state, set_batch(state, batch))
    for subject in [key for key in state.records if key.startswith("jar:")]:
        air.shelve(state, subject[4:], now_ms)
    for each in state.fridges.values():
        air.tell_freezing(state, each)


def _moved(state: State, entry: ProbeMoved, now_ms: int, out: Outcome) -> None:
    spans = state.places.get(entry.probe, [(0, None)])
    state.sit(entry.probe, [*(span for span in spans if span[0] < entry.at), (entry.at, entry.to)][-50:])
    probe = state.probes.setdefault(entry.probe, ProbeHealth())
    probe.moved_ms, probe.steady = (entry.at if entry.to is not None else None), []
    state.touch(f"probe:{entry.probe}")
    key = f"{entry.to}|{entry.probe}|gravity"
    steps = state.steps.get(key)
    if steps is not None:  # it comes back to where it was before: what it says there now makes no line with that
        steps.level, steps.odd = None, []
        state.tracks[key].spoil(entry.at - KEPT_HOURS * HOUR, entry.at)
        state.touch(f"track:{key}")
    for batch in state.batches.values():
        if entry.probe in batch.truths and not batch.closed:
            batch.truths[entry.probe] = batch.truths[entry.probe].anew(entry.at)
            batch.baseline = batch.baseline if batch.started_ms is not None else None
            state.touch(f"batch:{batch.name}")
        if batch.step_ms is not None and batch.step_probe == entry.probe and abs(batch.step_ms - entry.at) <= DAY:
            settle_step(state, batch, f"The jump of batch {batch.name} is explained: its probe was moved.", now_ms, out)


def _contents(state: State, entry: ContentsChanged, now_ms: int, _: Outcome) -> None:
    fridge = state.fridges.get(entry.fridge)
    if fridge is None:
        return
    for vessel in [name for name in fridge.contents if name not in entry.contents]:
        del fridge.contents[vessel]
    for vessel in entry.contents:
        if vessel not in fridge.contents:
            air.put_in(state, fridge, vessel, now_ms)
            fridge.loaded_ms = now_ms
    air.tell_freezing(state, fridge)
    state.touch(f"fridge:{entry.fridge}")


def _probe_status(state: State, entry: ProbeStatus, _: int, __: Outcome) -> None:
    probe = state.probes.setdefault(entry.probe, ProbeHealth())
    probe.online = entry.online
    state.touch(f"probe:{entry.probe}")


# --- alerts ------------------------------------------------------------------------------------------------------


def _acknowledged(state: State, entry: Acknowledged, now_ms: int, out: Outcome) -> None:
    state.book.acknowledge(entry.id, now_ms, out)


def _shelved(state: State, entry: Shelved, now_ms: int, out: Outcome) -> None:
    state.book.shelve(entry.id, min(entry.until, now_ms + 30 * DAY), now_ms, out)


def _ticked(state: State, entry: Ticked, now_ms: int, out: Outcome) -> None:
    state.book.tick_off(entry.id, now_ms, out)


def _hand_reading(_: State, __: HandReading, ___: int, ____: Outcome) -> None:
    """For the record: the readings themselves follow."""


_HANDLERS: dict[type, Callable[[State, Any, int, Outcome], None]] = {
    Started: _started,
    ClockStep: _clock_step,
    Trouble: _trouble,
    Configured: _configured,
    ProbeMoved: _moved,
    ContentsChanged: _contents,
    ProbeStatus: _probe_status,
    Acknowledged: _acknowledged,
    Shelved: _shelved,
    Ticked: _ticked,
    HandReading: _hand_reading,
}
