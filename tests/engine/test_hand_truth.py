"""Hand readings beside a probe, through the engine: what is kept of them, and what ends with them."""

from __future__ import annotations

import pytest

from monitor.engine.verdicts import gravity_witnesses
from monitor.model.clock import DAY, HOUR
from monitor.model.inputs import ForcedFinal, ProbeMoved, ReadingUndone
from tests.engine.cellar import PITCHED, PLAIN, Cellar, plus, wobble

CALIBRATED = PLAIN.replace(
    'measures = "liquid"',
    'measures = "liquid"\n[probe.calibration.float_angle]\ngravity = [[25.0, 1.000], [40.0, 1.040], [56.0, 1.094]]',
)
BY_HAND = PLAIN.replace('probes = ["float-a"]', "")


def by_hand(*readings: tuple[float, float]) -> Cellar:
    """A batch with these readings: hours after pitching, gravity."""
    cellar = Cellar(BY_HAND)
    for hours, value in readings:
        cellar.wait_until(PITCHED + round(hours * HOUR))
        cellar.say("hand:bucket", cellar.now, gravity=value)
    return cellar


def offset(cellar: Cellar) -> float:
    """What is added to the float now, SG."""
    return cellar.batch.truths["float-a"].offset_at(cellar.now)[0]


def test_a_question_about_a_misread_scale_ends_when_it_is_undone() -> None:
    """Undone, the reading that did not fit stands against nobody."""
    cellar = Cellar()
    cellar.live("float-a", 30, gravity=wobble(1.050, 0.0002), temperature=wobble(20.0, 0.1))
    at = cellar.now
    cellar.say("hand:bucket", at, gravity=1.035)
    cellar.live("float-a", 3, gravity=wobble(1.050, 0.0002), temperature=wobble(20.0, 0.1))
    assert cellar.alerts("probe-suspect") == ["raised"]
    cellar.tell(ReadingUndone(vessel="bucket", at=at))
    cellar.live("float-a", 2, gravity=wobble(1.050, 0.0002), temperature=wobble(20.0, 0.1))
    assert cellar.alerts("probe-suspect") == ["raised", "returned"]


