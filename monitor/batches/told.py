"""What a person told, in sentences: of a batch, a wash or a jar; and a batch's history, with what was taken back."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from monitor.batches import by_hand
from monitor.batches.cells import cells
from monitor.batches.record import UNDOINGS, meant, taken_back, when
from monitor.batches.strength import Facts
from monitor.model.clock import iso, parse_time
from monitor.model.config import Batch
from monitor.model.deeds import (
    Clarity,
    Fined,
    Harvested,
    Held,
    HoldEnded,
    JarCounted,
    JarDiscarded,
    JarLayer,
    Jarred,
    JarUsed,
    Merged,
    Noted,
    Photo,
    PouredOff,
    Racked,
    Reopened,
    SealedUp,
    Split,
    Undone,
    Unsealed,
    WashDiscarded,
    WashRound,
)
from monitor.model.inputs import (
    Added,
    BatchClosed,
    BatchStarted,
    ForcedFinal,
    JournalEntry,
    ReadingUndone,
    StageChanged,
)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the history. What does not count any more stays, with why."""

    at_ms: int
    received_ms: int
    text: str
    counts: bool = True
    why: str = ""
    off_ms: int | None = None  # where it does not count, when its undoing was received, which can be taken back
    by_hand: bool = False  # a hand reading: taken back by when it was taken


def history(
    name: str,
    record: Sequence[JournalEntry],
    facts: Facts,
    start: Batch | None = None,
    local: Callable[[int], str] = iso,
) -> tuple[Line, ...]:
    """Everything that was told of it, in the order in which it was done; what was taken back too, with when."""
    off = taken_back(record)
    lines = [
        Line(
            done_ms(entry),
            entry.received,
            sentence(entry, name),
            entry.received not in off,
            _why(entry, record, off, local),
            off.get(entry.received),
        )
        for entry in record
        if not isinstance(entry, UNDOINGS)
    ]
    lines += _readings(record, facts, local)
    if start is not None and start.name == name and not any(isinstance(entry, BatchStarted) for entry in record):
        lines.append(Line(start.pitched, start.pitched, f"pitched in {start.vessel}, as the configuration says"))
    return tuple(sorted(lines, key=lambda line: (line.at_ms, line.received_ms)))


def _readings(record: Sequence[JournalEntry], facts: Facts, local: Callable[[int], str]) -> list[Line]:
    off = by_hand.readings_off(record)
    return [
        Line(at, at, reading(gravity, error), counts, by_hand.why_off(record, at, local), off.get(at), by_hand=True)
        for points, counts in ((facts.hand, True), (facts.struck, False))
        for at, gravity, error in points
    ]


def done_ms(entry: JournalEntry) -> int:
    """When it was done; a batch begins when it was pitched, whenever that was told."""
    pitched = entry.batch.get("pitched") if isinstance(entry, BatchStarted) else None
    try:
        return pitched if isinstance(pitched, int) else parse_time(pitched) if isinstance(pitched, str) else when(entry)
    except ValueError:
        return when(entry)


def _why(
    entry: JournalEntry, record: Sequence[JournalEntry], off: Mapping[int, int], local: Callable[[int], str]
) -> str:
    if entry.received in off:
        return f"taken back on {local(off[entry.received])}"
    undone = [each.received for each in record if isinstance(each, Undone) and each.of == entry.received]
    if not undone:
        return ""
    return f"taken back on {local(undone[-1])}, and counted again on {local(off[undone[-1]])}"


def undoing(
    name: str, record: Sequence[JournalEntry], found: JournalEntry, readings: Mapping[int, str]
) -> tuple[str, int, bool]:
    """What taking `found` back is about, when that was done, and whether it counts then; `readings` in words."""
    deed = meant(record, found)
    then = [*record, Undone(of=found.received, received=max(each.received for each in record) + 1)]
    if isinstance(deed, ReadingUndone):
        return readings.get(deed.at, "a hand reading"), deed.at, deed.at not in by_hand.readings_off(then)
    if deed is None:
        return "an undoing", found.received, True
    return sentence(deed, name), done_ms(deed), deed.received not in taken_back(then)


# --- in words ------------------------------------------------------------------------------------------------------


def reading(gravity: float, error: float) -> str:
    """A hand reading in words."""
    return f"read by hand: {gravity:.4f} ± {error:.4f}"


def sentence(entry: JournalEntry, name: str) -> str:
    """An entry of the record of the batch, wash or jar `name` in words, without its time."""
    match entry:
        case ReadingUndone():
            return f"takes back the hand reading of {iso(entry.at)}"
        case Undone():
            return f"takes back what was received {iso(entry.of)}"
        case BatchStarted():
            return _started(entry, name)
        case StageChanged():
            return f"stage {entry.stage}"
        case BatchClosed():
            return "closed"
        case Reopened():
            return "opened again"
        case Added():
            return _added(entry)
        case ForcedFinal():
            what = "no longer counts" if entry.hydrometer is None else f"ended at {entry.hydrometer:.3f} on the scale"
            return f"the sample kept warm {what}"
        case Noted():
            score = f" ({entry.score} of 10)" if entry.score is not None else ""
            return f"{_NOTES[entry.sort]}{entry.text}{score}"
        case Photo():
            return f"photo {entry.file}{f': {entry.caption}' if entry.caption else ''}"
        case _:
            return _moved(entry, name) or _settled(entry) or _yeast(entry, name) or entry.kind


