"""Each simulated scenario through replay: what is told, and when, against what truly happened."""

from __future__ import annotations

import functools
import re
from itertools import pairwise

import pytest

from monitor.model.events import AlertEvent, VerdictEvent
from simulators.parts import Batch
from simulators.scenario import load, names
from simulators.world import World
from tests.scenarios import expected
from tests.scenarios.expected import Told
from tests.scenarios.plays import Play, played

# A batch that only a person reads, or nobody, asks for a reading; one whose probe was taken away, too.
ASKS = {"hand-only", "temperature-only", "probe-moved"}
OF_A_BATCH = {"ferment-finished", "ferment-stalled", "ferment-not-started", "reading-due"}

every_scenario = pytest.mark.parametrize("name", names())


@functools.cache
def lived(name: str) -> World:
    """The world behind a scenario."""
    return World(load(name))


def batches(play: Play) -> list[Batch]:
    """The batches of a scenario."""
    return play.scenario.batch


@every_scenario
def test_no_rule_breaks_and_no_row_is_refused_without_cause(name: str) -> None:
    """No rule fails on any input, and only readings from the future are refused."""
    play = played(name)
    assert play.faults == ()
    assert play.replayed.readings > 10
    assert all("future" in problem.found for problem in play.replayed.problems)
    assert bool(play.replayed.problems) == (name == "garbled-wires")
    assert play.replayed.conflicts == 0


@every_scenario
def test_the_end_is_told_in_time_and_never_before(name: str) -> None:
    """finished: not earlier than six hours before the true end, and within 110 h after it where a healthy probe saw
    it; never for a batch that stalled, was chilled before its end, did not start, or has no gravity source."""
    play = played(name)
    for batch in batches(play):
        outcome = play.found.batches[batch.name]
        finished = play.first(batch.name, "finished")
        if outcome.kind != "finished":
            assert finished is None
            continue
        assert outcome.at_h is not None
        if finished is not None:
            assert finished >= outcome.at_h - expected.EARLY
        by = expected.deadline(play.scenario, batch, outcome)
        if by is not None:
            assert finished is not None
            assert finished <= by
            assert play.alerts("ferment-finished", about=f"batch:{batch.name}")[0] == finished


@every_scenario
def test_a_stall_is_told_in_time_and_only_where_there_is_one(name: str) -> None:
    """stalled: within 110 h of the standstill, never before it, never for a batch that goes on; and it lets go
    within a day of a true pause's end."""
    play = played(name)
    for batch in batches(play):
        outcome = play.found.batches[batch.name]
        stalled = play.first(batch.name, "stalled")
        if outcome.kind == "stalled":
            assert stalled is not None
            assert outcome.at_h is not None
            assert outcome.at_h - expected.EARLY <= stalled <= outcome.at_h + expected.TOLD
        elif stalled is not None:
            ((start, stop),) = outcome.pauses
            assert start < stalled < stop + expected.FALL_AGAIN
            again = [h for h, e in play.verdicts(batch.name) if h > stalled and e.verdict in ("working", "slowing")]
            assert again[0] <= stop + expected.FALL_AGAIN


@every_scenario
def test_a_blind_probe_brings_unknown_and_nothing_else(name: str) -> None:
    """While the only gravity probe of a batch is silent or stuck, and noticed, the verdict is unknown."""
    play = played(name)
    end_h = play.scenario.days * 24
    for batch in batches(play):
        probes = expected.gravity_probes(play.scenario, batch)
        for start, stop in [span for probe in probes for span in expected.blind(probe, end_h)]:
            inside = [event.verdict for h, event in play.verdicts(batch.name) if start <= h < stop]
            assert set(inside) <= {"unknown"}
            assert play.at(batch.name, stop - 0.1).verdict == "unknown"
        if not probes and not any(probe.wire == "hand" for probe in play.scenario.probe):
            assert {event.verdict for _, event in play.verdicts(batch.name)} == {"unknown"}


@every_scenario
def test_a_start_is_noticed_and_a_missing_one_told(name: str) -> None:
    """Working within twelve hours of a true fall of four points; not started is told where 36 h pass without."""
    play = played(name)
    for batch in batches(play):
        probes = expected.gravity_probes(play.scenario, batch)
        if not probes or expected.seen(probes[0], batch, 1e9)[0] > batch.pitched_h:
            continue
        curve = lived(name).vessel_of(batch.name).gravity
        original = curve.at(batch.pitched_h + 0.1)
        hours = (
            h for h in range(round(batch.pitched_h), round(play.scenario.days * 24)) if original - curve.at(h) > 0.004
        )
        fell = next(hours, None)
        working = play.first(batch.name, "working")
        told = play.alerts("ferment-not-started", about=f"batch:{batch.name}")
        if fell is None:
            assert working is None
        else:
            assert working is not None
            assert fell - 12 <= working <= fell + 12
        late = fell is None or fell - batch.pitched_h > 44
        if late:
            assert told[0] == pytest.approx(batch.pitched_h + 36, abs=1.1)
        elif fell is not None and fell - batch.pitched_h < 30:
            assert told == []


