"""What the checks of deeds share: who asks and when; batches, vessels, fridges and names that there are."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.batches.life import Life
from monitor.batches.record import counting
from monitor.engine.condition import open_batch
from monitor.engine.lives import life_of
from monitor.engine.state import State
from monitor.model.clock import MINUTE, iso
from monitor.model.config import Vessel
from monitor.model.deeds import Harvested, Jarred
from monitor.model.errors import Discouraged, Refused
from monitor.model.inputs import JournalEntry
from monitor.rules.batch import BatchState

FUTURE_MS = 5 * MINUTE  # clocks of people and machines differ by that much
OLDEST_MS = 1_262_304_000_000  # 2010-01-01: what is older is a slip of the pen

GIVE_TIME = "give the time at which it was done"


@dataclass(frozen=True, slots=True)
class Asked:
    """What a deed is checked against: how things stand, now, and how the site writes a time."""

    state: State
    now_ms: int
    local: Callable[[int], str] = iso
    verdicts: Callable[[str], Iterable[Mapping[str, Any]]] = lambda _: ()
    """The verdict events of a batch as said, in order."""
    anyway: bool = False
    """It was done whatever practice says against it."""
    liquid_c: float | None = None
    """How warm the liquid is, as the person measured it."""
    ml_per_l: float | None = None
    """The packet's dose of finings, where the settings have none."""

    def discourage(self, what: str, remedy: str) -> bool:
        """Discouraged, unless it was done anyway; then True."""
        if not self.anyway:
            raise Discouraged(what, f"{remedy}, or say that it was done anyway (--anyway)")
        return True


# --- times -------------------------------------------------------------------------------------------------------


def in_time(asked: Asked, at: int) -> int:
    """A time at which something can have been done: not to come, and not before anybody kept a record."""
    if at > asked.now_ms + FUTURE_MS:
        raise Refused(f"{iso(at)} is still to come", GIVE_TIME, "figures")
    if at < OLDEST_MS:
        raise Refused(f"{iso(at)} is too long ago", GIVE_TIME, "figures")
    return at


def not_before(asked: Asked, at: int, since: int, what: str) -> int:
    """The time, not to come and not before another; of the same minute it is that other: people write whole minutes."""
    if at >= since or at // MINUTE == since // MINUTE:
        return in_time(asked, max(at, since))
    raise Refused(f"{iso(at)} lies before {what}, {asked.local(since)}", GIVE_TIME, "figures")


# --- batches -----------------------------------------------------------------------------------------------------


def batch_of(asked: Asked, name: str) -> BatchState:
    """A batch; Refused where there is none of that name."""
    batch = asked.state.batches.get(name)
    if batch is None:
        raise Refused(f"there is no batch {name}", f"batches: {listed(asked.state.batches)}", "unknown")
    return batch


def still_open(asked: Asked, name: str) -> BatchState:
    """A batch that is not over."""
    batch = batch_of(asked, name)
    if batch.closed:
        raise Refused(f"batch {name} is over", f"open it again first: leeswatch batch reopen {name}")
    return batch


def since_pitch(asked: Asked, batch: BatchState, at: int) -> int:
    """When something was done to a batch: not to come, and not before it was pitched."""
    return not_before(asked, at, batch.pitched_ms, f"batch {batch.name} was pitched")


def life_now(asked: Asked, name: str) -> Life:
    """The life of a batch that there is."""
    found = life_of(asked.state, name, asked.now_ms, asked.local)
    assert found is not None
    return found


def measured_l(life: Life) -> float | None:
    """How much of it there is, where somebody said so: a vessel's own volume is no measure."""
    return None if life.volume_how.startswith("the vessel's own") else life.volume_l


# --- places ------------------------------------------------------------------------------------------------------


def vessel_of(asked: Asked, name: str) -> Vessel:
    """A vessel as configured."""
    vessel = asked.state.vessel(name)
    if vessel is None:
        known = listed(each.name for each in asked.state.settings.vessel)
        raise Refused(
            f"there is no vessel {name}", f"vessels: {known}; a new one is a [[vessel]] of its own", "unknown"
        )
    return vessel


def free_vessel(asked: Asked, name: str, litres: float | None, but: str = "") -> Vessel:
    """A vessel that holds no other batch, and so many litres (None: not known)."""
    vessel = vessel_of(asked, name)
    other = open_batch(asked.state, name)
    if other is not None and other.name != but:
        raise Refused(
            f"vessel {name} holds batch {other.name}",
            f"say first where that one went, or that it is over (leeswatch batch close {other.name}); "
            "what was poured into it is `batch merge`",
        )
    if litres is not None and litres > vessel.volume_l:
        raise Refused(
            f"{litres:g} L do not fit into {name}, which holds {vessel.volume_l:g} L",
            "check the figure, or volume_l of that [[vessel]]",
            "figures",
        )
    return vessel


def known_fridge(asked: Asked, name: str | None) -> None:
    """A fridge that is watched, or none."""
    if name is not None and all(each.name != name for each in asked.state.settings.fridge):
        known = listed(each.name for each in asked.state.settings.fridge)
        raise Refused(f"there is no fridge {name}", f"fridges: {known}", "unknown")


# --- names -------------------------------------------------------------------------------------------------------


def free_name(asked: Asked, name: str, but: Sequence[str] = ()) -> None:
    """A name that no batch, wash or jar has, nor any of those beside it."""
    if name in but or is_taken(asked.state, name):
        raise Refused(f"the name {name} is taken", "give another one, such as one with a number")


def is_taken(state: State, name: str) -> bool:
    """Whether a batch, a wash or a jar has a name by what counts."""
    return name in state.batches or any(
        _gave(entry, name)
        for kind in ("wash", "jar")
        for entry in counting(state.records.get(f"{kind}:{name}", ()))
    )  # fmt: skip


def _gave(entry: JournalEntry, name: str) -> bool:
    return (isinstance(entry, Jarred) and entry.jar == name) or (isinstance(entry, Harvested) and entry.wash == name)


def listed(names: Iterable[str]) -> str:
    """What there is, in words."""
    return ", ".join(names) or "none yet"
