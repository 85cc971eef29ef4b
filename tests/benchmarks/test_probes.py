"""The probe benchmark in small: its arithmetic, and that what it reports still holds."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.model.clock import HOUR
from tests.benchmarks import probes
from tests.benchmarks.probes import KINDS, SEEDS, START, drift_told, false_stuck, frozen, healthy, maintenance, noisier

FIRST = SEEDS["develop"] + 900_000  # neither those that were tuned on nor those that are reported


def test_the_seeds_for_tuning_and_for_the_report_lie_apart() -> None:
    """No run of either reaches into the other's."""
    assert SEEDS["report"] - SEEDS["develop"] >= 50_000


def test_the_same_seed_says_the_same() -> None:
    """A probe is its seed."""
    one, other = healthy(FIRST, KINDS[0], 10), healthy(FIRST, KINDS[0], 10)
    assert np.array_equal(one.gravity, other.gravity)
    assert not np.array_equal(one.gravity, healthy(FIRST + 1, KINDS[0], 10).gravity)


def test_a_frozen_probe_repeats_what_it_said_last() -> None:
    """Both values, or the gravity alone, from the hour on."""
    said = healthy(FIRST, KINDS[0], 10)
    after = said.at >= START + 60 * HOUR
    for pair in (True, False):
        stuck = frozen(said, 60, pair=pair)
        assert len(set(stuck.gravity[after].tolist())) == 1
        assert (len(set(stuck.kelvin[after].tolist())) == 1) is pair


def test_the_bound_of_none_seen_is_three_over_the_time() -> None:
    """The rule of three, and Garwood's tables for one event (4.744)."""
    assert probes.poisson_upper(0, 1.0) == pytest.approx(2.996, abs=0.001)
    assert probes.poisson_upper(1, 1.0) == pytest.approx(4.744, abs=0.001)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("minutes", [5, 15])
def test_no_healthy_probe_that_trembles_is_called_stuck(kind: probes.Kind, minutes: int) -> None:
    """Nor does one of 84 probe-days ask for maintenance."""
    for i in range(4):
        assert false_stuck(FIRST + i, kind, minutes) == 0
        assert maintenance(healthy(FIRST + i, kind, minutes), 21 * 24.0, "none")[0] is False


@pytest.mark.parametrize("kind", KINDS[:4], ids=lambda kind: kind.name)
@pytest.mark.parametrize("minutes", [1, 5, 15])
@pytest.mark.parametrize("first_day", [True, False])
def test_a_stuck_pair_is_told_within_three_hours(kind: probes.Kind, minutes: int, *, first_day: bool) -> None:
    """At every interval, on the first day as well; whole points with little noise at 15 min take longer."""
    delay = probes.stuck_delay(FIRST + minutes, kind, minutes, pair=True, first_day=first_day)
    assert delay is not None
    assert delay <= 3.0


def test_a_probe_three_times_as_noisy_is_told_within_two_days() -> None:
    """At five minutes between readings."""
    said = noisier(healthy(FIRST, KINDS[0], 5, 12), KINDS[0], 100, 3.0, FIRST)
    early, delay = maintenance(said, 100, "noisy")
    assert not early
    assert delay is not None
    assert delay < 48


def test_a_drift_of_two_points_a_week_is_told_and_the_range_is_honest() -> None:
    """In sixty probes nearly every one, and nearly nine in ten of the ranges hold the truth."""
    found = [drift_told(FIRST + i, 0.002) for i in range(60)]
    assert sum(told for told, _, _ in found) >= 57
    still = [drift_told(FIRST + i, 0.0) for i in range(60)]
    assert sum(told for told, _, _ in still) <= 4
    assert sum(inside for _, _, inside in still) >= 48
