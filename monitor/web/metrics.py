"""Numbers for a scraper, as OpenMetrics text (github.com/OpenObservability/OpenMetrics, specification 1.0.0)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Literal

from monitor import __version__
from monitor.engine.derive import gravity_of, temperature_of
from monitor.engine.state import State
from monitor.engine.view import alerts, is_fresh
from monitor.model.clock import SECOND
from monitor.rules.health import GRAVITY_LIKE
from monitor.store.reader import Reader
from monitor.web.desk import Desk, HealthReport

Labels = dict[str, str]
Sample = tuple[Labels, float]

_COUNTERS = {
    "duplicates": "Readings that came again with the same value.",
    "conflicts": "Readings that came again with another value: the first stayed.",
    "redelivered": "Messages without a time of their own that came again, and were absorbed.",
    "retained": "Retained messages without a time of their own, which are never readings.",
    "unreadable": "Messages or values that could not be read, by source.",
    "gave-up": "Deliveries given up, by route.",
    "rule-faults": "Faults in a rule, which are ours.",
}


def exposition(reader: Reader, state: State, desk: Desk, now_ms: int) -> str:
    """The whole text."""
    report = desk.health()
    lines = [
        *_family("leeswatch_build", "info", "This program.", [({"version": __version__}, 1)]),
        *_family("leeswatch_healthy", "gauge", "1 while sources, writer and rules move.", [({}, int(report.ok))]),
        *_counters(reader.counters()),
        *_values(state, now_ms),
        *_family("leeswatch_alerts", "gauge", "Alerts that stand.", _standing(state, now_ms)),
        *_family(
            "leeswatch_deliveries_waiting", "gauge", "Notices that wait for a route.",
            [({"route": route}, count) for route, (count, _) in sorted(reader.waiting().items())],
        ),
        *_writer(report, desk),
        "# EOF",
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _family(
    name: str, kind: Literal["gauge", "counter", "info"], about: str, samples: Iterable[Sample], unit: str = ""
) -> Iterator[str]:
    """One family; nothing at all without samples."""
    suffix = {"counter": "_total", "info": "_info", "gauge": ""}[kind]
    told = list(samples)
    if not told:
        return
    yield f"# TYPE {name} {kind}"
    if unit:
        yield f"# UNIT {name} {unit}"
    yield f"# HELP {name} {_escape(about)}"
    for labels, value in told:
        inside = ",".join(f'{key}="{_escape(text)}"' for key, text in labels.items())
        yield f"{name}{suffix}{{{inside}}} {value:.10g}" if inside else f"{name}{suffix} {value:.10g}"


def _escape(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _counters(found: dict[str, int]) -> Iterator[str]:
    families: dict[str, list[Sample]] = {name: [] for name in _COUNTERS}
    for name, count in sorted(found.items()):
        kind, _, of = name.partition(":")
        families.setdefault(kind, []).append(({"of": of} if of else {}, count))
    for kind, samples in families.items():
        safe = re.sub(r"[^a-z0-9]", "_", kind.lower())
        # A counter that has not counted yet is 0; one by source or route is not known before its first.
        told = samples or ([] if kind in ("unreadable", "gave-up") else [({}, 0)])
        yield from _family(f"leeswatch_{safe}", "counter", _COUNTERS.get(kind, "A counter of the store."), told)


def _values(state: State, now_ms: int) -> Iterator[str]:
    """The latest gravity and temperature in each place; a probe that is not heard or not believed is left out."""
    gravity: list[Sample] = []
    warmth: list[Sample] = []
    for name, probe in state.probes.items():
        place = state.place_now(name)
        if place is None or not probe.trusted():
            continue
        labels = {"place": place, "probe": name}
        for quantity, series in probe.series.items():
            if not series.run or not is_fresh(series, now_ms):
                continue
            if quantity == "temperature":
                warmth.append((labels, temperature_of(state, name, series.value)))
            elif quantity in GRAVITY_LIKE:
                found = gravity_of(state, name, quantity, series.value)
                gravity.extend([(labels, found[0])] if found else [])
    yield from _family("leeswatch_gravity", "gauge", "Latest specific gravity (20/20).", gravity)
    yield from _family("leeswatch_temperature_celsius", "gauge", "Latest temperature.", warmth, "celsius")


def _standing(state: State, now_ms: int) -> Iterator[Sample]:
    counts = {(priority, told): 0 for priority in ("high", "medium", "low") for told in _STATES}
    for alert in alerts(state, now_ms):
        counts[alert["priority"], alert["state"]] += 1
    for (priority, told), count in counts.items():
        yield {"priority": priority, "state": told}, count


_STATES = ("unacknowledged", "acknowledged", "shelved")


def _writer(report: HealthReport, desk: Desk) -> Iterator[str]:
    last = report.writer.last_commit_mono_ms
    age: list[Sample] = [] if last is None else [({}, max(0, desk.clock.mono_ms() - last) / SECOND)]
    yield from _family("leeswatch_commit_age_seconds", "gauge", "Since the latest commit.", age, "seconds")
    yield from _family("leeswatch_commits", "counter", "Commits since the start.", [({}, report.writer.committed)])
    failing: list[Sample] = [({"route": each.route}, int(each.failing)) for each in report.routes]
    yield from _family("leeswatch_route_failing", "gauge", "1 while a route cannot deliver.", failing)
    yield from _relay(report)
    sources: list[Sample] = [({"source": each.name}, int(each.connected)) for each in report.sources]
    yield from _family("leeswatch_source_connected", "gauge", "1 while a source is connected.", sources)


def _relay(report: HealthReport) -> Iterator[str]:
    relay = report.relay
    if relay is None:
        return
    waiting: list[Sample] = [({"of": "today"}, relay.waiting - relay.past), ({"of": "past"}, relay.past)]
    yield from _family("leeswatch_relay_waiting", "gauge", "Rows that wait for the time-series server.", waiting)
    yield from _family("leeswatch_relay_held", "gauge", "Rows it took, held for a while.", [({}, relay.held)])
    yield from _family("leeswatch_relay_refused", "gauge", "Rows it would not take, set aside.", [({}, relay.refused)])
    failing: list[Sample] = [({}, int(relay.failures > 0))]
    yield from _family("leeswatch_relay_failing", "gauge", "1 while it does not take rows.", failing)
    yield from _family("leeswatch_relay_sent", "counter", "Rows it took since the start.", [({}, relay.sent)])
