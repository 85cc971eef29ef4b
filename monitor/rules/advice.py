"""Alerts about a fermenting batch: the verdict in a sentence with what practice does next, and its temperature."""

from __future__ import annotations

from monitor.model.clock import DAY, HOUR
from monitor.model.events import AlertName, VerdictEvent
from monitor.model.findings import Finding
from monitor.rules.batch import BatchState
from monitor.rules.health import span_words

WARM_HOLD = 2 * HOUR
BACK_K = 0.3

CO2_CAUTION = "carbon dioxide gathers low in closed rooms: air the room before you bend over an open vessel"
SEAL_CAUTION = "finished is a verdict for racking, not for sealing: do not close a vessel tight on it"

_CAUSE_WORDS = {
    "too-cold": "it fell below the yeast's range before it slowed",
    "chilled": "it was chilled before it was done",
    "too-warm": "it was far too warm for its yeast",
    "alcohol-near-limit": "its alcohol is near the yeast's limit",
    "stopped-early": "it stopped early: nutrients, acidity or too little yeast",
    "slow-from-the-start": "it was slow from the start: too little or tired yeast",
}
# What practice does next (common practice, no source), as advice.
_CAUSE_ADVICE = {
    "too-cold": "warm it into the yeast's range, stir the yeast up gently, and give it two days",
    "chilled": "if you meant to settle it cold, move the batch to its cold stage so that this rule rests; else warm it "
    "slowly into the yeast's range",
    "too-warm": "bring it back into the yeast's range and pitch fresh, active yeast as a starter",
    "alcohol-near-limit": "it may be as dry as this yeast goes: rack it, or pitch a more tolerant yeast as a starter",
    "stopped-early": "check its acidity, warm it a little, stir gently; yeast nutrient helps only early on",
    "slow-from-the-start": "pitch fresh, active yeast as a starter",
}


def verdict_findings(batch: BatchState, event: VerdictEvent) -> list[Finding]:
    """Alerts that follow from a verdict. Unknown says nothing: silence resolves nothing."""
    about = f"batch:{batch.name}"
    verdict = event.verdict
    if verdict == "unknown":
        return []
    found = [
        _finished(event) if verdict == "finished" else _over("ferment-finished", about, event),
        _stalled(event) if verdict == "stalled" else _over("ferment-stalled", about, event),
    ]
    age = event.time_ms - batch.pitched_ms
    if verdict == "waiting" and age >= batch.start_within_ms and event.gravity is not None:
        found.append(_not_started(batch, event, age))
    elif verdict != "waiting":
        found.append(_over("ferment-not-started", about, event))
    return found


def _over(alert: AlertName, about: str, event: VerdictEvent) -> Finding:
    words = f"Batch {event.batch} is {event.verdict} now."
    return Finding(alert, about, active=False, message=words, because=event.because, seen_ms=event.seen_ms)


def _sure(event: VerdictEvent) -> str:
    return f" ({event.confidence:.0%} sure)" if event.confidence is not None else ""


def _finished(event: VerdictEvent) -> Finding:
    rest = event.remaining_range[1] if event.remaining_range else None
    more = (
        f" By what is known of its end, up to {rest:.3f} may be left that it does not ferment."
        if rest is not None
        else ""
    )
    return Finding(
        alert="ferment-finished",
        about=f"batch:{event.batch}",
        active=True,
        message=f"Batch {event.batch} has finished at {event.gravity:.4f}{_sure(event)}.{more}",
        because=event.because,
        do=("rack it off the lees when it suits you", SEAL_CAUTION, CO2_CAUTION),
        seen_ms=event.seen_ms,
    )


def _stalled(event: VerdictEvent) -> Finding:
    over = event.gravity - event.final_expected if event.gravity and event.final_expected else 0.0
    likely = _CAUSE_WORDS.get(event.causes[0].cause, "") if event.causes else ""
    return Finding(
        alert="ferment-stalled",
        about=f"batch:{event.batch}",
        active=True,
        message=f"Batch {event.batch} has stalled, or is very slow, at {event.gravity:.4f}{_sure(event)}, {over:.3f} "
        f"above where it should end." + (f" Most likely {likely}." if likely else ""),
        because=event.because,
        do=(*(_CAUSE_ADVICE[each.cause] for each in event.causes[:2]), "do not seal it: it may start again"),
        causes=event.causes,
        seen_ms=event.seen_ms,
    )


def _not_started(batch: BatchState, event: VerdictEvent, age: int) -> Finding:
    return Finding(
        alert="ferment-not-started",
        about=f"batch:{batch.name}",
        active=True,
        message=f"Batch {batch.name} has not started: {span_words(age)} after pitching its gravity is still "
        f"{event.gravity:.4f}.",
        because=event.because,
        do=(
            "look for foam or bubbles: a leaking lid hides a start, and so does a float stuck in foam",
            "check that it is in the yeast's range; if nothing moves in another half day, pitch fresh yeast",
        ),
        seen_ms=event.seen_ms,
    )