@every_scenario
def test_faults_are_told_in_time_and_nothing_is_told_that_is_not_so(name: str) -> None:
    """Each fault of a fridge or a probe, and each stay outside the yeast's range, is told within its time; every
    alert that was raised is explained by one of them."""
    play = played(name)
    wanted = [
        *expected.probe_alerts(play.scenario),
        *expected.common_silence(play.scenario),
        *expected.fridge_alerts(play.scenario, play.found),
        *expected.comfort_alerts(lived(name)),
    ]
    for told in (each for each in wanted if each.must):
        hours = play.alerts(told.alert, about=told.about)
        assert any(told.from_h <= h <= told.to_h for h in hours), (told, hours)
    for event in play.events:
        if isinstance(event, AlertEvent) and event.change == "raised" and event.alert not in OF_A_BATCH:
            assert any(_explains(told, event, play.hours(event.time_ms)) for told in wanted), event
        if isinstance(event, AlertEvent) and event.alert == "reading-due":
            assert name in ASKS


def _explains(told: Told, event: AlertEvent, hours: float) -> bool:
    return (told.alert, told.about) == (event.alert, event.about) and told.from_h <= hours <= told.to_h


@every_scenario
def test_what_ends_is_said_to_have_ended(name: str) -> None:
    """Each fault of a fridge or a probe that ended six hours and more before the scenario leaves nothing standing."""
    play = played(name)
    for fault in play.found.faults:
        if fault.to_h > play.scenario.days * 24 - 6:
            continue
        for about in (f"probe:{fault.about}", f"fridge:{fault.about}"):
            standing: dict[str, str] = {}
            for event in play.events:
                if (
                    isinstance(event, AlertEvent)
                    and event.about == about
                    and play.hours(event.time_ms) <= fault.to_h + 6
                ):
                    standing[event.alert] = event.change
            still = {alert for alert, change in standing.items() if change != "returned"}
            later = [each for each in play.found.faults if each.about == fault.about and each.from_h >= fault.to_h]
            assert not still or later


@every_scenario
def test_every_message_has_a_figure_and_a_next_step(name: str) -> None:
    """What is raised says how much and what to do; what returns gives no orders."""
    for event in played(name).events:
        if isinstance(event, AlertEvent) and event.change == "raised":
            assert re.search(r"\d", event.message), event.message
            assert event.message.endswith((".", "?"))
            assert event.do
            assert event.because
            assert all(line and not line.endswith(".") for line in (*event.do, *event.because))
            assert sum(cause.weight for cause in event.causes) == pytest.approx(1.0 if event.causes else 0.0)
        elif isinstance(event, AlertEvent) and event.change == "returned":
            assert event.do == ()
            assert event.message


@every_scenario
def test_verdicts_come_at_least_every_six_hours_and_make_sense(name: str) -> None:
    """From the first to the end of the recording, with figures in order and reasons in words."""
    play = played(name)
    for batch in batches(play):
        said = play.verdicts(batch.name)
        times = [hours for hours, _ in said]
        assert all(b - a <= 6.001 for a, b in pairwise(times))
        assert times[-1] >= play.hours(play.end_ms) - 6.001
        for _, event in said:
            _makes_sense(event)


def _makes_sense(event: VerdictEvent) -> None:
    assert event.because
    assert (event.hint is None) or event.verdict in ("working", "slowing")
    assert bool(event.causes) == (event.verdict == "stalled")
    if event.verdict == "unknown":
        assert event.confidence is None
    if event.confidence is not None:
        assert 0.0 < event.confidence < 1.0
    for span in (
        event.gravity_range,
        event.rate_range,
        event.remaining_range,
        event.final_range,
        event.finish_range_ms,
    ):
        assert span is None or span[0] <= span[1]
    if event.gravity is not None:
        assert event.gravity_range is not None
        assert event.gravity_range[0] <= event.gravity <= event.gravity_range[1]
    if event.seen_ms is not None:
        assert event.seen_ms <= event.time_ms


def test_the_gravity_that_is_told_is_true_within_its_range() -> None:
    """Over all probes that neither drift nor depend on temperature, nine in ten 90 % ranges hold the true gravity."""
    held = total = 0
    for name in names():
        play = played(name)
        for batch in batches(play):
            probes = expected.gravity_probes(play.scenario, batch)
            if not probes or any(probe.drift_per_week or probe.per_kelvin for probe in probes):
                continue
            curve = lived(name).vessel_of(batch.name).gravity
            for hours, event in play.verdicts(batch.name):
                if event.gravity_range is not None and hours > batch.pitched_h + 24:
                    total += 1
                    held += event.gravity_range[0] <= curve.at(hours - 0.5) <= event.gravity_range[1]
    assert total > 800
    assert held / total >= 0.9
