"""A long recording replays in seconds, in memory that does not grow out of hand."""

from pathlib import Path

import pytest

from .replay import long_recording, measure


@pytest.mark.soak
@pytest.mark.timeout(300)
def test_three_weeks_replay_in_less_than_twenty_seconds(tmp_path: Path) -> None:
    """Two vessels and a fridge, once a minute for 21 days: 4 s where it was measured."""
    found = measure(*long_recording(tmp_path))
    print("\n".join(found.lines()))

    assert found.readings > 150_000
    assert found.events > 100
    assert found.replayed < 20.0


def test_the_measuring_itself_works(tmp_path: Path) -> None:
    """On a short recording the parts are timed, and each later part includes the one before it."""
    found = measure(*long_recording(tmp_path, 1.0))

    assert found.readings == pytest.approx(1.0 * 5 * 1440, rel=0.01)
    assert 0.0 < found.csv_alone < found.replayed
    assert len(found.lines()) == 7
