"""What the engine hands to the rules of a fridge: its air, the probes in its contents, and how tender these are."""

from __future__ import annotations

from monitor.engine.derive import temperature_of
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.inputs import Reading
from monitor.rules import contents
from monitor.rules import fridge as fridge_rule
from monitor.rules.batch import BatchState
from monitor.rules.fridge import Content, FridgeState
from monitor.science import alcohol
from monitor.science.freezing import freezing


def take_air(state: State, name: str, reading: Reading) -> None:
    """A reading from a probe in a fridge: its air, its door or its plug."""
    fridge = state.fridges.get(name)
    if fridge is None:
        return
    if reading.quantity == "temperature":
        fridge_rule.take(fridge, reading.measured_ms, temperature_of(state, reading.probe, reading.value))
    elif reading.quantity == "contact":
        fridge_rule.take_contact(fridge, reading.measured_ms, reading.value)
    elif reading.quantity == "power":
        fridge_rule.take_power(fridge, reading.measured_ms, reading.value)
    state.touch(f"fridge:{name}")


def tell_room(state: State, fridge: FridgeState, now_ms: int) -> None:
    """The air round a fridge, where there is one room and a thermometer in it."""
    if len(state.settings.room) != 1:
        return
    place = f"room:{state.settings.room[0].name}"
    for key, track in state.tracks.items():
        if key.startswith(f"{place}|") and key.endswith("|temperature"):
            points = track.points(now_ms - 3 * HOUR, now_ms)
            if points:
                fridge.room_ms, fridge.room = round(points[-1][0] * HOUR), points[-1][1]


def tell_fridge(state: State, vessel: str, value: float, measured_ms: int) -> None:
    """A probe in the liquid beats the estimate."""
    for name, fridge in state.fridges.items():
        content = fridge.contents.get(vessel)
        if content is not None and measured_ms >= content.at_ms - 10 * MINUTE:
            contents.tell(content, value, measured_ms)
            state.touch(f"fridge:{name}")


def tell_freezing(state: State, vessel: str, content: Content, batch: BatchState | None) -> None:
    """The cautious end of a content's freezing point: from its strength if that is known, else water's."""
    settings = state.vessel(vessel)
    if settings is not None and settings.abv is not None:
        found = freezing(max(0.0, 0.95 * settings.abv - 0.2))
        content.freezes_c, content.why = found.high_c, f"it holds {settings.abv:g} % alcohol, as you set it"
    elif batch is not None and batch.thinned:
        content.freezes_c, content.why = 0.0, f"batch {batch.name} was thinned, so it is taken for water"
    elif batch is not None and batch.original is not None and batch.last_gravity is not None:
        fell = max(batch.original - batch.last_gravity, 0.0)
        strength = alcohol.abv(batch.original, batch.original - fell) if fell > 0 else 0.0
        found = freezing(max(0.0, 0.95 * strength - 0.2))
        content.freezes_c, content.why = found.high_c, f"batch {batch.name} has about {strength:.1f} % alcohol"
    else:
        content.freezes_c, content.why = 0.0, "what is in it is not known, so it is taken for water"