_NOTES = {"note": "note: ", "tasting": "tasted: ", "off-smell": "smells off: "}


def _started(entry: BatchStarted, name: str) -> str:
    told = entry.batch
    if name in (told.get("jars") or ()):
        return f"batch {told.get('name', '?')} pitched from it"
    original = told.get("original_gravity")
    parts = [f"pitched in {told.get('vessel', '?')}"]
    if told.get("volume_l"):
        parts.append(f"{told['volume_l']:g} L")
    if original:
        parts.append(f"original gravity {original:.3f}")
    if told.get("yeast"):
        parts.append(f"yeast {told['yeast']}")
    if told.get("jars"):
        parts.append(f"from {', '.join(told['jars'])}")
    return ", ".join(parts)


def _added(entry: Added) -> str:
    amount = f"{entry.amount:g} {entry.unit} " if entry.amount is not None and entry.unit is not None else ""
    kind = f" ({entry.sugar})" if entry.sugar and entry.sugar != entry.what else ""
    rise = f", original gravity {entry.gravity_rise:+.4f}" if entry.gravity_rise else ""
    return f"{amount}{entry.what}{kind} added{rise}"


def _moved(entry: JournalEntry, name: str) -> str | None:
    """Of what went where."""
    if isinstance(entry, Racked):
        came = f", {entry.volume_l:g} L arrived" if entry.volume_l is not None else ""
        stayed = f", {entry.loss_l:g} L stayed behind" if entry.loss_l is not None else ""
        return f"racked to {entry.to}{came}{stayed}"
    if isinstance(entry, Split):
        if entry.name == name:
            return f"{entry.volume_l:g} L of {entry.batch} went into {entry.vessel} as this batch"
        return f"{entry.volume_l:g} L went into {entry.vessel} as batch {entry.name}"
    if isinstance(entry, Merged):
        litres = f"{entry.volume_l:g} L " if entry.volume_l is not None else ""
        if entry.batch == name:
            return f"{litres}poured into batch {entry.into}: over"
        rise = f", original gravity {entry.gravity_rise:+.4f}" if entry.gravity_rise is not None else ""
        return f"{litres}of batch {entry.batch} came in{rise}"
    return None


def _settled(entry: JournalEntry) -> str | None:
    """Of finings, cold and seals."""
    match entry:
        case Fined():
            dose = f", {entry.dose_ml:g} mL" if entry.dose_ml is not None else ""
            return f"finings, part {entry.part}: {entry.what}{dose}"
        case Clarity():
            said = [entry.clearness or "", f"{entry.ntu:g} NTU" if entry.ntu is not None else ""]
            return f"looked at: {', '.join(filter(None, said)) or 'nothing noted'}"
        case Held():
            where = f" in {entry.fridge}" if entry.fridge else ""
            return f"to be held at {entry.target_c:g} °C for {entry.hours:g} h{where}"
        case HoldEnded():
            return "not held cold any more"
        case SealedUp():
            rated = f"rated {entry.rated_bar:g} bar" if entry.rated_bar is not None else "not rated for pressure"
            return f"{entry.litres:g} L sealed in {entry.material} ({rated})"
        case Unsealed():
            return "opened, or put under an airlock"
    return None


def _yeast(entry: JournalEntry, name: str) -> str | None:
    """Of lees, washes and jars."""
    match entry:
        case Harvested():
            of = "" if entry.batch == name else f" of {entry.batch}"
            return f"{entry.volume_ml:g} mL of lees{of} taken to wash as {entry.wash}, generation {entry.generation}"
        case WashRound():
            return f"{entry.water_ml:g} mL of water put on and shaken, for a {entry.stand} stand"
        case PouredOff():
            return f"poured off{f', {entry.kept_ml:g} mL kept' if entry.kept_ml is not None else ''}"
        case Jarred():
            return _put_up(entry)
        case JarCounted():
            alive = f", {entry.viability:g} % living" if entry.viability is not None else ""
            return f"counted {cells(entry.cells_per_ml)} cells in a mL of its layer{alive}"
        case JarLayer():
            return f"{entry.layer_ml:g} mL of it is settled yeast"
        case JarUsed():
            of = "" if entry.jar == name else f" of jar {entry.jar}"
            into = "" if entry.batch in (None, name) else f" into batch {entry.batch}"
            return f"{entry.ml:g} {entry.unit}{of} {'used' if entry.batch is None else 'pitched'}{into}"
        case JarDiscarded() | WashDiscarded():
            return f"thrown out{f': {entry.why}' if entry.why else ''}"
    return None


def _put_up(entry: Jarred) -> str:
    parents = " and ".join(entry.parents)
    if entry.origin == "starter":
        taken = f"{entry.taken_ml:g} " if entry.taken_ml is not None else ""
        source = f"a starter grown from {taken}{'of ' if taken else ''}{parents}" if parents else "a starter"
    else:
        wash = f"washed as {entry.wash}" if entry.wash else "washed"
        source = {"packet": "a packet", "given": "given by someone", "wash": wash}[entry.origin]
    unit = "g" if entry.grams is not None else "mL"
    return f"{entry.volume_ml:g} {unit} put up as jar {entry.jar}, generation {entry.generation}, {source}"
