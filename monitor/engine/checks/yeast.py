"""What is asked of washes: lees taken, rounds of water, pouring off, filling into jars, throwing out."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.batches.clearing import fined_by
from monitor.batches.washing import Source, Stand, Washing
from monitor.engine.checks.common import (
    Asked,
    batch_of,
    free_name,
    in_time,
    known_fridge,
    listed,
    not_before,
    since_pitch,
)
from monitor.engine.yeast_clocks import source_of, washing_of, washings_of
from monitor.model.deeds import Harvested, Jarred, PouredOff, WashDiscarded, WashRound
from monitor.model.errors import Refused

KEPT_MOST, FILLED_MOST = 1.05, 1.1  # times what there was: measures of volume are rough


def harvested(asked: Asked, entry: Harvested) -> Harvested:
    """Never from a batch that was fined. What is known of the batch as a source is kept with the deed."""
    found, at = source(asked, entry.batch, entry.at), since_pitch(asked, batch_of(asked, entry.batch), entry.at)
    free_name(asked, entry.wash)
    for parent in entry.parents:
        if f"jar:{parent}" not in asked.state.records:
            raise Refused(f"there is no jar {parent}", "leave it out, or tell first how it came there", "unknown")
    known = {
        "abv": found.abv if found.abv is not None else entry.abv, "stalled": found.stalled or entry.stalled,
        "off_smell": found.off_smell or entry.off_smell, "parents": entry.parents or list(found.parents),
    }  # fmt: skip
    return entry.model_copy(update={"at": at, **known})


def source(asked: Asked, name: str, at: int) -> Source:
    """A batch as a source of yeast at a time: not one that was fined by then."""
    batch = batch_of(asked, name)
    found = source_of(asked.state, name, since_pitch(asked, batch, at))
    assert found is not None
    if found.fined:
        raise Refused(
            f"batch {name} was fined: its lees are nothing for the shelf",
            "take yeast before finings the next time; for this one start from a fresh packet or another jar",
        )
    return found


# --- rounds ------------------------------------------------------------------------------------------------------


def wash_of(asked: Asked, name: str) -> Washing:
    """A wash; Refused where there is none of that name."""
    found = washing_of(asked.state, name)
    if found is None:
        known = listed(each.name for each in washings_of(asked.state))
        raise Refused(f"there is no wash {name}", f"washes: {known}; leeswatch yeast harvest begins one", "unknown")
    return found


def washable(asked: Asked, name: str) -> tuple[Washing, Harvested]:
    """A wash that was harvested before any finings, and is not thrown out."""
    wash = wash_of(asked, name)
    if wash.harvest is None:
        raise Refused(f"{name} was never harvested, or that was taken back", "leeswatch yeast harvest BATCH")
    if wash.gone:
        raise Refused(f"wash {name} is gone: {wash.gone}", f"if that was a mistake: leeswatch yeast undo {name}")
    if fined_by(asked.state.records, wash.harvest.batch, wash.harvest.at):
        raise Refused(
            f"batch {wash.harvest.batch} was fined before {name} was taken from it: its lees are nothing for the shelf",
            f"leeswatch yeast discard {name}, and start from fresh yeast or another jar",
        )
    return wash, wash.harvest


def after_last(asked: Asked, wash: Washing, at: int) -> int:
    """When something was done to a wash: not before it began, nor before what was done last."""
    begun = wash.stands[-1].from_ms if wash.stands else wash.harvest.at if wash.harvest is not None else at
    return not_before(asked, at, begun, f"what was done to {wash.name} last")


def stood(asked: Asked, wash: Washing, running: Stand | None, at: int) -> None:
    """Long enough, by practice."""
    if running is not None and running.stand == "long" and at < running.due_ms:
        asked.discourage(
            f"{wash.name} should stand until {asked.local(running.due_ms)}: pouring early throws yeast away",
            "wait, unless its top is clear already",
        )


def watered(asked: Asked, entry: WashRound) -> WashRound:
    """Water, on what there is to wash."""
    wash, _ = washable(asked, entry.wash)
    return entry.model_copy(update={"at": after_last(asked, wash, entry.at)})


def poured_off(asked: Asked, entry: PouredOff) -> PouredOff:
    """After its stand, and no more kept than there was."""
    wash = wash_of(asked, entry.wash)
    running = wash.running
    if running is None:
        raise Refused(f"nothing stands in {wash.name}", f"leeswatch yeast round {wash.name} --water ML")
    at = after_last(asked, wash, entry.at)
    if wash.volume_ml is not None and entry.kept_ml is not None and entry.kept_ml > wash.volume_ml * KEPT_MOST:
        raise Refused(f"{entry.kept_ml:g} mL cannot be left of {wash.volume_ml:.0f} mL", "check the figure", "figures")
    stood(asked, wash, running, at)
    return entry.model_copy(update={"at": at})


def wash_discarded(asked: Asked, entry: WashDiscarded) -> WashDiscarded:
    """What is there."""
    wash = wash_of(asked, entry.wash)
    if wash.gone:
        raise Refused(f"wash {wash.name} is gone already: {wash.gone}", f"if not: leeswatch yeast undo {wash.name}")
    return entry.model_copy(update={"at": in_time(asked, entry.at)})


# --- into jars ---------------------------------------------------------------------------------------------------


def filled(asked: Asked, entries: Sequence[Jarred]) -> list[Jarred]:
    """Jars filled from a wash at one time: names that are free, and no more in all than there was."""
    wash, _ = washable(asked, entries[0].wash or "")
    at = after_last(asked, wash, entries[0].at)
    stood(asked, wash, wash.running, at)
    names: list[str] = []
    for each in entries:
        free_name(asked, each.jar, names)
        names.append(each.jar)
        known_fridge(asked, each.fridge)
        layer_fits(each)
    total = sum(each.volume_ml for each in entries)
    if wash.volume_ml is not None and total > wash.volume_ml * FILLED_MOST:
        raise Refused(f"{total:g} mL cannot come from {wash.volume_ml:.0f} mL", "check the figures", "figures")
    return [each.model_copy(update={"at": at}) for each in entries]


def layer_fits(entry: Jarred) -> None:
    """No more settled yeast than the jar holds."""
    if entry.layer_ml is not None and entry.layer_ml > entry.volume_ml:
        raise Refused(
            f"a layer of {entry.layer_ml:g} mL is more than the jar holds, {entry.volume_ml:g} mL",
            "check the figures",
            "figures",
        )
