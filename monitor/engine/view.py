"""What stands, as one JSON-able picture: for the page, the API and the broker's retained state. Pure.

A state put together from the committed pieces serves as well as the writer's own, and the hours of the tracks are
not needed for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from monitor.alerts.book import Alert
from monitor.engine.derive import gravity_of, temperature_of
from monitor.engine.lives import READING_ERROR, original_of
from monitor.engine.silence import expected
from monitor.engine.state import State
from monitor.engine.verdicts import Witness, gravity_witnesses, trouble_of
from monitor.model.clock import HOUR, MINUTE, iso
from monitor.model.events import NOTICES, priority_of
from monitor.model.quantities import QUANTITIES
from monitor.model.status import Health
from monitor.rules.batch import BatchState, HandPoint, expectation
from monitor.rules.fridge import FridgeState
from monitor.rules.health import GRAVITY_LIKE, ProbeHealth, SeriesHealth
from monitor.science import alcohol

Z90 = 1.645
_RANK = {"high": 0, "medium": 1, "low": 2}


def overview(state: State, now_ms: int) -> dict[str, Any]:
    """Everything that stands at `now_ms`. Gravities SG 20/20, temperatures Cel, times RFC 3339; unknown is null."""
    here = _Here.of(state)
    return {
        "time": iso(now_ms),
        "site": {
            "name": state.settings.site,
            "seen_until": _time(state.clock.last_ms),
            "watched_from": _time(state.clock.watched_from_ms),
        },
        "alerts": alerts(state, now_ms),
        "batches": [_batch(state, batch, here, now_ms) for batch in state.batches.values()],
        "fridges": [_fridge(fridge, now_ms) for fridge in state.fridges.values()],
        "vessels": [_vessel(state, vessel.name, here, now_ms) for vessel in state.settings.vessel],
        "rooms": [_room(state, room.name, here, now_ms) for room in state.settings.room],
        "probes": [_probe(state, name, now_ms) for name in here.probes],
    }


@dataclass(frozen=True, slots=True)
class _Here:
    """Who is where now, looked up once for a whole picture: what a vessel costs must not grow with the others."""

    probes: list[str]
    placed: dict[str | None, list[str]]
    batches: dict[str, str]
    fridges: dict[str, str]

    @classmethod
    def of(cls, state: State) -> _Here:
        names = probe_names(state)
        placed: dict[str | None, list[str]] = {}
        for name in names:
            placed.setdefault(state.place_now(name), []).append(name)
        batches: dict[str, str] = {}
        for batch in state.batches.values():
            if not batch.closed:
                batches.setdefault(batch.vessel, batch.name)
        fridges: dict[str, str] = {}
        for fridge in state.fridges.values():
            for vessel in fridge.contents:
                fridges.setdefault(vessel, fridge.name)
        return cls(names, placed, batches, fridges)

    def at(self, place: str) -> list[str]:
        """Probes that sit there."""
        return self.placed.get(place, [])


def _time(ms: int | None) -> str | None:
    return iso(ms) if ms else None


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


# --- alerts ------------------------------------------------------------------------------------------------------


def alerts(state: State, now_ms: int) -> list[dict[str, Any]]:
    """The alerts that stand, most urgent first, those nobody has seen before those somebody has."""
    standing = state.book.standing
    found = [_alert(each, now_ms, standing) for each in standing.values()]
    return sorted(found, key=lambda each: (each["state"] != "unacknowledged", _RANK[each["priority"]], each["since"]))


def _alert(alert: Alert, now_ms: int, standing: dict[str, Alert]) -> dict[str, Any]:
    shelved = alert.shelved_until_ms is not None and now_ms < alert.shelved_until_ms
    cause = standing.get(alert.under) if alert.under else None
    return {
        "id": alert.id,
        "alert": alert.alert,
        "priority": priority_of(alert.alert),
        "about": alert.about,
        "state": "shelved" if shelved else alert.state,
        "shelved_until": _time(alert.shelved_until_ms) if shelved else None,
        "since": iso(alert.raised_ms),
        "told": alert.told,
        "message": alert.message,
        "because": list(alert.because),
        "do": list(alert.do),
        "causes": [{"cause": each.cause, "weight": round(each.weight, 2)} for each in alert.causes],
        "seen": _time(alert.seen_ms),
        "follows_from": cause.id if cause else None,
        "tickable": alert.alert in NOTICES,
    }


# --- batches -----------------------------------------------------------------------------------------------------


def _batch(state: State, batch: BatchState, here: _Here, now_ms: int) -> dict[str, Any]:
    original, original_error, _ = original_of(batch)
    expected = expectation(batch)
    witnesses = gravity_witnesses(state, batch.vessel)
    seen_ms = max([each.seen_ms() for each in witnesses] + [point.at_ms for point in batch.hand], default=None)
    trouble = trouble_of(witnesses[0].health, now_ms) if witnesses else None
    return {
        "name": batch.name,
        "vessel": batch.vessel,
        "stage": batch.stage,
        "closed": batch.closed,
        "closed_at": _time(batch.closed_ms),
        "pitched": iso(batch.pitched_ms),
        "age_hours": round((now_ms - batch.pitched_ms) / HOUR, 1),
        "started": _time(batch.started_ms),
        "verdict": batch.verdict,
        "since": _time(batch.since_ms),
        "said": _time(batch.said_ms),
        "hint": batch.hint,
        "gravity": _round(batch.last_gravity, 5),
        "gravity_seen": _time(seen_ms),
        "gravity_probes": [each.name for each in witnesses],
        "trouble": trouble,
        "original": {"gravity": _round(original, 5), "told": batch.original_told},
        "final": None if expected is None else {
            "gravity": round(expected.final, 5),
            "range": [round(expected.final - Z90 * expected.sd, 5), round(expected.final + Z90 * expected.sd, 5)],
            "told": expected.told,
            "source": expected.source,
        },
        "alcohol": _alcohol(original, original_error, batch, witnesses),
        "temperature": _liquid(state, batch.vessel, here, now_ms),
        "yeast_range_c": None if batch.yeast_low is None else [batch.yeast_low, batch.yeast_high],
        "alcohol_limit_abv": batch.alcohol_limit,
        "hand_readings": len(batch.hand),
        "last_hand": _hand(batch.hand[-1]) if batch.hand else None,
    }  # fmt: skip


def _alcohol(
    original: float | None, og_error: float, batch: BatchState, witnesses: list[Witness]
) -> dict[str, Any] | None:
    """Strength so far with its 90 % range; None while a gravity is missing or out of the formula's range."""
    if original is None or batch.last_gravity is None:
        return None
    by_hand = batch.hand[-1].error if batch.hand else READING_ERROR
    fg_error = max(READING_ERROR, witnesses[0].error if witnesses else by_hand)
    try:
        found = _strength(original, min(batch.last_gravity, original), og_error, fg_error)
    except ValueError:
        return None
    return {
        "abv": round(found.abv, 2),
        "abv_range": [round(found.abv_low, 2), round(found.abv_high, 2)],
        "apparent_attenuation": round(found.apparent_attenuation, 1),
    }


