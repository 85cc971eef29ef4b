"""What the engine hands to the clock of a hold: the thing, its liquid, its air; and what of a fridge is most tender."""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.alerts.book import Outcome
from monitor.batches import hold
from monitor.batches.hold import HoldState, Seen, Standing, Thing
from monitor.batches.record import counting
from monitor.batches.strength import birth_of
from monitor.batches.strength import volume_of as litres_of
from monitor.engine import ice
from monitor.engine.condition import open_batch
from monitor.engine.derive import temperature_of
from monitor.engine.lives import facts_for, start_of
from monitor.engine.state import State
from monitor.model.clock import MINUTE
from monitor.model.config import ColdPractice
from monitor.model.deeds import Held, Jarred
from monitor.model.findings import Finding
from monitor.rules.batch import BatchState
from monitor.rules.fridge import FridgeState
from monitor.rules.health import span_words

FRESH_LEAST = 15 * MINUTE
JAR_L = 0.5  # of a jar whose volume nobody told


@dataclass(frozen=True, slots=True)
class Tender:
    """One thing in a fridge: where ice may begin in it, and how cold it is (None: not known). Cel."""

    name: str
    freezes_c: float
    why: str
    liquid_c: float | None


# --- facts -------------------------------------------------------------------------------------------------------


def volume_of(state: State, batch: BatchState) -> float | None:
    """Litres of a batch by everything that went in and came out; None: not known."""
    start, done = start_of(state, batch.name), counting(state.records.get(f"batch:{batch.name}", ()))
    born = birth_of(batch.name, start, done)
    return litres_of(batch.name, start, born, done, facts_for(state, batch, state.clock.last_ms))[0]


def liquid_now(state: State, vessel: str, now_ms: int) -> tuple[str, float, int] | None:
    """What a probe in a vessel's liquid says now: its name, Cel, when; None where none can be believed."""
    settings = state.vessel(vessel)
    listed = settings.probes if settings else []
    here = sorted(
        state.probes_at(f"vessel:{vessel}"),
        key=lambda name: (listed.index(name) if name in listed else len(listed), name),
    )
    for name in here:
        told, health = state.probe_settings(name), state.probes.get(name)
        if health is None or (told is not None and told.measures not in (None, "liquid")):
            continue
        series = health.series.get("temperature")
        if series is None or health.stuck_since_ms is not None or health.moved_ms is not None or health.dry:
            continue
        if now_ms - series.measured_ms <= max(3 * series.interval_ms(), FRESH_LEAST):
            return name, temperature_of(state, name, series.value), series.measured_ms
    return None


def vessel_of(state: State, about: str) -> str:
    """The vessel of a batch; a jar is a vessel of its own name."""
    kind, _, name = about.partition(":")
    batch = state.batches.get(name) if kind == "batch" else None
    return batch.vessel if batch is not None else name


def fridge_of(state: State, held: Held) -> FridgeState | None:
    """The fridge that something is held in: as told, else the one that its vessel is listed in."""
    if held.fridge is not None:
        return state.fridges.get(held.fridge)
    vessel = vessel_of(state, held.about)
    return next((fridge for fridge in state.fridges.values() if vessel in fridge.known()), None)


def thing_of(state: State, held: Held) -> Thing:
    """What is held, by the deed, else by its vessel, its jar, or its batch."""
    kind, _, name = held.about.partition(":")
    settings = state.vessel(vessel_of(state, held.about))
    batch = state.batches.get(name) if kind == "batch" else None
    litres, material = held.litres, held.material
    if litres is None:
        litres = volume_of(state, batch) if batch is not None else None
        litres = litres if litres is not None else _jar_litres(state, held.about)
    if material is None:
        material = settings.material if settings is not None and kind == "batch" else "glass"
    if held.abv is None and batch is not None:
        freezes_c, why = ice.begins(state, batch.vessel, batch)
        why += f", and ice may begin at {freezes_c:.1f} °C"
    else:
        low = ice.at_least(held.abv) if held.abv is not None else None
        freezes_c, why = hold.freezes(low, yeast=kind != "batch")
    return Thing(litres, material, freezes_c, why, name)


