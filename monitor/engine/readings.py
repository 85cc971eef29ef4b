"""A reading comes in: is it believable, where does it belong, and what does it teach."""

from __future__ import annotations

from bisect import insort

from monitor.alerts.book import Outcome
from monitor.engine.air import take_air, tell_fridge
from monitor.engine.condition import follow, means_a_gravity, open_batch, plausible
from monitor.engine.derive import gravity_of, hydrometer, temperature_of
from monitor.engine.state import State
from monitor.model.clock import MINUTE
from monitor.model.inputs import Reading
from monitor.model.quantities import QUANTITIES
from monitor.rules import advice, health, stuck
from monitor.rules.batch import HAND_KEPT, BatchState, HandPoint
from monitor.rules.battery import battery
from monitor.rules.progress import announced

__all__ = ["FUNCTION_CHECK", "IMPLAUSIBLE", "PLACELESS", "SPIKE", "open_batch", "take_reading"]

# Kept with the reading in the store.
IMPLAUSIBLE = 1
SPIKE = 2
FUNCTION_CHECK = 4
PLACELESS = 8

HAND_ERROR = 0.001


def take_reading(state: State, reading: Reading, now_ms: int, out: Outcome) -> int:
    """File one reading; returns its flags."""
    probe = state.probes.get(reading.probe)
    if probe is None:
        probe = state.probes[reading.probe] = health.ProbeHealth()
    state.touch(f"probe:{reading.probe}")
    if reading.probe.startswith("hand:"):
        return _take_hand(state, reading)
    series = probe.series.get(reading.quantity)
    if series is None:
        series = probe.series[reading.quantity] = health.SeriesHealth()
    if not plausible(state, probe, series, reading, now_ms, out):
        return IMPLAUSIBLE
    _learn(state, probe, series, reading, now_ms, out)
    if probe.moved_ms is not None and reading.measured_ms >= probe.moved_ms:
        health.settle(probe, reading.quantity, reading.value)
        if probe.moved_ms is not None:
            return FUNCTION_CHECK
    place = state.place_at(reading.probe, reading.measured_ms)
    if place is None or probe.removed:
        probe.removed = reading.probe in state.places and state.place_now(reading.probe) is None
    if place is None:
        return PLACELESS
    kind, _, name = place.partition(":")
    if kind == "fridge":
        take_air(state, name, reading)
    elif kind == "room" and reading.quantity == "temperature":
        value = temperature_of(state, reading.probe, reading.value)
        _file(state, f"{place}|{reading.probe}|temperature", reading.measured_ms, value)
    elif kind == "vessel":
        return _take_vessel(state, name, reading, now_ms, out)
    return 0


def _learn(
    state: State, probe: health.ProbeHealth, series: health.SeriesHealth, reading: Reading, now_ms: int, out: Outcome
) -> None:
    gap_ms = reading.measured_ms - series.measured_ms if series.run else 0
    change = stuck.hear(probe, reading.quantity, reading.measured_ms, now_ms, reading.value)
    probe.clock.take(reading.measured_ms, now_ms, state.clock.watched_from_ms)
    if gap_ms > 0 and reading.quantity in health.GRAVITY_LIKE:
        follow(state, probe, reading, gap_ms, now_ms)
    if probe.silent and _heard_again(state, probe, now_ms):
        probe.silent, probe.back_ms = False, now_ms
        state.book.note(health.heard_finding(reading.probe, reading.measured_ms), now_ms, out)
    if change is not None:
        _note_change(state, probe, reading, change, now_ms, out)
    if reading.quantity == "battery" and reading.measured_ms == series.measured_ms:
        charge = battery(reading.probe, probe.battery, reading.measured_ms, reading.value)
        if charge is not None:
            state.book.note(charge, now_ms, out)


def _note_change(
    state: State, probe: health.ProbeHealth, reading: Reading, change: stuck.Change, now_ms: int, out: Outcome
) -> None:
    if change.stuck:
        state.book.note(stuck.stuck_finding(reading.probe, probe, change.since_ms), now_ms, out)
        return
    if not change.coarse:
        _spoil(state, reading.probe, change.since_ms, reading.measured_ms)
    state.book.note(stuck.moving_finding(reading.probe, reading.measured_ms, coarse=change.coarse), now_ms, out)


def _heard_again(state: State, probe: health.ProbeHealth, now_ms: int) -> bool:
    """Whether all that was missed is back: after a start, patience begins anew but what was silent is not heard yet."""
    watched = state.clock.watched_from_ms
    back = all(each.received_ms >= watched for name, each in probe.series.items() if name in health.WATCHED)
    return back and not health.silence(probe, now_ms, watched)


def _spoil(state: State, probe: str, from_ms: int, to_ms: int) -> None:
    """What a stuck probe said is no evidence, in whichever place it sat."""
    for told in state.tracks_of(probe):
        told.track.spoil(from_ms, to_ms)
        state.touch(f"track:{told.key}")


# --- in a vessel -------------------------------------------------------------------------------------------------


