"""Probes that are not heard: each by itself, or all of them at once, which is one cause and one notice."""

from __future__ import annotations

from dataclasses import replace

from monitor.alerts.book import Outcome
from monitor.engine.state import State
from monitor.model.clock import HOUR, MINUTE
from monitor.model.findings import Finding
from monitor.rules import health
from monitor.rules.health import ProbeHealth


def watch(state: State, now_ms: int, out: Outcome) -> None:
    """On a tick: which probes went silent, under which cause, and whether a common cause is over."""
    asked = False
    for name, probe in state.probes.items():
        if probe.silent or not expected(state, name):
            continue
        quiet = health.silence(probe, now_ms, state.clock.watched_from_ms)
        if quiet:
            # Once in a tick: whoever spoke lately still did when the next is found silent.
            common = None if asked else _common_cause(state, now_ms)
            asked = True
            if common is not None:
                state.book.note(common, now_ms, out)
            probe.silent = True
            state.touch(f"probe:{name}")
            state.book.note(_silent(state, name, probe, quiet, now_ms), now_ms, out)
    if _key(state) in state.book.standing:
        _see_it_end(state, now_ms, out)


def still_so(state: State, now_ms: int, out: Outcome) -> None:
    """A reminder of what stands on missing news says how long it has stood by then."""
    for name, probe in state.probes.items():
        quiet = health.silence(probe, now_ms, state.clock.watched_from_ms) if probe.silent else []
        if quiet:
            state.book.note(_silent(state, name, probe, quiet, now_ms), now_ms, out)
    if _key(state) in state.book.standing:
        state.book.note(_nothing_heard(state, _silent_names(state), now_ms), now_ms, out)


def expected(state: State, name: str) -> bool:
    """Whether a probe should speak: no hand, and not taken out of its place."""
    return not name.startswith("hand:") and not (name in state.places and state.place_now(name) is None)


def _silent(state: State, name: str, probe: ProbeHealth, quiet: list[tuple[str, int]], now_ms: int) -> Finding:
    alive = sum(quantity in health.WATCHED for quantity in probe.series) - len(quiet)
    seen = max(series.measured_ms for series in probe.series.values()) or None
    found = health.silent_finding(name, quiet, alive, now_ms, seen)
    return found if alive else replace(found, under=_key(state))


# --- all at once -------------------------------------------------------------------------------------------------


def _key(state: State) -> str:
    return f"probe-silent/site:{state.settings.site}"


def _common_cause(state: State, now_ms: int) -> Finding | None:
    """That nothing is heard from any probe: two or more spoke until lately, and all of them are overdue."""
    names = []
    for name, probe in state.probes.items():
        series = [each for quantity, each in probe.series.items() if quantity in health.WATCHED]
        if probe.silent or not series or not expected(state, name):
            continue
        last = max(each.received_ms for each in series)
        if now_ms - last < 2 * min(each.interval_ms() for each in series) + MINUTE:
            return None
        names.append(name)
    return _nothing_heard(state, names, now_ms) if len(names) > 1 else None


def _nothing_heard(state: State, names: list[str], now_ms: int) -> Finding:
    last = max((_last(state.probes[name]) for name in names), default=now_ms)
    return Finding(
        alert="probe-silent",
        about=f"site:{state.settings.site}",
        active=True,
        message=f"Nothing is heard from any probe ({', '.join(names)}) for {health.span_words(now_ms - last)}. "
        "What they watch is unknown until it is.",
        because=("they fell silent together, so it is what they share and not each of them",),
        do=("check the broker, the network and the receiver before the probes",),
        seen_ms=last,
    )


def _last(probe: ProbeHealth) -> int:
    return max((each.received_ms for each in probe.series.values()), default=0)


def _silent_names(state: State) -> list[str]:
    return [name for name, probe in state.probes.items() if probe.silent and expected(state, name)]


def _see_it_end(state: State, now_ms: int, out: Outcome) -> None:
    """It is over when all are back; who is not back an hour after the first has a trouble of its own."""
    names = _silent_names(state)
    raised = state.book.standing[_key(state)].raised_ms
    back = [probe.back_ms for probe in state.probes.values() if not probe.silent and probe.back_ms > raised]
    if names and not (back and now_ms - min(back) >= HOUR):
        return
    words = f"Still silent: {', '.join(names)}." if names else "All of them."
    about = f"site:{state.settings.site}"
    finding = Finding("probe-silent", about, active=False, message=f"Probes are heard again. {words}", seen_ms=now_ms)
    state.book.note(finding, now_ms, out)