def _jar_litres(state: State, about: str) -> float:
    volumes = [entry.volume_ml for entry in state.records.get(about, ()) if isinstance(entry, Jarred)]
    return volumes[-1] / 1000.0 if volumes and about.startswith("jar:") else JAR_L


def air_now(fridge: FridgeState | None, now_ms: int) -> tuple[float, int] | None:
    """The air of a fridge and when it was measured; None where it was not heard lately."""
    if fridge is None or fridge.air is None or now_ms - fridge.at_ms > max(3 * fridge.interval_ms(), FRESH_LEAST):
        return None
    return fridge.air, fridge.at_ms


def seen_of(state: State, held: Held, now_ms: int, *, mean: bool = False) -> Seen:
    """What is known of the liquid and its air at a minute; `mean`: its air over the last half hour."""
    vessel, fridge = vessel_of(state, held.about), fridge_of(state, held)
    air = air_now(fridge, now_ms)
    content = fridge.known().get(vessel) if fridge is not None else None
    estimate = taus = None
    if content is not None and fridge is not None:
        if air is not None:
            estimate = (content.estimate, content.low(), content.high(), fridge.at_ms)
        if content.segments and held.litres is None:
            taus = (content.tau_s, *content.taus())
    if mean and air is not None and fridge is not None:
        air = fridge.fast, fridge.at_ms
    return Seen(liquid_now(state, vessel, now_ms), estimate, air, taus, state.clock.watched_from_ms)


def standing(state: State, about: str, held: Held) -> Standing | None:
    """Where a hold stands; None until its clock has been looked at for the first time."""
    found = state.holds.get(about)
    if found is None or found.of_ms != held.received:
        return None
    found = _by_now(state, held, found, state.clock.last_ms)
    fridge = fridge_of(state, held)
    air = fridge.slow if fridge is not None and air_now(fridge, found.at_ms) is not None else None
    practice = state.settings.practice.cold
    return hold.standing(found, held, thing_of(state, held), practice, air, seen_of(state, held, found.at_ms).taus)


def tender(state: State, fridge: FridgeState, running: dict[str, Held]) -> list[Tender]:
    """Everything known to stand in a fridge, the most tender first: its contents, and what is held there."""
    found = {
        name: Tender(name, content.freezes_c, content.why, content.estimate) for name, content in fridge.jars.items()
    }
    for name, content in fridge.contents.items():  # what was typed a moment ago counts, too
        found[name] = Tender(name, *ice.begins(state, name, open_batch(state, name)), content.estimate)
    for about, held in running.items():
        if fridge_of(state, held) is fridge:
            thing, own = thing_of(state, held), state.holds.get(about)
            liquid = own.liquid_c if own is not None and own.by not in ("told", "nothing") else None
            found[vessel_of(state, about)] = Tender(thing.tender, thing.freezes_c, thing.why, liquid)
    return sorted(found.values(), key=lambda each: (-each.freezes_c, each.name))


# --- the clock ---------------------------------------------------------------------------------------------------


def tick(state: State, running: dict[str, Held], now_ms: int, out: Outcome) -> None:
    """Look at each hold that runs; those that do not run any more are forgotten."""
    for about in [about for about in state.holds if about not in running]:
        del state.holds[about]
        state.drop(f"hold:{about}")
        words = f"{about.partition(':')[2]} is not held cold any more."
        over = Finding("cold-hold-done", about, active=False, message=words, seen_ms=now_ms)
        state.book.note(over, now_ms, out)
        state.book.note(replace(over, alert="freeze-risk"), now_ms, out)
    for about, held in running.items():
        own = state.holds.get(about)
        if own is None or own.of_ms != held.received:
            fridge = fridge_of(state, held)
            content = fridge.known().get(vessel_of(state, about)) if fridge is not None else None
            state.holds[about] = hold.begin(held, now_ms, fridge_c=content.estimate if content is not None else None)
            words = f"{about.partition(':')[2]} is held anew."
            state.book.note(Finding("cold-hold-done", about, active=False, message=words), now_ms, out)
            state.touch(f"hold:{about}")
            continue
        if own.done and now_ms % hold.REST_MS != 0:
            _watch_ice(state, about, held, _by_now(state, held, own, now_ms), now_ms, out)
            continue
        before = replace(own)
        _look(state, about, held, own, now_ms, out)
        if own != before:  # a kill loses nothing: what a minute changed is kept with that minute
            state.touch(f"hold:{about}")