@lru_cache(maxsize=2048)
def _strength(original: float, gravity: float, og_error: float, fg_error: float) -> alcohol.Alcohol:
    """Remembered: a millisecond each, and each picture asks for every batch again."""
    return alcohol.alcohol(original, gravity, og_error=og_error, fg_error=fg_error)


def _hand(point: HandPoint) -> dict[str, Any]:
    return {
        "time": iso(point.at_ms),
        "gravity": round(point.gravity, 5),
        "error": round(point.error, 5),
        "scale": point.scale,
        "temperature": point.temperature,
        "temperature_from": point.temperature_from,
    }


def _liquid(state: State, vessel: str, here: _Here, now_ms: int) -> dict[str, Any] | None:
    """The latest temperature of a vessel's liquid: by a probe in it before one on its wall, never by the air's."""
    found: list[tuple[tuple[bool, bool, int], dict[str, Any]]] = []
    settings = state.vessel(vessel)
    listed = settings.probes if settings else []
    for name in here.at(f"vessel:{vessel}"):
        series = state.probes[name].series.get("temperature") if name in state.probes else None
        told = state.probe_settings(name)
        measures = told.measures if told else None
        if series is None or measures == "air" or series.run == 0:
            continue
        rank = listed.index(name) if name in listed else len(listed)
        fresh = is_fresh(series, now_ms)
        found.append(((not fresh, measures == "wall", rank), _warmth(state, name, series, fresh=fresh)))
    return min(found, key=lambda each: each[0])[1] if found else None


def _warmth(state: State, name: str, series: SeriesHealth, *, fresh: bool) -> dict[str, Any]:
    value = temperature_of(state, name, series.value)
    return {"value": round(value, 2), "time": iso(series.measured_ms), "probe": name, "fresh": fresh}


def is_fresh(series: SeriesHealth, now_ms: int) -> bool:
    """Whether a series was heard within three of its intervals, an hour at least."""
    return now_ms - series.received_ms <= max(3 * series.interval_ms(), HOUR)


# --- places ------------------------------------------------------------------------------------------------------


