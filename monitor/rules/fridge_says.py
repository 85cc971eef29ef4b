"""What there is to say of a fridge: its door, its compressor, its drift, and what in it may freeze."""

from __future__ import annotations

import math

from monitor.model.clock import HOUR, MINUTE
from monitor.model.events import AlertName, Cause
from monitor.model.findings import Finding
from monitor.rules import cycle
from monitor.rules.fridge import COARSE, STAND_IN, Content, FridgeState
from monitor.rules.health import span_words
from monitor.science import thermal

DOOR_CONTACT = 5 * MINUTE
DRIFT_HOLD = HOUR
WARM_ROOM_C = 25.0  # where no thermometer tells of the room: on the warm side
LEFT_MOST_S = 48 * 3600.0
FREEZER_BELOW_C = -5.0  # a target that cold is a freezer's: a fridge is never set there (common practice, no source)
FREEZE_NEAR_K = 1.0
FREEZE_BACK_K = 1.3
FREEZE_AHEAD_S = 2 * 3600.0

GLASS_CAUTION = "ice bursts glass: do not leave glass in a fridge or freezer that can fall below this"


def check(fridge: FridgeState, now_ms: int) -> list[Finding]:
    """What there is to say of the fridge; of its air nothing while that is not heard."""
    heard = fridge.air is not None and now_ms - fridge.at_ms <= max(3 * fridge.interval_ms(), HOUR)
    found = _door_findings(fridge, now_ms, heard=heard)
    if heard:
        found += [*_compressor_findings(fridge), _drift_finding(fridge), *_freeze_findings(fridge)]
    return found


def _door_findings(fridge: FridgeState, now_ms: int, *, heard: bool) -> list[Finding]:
    if fridge.open_ms is not None and now_ms - fridge.open_ms >= DOOR_CONTACT:
        return [_door_by_contact(fridge, now_ms, heard=heard)]
    if heard and fridge.cause == "door":
        return [_door(fridge)]
    if fridge.shut():
        words = f"The door of fridge {fridge.name} is shut again."
        return [Finding("fridge-door", f"fridge:{fridge.name}", active=False, message=words, seen_ms=fridge.contact_ms)]
    if heard and fridge.over_ms is None and fridge.contact_ms == 0:
        return [_back(fridge, "fridge-door")]
    return []


def _compressor_findings(fridge: FridgeState) -> list[Finding]:
    if fridge.cause == "compressor":
        return [_compressor(fridge)]
    minutes = cycle.short_cycles(fridge)
    if minutes is not None:
        return [_short_cycling(fridge, minutes)]
    return [_back(fridge, "fridge-compressor")] if fridge.over_ms is None else []


def _short_cycling(fridge: FridgeState, minutes: float) -> Finding:
    usual = f", usually every {fridge.cycle_usual:.0f}" if fridge.cycle_usual is not None else ""
    by = "by the meter in its plug" if fridge.metered() else "by the ripple of its air"
    return Finding(
        alert="fridge-compressor",
        about=f"fridge:{fridge.name}",
        active=True,
        message=f"The compressor of fridge {fridge.name} starts every {minutes:.0f} minutes: that is far too often.",
        because=(f"it starts every {minutes:.0f} minutes{usual}, {by}", _left(fridge)),
        do=(
            "switch it off for a quarter of an hour and on again; clear its warm side of dust and give it air",
            "if it goes on, its overload switch or thermostat wants a repair: move what must stay cold in time",
        ),
        causes=(Cause("short-cycling", 0.8), Cause("compressor", 0.2)),
        seen_ms=fridge.at_ms,
    )


def _back(fridge: FridgeState, alert: AlertName) -> Finding:
    words = f"The air in fridge {fridge.name} is back in its usual cycle at {fridge.air:.1f} °C."
    return Finding(alert, f"fridge:{fridge.name}", active=False, message=words, seen_ms=fridge.at_ms)


def _left(fridge: FridgeState) -> str:
    """How long the contents have, in a sentence: the first that may leave the band, by the pessimistic end."""
    top = fridge.target + fridge.band
    spans = []
    for name, content in fridge.inside().items():
        if content.estimate >= top:
            return f"{name} is already above {top:.1f} °C by estimate"
        soon, about, late = until(fridge, content, top)
        if about < LEFT_MOST_S:
            spans.append((soon, about, late, name))
    if not spans:
        return f"nothing inside is near {top:.1f} °C yet, by estimate"
    soon, about, late, name = min(spans)
    first = f"{name} passes {top:.1f} °C in about {span_words(round(about * 1000))}"
    if soon <= 0.0:
        return f"{first}, and may be there already, by estimate"
    last = span_words(round(late * 1000)) if late < LEFT_MOST_S else "far later"
    return f"{first} (between {span_words(round(soon * 1000))} and {last}), by estimate"