def _by_now(state: State, held: Held, own: HoldState, now_ms: int) -> HoldState:
    """Where a hold is: one that is done, between two whole hours, by what was kept at the last one."""
    if not own.done:
        return own
    found = replace(own)
    practice = state.settings.practice.cold
    hold.advance(found, held, thing_of(state, held), seen_of(state, held, now_ms, mean=True), practice, now_ms)
    return found


def _look(state: State, about: str, held: Held, own: HoldState, now_ms: int, out: Outcome) -> None:
    thing, practice = thing_of(state, held), state.settings.practice.cold
    if hold.advance(own, held, thing, seen_of(state, held, now_ms, mean=own.done), practice, now_ms):
        state.book.note(_done(about, held, own, thing, practice), now_ms, out)
    _watch_ice(state, about, held, own, now_ms, out)


def _watch_ice(state: State, about: str, held: Held, own: HoldState, now_ms: int, out: Outcome) -> None:
    thing = thing_of(state, held)
    fridge = fridge_of(state, held)
    if own.by in ("told", "nothing", "fridge") or (fridge is not None and vessel_of(state, about) in fridge.known()):
        return  # the fridge's own rule tells of what is listed in it
    margin = own.low_c() - thing.freezes_c
    if margin < hold.FREEZE_CARE_K:
        state.book.note(_near_ice(about, own, thing, margin), now_ms, out)
    elif margin >= hold.FREEZE_BACK_K:
        words = f"{thing.tender} is {margin:.1f} K above where ice may begin in it."
        state.book.note(Finding("freeze-risk", about, active=False, message=words, seen_ms=own.seen_ms), now_ms, out)


def _done(about: str, held: Held, own: HoldState, thing: Thing, practice: ColdPractice) -> Finding:
    kind, _, name = about.partition(":")
    what = f"Batch {name}" if kind == "batch" else f"{kind.capitalize()} {name}"
    do = (
        ("rack it off its sediment without stirring that up", f"then `leeswatch batch unhold {name}`")
        if kind == "batch"
        else ("pour the clear part off gently: moving it stirs the layer up",)
    )
    because = (f"it took {span_words(own.at_ms - own.began_ms)} from going in until now, cooling included",)
    return Finding(
        "cold-hold-done", about, active=True, message=hold.done_sentence(what, own, held, practice), because=because,
        do=(*do, f"keep {thing.tender} cold until then: warming up stirs it"), seen_ms=own.seen_ms,
    )  # fmt: skip


def _near_ice(about: str, own: HoldState, thing: Thing, margin: float) -> Finding:
    how = "measured" if own.by == "probe" else "estimated"
    if own.liquid_c - own.low_c() >= 0.5:
        how += f", perhaps as cold as {own.low_c():.1f} °C"
    return Finding(
        "freeze-risk",
        about,
        active=True,
        message=f"{thing.tender} {'can freeze' if margin > 0 else 'may be freezing now'}: its liquid is at "
        f"{own.liquid_c:.1f} °C ({how}) and ice may begin at {thing.freezes_c:.1f} °C.",
        because=(thing.why, "the air's mean does not tell of the cold plate and back wall, which are colder still"),
        do=("set the appliance warmer, or move it away from the cold plate and back wall", hold.GLASS_CAUTION),
        seen_ms=own.seen_ms,
    )
