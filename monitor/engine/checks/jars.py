"""What is asked of jars: put up, counted, looked at, used, thrown out."""

from __future__ import annotations

from typing import TypeVar

from monitor.batches.shelf import Jar
from monitor.engine.checks import yeast
from monitor.engine.checks.common import Asked, batch_of, free_name, in_time, known_fridge, listed, not_before
from monitor.engine.yeast_clocks import jar_of, shelf_of
from monitor.model.clock import DAY
from monitor.model.deeds import JarCounted, JarDiscarded, JarLayer, Jarred, JarUsed
from monitor.model.errors import Refused

KEEPS_MOST = 20 * 365 * DAY  # of a packet: a date beyond that is a slip of the pen
TAKEN_MOST, TAKEN_MORE = 1.02, 0.05  # times what is left, and mL or g more: measures of volume are rough

J = TypeVar("J", JarCounted, JarLayer, JarUsed, JarDiscarded)


def jar_told(asked: Asked, name: str) -> Jar:
    """A jar that was put up, whether or not it is still there."""
    found = jar_of(asked.state, name, asked.now_ms)
    if found is None:
        known = listed(each.name for each in shelf_of(asked.state, asked.now_ms) if not each.gone)
        raise Refused(f"there is no jar {name}", f"on the shelf: {known}", "unknown")
    return found


def jar_there(asked: Asked, name: str) -> Jar:
    """A jar that is on the shelf."""
    found = jar_told(asked, name)
    if found.gone:
        raise Refused(
            f"jar {name} is not there any more: {found.gone}", f"if that was a mistake: leeswatch yeast undo {name}"
        )
    return found


def _since_made(asked: Asked, jar: Jar, at: int) -> int:
    return not_before(asked, at, jar.made.at, f"jar {jar.name} was put up")


# --- onto the shelf ----------------------------------------------------------------------------------------------


def put_up(asked: Asked, entry: Jarred) -> Jarred:
    """From a wash, a packet, a starter or someone's hands, under a name that is free."""
    if entry.wash is not None:
        return yeast.filled(asked, [entry])[0]
    free_name(asked, entry.jar)
    known_fridge(asked, entry.fridge)
    yeast.layer_fits(entry)
    at = in_time(asked, entry.at)
    if entry.origin == "packet" and entry.generation:
        raise Refused("a packet is generation 0", "say that it was given, where someone gave a jar to you", "figures")
    if entry.best_before is not None and entry.best_before > at + KEEPS_MOST:
        raise Refused("the date it is best before is too far away", "look at the date", "figures")
    for parent in entry.parents:
        jar = jar_there(asked, parent)
        at = _since_made(asked, jar, at)
        if entry.taken_ml is not None and len(entry.parents) == 1:
            enough(jar, entry.taken_ml)
    return entry.model_copy(update={"at": at})


# --- what was seen, and off the shelf ------------------------------------------------------------------------------


def seen(asked: Asked, entry: J) -> J:
    """Of a jar that is there: a count, or that it is thrown out."""
    return entry.model_copy(update={"at": _since_made(asked, jar_there(asked, entry.jar), entry.at)})


def layer_seen(asked: Asked, entry: JarLayer) -> JarLayer:
    """No more settled yeast than there is of the jar."""
    jar = jar_there(asked, entry.jar)
    if entry.layer_ml > jar.left_ml * TAKEN_MOST:
        raise Refused(
            f"a layer of {entry.layer_ml:g} mL is more than the {jar.left_ml:.0f} mL left",
            "check the figure",
            "figures",
        )
    return seen(asked, entry)


def used(asked: Asked, entry: JarUsed) -> JarUsed:
    """No more than is left, into a batch that there is."""
    jar = jar_there(asked, entry.jar)
    if entry.batch is not None:
        batch_of(asked, entry.batch)
    unit = entry.unit if "unit" in entry.model_fields_set else jar.unit
    if unit != jar.unit:
        raise Refused(f"what jar {jar.name} holds is told in {jar.unit}", f"give it in {jar.unit}", "figures")
    enough(jar, entry.ml)
    return seen(asked, entry.model_copy(update={"unit": unit}))


def enough(jar: Jar, wanted: float) -> None:
    """So much (mL of the jar shaken up, grams of dried yeast) can be taken from a jar."""
    if wanted <= 0 or wanted > jar.left_ml * TAKEN_MOST + TAKEN_MORE:
        raise Refused(
            f"{wanted:g} {jar.unit} cannot be taken: {jar.left_ml:.0f} {jar.unit} are left",
            "check the figure",
            "figures",
        )
