"""What is asked before the first part of the finings goes in; each figure is common practice, and set by the person."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from monitor.model.clock import DAY
from monitor.model.config import ClearingPractice

Answer = Literal["pass", "not", "unknown"]

DOSE_OFF = 0.2  # a dose this far from the packet's, as a share of it, is another dose
WAITS_FOR_VERDICT = 5 * DAY  # it had ended by then: a verdict comes days after the end

DEGAS_HOW: Final = (
    "stir it hard or swirl it for some minutes until no more foam rises, with room for that foam and the lid loose, "
    "and again a few hours later: gas that still comes out lifts what should sink. Air the room while you do: "
    "carbon dioxide gathers low. Then say so with --degassed"
)


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing to be so before the first part goes in."""

    name: str
    answer: Answer
    why: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a batch when the first part is to go in. Times UTC ms, Cel, litres."""

    verdict: str | None
    finished_ms: int | None
    racked_ms: int | None
    stage: str
    temperature_c: float | None
    temperature_from: str
    volume_l: float | None


def before_first(
    facts: Facts,
    practice: ClearingPractice,
    *,
    degassed: bool,
    dose_ml: float | None = None,
    ml_per_l: float | None = None,
) -> tuple[Condition, ...]:
    """Each condition for the first part of the finings, with why; `ml_per_l` is the packet's, else the settings'."""
    return (
        _finished(facts),
        _racked(facts),
        Condition("degassed", "pass", "you say that it was degassed")
        if degassed
        else Condition("degassed", "unknown", "no probe can tell; only you can", DEGAS_HOW),
        *_warm(facts, practice),
        _dose(facts.volume_l, dose_ml, ml_per_l or practice.first_ml_per_l),
    )


def suggested_dose(volume_l: float | None, ml_per_l: float | None) -> float | None:
    """Millilitres for this volume by the packet; None where one of the two is not known."""
    return None if volume_l is None or ml_per_l is None else round(volume_l * ml_per_l, 1)


def _finished(facts: Facts) -> Condition:
    name = "finished"
    if facts.verdict == "finished":
        return Condition(name, "pass", "its verdict is finished")
    if facts.verdict in (None, "unknown"):
        why = "whether it has finished is not known"
        return Condition(name, "unknown", why, "take hydrometer readings over two days or more: they should agree")
    return Condition(
        name, "not", f"its verdict is {facts.verdict}", "wait: yeast that works stirs the wash and finings take it out"
    )


def _racked(facts: Facts) -> Condition:
    name = "racked"
    do = "rack it off its lees first: finings spent on old lees are lost, and yeast for the shelf is taken before"
    if facts.racked_ms is None:
        return Condition(name, "not", "no racking is noted", do)
    if facts.finished_ms is None:
        return Condition(name, "unknown", "it was racked, but when it finished is not known", do)
    if facts.racked_ms < facts.finished_ms - WAITS_FOR_VERDICT:
        days = (facts.finished_ms - facts.racked_ms) / DAY
        return Condition(name, "not", f"it was racked {days:.0f} days before it was called finished", do)
    if facts.racked_ms < facts.finished_ms:
        return Condition(name, "pass", "it was racked in the days before it was called finished, which comes late")
    return Condition(name, "pass", "it was racked after it finished")


def _warm(facts: Facts, practice: ClearingPractice) -> tuple[Condition, ...]:
    low, high = practice.range_c
    name = f"{low:g} to {high:g} °C"
    do = f"bring it to {low:g} to {high:g} °C (common practice): in the cold the parts work slowly or not at all"
    stage = (
        Condition("not cold", "not", f"it is in stage {facts.stage}", "clear it first and cool it afterwards")
        if facts.stage in ("cold", "stored")
        else Condition("not cold", "pass", f"it is in stage {facts.stage}")
    )
    if facts.temperature_c is None:
        return (Condition(name, "unknown", "no probe tells how warm it is", "measure it and say so with --at"), stage)
    why = f"its liquid is at {facts.temperature_c:.1f} °C, {facts.temperature_from}"
    answer: Answer = "pass" if low <= facts.temperature_c <= high else "not"
    return Condition(name, answer, why, "" if answer == "pass" else do), stage


def _dose(volume_l: float | None, dose_ml: float | None, ml_per_l: float | None) -> Condition:
    name = "dose"
    wanted = suggested_dose(volume_l, ml_per_l)
    if wanted is None:
        missing = "its volume" if volume_l is None else "the packet's dose"
        do = "say how many mL the packet takes for a litre, with --per-litre or as practice.clearing.first_ml_per_l"
        return Condition(name, "unknown", f"{missing} is not known", do if volume_l is not None else "set volume_l")
    assert volume_l is not None
    why = f"the packet's {ml_per_l:g} mL a litre make {wanted:g} mL for {volume_l:g} L"
    if dose_ml is None or abs(dose_ml - wanted) <= DOSE_OFF * wanted:
        return Condition(name, "pass", why)
    return Condition(name, "not", f"{why}, not {dose_ml:g}", f"measure {wanted:g} mL: more does not clear it better")