def _fridge(fridge: FridgeState, now_ms: int) -> dict[str, Any]:
    heard = fridge.air is not None
    fresh = heard and now_ms - fridge.at_ms <= max(3 * fridge.interval_ms(), HOUR)
    return {
        "name": fridge.name,
        "target_c": fridge.target,
        "band_k": fridge.band,
        "air": _round(fridge.air, 2),
        "seen": _time(fridge.at_ms),
        "fresh": fresh,
        "mean": round(fridge.slow, 2) if heard else None,
        "mean_half_hour": round(fridge.fast, 2) if heard else None,
        "learned": fridge.learned(),
        "swing": round(fridge.swing(), 2) if fridge.learned() else None,
        "limit": round(fridge.limit(), 2),
        "cause": fridge.cause,
        "above_since": _time(fridge.over_ms),
        "contents": [
            {
                "vessel": name,
                "temperature": round(content.estimate, 2) if heard or content.measured else None,
                "measured": content.measured,
                "time": _time(content.at_ms),
                "freezes": round(content.freezes_c, 2),
                "margin": round(content.estimate - content.freezes_c, 2) if heard or content.measured else None,
                "why": content.why,
            }
            for name, content in fridge.known().items()
        ],
    }


def _vessel(state: State, name: str, here: _Here, now_ms: int) -> dict[str, Any]:
    settings = state.vessel(name)
    assert settings is not None
    return {
        "name": name,
        "volume_l": settings.volume_l,
        "material": settings.material,
        "batch": here.batches.get(name),
        "fridge": here.fridges.get(name),
        "probes": here.at(f"vessel:{name}"),
        "temperature": _liquid(state, name, here, now_ms),
    }


def _room(state: State, name: str, here: _Here, now_ms: int) -> dict[str, Any]:
    probes = here.at(f"room:{name}")
    air = None
    for each in probes:
        series = state.probes[each].series.get("temperature") if each in state.probes else None
        if air is None and series is not None and series.run:
            air = _warmth(state, each, series, fresh=is_fresh(series, now_ms))
    return {"name": name, "probes": probes, "temperature": air}


# --- probes ------------------------------------------------------------------------------------------------------


def probe_names(state: State) -> list[str]:
    """Probes of the configuration in its order, then those of places, then those only heard."""
    placed = (
        probe
        for places in (state.settings.vessel, state.settings.room, state.settings.fridge)
        for place in places
        for probe in place.probes
    )
    told = [probe.name for probe in state.settings.probe]
    return list(dict.fromkeys([*told, *placed, *sorted(state.probes)]))


def _probe(state: State, name: str, now_ms: int) -> dict[str, Any]:
    probe = state.probes.get(name)
    heard = probe is not None and any(series.received_ms for series in probe.series.values())
    by_hand = name.startswith("hand:")
    status, why = _status(state, name, probe) if probe is not None and (heard or by_hand) else (None, "never heard")
    return {
        "name": name,
        "place": state.place_at(name, now_ms) if by_hand else state.place_now(name),
        "by_hand": by_hand,
        "status": status,
        "why": why,
        "heard": heard,
        "silent": probe is not None and probe.silent and expected(state, name),
        "online": probe.online if probe else None,
        "quantities": _quantities(state, name, probe, now_ms) if probe else [],
    }


def _status(state: State, name: str, probe: ProbeHealth) -> tuple[str, str]:
    """NE 107 status and why. What an alert says of a probe that else is good counts too."""
    health, why = probe.status()
    if health is Health.GOOD:
        for kind in ("probe-battery", "probe-suspect"):
            alert = state.book.standing.get(f"{kind}/probe:{name}")
            if alert is not None:
                health, why = Health.MAINTENANCE_REQUIRED, alert.message
    if health is Health.FAILURE and probe.silent:
        last = max((series.received_ms for series in probe.series.values()), default=0)
        why = f"silent; last heard {iso(last)}" if last else "silent"
    if probe.online is False:
        why = f"{why}; it said that it goes offline" if why else "it said that it goes offline"
    return health.value, why


def _quantities(state: State, name: str, probe: ProbeHealth, now_ms: int) -> list[dict[str, Any]]:
    told: list[dict[str, Any]] = []
    for quantity, series in sorted(probe.series.items()):
        if series.run == 0:
            continue
        about = QUANTITIES[quantity]
        told.append(
            {
                "quantity": quantity,
                "value": round(series.value, about.decimals + 1),
                "unit": about.unit,
                "time": iso(series.measured_ms),
                "received": iso(series.received_ms),
                "every_minutes": round(series.interval_ms() / MINUTE, 1),
                "fresh": is_fresh(series, now_ms),
                "calibrated": _calibrated(state, name, quantity, series.value),
            }
        )
    return told


def _calibrated(state: State, name: str, quantity: str, value: float) -> dict[str, Any] | None:
    """What a value means by the probe's calibration; None where it has none to speak of."""
    if quantity == "temperature":
        if state.curve(name, "temperature") is None:
            return None
        return {"quantity": "temperature", "value": round(temperature_of(state, name, value), 2), "unit": "Cel"}
    found = gravity_of(state, name, quantity, value) if quantity in GRAVITY_LIKE else None
    if found is None or (quantity == "gravity" and state.curve(name, quantity) is None):
        return None
    return {"quantity": "gravity", "value": round(found[0], 5), "unit": "1", "error": round(found[1], 5)}
