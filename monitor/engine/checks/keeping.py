"""What is asked of holding cold, and of closing tight."""

from __future__ import annotations

from monitor.batches import seal
from monitor.batches.seal import Judgement
from monitor.engine import clocks, cold, seals
from monitor.engine.checks.common import (
    Asked,
    batch_of,
    in_time,
    known_fridge,
    listed,
    not_before,
    since_pitch,
    still_open,
)
from monitor.model.deeds import Held, HoldEnded, SealedUp, Unsealed
from monitor.model.errors import Refused

ROOM_C = 20.0  # what goes in is taken to come from a room, where nothing tells


def held(asked: Asked, entry: Held) -> Held:
    """Something whose size is known, in a fridge that is watched or with a probe in it.

    How warm it was when it went in is its probe's word, where nobody said.
    """
    state, (kind, _, name) = asked.state, entry.about.partition(":")
    known_fridge(asked, entry.fridge)
    batch = still_open(asked, name) if kind == "batch" else None
    at = in_time(asked, entry.at) if batch is None else since_pitch(asked, batch, entry.at)
    if batch is None and entry.about not in state.records and entry.litres is None:
        raise Refused(
            f"{kind} {name} is not on the shelf, so its size is not known", "say how many litres it is", "unknown"
        )
    probe = cold.liquid_now(state, cold.vessel_of(state, entry.about), at) if batch is not None else None
    if entry.fridge is None and cold.fridge_of(state, entry) is None and probe is None:
        raise Refused(
            f"which fridge {name} stands in is not known, and no probe is in its liquid",
            f"name the fridge; there are: {listed(each.name for each in state.settings.fridge)}",
        )
    told = entry.from_c if "from_c" in entry.model_fields_set else warmth(asked, entry.about, at)[0]
    return entry.model_copy(update={"at": at, "from_c": told})


def warmth(asked: Asked, about: str, at: int) -> tuple[float, str]:
    """How warm something is when it goes in, and by what that is known."""
    kind, _, name = about.partition(":")
    batch = asked.state.batches.get(name) if kind == "batch" else None
    found = clocks.warmth_of(asked.state, batch, at) if batch is not None else None
    return found if found is not None else (ROOM_C, "taken for a room's, where nobody says otherwise")


def hold_ended(asked: Asked, entry: HoldEnded) -> HoldEnded:
    """It is held."""
    name, running = entry.about.partition(":")[2], clocks.holds(asked.state).get(entry.about)
    if running is None:
        raise Refused(f"{name} is not held cold", "leeswatch batch cold shows what is")
    at = not_before(asked, entry.at, running.at, f"{name} went in")
    return entry.model_copy(update={"at": at})


def sealed(asked: Asked, entry: SealedUp) -> SealedUp:
    """Figures that can be."""
    return judged(asked, entry)[0]


def judged(asked: Asked, entry: SealedUp) -> tuple[SealedUp, Judgement]:
    """With how safe it is. What was known of it when it was closed is worked out here: it decides that."""
    batch = batch_of(asked, entry.batch)
    at = since_pitch(asked, batch, entry.at)
    said = next((each for each in reversed(list(asked.verdicts(batch.name))) if each.get("remaining_range")), None)
    facts = seals.seal_facts(asked.state, batch, at, said=said)
    try:
        found = seal.judge(facts, seal.closing_of(entry))
    except ValueError as error:
        raise Refused(str(error), "litres and bar above nothing, temperatures from 0 to 40 °C", "figures") from error
    return entry.model_copy(update={"at": at, **seals.as_known(facts)}), found


def unsealed(asked: Asked, entry: Unsealed) -> Unsealed:
    """It is noted as closed at that time."""
    batch = batch_of(asked, entry.batch)
    at = since_pitch(asked, batch, entry.at)
    closed = seal.closed(asked.state.records.get(f"batch:{batch.name}", ()))
    if not closed:
        raise Refused(f"batch {batch.name} is not noted as closed tight", "nothing needs to be done")
    return entry.model_copy(update={"at": not_before(asked, at, max(each.at for each in closed), "it was closed")})