def comfort(batch: BatchState, recent: float, hour_ms: int, seen_ms: int | None) -> list[Finding]:
    """Too warm or too cold for the yeast, from the liquid's mean over the last hours, held two hours.

    Once finished, or at rest in another stage, cold is meant and nothing is said about it.
    """
    found: list[Finding] = []
    about = f"batch:{batch.name}"
    if batch.yeast_high is not None:
        if recent > batch.yeast_high:
            batch.too_warm_ms = batch.too_warm_ms if batch.too_warm_ms is not None else hour_ms
            if hour_ms - batch.too_warm_ms >= WARM_HOLD:
                found.append(_too_warm(batch, recent, hour_ms, seen_ms))
        elif recent <= batch.yeast_high - BACK_K:
            batch.too_warm_ms = None
            found.append(
                Finding("ferment-too-warm", about, active=False, seen_ms=seen_ms,
                        message=f"Batch {batch.name} is back in its range at {recent:.1f} °C.")
            )  # fmt: skip
    if batch.yeast_low is not None:
        if recent < batch.yeast_low and batch.rest != "finished":
            batch.too_cold_ms = batch.too_cold_ms if batch.too_cold_ms is not None else hour_ms
            if hour_ms - batch.too_cold_ms >= WARM_HOLD:
                found.append(_too_cold(batch, recent, hour_ms, seen_ms))
        elif recent >= batch.yeast_low + BACK_K:
            batch.too_cold_ms = None
            found.append(
                Finding("ferment-too-cold", about, active=False, seen_ms=seen_ms,
                        message=f"Batch {batch.name} is back in its range at {recent:.1f} °C.")
            )  # fmt: skip
    return found


def _too_warm(batch: BatchState, recent: float, now_ms: int, seen_ms: int | None) -> Finding:
    since = span_words(now_ms - (batch.too_warm_ms or now_ms))
    return Finding(
        alert="ferment-too-warm",
        about=f"batch:{batch.name}",
        active=True,
        message=f"Batch {batch.name} is too warm: {recent:.1f} °C, and its yeast is meant for at most "
        f"{batch.yeast_high:g} °C.",
        because=(f"the liquid has been above {batch.yeast_high:g} °C for {since}",),
        do=(
            "move it to a cooler place, or stand it in a tub of water; a working bucket heats itself by a few degrees",
        ),
        seen_ms=seen_ms,
    )


def _too_cold(batch: BatchState, recent: float, now_ms: int, seen_ms: int | None) -> Finding:
    since = span_words(now_ms - (batch.too_cold_ms or now_ms))
    return Finding(
        alert="ferment-too-cold",
        about=f"batch:{batch.name}",
        active=True,
        message=f"Batch {batch.name} is too cold: {recent:.1f} °C, and its yeast wants at least "
        f"{batch.yeast_low:g} °C. Did you chill it on purpose?",
        because=(f"the liquid has been below {batch.yeast_low:g} °C for {since}",),
        do=(
            "if you chilled it, move the batch to its cold stage so that this rule rests",
            "if not, warm it slowly: yeast that drops out in the cold does not always wake by itself",
        ),
        seen_ms=seen_ms,
    )


def step_question(batch: BatchState) -> Finding:
    """Ask what made the gravity jump, since no yeast did."""
    assert batch.step_ms is not None
    way = "rose" if batch.step_by > 0 else "fell"
    return Finding(
        alert="probe-suspect",
        about=f"probe:{batch.step_probe}",
        active=True,
        message=f"The gravity of batch {batch.name} {way} at once by {abs(batch.step_by):.3f}. Did you add something, "
        "or move the probe?",
        because=(
            "it has held since, and no yeast does that",
            "its trend is reckoned from there on, and its strength as if nothing had been added",
        ),
        do=(
            f"if you fed or diluted it, say so: leeswatch batch add {batch.name} sugar --when TIME",
            "if not, look whether the probe floats free, and take a hydrometer reading",
        ),
        seen_ms=batch.step_ms,
    )


def step_settled(batch: BatchState, why: str, seen_ms: int) -> Finding:
    """The question is answered, or nobody will."""
    return Finding("probe-suspect", f"probe:{batch.step_probe}", active=False, message=why, seen_ms=seen_ms)


def reading_due(batch: BatchState, now_ms: int, *, has_probe: bool) -> Finding | None:
    """Ask for a hydrometer reading when one is worth taking; only for a batch without a gravity probe."""
    if has_probe:
        return None
    known = [batch.hand[-1].at_ms] if batch.hand else []
    known += [batch.probe_ms] if batch.probe_ms is not None else []
    last = max(known, default=batch.pitched_ms)
    wait = DAY if not known or batch.verdict in ("slowing", "finished", "waiting") else 2 * DAY
    if batch.rest == "finished" or now_ms - last < wait:
        return None
    ago = span_words(now_ms - last)
    what = f"its last gravity is from {ago} ago" if known else f"it was pitched {ago} ago and there is none yet"
    return Finding(
        alert="reading-due",
        about=f"batch:{batch.name}",
        active=True,
        message=f"A hydrometer reading of batch {batch.name} is worth taking now: {what}.",
        because=("no gravity probe is heard in this batch, so its verdict rests on your readings",),
        do=(
            f"take one with the liquid's temperature and enter it: leeswatch batch reading {batch.name} 1.012 --at 18",
        ),
        seen_ms=last,
    )
