"""Numbers of cells in words."""

from __future__ import annotations

import pytest

from monitor.batches.cells import between, cells, cells_range
from monitor.science.limits import Estimate


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (2.71e11, "271 billion (10⁹)"),
        (1.25e9, "1.25 billion (10⁹)"),
        (1.2e12, "1200 billion (10⁹)"),
        (9.99e8, "999 million"),
        (9.999e8, "1 billion (10⁹)"),
        (4.5e7, "45 million"),
        (999_900, "1 million"),
        (2.34e5, "234000"),
        (0.0, "0"),
    ],
)
def test_a_number_of_cells_is_one_that_people_can_say(value: float, words: str):
    """Three digits and a word; a billion has its power beside it."""
    assert cells(value) == words


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (Estimate(2.71e11, 2.03e11, 4.07e11), "271 (203 to 407) billion (10⁹)"),
        (Estimate(1.1e9, 9e8, 2e9), "1.1 billion (10⁹) (900 million to 2 billion (10⁹))"),
        (Estimate(5e7, 5e7, 5e7), "50 million"),
    ],
)
def test_a_range_says_its_unit_once_where_it_can(found: Estimate, words: str):
    """What is known exactly has no range."""
    assert cells_range(found) == words


def test_ends_of_a_range_share_their_unit():
    """In a table the two ends stand beside each other."""
    assert between(3.2e11, 6.4e11) == "320 – 640 billion (10⁹)"
    assert between(9e8, 2e9) == "900 million – 2 billion (10⁹)"