def _take_vessel(state: State, vessel: str, reading: Reading, now_ms: int, out: Outcome) -> int:
    if reading.quantity == "temperature":
        value = temperature_of(state, reading.probe, reading.value)
        _file(state, f"vessel:{vessel}|{reading.probe}|temperature", reading.measured_ms, value)
        settings = state.probe_settings(reading.probe)
        if settings is None or settings.measures in (None, "liquid"):
            tell_fridge(state, vessel, value, reading.measured_ms)
        return 0
    if reading.quantity in ("gas_flow", "bubbles", "mass"):
        _file(state, f"vessel:{vessel}|{reading.probe}|{reading.quantity}", reading.measured_ms, reading.value)
    if reading.quantity == "hydrometer":
        found = _own_hydrometer(state, reading)
    else:
        found = gravity_of(state, reading.probe, reading.quantity, reading.value)
    if found is None:
        return 0
    value, _ = found
    if not means_a_gravity(state, reading, value, now_ms, out):
        return IMPLAUSIBLE
    key = f"vessel:{vessel}|{reading.probe}|gravity"
    state.track(key)
    before = state.steps[key].level
    believed, stepped = state.steps[key].judge(reading.measured_ms, value)
    state.touch(f"track:{key}")
    if stepped is not None and before is not None:
        _note_step(state, vessel, reading.probe, (stepped, value - before), now_ms, out)
    if not believed:
        return SPIKE
    _file(state, key, reading.measured_ms, value)
    return 0


def _own_hydrometer(state: State, reading: Reading) -> tuple[float, float] | None:
    warmth = state.probes[reading.probe].series.get("temperature")
    if warmth is None:
        return None
    return hydrometer(reading.value, temperature_of(state, reading.probe, warmth.value))


def _file(state: State, key: str, measured_ms: int, value: float) -> None:
    number = state.track(key).add(measured_ms, value)
    state.touch(f"hour:{key}|{number}")


def _note_step(state: State, vessel: str, probe: str, step: tuple[int, float], now_ms: int, out: Outcome) -> None:
    batch = open_batch(state, vessel)
    if batch is None:
        return
    since_ms, by = step
    known = announced(batch, since_ms)
    batch.window_from_ms = max(batch.window_from_ms, since_ms)
    batch.rest = batch.rest_gravity = batch.slowed_ms = None
    batch.step_thins = by < 0.0 and not batch.thinned_seen
    if by < 0.0:
        batch.thinned = batch.thinned_seen = True
    if batch.started_ms is None:
        batch.baseline = None
    state.touch(f"batch:{batch.name}")
    if not known:
        batch.step_ms, batch.step_probe, batch.step_by = since_ms, probe, by
        state.probes[probe].jump = step
        state.book.note(advice.step_question(batch), now_ms, out)


# --- by hand -----------------------------------------------------------------------------------------------------


def _take_hand(state: State, reading: Reading) -> int:
    vessel = reading.probe[5:]
    batch = open_batch(state, vessel)
    if batch is None:
        return PLACELESS
    low, high = QUANTITIES[reading.quantity].plausible
    if not low <= reading.value <= high:
        return IMPLAUSIBLE
    if reading.quantity == "temperature":
        _hand_temperature(state, batch, reading)
    elif reading.quantity == "hydrometer":
        _add_hand(batch, _hand_point(state, batch, reading))
    else:
        found = gravity_of(state, reading.probe, reading.quantity, reading.value)
        if found is not None:
            _add_hand(batch, HandPoint(reading.measured_ms, found[0], HAND_ERROR))
    state.touch(f"batch:{batch.name}")
    return 0


def _hand_temperature(state: State, batch: BatchState, reading: Reading) -> None:
    _file(state, f"vessel:{batch.vessel}|{reading.probe}|temperature", reading.measured_ms, reading.value)
    batch.hand_warmth = (reading.measured_ms, reading.value)
    for point in batch.hand:
        if point.at_ms == reading.measured_ms and point.scale is not None:
            point.gravity, point.error = hydrometer(point.scale, reading.value)
            point.temperature, point.temperature_from = reading.value, "typed with it"


def _hand_point(state: State, batch: BatchState, reading: Reading) -> HandPoint:
    warmth, source = None, ""
    if batch.hand_warmth is not None and batch.hand_warmth[0] == reading.measured_ms:
        warmth, source = batch.hand_warmth[1], "typed with it"
    else:
        warmth, source = liquid_at(state, batch.vessel, reading.measured_ms)
    if warmth is None:
        # Not known how warm it was: the figure as read, with the error of a cellar's range of temperatures.
        return HandPoint(reading.measured_ms, reading.value, 0.003, reading.value, None, "no temperature known")
    value, error = hydrometer(reading.value, warmth)
    return HandPoint(reading.measured_ms, value, error, reading.value, warmth, source)


def liquid_at(state: State, vessel: str, at_ms: int) -> tuple[float | None, str]:
    """The liquid's temperature around a time by a probe in the vessel, and which."""
    for _, probe, quantity, track in state.tracks_at(f"vessel:{vessel}"):
        if quantity == "temperature" and not probe.startswith("hand:"):
            points = track.points(at_ms - 120 * MINUTE, at_ms + 60 * MINUTE)
            if points:
                return points[-1][1], f"by probe {probe}"
    return None, ""


def _add_hand(batch: BatchState, point: HandPoint) -> None:
    batch.hand = [each for each in batch.hand if each.at_ms != point.at_ms]
    insort(batch.hand, point, key=lambda each: each.at_ms)
    del batch.hand[:-HAND_KEPT]
