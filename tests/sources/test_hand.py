"""What a person types."""

import pytest

from monitor.model.clock import ManualClock
from monitor.model.errors import PayloadError
from monitor.model.inputs import Sample
from monitor.sources.hand import hand_message

from .helpers import NOW


def test_a_hand_reading(clock: ManualClock) -> None:
    """Scale and temperature share their time and belong to the vessel's own probe."""
    message = hand_message("bucket-a", 1.012, 18.0, NOW - 60_000, clock)
    assert (message.source, message.probe, message.arrived_ms) == ("hand", "hand:bucket-a", NOW)
    assert message.samples == (
        Sample("hydrometer", 1.012, NOW - 60_000),
        Sample("temperature", 18.0, NOW - 60_000),
    )
    assert hand_message("b", 1.012, None, NOW, clock).samples == (Sample("hydrometer", 1.012, NOW),)


@pytest.mark.parametrize(
    ("hydrometer", "temperature", "ahead_ms", "reason"),
    [
        (1012.0, 18.0, 0, "does not read 1012"),
        (0.5, 18.0, 0, "does not read"),
        (float("nan"), 18.0, 0, "does not read"),
        (1.012, 64.4, 0, "is not at 64.4"),
        (1.012, float("inf"), 0, "is not at"),
        (1.012, 18.0, 1, "still to come"),
    ],
)
def test_slips_of_the_hand(
    clock: ManualClock, hydrometer: float, temperature: float, ahead_ms: int, reason: str
) -> None:
    """A scale in points, a Fahrenheit temperature and a time to come are refused with what to do."""
    with pytest.raises(PayloadError, match=f"{reason}.*give"):
        hand_message("bucket-a", hydrometer, temperature, NOW + ahead_ms, clock)
