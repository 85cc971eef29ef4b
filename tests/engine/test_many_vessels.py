"""What one vessel costs does not grow with the others."""

from __future__ import annotations

import pytest

from monitor.engine.step import step
from monitor.model.clock import HOUR, MINUTE
from monitor.model.inputs import Tick
from tests.cost import calls_of

from .cellar import PITCHED, Cellar

ONE = """
[[probe]]
name = "float-{n}"
source = "mqtt"
topic = "float-{n}"
measures = "liquid"
[[vessel]]
name = "bucket-{n}"
volume_l = 19
probes = ["float-{n}"]
[[batch]]
name = "amber-{n}"
vessel = "bucket-{n}"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.060
expected_final = 1.010
yeast_range_c = [16, 24]
"""


def cellar_of(count: int) -> Cellar:
    """So many vessels, each with ten hours of gravity and temperature."""
    found = Cellar("".join(ONE.format(n=number) for number in range(count)))
    for hour in range(20):
        for number in range(count):
            found.say(f"float-{number}", gravity=1.05 - hour / 2_000 - number / 10_000, temperature=20 + hour % 3 / 10)
        found.wait(30 * MINUTE)
    return found


@pytest.fixture(scope="module")
def few_and_many() -> tuple[Cellar, Cellar]:
    return cellar_of(4), cellar_of(32)


def calls_of_a_tick(cellar: Cellar, every: int) -> int:
    at = (cellar.now // every + 1) * every
    cellar.wait_until(at - 1)
    found = calls_of(lambda: step(cellar.state, Tick(at), at, cellar.out), built_in=True)
    cellar.now = at
    return found


@pytest.mark.parametrize("every", [MINUTE, HOUR])
def test_a_tick_grows_with_the_vessels_and_no_faster(few_and_many, every):
    """Eight times as many vessels, eight times the calls, give or take a fifth."""
    few, many = (calls_of_a_tick(each, every) for each in few_and_many)
    assert many < 8 * 1.2 * few + 200


def test_a_reading_costs_the_same_among_many(few_and_many):
    """The rules look at one vessel, not at all of them."""
    few, many = (
        calls_of(lambda each=each: each.say("float-1", gravity=1.0421, temperature=20.4), built_in=True)
        for each in few_and_many
    )
    assert many <= 1.3 * few


def test_the_cellars_are_alike(few_and_many):
    """What is compared went the same way."""
    for each in few_and_many:
        assert each.now > PITCHED + 10 * HOUR
        assert all(batch.last_gravity is not None for batch in each.state.batches.values())
