"""That the benchmark of many vessels measures what it says: on few vessels, in seconds."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from monitor import ledger as filing
from monitor.engine.step import step

from .fleet import Cost, daemon, exponent, measured, table


def test_each_part_is_measured_and_the_engine_is_left_as_it_was(tmp_path: Path) -> None:
    """Readings, minutes and the hour each cost something, and with the store it is more."""
    cost = measured(3, 1.5, tmp_path)

    assert cost.readings == 3 * 90 * 2
    assert (cost.ticks, cost.hour_ticks) == (89, 1)
    assert min(cost.reading_s, cost.minute_s, cost.hour_s) > 0.0
    assert cost.all_s > cost.rules_s
    assert cost.commits >= cost.readings / 15
    assert filing.step is step


def test_the_exponent_is_that_of_the_law() -> None:
    """Of linear and of square growth."""
    assert exponent([(x, 3.0 * x) for x in (10, 50, 200)]) == pytest.approx(1.0)
    assert exponent([(x, 0.1 * x * x) for x in (10, 50, 200)]) == pytest.approx(2.0)
    assert math.isnan(exponent([(10, 1.0)]))


def test_the_table_tells_what_grows() -> None:
    """A cost of each vessel that stays the same is linear for all."""
    costs = [Cost(n, 1.0, readings=120 * n, ticks=60, hour_ticks=1, reading_s=0.002 * n, minute_s=1e-4 * n,
                  hour_s=1e-6 * n * n, all_s=0.01 * n, memory_mib=50.0) for n in (2, 10, 100, 1000)]  # fmt: skip
    lines = {line[:24].strip(): line.rsplit(None, 1)[-1] for line in table(costs)}

    assert lines["a reading, rules, µs"] == "n^1.00"
    assert lines["the hour, ms"] == "n^2.00"
    assert lines["memory, MiB"] == "n^0.00"


def test_the_daemon_itself_is_measured(tmp_path: Path) -> None:
    """Under a real broker: all that was sent is stored, and it took some of a processor."""
    first, second = daemon(3, 0.05, 40.0, tmp_path)

    assert first.startswith("3 vessels, 6 messages of two readings in ")
    assert "12 readings stored" in first
    took = re.match(r"the daemon took ([0-9.]+) s of a processor, [0-9.]+ % of a core; ([0-9]+) MiB", second)
    assert took is not None
    assert 10 < int(took[2]) < 500