def test_hours_that_are_forgotten_do_not_change_what_a_hand_reading_said() -> None:
    """Ten days later the hours beside it go one by one; what they said together stays."""
    cellar = Cellar()
    falling = plus(wobble(1.060, 0.0002), lambda hours: -0.03 / 24 * min(hours, 36.0))
    cellar.live("float-a", 20, gravity=falling, temperature=wobble(20.0, 0.1))
    at = cellar.now
    cellar.say("hand:bucket", at, gravity=round(1.060 - 0.03 / 24 * 20, 5))
    cellar.live("float-a", 24, every=HOUR // 3, gravity=falling, temperature=wobble(20.0, 0.1))
    (before,) = cellar.batch.truths["float-a"].pairs
    cellar.live("float-a", 230, every=HOUR // 3, gravity=falling, temperature=wobble(20.0, 0.1))
    assert cellar.now - at > 250 * HOUR
    assert cellar.batch.truths["float-a"].pairs == [before]


def test_what_a_stuck_probe_said_is_not_held_against_a_hand_reading() -> None:
    """Taken while it was stuck, as its alert asks, it sets the probe neither right nor wrong once that moves again."""
    cellar = Cellar()
    cellar.live("float-a", 30, gravity=wobble(1.050, 0.0003), temperature=wobble(20.0, 0.1))
    cellar.live("float-a", 8, gravity=lambda _: 1.050, temperature=lambda _: 20.0)
    assert "probe-stuck" in cellar.standing()
    cellar.say("hand:bucket", gravity=1.0475)
    cellar.live("float-a", 4, gravity=lambda _: 1.050, temperature=lambda _: 20.0)
    cellar.live("float-a", 4, gravity=wobble(1.047, 0.0003), temperature=wobble(20.5, 0.1))
    assert "probe-stuck" not in cellar.standing()
    assert offset(cellar) == pytest.approx(0.0, abs=0.0004)


def test_a_probe_that_was_taken_out_and_cleaned_is_not_corrected_as_before() -> None:
    """What hand readings taught of it ended with the move: put back right, it is taken as it is."""
    cellar = Cellar()
    cellar.live("float-a", 30, gravity=wobble(1.050, 0.0002), temperature=wobble(20.0, 0.1))
    for _ in range(2):
        cellar.say("hand:bucket", gravity=1.046)
        cellar.live("float-a", 12, gravity=wobble(1.050, 0.0002), temperature=wobble(20.0, 0.1))
    assert offset(cellar) == pytest.approx(-0.0027, abs=0.001)
    cellar.tell(ProbeMoved(probe="float-a", to=None, at=cellar.now))
    cellar.live("float-a", 2, gravity=wobble(1.000, 0.0002), temperature=wobble(20.0, 0.1))
    cellar.tell(ProbeMoved(probe="float-a", to="vessel:bucket", at=cellar.now))
    cellar.live("float-a", 8, gravity=wobble(1.046, 0.0002), temperature=wobble(20.0, 0.1))
    assert offset(cellar) == pytest.approx(0.0, abs=0.0001)
    assert cellar.verdicts()[-1].gravity == pytest.approx(1.046, abs=0.0005)
    assert cellar.batch.truths["float-a"].pairs == []


def test_a_float_that_means_no_gravity_carries_no_verdict() -> None:
    """On its side, its last sound hours are not gone on with, and it stays suspect whatever a hand reading says."""
    cellar = Cellar(CALIBRATED)
    cellar.live("float-a", 30, float_angle=wobble(43.0, 0.05), temperature=wobble(20.0, 0.1))
    level = gravity_witnesses(cellar.state, "bucket")[0].track.mean(cellar.now - 6 * HOUR, cellar.now)
    assert level is not None
    cellar.say("hand:bucket", gravity=round(level, 4))
    cellar.live("float-a", 3, float_angle=wobble(88.0, 0.05), temperature=wobble(20.0, 0.1))
    assert cellar.verdicts()[-1].verdict == "unknown"
    assert "cannot be right" in cellar.verdicts()[-1].because[0]
    assert "probe-suspect" in cellar.standing()
    assert cellar.now - PITCHED < 2 * DAY


# --- by hand alone -----------------------------------------------------------------------------------------------


def test_finished_goes_with_the_reading_that_said_it() -> None:
    """The third of three equal readings was a slip of the pen: undone, nothing says finished any more."""
    cellar = by_hand((1, 1.050), (48, 1.030), (96, 1.010), (120, 1.0101), (145, 1.010))
    assert cellar.verdicts()[-1].verdict == "finished"
    cellar.tell(ReadingUndone(vessel="bucket", at=PITCHED + 145 * HOUR))
    assert cellar.verdicts()[-1].verdict != "finished"
    assert "ferment-finished" not in cellar.standing()


@pytest.mark.parametrize("slip", [1.150, 1.005])
def test_a_start_goes_with_the_reading_that_showed_it(slip: float) -> None:
    """A mistyped reading, too high or too low, leaves no start and no fastest rate behind."""
    right = by_hand((1, 1.050), (24, 1.050), (49, 1.050), (60, 1.049))
    cellar = by_hand((1, 1.050), (24, 1.050), (49, slip))
    cellar.tell(ReadingUndone(vessel="bucket", at=PITCHED + 49 * HOUR))
    for hours, value in ((49.5, 1.050), (60, 1.049)):
        cellar.wait_until(PITCHED + round(hours * HOUR))
        cellar.say("hand:bucket", cellar.now, gravity=value)
    assert right.verdicts()[-1].verdict == cellar.verdicts()[-1].verdict == "waiting"
    assert (cellar.batch.baseline, cellar.batch.original, cellar.batch.peak_rate) == (1.050, 1.050, 0.0)


def test_finished_is_let_go_when_a_sample_ends_far_below() -> None:
    """Called finished by what is usual, it is taken back when its own sample ferments out 14 points lower."""
    cellar = Cellar(PLAIN.replace("expected_final = 1.010", 'fermentables = "grain"'))
    falling = plus(wobble(1.060, 0.0002), lambda hours: -0.045 * min(hours / 60, 1.0))
    cellar.live("float-a", 190, every=HOUR // 3, gravity=falling, temperature=wobble(20.0, 0.1))
    assert cellar.verdicts()[-1].verdict == "finished"
    cellar.tell(ForcedFinal(batch="amber-1", hydrometer=1.001, temperature=20.0, calibrated=20.0, at=cellar.now))
    cellar.live("float-a", 12, every=HOUR // 3, gravity=falling, temperature=wobble(20.0, 0.1))
    assert cellar.verdicts()[-1].verdict == "stalled"
    assert "ferment-finished" not in cellar.standing()


def test_after_a_gap_it_says_that_there_was_one() -> None:
    """Three hours after a silence of a day there is no trend yet, however many hours came before."""
    cellar = Cellar()
    falling = plus(wobble(1.060, 0.0002), lambda hours: -0.01 / 24 * hours)
    cellar.live("float-a", 60, every=HOUR // 3, gravity=falling, temperature=wobble(20.0, 0.1))
    cellar.wait(30 * HOUR)
    cellar.live("float-a", 3, every=HOUR // 3, gravity=falling, temperature=wobble(20.0, 0.1))
    assert cellar.verdicts()[-1].verdict == "unknown"
    assert cellar.verdicts()[-1].because == ("a gap, and only a few h of readings since: too few for a trend",)
