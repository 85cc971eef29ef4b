"""Gathers the witnesses of a batch beside its gravity: what they are taught, and what they say."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Final

from monitor.engine.state import State
from monitor.rules import activity, gas, heat, weight
from monitor.rules.activity import Activity, Falls, Kind, Ratios
from monitor.rules.batch import BatchState
from monitor.rules.track import PointSource
from monitor.science.thermal import Material

KINDS: Final[dict[str, Kind]] = {"gas_flow": "gas", "bubbles": "bubbles", "mass": "mass"}


def learn(state: State, batch: BatchState, gravity_points: PointSource | None, now_ms: int) -> None:
    """Once an hour while it ferments: teach each witness by the gravity; None teaches nothing."""
    since = _since(batch)
    learned = state.ratios.get(batch.name, {})
    changed = False
    litres, material = _vessel(state, batch)
    for kind, probe, source in _counters(state, batch.vessel):
        ratios = learned.setdefault(f"{kind}|{probe}", Ratios())
        gravity = gravity_points if batch.started_ms is not None else None
        # Gravity that jumped is no fall; and a wash fills itself with its gas before any leaves.
        start = max(since, batch.window_from_ms, batch.started_ms or 0)
        if kind == "mass":
            changed |= weight.learn(source, gravity, ratios, litres, start, now_ms)
        else:
            changed |= gas.learn(kind, source, gravity, ratios, litres, start, now_ms)
    liquid, air = _liquid(state, batch.vessel), _air(state, batch.vessel)
    if liquid is not None and air is not None:
        ratios = learned.setdefault(f"heat|{air[0]}", Ratios())
        changed |= heat.learn(
            liquid, air[1], gravity_points, ratios, (litres, material), max(since, batch.window_from_ms), now_ms,
            started=batch.started_ms is not None,
        )  # fmt: skip
    if changed:
        state.ratios[batch.name] = learned
        state.touch(f"ratios:{batch.name}")


def activities(state: State, batch: BatchState, gravity_points: PointSource | None, now_ms: int) -> list[Activity]:
    """What each witness says of the present rate of fall; those that cannot tell are not in the list."""
    since, learned = _since(batch), state.ratios.get(batch.name, {})
    litres, material = _vessel(state, batch)
    counters = list(_counters(state, batch.vessel))
    liquid, air = _liquid(state, batch.vessel), _air(state, batch.vessel)
    if not counters and (liquid is None or air is None):
        return []
    fell = activity.falls(gravity_points, now_ms, max(since, batch.window_from_ms))
    found: list[Activity | None] = []
    # A wash fills itself with its gas before any leaves: counters and scales tell nothing of the first points.
    start = max(since, batch.started_ms) if batch.started_ms is not None else now_ms
    for kind, probe, source in counters:
        ratios = learned.get(f"{kind}|{probe}", Ratios())
        found.append(_counted(kind, probe, source, ratios, fell, liquid, litres, start, now_ms))
    if liquid is not None and air is not None:
        ratios = learned.get(f"heat|{air[0]}", Ratios())
        found.append(heat.say(air[0], liquid, air[1], ratios, fell, (litres, material), since, now_ms))
    return [each for each in found if each is not None]


def forget(state: State, batch: str) -> None:
    """It is over: what it taught its witnesses is of no use to another."""
    if state.ratios.pop(batch, None) is not None:
        state.drop(f"ratios:{batch}")


def _counted(
    kind: Kind, probe: str, source: PointSource, ratios: Ratios, fell: Falls, liquid: PointSource | None,
    litres: float, since_ms: int, now_ms: int,
) -> Activity | None:  # fmt: skip
    if kind == "mass":
        return weight.say(probe, source, ratios, fell, liquid, litres, since_ms, now_ms)
    return gas.say(kind, probe, source, ratios, fell, liquid, litres, since_ms, now_ms)


def _since(batch: BatchState) -> int:
    """No window reaches back behind the pitch, the move to its vessel, or behind something that went in or jumped."""
    return max(batch.pitched_ms, batch.placed_ms(), batch.fed_ms or 0, batch.step_ms or 0)


def _vessel(state: State, batch: BatchState) -> tuple[float, Material]:
    settings = state.vessel(batch.vessel)
    return (settings.volume_l, settings.material) if settings else (19.0, "plastic")


def _counters(state: State, vessel: str) -> Iterator[tuple[Kind, str, PointSource]]:
    """Gas, bubbles and mass of probes that are in the vessel now and can be believed.

    The same hours are asked for again and again within a call: they are put together once.
    """
    place = f"vessel:{vessel}"
    for _, probe, quantity, track in state.tracks_at(place):
        if quantity in KINDS and _believed(state, probe, place):
            yield KINDS[quantity], probe, cache(track.points)


def _liquid(state: State, vessel: str) -> PointSource | None:
    """The thermometer in the liquid: on the wall it would tell of the room as well."""
    place = f"vessel:{vessel}"
    for _, probe, quantity, track in state.tracks_at(place):
        if quantity != "temperature" or probe.startswith("hand:"):
            continue
        told = state.probe_settings(probe)
        if (told is None or told.measures in (None, "liquid")) and _believed(state, probe, place):
            return cache(track.points)
    return None


def _air(state: State, vessel: str) -> tuple[str, PointSource] | None:
    """The air round a vessel: of the fridge it stands in, else of its room, else of the only room there is."""
    place = _surroundings(state, vessel)
    if place is None:
        return None
    for _, probe, quantity, track in state.tracks_at(place):
        if quantity == "temperature" and _believed(state, probe, place):
            return probe, cache(track.points)
    return None


def _surroundings(state: State, vessel: str) -> str | None:
    for name, fridge in state.fridges.items():
        if vessel in fridge.contents:
            return f"fridge:{name}"
    settings = state.vessel(vessel)
    if settings is not None and settings.room is not None:
        return f"room:{settings.room}"
    rooms = state.settings.room
    return f"room:{rooms[0].name}" if len(rooms) == 1 else None


def _believed(state: State, probe: str, place: str) -> bool:
    health = state.probes.get(probe)
    return health is not None and health.trusted() and state.place_now(probe) == place
