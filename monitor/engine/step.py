"""The engine: one step over a reading, a tick or a journal entry.

The state is folded over the inputs in the writer's order. `step` reads no clock, file or socket, and draws no
random number: the same inputs give the same events, live or in replay. It changes the state it is given in place,
because a copy a reading would cost more than all rules together; whoever must undo a step loads the state as last
committed.
"""

from __future__ import annotations

from collections.abc import Iterator

from monitor.alerts.book import REFRESH, Outcome
from monitor.engine import clocks, silence, yeast_clocks
from monitor.engine.air import tell_freezing, tell_room
from monitor.engine.entries import apply_entry
from monitor.engine.readings import open_batch, take_reading
from monitor.engine.state import State
from monitor.engine.verdicts import evaluate, hourly
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.findings import Finding
from monitor.model.inputs import Input, Reading, Tick
from monitor.rules import fridge_says, stuck


def step(state: State, item: Input, now_ms: int, out: Outcome) -> int:
    """Take one input at event time `now_ms`; what it says is put into `out`. Returns the flags of a reading."""
    flags = 0
    state.clock.last_ms = now_ms
    if isinstance(item, Reading):
        if state.clock.tick_ms is None:
            state.clock.tick_ms = now_ms // MINUTE * MINUTE
        flags = take_reading(state, item, now_ms, out)
        if item.probe.startswith("hand:") and not flags and item.quantity != "temperature":
            batch = open_batch(state, item.probe[5:])
            if batch is not None:
                evaluate(state, batch, now_ms, out, anew=True)
    elif isinstance(item, Tick):
        state.clock.tick_ms = now_ms
        _tick(state, now_ms, out)
    else:
        if state.clock.tick_ms is None:
            state.clock.tick_ms = now_ms // MINUTE * MINUTE
        apply_entry(state, item, now_ms, out)
    return flags


def due_ticks(state: State, until_ms: int) -> Iterator[Tick]:
    """Ticks on whole UTC minutes after the latest one, up to and with `until_ms`."""
    if state.clock.tick_ms is None:
        return
    for minute in range(state.clock.tick_ms + MINUTE, until_ms + 1, MINUTE):
        yield Tick(minute)


def _tick(state: State, now_ms: int, out: Outcome) -> None:
    silence.watch(state, now_ms, out)
    if now_ms % REFRESH == 0:
        silence.still_so(state, now_ms, out)
        _still_stuck(state, now_ms, out)
    for name, fridge in state.fridges.items():
        if fridge.air is None and fridge.contact_ms == 0:
            continue
        drifting = fridge.drift_ms
        for finding in fridge_says.check(fridge, now_ms):
            state.book.note(finding, now_ms, out)
        if fridge.drift_ms != drifting:
            state.touch(f"fridge:{name}")
    clocks.tick(state, now_ms, out)
    yeast_clocks.tick(state, now_ms, out)
    if now_ms % HOUR == 0:
        _each_hour(state, now_ms, out)
    state.book.tick(now_ms, out)


def _still_stuck(state: State, now_ms: int, out: Outcome) -> None:
    """A reminder says how long it has stood by then."""
    for name, probe in state.probes.items():
        if probe.stuck_since_ms is not None and not probe.silent:
            state.book.note(stuck.stuck_finding(name, probe, probe.stuck_since_ms), now_ms, out)


def _each_hour(state: State, now_ms: int, out: Outcome) -> None:
    for batch in state.batches.values():
        hourly(state, batch, now_ms, out)
    for name, fridge in state.fridges.items():
        tell_room(state, fridge, now_ms)
        tell_freezing(state, fridge)
        state.touch(f"fridge:{name}")
    for key, track in state.tracks.items():
        for number in track.prune(now_ms):
            state.drop(f"hour:{key}|{number}")
    for alert in list(state.book.standing.values()):
        # A question nobody answered, and news of an absence, are not kept up for ever.
        if alert.alert == "was-away" and now_ms - alert.raised_ms >= DAY:
            words = "That was a day ago."
            state.book.note(Finding("was-away", alert.about, active=False, message=words), now_ms, out)
