"""What a reading tells of its probe's condition: believable, in the liquid, clean, and with a right clock."""

from __future__ import annotations

from monitor.alerts.book import Outcome
from monitor.engine.derive import temperature_of
from monitor.engine.state import State
from monitor.model.clock import DAY, HOUR
from monitor.model.findings import Finding
from monitor.model.inputs import Reading
from monitor.model.quantities import QUANTITIES
from monitor.rules.batch import BatchState
from monitor.rules.health import STEADY_READINGS, ProbeHealth, SeriesHealth

ASIDE_K = 1.5  # further than this from another thermometer in the same vessel, and nearer to the air: not in the liquid
FRESH = 2 * HOUR
EXCUSED = 3 * DAY  # a rise this long after something was added is no fouling


def open_batch(state: State, vessel: str) -> BatchState | None:
    """The batch that is in a vessel now."""
    return next((batch for batch in state.batches.values() if batch.vessel == vessel and not batch.closed), None)


# --- believable --------------------------------------------------------------------------------------------------


def plausible(
    state: State, probe: ProbeHealth, series: SeriesHealth, reading: Reading, now_ms: int, out: Outcome
) -> bool:
    """Whether a value can be right; three in a row that cannot are told, and the first that can ends it."""
    low, high = QUANTITIES[reading.quantity].plausible
    if not low <= reading.value <= high:
        series.received_ms = now_ms
        series.spoilt += 1
        if series.spoilt == STEADY_READINGS:
            quantity = QUANTITIES[reading.quantity]
            said = f"{quantity.title} {reading.value:g} {quantity.unit}"
            why = f"believable values lie between {low:g} and {high:g} {quantity.unit}"
            _suspect(state, probe, reading, (said, why), now_ms, out)
        return False
    if series.spoilt:
        if series.spoilt >= STEADY_READINGS:
            _believed_again(state, probe, reading, now_ms, out)
        series.spoilt = 0
    return True


def means_a_gravity(state: State, reading: Reading, gravity: float, now_ms: int, out: Outcome) -> bool:
    """Whether what an angle, a pressure or a scale means is a gravity that a wash can have."""
    probe = state.probes[reading.probe]
    low, high = QUANTITIES["gravity"].plausible
    if not low <= gravity <= high:
        probe.no_gravity += 1
        if probe.no_gravity == STEADY_READINGS:
            quantity = QUANTITIES[reading.quantity]
            said = f"{quantity.title} {reading.value:g} {quantity.unit}"
            _suspect(state, probe, reading, (said, f"it means a gravity of {gravity:.3f}"), now_ms, out)
        return False
    if probe.no_gravity:
        if probe.no_gravity >= STEADY_READINGS:
            _believed_again(state, probe, reading, now_ms, out)
        probe.no_gravity = 0
    return True


def _suspect(
    state: State, probe: ProbeHealth, reading: Reading, said: tuple[str, str], now_ms: int, out: Outcome
) -> None:
    probe.dry = signs_of_drying(state, reading.probe, now_ms)
    name, (what, why) = reading.probe, said
    finding = Finding(
        alert="probe-suspect",
        about=f"probe:{name}",
        active=True,
        message=f"Probe {name} says {what}: that cannot be right.",
        because=(why, probe.dry) if probe.dry else (why,),
        do=("check whether it is out of the liquid or on its side, covered in foam, or wired wrongly",),
        seen_ms=reading.measured_ms,
    )
    state.book.note(finding, now_ms, out)


def _believed_again(state: State, probe: ProbeHealth, reading: Reading, now_ms: int, out: Outcome) -> None:
    probe.dry = ""
    words = f"Probe {reading.probe} says believable values again."
    about = f"probe:{reading.probe}"
    finding = Finding("probe-suspect", about, active=False, message=words, seen_ms=reading.measured_ms)
    state.book.note(finding, now_ms, out)


# --- in the liquid -----------------------------------------------------------------------------------------------


def signs_of_drying(state: State, name: str, now_ms: int) -> str:
    """Words on a probe whose temperature follows the air and not another thermometer in its vessel; empty if not so."""
    place = state.place_now(name)
    mine = _warmth(state, name, now_ms)
    if mine is None or place is None or not place.startswith("vessel:"):
        return ""
    vessel = place[7:]
    beside = [other for other in state.probes_at(place) if other != name]
    told = [_warmth(state, other, now_ms) for other in beside if _wet(state, other)]
    liquid = next((each for each in told if each is not None), None)
    air = _air_around(state, vessel, now_ms)
    if liquid is None or air is None or abs(mine - liquid) < max(ASIDE_K, 2.0 * abs(mine - air)):
        return ""
    return f"its temperature, {mine:.1f} °C, follows the air ({air:.1f}) and not the liquid ({liquid:.1f})"


def _wet(state: State, name: str) -> bool:
    settings = state.probe_settings(name)
    return settings is None or settings.measures != "air"


def _warmth(state: State, name: str, now_ms: int) -> float | None:
    probe = state.probes.get(name)
    series = probe.series.get("temperature") if probe else None
    if series is None or series.run == 0 or now_ms - series.measured_ms > FRESH:
        return None
    return temperature_of(state, name, series.value)


def _air_around(state: State, vessel: str, now_ms: int) -> float | None:
    """The air of the fridge a vessel stands in, else of its room, else of the only room there is."""
    for fridge in state.fridges.values():
        if vessel in fridge.contents:
            return fridge.air
    settings = state.vessel(vessel)
    rooms = [room for room in state.settings.room if settings is None or settings.room in (None, room.name)]
    if len(rooms) != 1:
        return None
    return next((at for name in rooms[0].probes if (at := _warmth(state, name, now_ms)) is not None), None)


# --- its course --------------------------------------------------------------------------------------------------


def follow(state: State, probe: ProbeHealth, reading: Reading, gap_ms: int, now_ms: int) -> None:
    """Learn from a reading in time what it tells of fouling, and end a question about a jump that was answered."""
    if reading.quantity != probe.lead():
        return
    if probe.moved_ms is not None:
        probe.course.start_anew()
        return
    probe.course.take(gap_ms, reading.value)
    newly = probe.course.judge(reading.quantity, probe.series[reading.quantity].noise, reading.measured_ms)
    if not newly and probe.jump is None:
        return
    place = state.place_now(reading.probe) or ""
    batch = open_batch(state, place[7:]) if place.startswith("vessel:") else None
    if newly and (batch is None or _excused(batch, reading.measured_ms)):
        probe.course.start_anew()
    if probe.jump is not None:
        if batch is None or batch.step_ms is None or batch.step_probe != reading.probe:
            probe.jump, probe.dry = None, ""
        else:
            probe.dry = signs_of_drying(state, reading.probe, now_ms)


def _excused(batch: BatchState, at_ms: int) -> bool:
    """Whether something was added, or may have been, so that a rise is no wonder."""
    last = max(each or 0 for each in (batch.added_ms, batch.fed_ms, batch.step_ms, batch.window_from_ms))
    return at_ms - last < EXCUSED
