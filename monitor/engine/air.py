"""What the engine hands to the rules of a fridge: its air, the probes in its contents, and how tender these are."""

from __future__ import annotations

from monitor.batches import hold, shelf
from monitor.engine import ice
from monitor.engine.condition import open_batch
from monitor.engine.derive import temperature_of
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.inputs import Reading
from monitor.rules import contents
from monitor.rules import fridge as fridge_rule
from monitor.rules.contents import DOUBT_AT_FIRST, DOUBT_WARM
from monitor.rules.fridge import Content, FridgeState
from monitor.science import thermal

WARM_C = 20.0  # what is put into a fridge is taken to come from a room


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
    for _, _, quantity, track in state.tracks_at(f"room:{state.settings.room[0].name}"):
        if quantity == "temperature":
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


def tell_freezing(state: State, fridge: FridgeState) -> None:
    """The cautious end of each content's freezing point, and how it is known."""
    for vessel, content in fridge.contents.items():
        content.freezes_c, content.why = ice.begins(state, vessel, open_batch(state, vessel))


# --- what is put in ----------------------------------------------------------------------------------------------


def put_in(state: State, fridge: FridgeState, vessel: str, now_ms: int | None) -> None:
    """A vessel stands in a fridge from now on; None: it did so before anyone watched."""
    settings = state.vessel(vessel)
    litres, material = (settings.volume_l, settings.material) if settings else (contents.STAND_IN_L, "glass")
    fridge.contents[vessel] = Content(
        estimate=fridge.target if now_ms is None else WARM_C,
        at_ms=0 if now_ms is None else now_ms,
        tau_s=thermal.time_constant(min(max(litres, 0.05), 2000.0), material).usual_s,
        freezes_c=0.0,
        why="",
        doubt=DOUBT_AT_FIRST if now_ms is None else DOUBT_WARM,
    )


def shelve(state: State, name: str, now_ms: int) -> None:
    """A jar of yeast stands in the fridge that the shelf names, and in no other.

    Not one that is held elsewhere, nor what a person keeps below freezing on purpose, nor dried yeast.
    """
    jar = shelf.one(state.records, name, state.settings.practice.yeast, now_ms)
    held = hold.active(state.records.get(f"jar:{name}", ()))
    there = None
    if jar is not None and not jar.gone and jar.made.grams is None and jar.made.stored_c >= 0.0:
        elsewhere = held is not None and held.fridge not in (None, jar.made.fridge)
        there = None if elsewhere else state.fridges.get(jar.made.fridge or "")
    for fridge in state.fridges.values():
        if fridge is not there and fridge.jars.pop(name, None) is not None:
            state.touch(f"fridge:{fridge.name}")
    if there is None or jar is None:
        return
    tau_s = thermal.time_constant(min(max(jar.left_ml / 1000.0, 0.05), 2000.0), "glass").usual_s
    content = there.jars.get(name)
    if content is None:
        freezes_c, why = hold.freezes(None, yeast=True)
        if there.air is None:  # as what stood inside before anyone watched
            content = Content(there.target, 0, tau_s, freezes_c, why)
        else:
            content = Content(WARM_C, jar.made.at, tau_s, freezes_c, why, doubt=DOUBT_WARM)
            contents.advance(content, there.slow, now_ms)  # told late, it has been in there for a while
        there.jars[name] = content
    content.tau_s = tau_s
    state.touch(f"fridge:{there.name}")
