"""When a lagging temperature passes a mark while its surroundings move themselves."""

import math

import pytest

from monitor.science import thermal


@pytest.mark.parametrize(
    ("start", "target", "air", "far"), [(4.0, 6.0, 8.0, 20.0), (20.0, 6.0, 12.0, 2.0), (3.0, 3.5, 3.0, 22.0)]
)
def test_it_is_what_small_steps_of_the_lag_come_to(start: float, target: float, air: float, far: float):
    """Against stepping both exponentials by ten seconds, to a minute."""
    air_tau, tau = 14_400.0, 18_000.0
    warmth, now = start, 0.0
    while (warmth - target) * (target - start) < 0.0:
        now += 10.0
        around = far + (air - far) * math.exp(-(now - 5.0) / air_tau)
        warmth = thermal.lag_step(warmth, around, 10.0, tau)
    assert thermal.seconds_to_pass(start, target, air, far, air_tau, tau) == pytest.approx(now, abs=60.0)


def test_what_is_never_reached_takes_for_ever():
    """Surroundings that level off below the mark never bring it there; past the mark it is at once."""
    assert thermal.seconds_to_pass(4.0, 6.0, 3.0, 5.0, 3600.0, 18_000.0) == math.inf
    assert thermal.seconds_to_pass(6.5, 6.0, 8.0, 20.0, 3600.0, 18_000.0) == 0.0
