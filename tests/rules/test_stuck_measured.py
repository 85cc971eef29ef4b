"""Stuck probes against simulated ones: healthy for weeks without an alarm, frozen and told in time.

The noise and steps are those of the project's own scenarios; the same physics makes the runs of equal values.
"""

from __future__ import annotations

import functools

import pytest

from monitor.model.clock import HOUR
from monitor.rules.health import ProbeHealth, SeriesHealth
from monitor.rules.stuck import hear
from simulators.probes import Sampler
from simulators.scenario import Scenario, parse
from simulators.world import World

SCENARIO = """
name = "bench"
summary = "one bucket for three weeks"
seed = {seed}
days = 21
start = 2026-03-02T18:00:00Z
[[room]]
name = "cellar"
[[vessel]]
name = "bucket"
litres = 19
place = "cellar"
celsius = 21
[[batch]]
name = "amber-1"
vessel = "bucket"
sucrose_kg = 2.7
dextrin_kg = 0.4
[[probe]]
name = "float-a"
place = "bucket"
measures = "liquid"
every_s = {every}
noise = {{ gravity = {noise}, temperature = 0.05 }}
step = {{ gravity = {step}, temperature = {degrees} }}
{fault}
[truth]
"""
FAULT = """
[[probe.fault]]
kind = "stuck"
what = "{what}"
from_h = {hour}
"""
FINE, WHOLE, COARSE = (0.0004, 0.0001, 0.01), (0.0008, 0.001, 0.1), (0.0005, 0.001, 0.1)


@functools.cache
def world(seed: int) -> World:
    """The bucket, without regard to its probe."""
    return World(scenario(seed, 600, FINE))


def scenario(seed: int, every: int, kind: tuple[float, float, float], fault: str = "") -> Scenario:
    """One bucket and one float."""
    noise, step, degrees = kind
    return parse(SCENARIO.format(seed=seed, every=every, noise=noise, step=step, degrees=degrees, fault=fault))


def stuck_hours(told: Scenario, lived: World) -> list[float]:
    """Hours at which a probe is called stuck."""
    probe, found = ProbeHealth(), []
    for sample in Sampler(lived, told.probe[0]):
        at = told.start_ms + round(sample.hours * HOUR)
        for quantity, value in sample.values.items():
            probe.series.setdefault(quantity, SeriesHealth())
            change = hear(probe, quantity, at, at, value)
            if change is not None and change.stuck:
                found.append(sample.hours)
    return found


@pytest.mark.parametrize("minutes", [1, 2, 5, 10, 15])
@pytest.mark.parametrize("kind", [FINE, WHOLE, COARSE], ids=["fine", "whole points", "whole points, quiet"])
def test_a_healthy_probe_is_never_called_stuck(minutes: int, kind: tuple[float, float, float]) -> None:
    """Three weeks of lag, ferment and standstill bring no false alarm, at any interval and resolution."""
    seed = 10 + minutes
    assert stuck_hours(scenario(seed, 60 * minutes, kind), world(seed)) == []


@pytest.mark.parametrize("minutes", [1, 2, 5, 10, 15])
@pytest.mark.parametrize("kind", [FINE, WHOLE, COARSE], ids=["fine", "whole points", "whole points, quiet"])
@pytest.mark.parametrize("hour", [60.2, 300.7])
def test_a_frozen_pair_is_told_within_three_hours(minutes: int, kind: tuple[float, float, float], hour: float) -> None:
    """Frozen in mid-ferment or long after the end, and told within three hours."""
    seed = 10 + minutes
    fault = FAULT.format(what="pair", hour=hour)
    found = stuck_hours(scenario(seed, 60 * minutes, kind, fault), world(seed))
    assert len(found) == 1
    assert hour < found[0] <= hour + 3.0


@pytest.mark.parametrize(("kind", "hours"), [(FINE, 7.0), (WHOLE, 19.0), (COARSE, 25.0)])
def test_a_gravity_that_froze_alone_is_told_within_a_day(kind: tuple[float, float, float], hours: float) -> None:
    """The finer it resolves, the sooner: seven hours for a tenth of a point, a day for whole points."""
    fault = FAULT.format(what="gravity", hour=60.2)
    found = stuck_hours(scenario(20, 600, kind, fault), world(20))
    assert len(found) == 1
    assert 60.2 < found[0] <= 60.2 + hours