def until(fridge: FridgeState, content: Content, top: float) -> tuple[float, float, float]:
    """Seconds until a content passes the top of the band: at the soonest, likely, at the latest.

    Soonest: the warm end of its range, the fastest time constant, and air that goes on towards the room's as it does
    now. Latest: the cold end, the slowest, and air that stays where it is on average.
    """
    fast_s, slow_s = content.taus()
    half_hour = fridge.rise(HOUR // 2)
    pace = max(half_hour or 0.0, 0.0) / 1800.0  # K/s
    room = fridge.room if fridge.room is not None and fridge.at_ms - fridge.room_ms <= 3 * HOUR else WARM_ROOM_C
    air = max(fridge.level, fridge.fast)
    latest = thermal.seconds_to_reach(content.low(), top, fridge.fast, slow_s) if fridge.fast > top else math.inf
    if fridge.cause == "door" or pace < 5e-5 or room <= air + 0.5:
        if air <= top:
            return math.inf, math.inf, latest
        soonest = thermal.seconds_to_reach(content.high(), top, air, fast_s) if content.high() < top else 0.0
        return soonest, thermal.seconds_to_reach(content.estimate, top, air, content.tau_s), latest
    air_s = (room - air) / pace
    soonest = 0.0
    if content.high() < top:
        soonest = thermal.seconds_to_pass(content.high(), top, air, room, air_s, fast_s)
    likely = thermal.seconds_to_pass(content.estimate, top, air, room, air_s, content.tau_s)
    return soonest, likely, max(latest, likely)


def _coldest(fridge: FridgeState) -> str:
    name, content = min(fridge.inside().items(), key=lambda each: each[1].estimate - each[1].freezes_c)
    return f"{name} is at {content.estimate:.1f} °C, and ice may begin in it at {content.freezes_c:.1f} °C"


def _door(fridge: FridgeState) -> Finding:
    assert fridge.over_ms is not None
    return Finding(
        alert="fridge-door",
        about=f"fridge:{fridge.name}",
        active=True,
        message=f"The door of fridge {fridge.name} seems to stand open: its air is at {fridge.air:.1f} °C.",
        because=(
            f"the air warmed far faster than it does while the compressor rests ({fridge.off_slope():.2f} K/min), "
            "then levelled off",
            f"it left its usual cycle {span_words(fridge.at_ms - fridge.over_ms)} ago",
            _left(fridge),
        ),
        do=(
            "close the door, and look for something that keeps it from sealing",
            "if you have just put something warm in, say so as a change of contents, and give it an hour or two",
        ),
        causes=(Cause("door", 0.85), Cause("compressor", 0.15)),
        seen_ms=fridge.at_ms,
    )


def _door_by_contact(fridge: FridgeState, now_ms: int, *, heard: bool) -> Finding:
    assert fridge.open_ms is not None
    return Finding(
        alert="fridge-door",
        about=f"fridge:{fridge.name}",
        active=True,
        message=f"The door of fridge {fridge.name} has been open for {span_words(now_ms - fridge.open_ms)}"
        + (f": its air is at {fridge.air:.1f} °C." if heard else "."),
        because=("its contact says so", *([_left(fridge)] if heard else [])),
        do=("close the door, and look for something that keeps it from sealing",),
        causes=(Cause("door", 1.0),),
        seen_ms=fridge.contact_ms,
    )


def _compressor(fridge: FridgeState) -> Finding:
    assert fridge.over_ms is not None
    coarse = fridge.interval_ms() > COARSE
    idle, metered = fridge.idle_for_ms() > 0, fridge.at_ms - fridge.power_ms <= 10 * MINUTE
    hour = fridge.rise(HOUR)
    if idle:
        what, why = "is warming and its compressor does not run", f"its plug draws {fridge.watts:.1f} W"
    elif metered:
        what, why = "does not cool although it runs", f"its plug draws {fridge.watts:.0f} W"
    elif coarse:
        what, why = "is warming", "its readings come too seldom to tell a door from a compressor"
    elif hour is not None and hour < 0.3:
        what, why = "does not cool as it should", "it has warmed and stays warm: a weak compressor, or a door ajar"
    else:
        what = "is warming as if its compressor had stopped"
        why = "it crept up instead of rushing, and did not come back as after a defrost"
    sure = 0.95 if idle else 0.5 if coarse or metered else 0.8
    return Finding(
        alert="fridge-compressor",
        about=f"fridge:{fridge.name}",
        active=True,
        message=f"Fridge {fridge.name} {what}: its air is at {fridge.air:.1f} °C and has been above its usual "
        f"{fridge.limit():.1f} °C for {span_words(fridge.at_ms - fridge.over_ms)}.",
        because=(why, _left(fridge)),
        do=(
            "check the plug, the fuse and the thermostat, listen whether it runs, and keep the door shut",
            "if it stays off, move what must stay cold; a full jug holds its cold for hours",
        ),
        causes=(Cause("compressor", sure), Cause("door", round(1.0 - sure, 2))),
        seen_ms=fridge.at_ms,
    )


def _drift_finding(fridge: FridgeState) -> Finding:
    about = f"fridge:{fridge.name}"
    off = fridge.slow - fridge.target
    if abs(off) > fridge.band:  # held since, until it is well inside again
        fridge.drift_ms = fridge.at_ms if fridge.drift_ms is None else fridge.drift_ms
    elif abs(off) < 0.8 * fridge.band:
        fridge.drift_ms = None
    if fridge.drift_ms is None or fridge.at_ms - fridge.drift_ms < DRIFT_HOLD:
        if cycle.overworked(fridge) or cycle.no_pause(fridge):
            return _overworked(fridge)
        words = f"Fridge {fridge.name} is back in its band, on average {fridge.slow:.1f} °C."
        return Finding("fridge-drift", about, active=False, message=words, seen_ms=fridge.at_ms)
    under = f"fridge-{fridge.cause}/{about}" if fridge.cause else None
    return Finding(
        alert="fridge-drift",
        about=about,
        active=True,
        message=f"Fridge {fridge.name} is too {'warm' if off > 0 else 'cold'}: on average {fridge.slow:.1f} °C over "
        f"two hours, and it is meant to hold {fridge.target:g} ± {fridge.band:g} °C.",
        because=(
            f"the mean over its cycles has been off for {span_words(fridge.at_ms - fridge.drift_ms)}",
            _left(fridge) if off > 0 else _coldest(fridge),
        ),
        do=("look at its dial, its load and its frost; give a change of the dial half a day",),
        seen_ms=fridge.at_ms,
        under=under,
    )


def _overworked(fridge: FridgeState) -> Finding:
    """It still holds its band, but works ever harder for it: told while there is time."""
    duty, usual = fridge.duty(), fridge.duty_usual
    if cycle.no_pause(fridge) or duty is None or usual is None:
        hours = span_words(fridge.at_ms - fridge.last_turn_ms)
        how, why = "has cooled without a pause for hours", f"its air has not turned upwards for {hours}"
    else:
        how = f"cools {duty:.0%} of the time, and used to {usual:.0%}"
        why = "its falls have grown long and its pauses short, over half a day and more"
    return Finding(
        alert="fridge-drift",
        about=f"fridge:{fridge.name}",
        active=True,
        message=f"Fridge {fridge.name} {how}: it still holds its band, on average {fridge.slow:.1f} °C.",
        because=(why, _left(fridge)),
        do=(
            "look for ice on its plate and defrost it, clean its seal, and see that the door can close",
            "if nothing is iced and the room is not hotter, it loses its cooling: plan a place for the contents",
        ),
        causes=(Cause("icing", 0.45), Cause("hot-room-or-load", 0.35), Cause("weak-compressor", 0.2)),
        seen_ms=fridge.at_ms,
    )


def _freeze_findings(fridge: FridgeState) -> list[Finding]:
    """The content nearest to freezing speaks for all; where none is listed, a small jar of water does.

    Not in a freezer, which is meant to freeze what stands in it: there only what is listed can be at risk.
    """
    about = f"fridge:{fridge.name}"
    if not fridge.known() and fridge.target < FREEZER_BELOW_C:
        words = f"Nothing that may not freeze is listed in {fridge.name}."
        return [Finding("freeze-risk", about, active=False, message=words, seen_ms=fridge.at_ms)]
    name, content = min(fridge.inside().items(), key=lambda each: each[1].estimate - each[1].freezes_c)
    margin = content.estimate - content.freezes_c
    ahead = float("inf")
    if fridge.fast < content.freezes_c < content.estimate:
        fast_s, _ = content.taus()  # the pessimistic end, and the cold end of where it is now
        start = max(content.low(), content.freezes_c)
        ahead = thermal.seconds_to_reach(start, content.freezes_c, fridge.fast, fast_s)
    if margin > FREEZE_NEAR_K and ahead >= FREEZE_AHEAD_S:
        if margin < FREEZE_BACK_K:
            return []
        words = f"Nothing in fridge {fridge.name} is near freezing; {name} is at {content.estimate:.1f} °C."
        return [Finding("freeze-risk", about, active=False, message=words, seen_ms=fridge.at_ms)]
    how = "measured" if content.measured else "estimated"
    what = STAND_IN.capitalize() if name == STAND_IN else name
    may = "can freeze" if margin > 0 else "may be freezing now"
    when = ""
    if ahead < float("inf"):
        likely = thermal.seconds_to_reach(content.estimate, content.freezes_c, fridge.fast, content.tau_s)
        soonest = f" (at the soonest in {span_words(round(ahead * 1000))})" if ahead > 0.0 else ""
        when = f", and gets there in about {span_words(round(likely * 1000))}{soonest}"
    return [
        Finding(
            alert="freeze-risk",
            about=about,
            active=True,
            message=f"{what} in fridge {fridge.name} {may}: its liquid is at {content.estimate:.1f} °C ({how}) and "
            f"ice may begin at {content.freezes_c:.1f} °C{when}.",
            because=(
                content.why,
                f"the air has been at {fridge.fast:.1f} °C on average over half an hour",
                "the air probe does not see the cold plate and back wall, which are colder still",
            ),
            do=("set the fridge warmer, or move it away from the cold plate and back wall", GLASS_CAUTION),
            seen_ms=fridge.at_ms,
        )
    ]
