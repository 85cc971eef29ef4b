"""The fridge's benchmark can fail, its world is what it claims to be, and its figures do not slip."""

from __future__ import annotations

import itertools
import random

import pytest

from .fridge import DEVELOP, OURS, by_delay, faulty, quantiles, rate, report_healthy, share
from .fridge_world import Build, Life, World, build, cycle_lengths


def _first(start: int) -> Build:
    return build(random.Random(DEVELOP + start))


@pytest.mark.parametrize("seed", range(5))
def test_a_fridge_of_the_benchmark_cycles_within_the_measured_spans(seed: int) -> None:
    """Every fridge cycles in 14 to 100 minutes."""
    lengths = cycle_lengths(_first(seed))
    assert 14 <= sum(lengths) / len(lengths) <= 100


def test_a_stopped_compressor_warms_the_contents() -> None:
    """Six hours after the stop the air is far above the set point and the contents have followed by kelvins."""
    fridge = _first(1)
    last = list(World(fridge, Life(0.75, stopped_s=12 * 3600), random.Random(2)).minutes())
    assert last[-1].air > fridge.set_point + fridge.half + 1.0
    assert last[-1].contents[0] > last[12 * 60].contents[0] + 0.5


def test_the_bounds_are_the_textbook_ones() -> None:
    """No hit in 300 leaves 1.2 %, no event in 1,000 days leaves 3.7 of them (exact bounds, 95 % two-sided)."""
    assert share(0, 300).endswith("(0.0-1.2)")
    assert rate(0, 1000.0) == "0.00 (0.00-3.69) per 1,000 days"
    assert quantiles([1.0, 2.0, 3.0]) == "2.0 / 3.0"


def test_stops_are_told_and_sooner_than_by_a_fixed_limit() -> None:
    """Ten stopped compressors are all told, in the median before the fixed limit would."""
    scored = faulty(itertools.count(DEVELOP + 500), 10, "stop")
    assert len(scored.delays[OURS]) == 10
    fixed = scored.delays["fixed limit 8 °C, 15 min"]
    assert sorted(scored.delays[OURS])[5] < sorted(fixed)[len(fixed) // 2]


def test_a_later_word_costs_the_contents_more() -> None:
    """What a delay is worth is reported for each of six, and grows with it."""
    said = by_delay(faulty(itertools.count(DEVELOP + 500), 1, "stop", hours=3.0)).split(" K (")
    warmed = [float(each.split(" min ")[1]) for each in said[:-1]]
    assert len(warmed) == 6
    assert warmed == sorted(warmed)
    assert warmed[0] < warmed[-1]


def test_wide_open_doors_are_told_within_ten_minutes() -> None:
    """Of eight doors left open, read each minute, the median is told within eight minutes."""
    scored = faulty(itertools.count(DEVELOP + 600), 8, "wide", every_min=1, hours=3.0)
    assert sorted(scored.delays[OURS])[4] <= 8


def test_a_healthy_fortnight_is_reported() -> None:
    """The report of two healthy fridges names each alert with its rate and bounds."""
    lines = report_healthy(itertools.count(DEVELOP + 700), 2)
    assert lines[0].startswith("healthy: 2 fridges, 28 days")
    assert any(line.startswith("  freeze-risk: 0.00") for line in lines)


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_the_figures_on_many_fridges_do_not_slip() -> None:
    """Sixty stops: a median within 70 minutes."""
    scored = faulty(itertools.count(DEVELOP + 10_000), 60, "stop")
    assert sorted(scored.delays[OURS])[30] <= 70
