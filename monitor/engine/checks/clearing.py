"""What is asked before finings go in, and of a look at how clear it is."""

from __future__ import annotations

from monitor.batches import clearing
from monitor.batches.clearing import CLEARNESSES, Clearing, Condition
from monitor.batches.record import counting
from monitor.engine import clocks, cold
from monitor.engine.checks.common import GIVE_TIME, Asked, since_pitch, still_open
from monitor.engine.state import State
from monitor.model.clock import MINUTE, iso
from monitor.model.deeds import Clarity, Fined
from monitor.model.errors import Refused
from monitor.model.inputs import JournalEntry, StageChanged
from monitor.rules.batch import BatchState


def fined(asked: Asked, entry: Fined) -> tuple[JournalEntry, ...]:
    """Part one where what practice asks is so, part two in its time after it; each also against that, if it was done.

    A dose that was left out is the packet's. A batch whose first part went in by the book goes to stage clearing.
    """
    batch = still_open(asked, entry.batch)
    at = since_pitch(asked, batch, entry.at)
    dose = entry.dose_ml or packet_dose(asked, batch, entry.part)
    deed = entry.model_copy(update={"at": at, "dose_ml": dose})
    found = clocks.clearing_of(asked.state, batch)
    if entry.part == 2:
        return (deed.model_copy(update={"anyway": _second(asked, batch, found, at)}),)
    no_round_runs(batch.name, found, asked)
    against = [each for each in first_part(asked, deed) if each.answer != "pass"]
    if against:
        asked.discourage(
            "; ".join(f"{each.name}: {each.why}" for each in against),
            (against[0].do or "see to it first").split(" Then say so")[0],
        )
    elif batch.stage == "fermenting":
        return StageChanged(batch=batch.name, stage="clearing", at=at), deed.model_copy(update={"anyway": False})
    return (deed.model_copy(update={"anyway": bool(against)}),)


def no_round_runs(name: str, found: Clearing, asked: Asked) -> None:
    """Refused while a first part waits for its second: another first part would hide it."""
    if found.first is not None and found.second is None:
        at = found.first.at_ms
        raise Refused(
            f"a first part ({found.first.what}) went into {name} {asked.local(at)}, and waits for its second",
            f"if that one was a mistake: {_undo(asked, name, 1)}; else tell of the second part, and a first part after "
            "it begins a new round",
        )


def _undo(asked: Asked, name: str, part: int) -> str:
    """The command that takes the latest such part back; by when it was told, for a stage may be of the same time."""
    done = counting(asked.state.records.get(f"batch:{name}", ()))
    told = next(each.received for each in reversed(done) if isinstance(each, Fined) and each.part == part)
    return f"leeswatch batch undo {name} --of {iso(told)}"


def first_part(asked: Asked, entry: Fined) -> tuple[Condition, ...]:
    """What practice asks before the first part goes in, and whether it is so."""
    batch = asked.state.batches[entry.batch]
    warmth = clocks.warmth_of(asked.state, batch, entry.at)
    if asked.liquid_c is not None:
        warmth = (asked.liquid_c, "as you say")
    finished = clocks.called_finished(asked.verdicts(batch.name))
    facts = clocks.before_fining(asked.state, batch, warmth, finished)
    practice = asked.state.settings.practice.clearing
    return clearing.before_first(
        facts, practice, degassed=entry.degassed, dose_ml=entry.dose_ml, ml_per_l=asked.ml_per_l
    )


def packet_dose(asked: Asked, batch: BatchState, part: int) -> float | None:
    """Millilitres by the packet for this volume; None where one of the two is not known."""
    practice = asked.state.settings.practice.clearing
    packet = practice.first_ml_per_l if part == 1 else practice.second_ml_per_l
    return clearing.suggested_dose(cold.volume_of(asked.state, batch), asked.ml_per_l or packet)


def second_due(state: State, found: Clearing) -> int | None:
    """When the second part is due after the first, whether or not one went in; None before the first."""
    if found.first is None:
        return None
    return found.first.at_ms + round(state.settings.practice.clearing.second_after * 1000)


def _second(asked: Asked, batch: BatchState, found: Clearing, at: int) -> bool:
    """Whether it goes in against what practice says."""
    due = second_due(asked.state, found)
    if found.first is None or due is None:
        raise Refused(
            f"no first part is noted for {batch.name}",
            f"tell of it first: leeswatch batch fine {batch.name} 1 --what WHAT",
        )
    if at < found.first.at_ms:
        raise Refused(
            f"{iso(at)} lies before the first part, which went in {asked.local(found.first.at_ms)}",
            GIVE_TIME,
            "figures",
        )
    against = False
    if found.second is not None:
        against = asked.discourage(
            f"the second part went in {asked.local(found.second.at_ms)}",
            f"if that was a mistake: {_undo(asked, batch.name, 2)}; else leave it",
        )
    if at < due:
        minutes = (due - at + MINUTE - 1) // MINUTE
        after = asked.state.settings.practice.clearing.second_after / 60
        against = asked.discourage(
            f"the second part is due in {minutes} min, {asked.local(due)}: {after:.0f} min after the first "
            "(common practice)",
            "wait",
        )
    return against


def looked_at(asked: Asked, entry: Clarity) -> Clarity:
    """By eye, or by a figure."""
    batch = still_open(asked, entry.batch)
    if entry.clearness is None and entry.ntu is None:
        raise Refused("how clear is it?", f"say one of {', '.join(CLEARNESSES)}, or a turbidity in NTU", "figures")
    return entry.model_copy(update={"at": since_pitch(asked, batch, entry.at)})
