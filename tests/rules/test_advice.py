"""What is said of a batch: each alert with its figures and a next step, and the comfort of its yeast."""

from __future__ import annotations

import re
from typing import get_args

import pytest

from monitor.model.clock import DAY, HOUR
from monitor.model.events import Cause, VerdictEvent, VerdictName
from monitor.model.findings import Finding
from monitor.rules.advice import SEAL_CAUTION, comfort, reading_due, verdict_findings
from monitor.rules.batch import BatchState
from tests.rules.bench import PITCHED, a_batch, by_hand


def event(verdict: VerdictName, hours: float = 100, **more: object) -> VerdictEvent:
    """A verdict on amber-1."""
    told = {"confidence": 0.9, "because": ("because of this",), "gravity": 1.012, "final_expected": 1.010, **more}
    return VerdictEvent(PITCHED + round(hours * HOUR), "amber-1", verdict, **told)  # type: ignore[arg-type]


def active(findings: list[Finding]) -> list[str]:
    """The names of those that are so."""
    return [each.alert for each in findings if each.active]


@pytest.mark.parametrize(
    ("verdict", "alerts"),
    [("waiting", []), ("working", []), ("slowing", []), ("finished", ["ferment-finished"]),
     ("stalled", ["ferment-stalled"]), ("unknown", [])],
)  # fmt: skip
def test_each_verdict_raises_what_it_means_and_ends_the_rest(verdict: VerdictName, alerts: list[str]) -> None:
    """Finished and stalled are told; any other verdict but unknown says that neither is so."""
    found = verdict_findings(a_batch(), event(verdict, 30))
    assert active(found) == alerts
    ended = {each.alert for each in found if not each.active}
    if verdict == "unknown":
        assert found == []
    else:
        assert {"ferment-finished", "ferment-stalled"} - set(alerts) <= ended


def test_every_verdict_is_covered() -> None:
    """The table above names all six verdicts."""
    assert len(get_args(VerdictName)) == 6


def test_unknown_resolves_nothing() -> None:
    """A dead probe neither raises nor returns a finish or a stall."""
    assert verdict_findings(a_batch(), event("unknown", gravity=None)) == []


def test_a_late_start_is_told_once_it_is_late() -> None:
    """Waiting becomes an alert at 36 h, says for how long, and ends when it works."""
    batch = a_batch()
    assert active(verdict_findings(batch, event("waiting", 35.9))) == []
    found = verdict_findings(batch, event("waiting", 36))
    assert active(found) == ["ferment-not-started"]
    late = next(each for each in found if each.active)
    assert "36 h after pitching its gravity is still 1.0120" in late.message
    assert any("pitch fresh yeast" in each for each in late.do)
    ended = [each.alert for each in verdict_findings(batch, event("working", 50)) if not each.active]
    assert "ferment-not-started" in ended


def test_waiting_without_a_gravity_is_no_late_start() -> None:
    """In the first hours there is no figure yet, and so no alarm."""
    assert active(verdict_findings(a_batch(start_within_ms=HOUR), event("waiting", 2, gravity=None))) == []


def test_finished_says_how_sure_what_may_be_left_and_not_to_seal() -> None:
    """The message for the phone has its gravity, its certainty and its rest, and warns of sealing and of gas."""
    (found,) = [
        each for each in verdict_findings(a_batch(), event("finished", remaining_range=(0.0, 0.0042))) if each.active
    ]
    assert "finished at 1.0120 (90% sure)" in found.message
    assert "0.004" in found.message
    assert SEAL_CAUTION in found.do
    assert any("carbon dioxide" in each for each in found.do)


def test_stalled_says_how_far_it_is_from_its_end_and_the_likely_cause() -> None:
    """The message has gravity, distance and cause, and each of the first two causes brings its advice."""
    causes = (Cause("too-cold", 0.6), Cause("stopped-early", 0.4))
    (found,) = [
        each for each in verdict_findings(a_batch(), event("stalled", gravity=1.030, causes=causes)) if each.active
    ]
    assert "at 1.0300 (90% sure), 0.020 above where it should end" in found.message
    assert "below the yeast's range" in found.message
    assert len(found.do) == 3
    assert "warm it" in found.do[0]
    assert found.causes == causes


@pytest.mark.parametrize("cause", ["too-cold", "alcohol-near-limit", "stopped-early", "slow-from-the-start"])
def test_every_cause_of_a_stall_has_words_and_advice(cause: str) -> None:
    """No cause is named that the message cannot put into words."""
    (found,) = [
        each for each in verdict_findings(a_batch(), event("stalled", causes=(Cause(cause, 1.0),))) if each.active
    ]
    assert "Most likely" in found.message
    assert len(found.do) == 2


# --- comfort -----------------------------------------------------------------------------------------------------


def hours_of(batch: BatchState, *celsius: float) -> list[list[Finding]]:
    """Comfort hour by hour."""
    return [comfort(batch, value, PITCHED + i * HOUR, None) for i, value in enumerate(celsius)]


def test_too_warm_is_told_after_two_hours_and_ends_below_the_edge() -> None:
    """Held two hours before it is told, and returned only 0.3 K inside the range, so that it does not flutter."""
    batch = a_batch(yeast_low=16.0, yeast_high=24.0)
    said = hours_of(batch, 23.0, 24.5, 24.6, 24.7, 24.1, 23.8, 23.6)
    assert [active(each) for each in said] == [[], [], [], ["ferment-too-warm"], ["ferment-too-warm"], [], []]
    (told,) = [each for each in said[3] if each.active]
    assert "24.7 °C" in told.message
    assert "24 °C" in told.message
    assert told.do
    assert any(each.alert == "ferment-too-warm" and not each.active for each in said[6])
    assert not any(each.alert == "ferment-too-warm" for each in said[5])


def test_too_cold_asks_whether_it_was_meant() -> None:
    """Below the range for two hours: told with the question whether it was chilled on purpose."""
    batch = a_batch(yeast_low=16.0, yeast_high=24.0)
    said = hours_of(batch, 12.0, 11.0, 10.0)
    assert [active(each) for each in said] == [[], [], ["ferment-too-cold"]]
    (told,) = [each for each in said[2] if each.active]
    assert "Did you chill it on purpose?" in told.message
    assert "stage" in told.do[0]


def test_cold_after_the_end_is_meant() -> None:
    """A finished batch may be as cold as it likes, but not too warm."""
    batch = a_batch(yeast_low=16.0, yeast_high=24.0, rest="finished")
    assert not any(active(each) for each in hours_of(batch, *[4.0] * 5))
    assert any(active(each) for each in hours_of(batch, *[30.0] * 5))


def test_without_a_range_nothing_is_too_warm_or_cold() -> None:
    """A keeper who told no range is left alone."""
    assert hours_of(a_batch(), 2.0, 2.0, 2.0, 45.0, 45.0, 45.0) == [[]] * 6


# --- readings by hand --------------------------------------------------------------------------------------------


def test_a_batch_with_a_probe_never_asks_for_a_reading() -> None:
    """The float does it."""
    assert reading_due(a_batch(), PITCHED + 30 * DAY, has_probe=True) is None


def test_a_batch_without_a_probe_asks_a_day_after_pitching() -> None:
    """The first reading is asked for after a day, with the command that enters it."""
    assert reading_due(a_batch(), PITCHED + DAY - 1, has_probe=False) is None
    due = reading_due(a_batch(), PITCHED + DAY, has_probe=False)
    assert due is not None
    assert "there is none yet" in due.message
    assert "leeswatch batch reading amber-1" in due.do[0]


@pytest.mark.parametrize(("verdict", "days"), [("working", 2), ("unknown", 2), ("slowing", 1), ("waiting", 1)])
def test_the_next_reading_is_asked_for_when_it_is_worth_taking(verdict: VerdictName, days: int) -> None:
    """Every other day while it works, every day when the end or the start is near."""
    batch = by_hand(a_batch(verdict=verdict), (10.0, 1.05))
    last = PITCHED + 10 * HOUR
    assert reading_due(batch, last + days * DAY - 1, has_probe=False) is None
    due = reading_due(batch, last + days * DAY, has_probe=False)
    assert due is not None
    assert re.search(r"its last gravity is from (24 h|2\.0 days) ago", due.message)


def test_a_batch_whose_probe_was_taken_out_is_asked_about_when_its_last_gravity_is_old() -> None:
    """The probe's last word counts as a reading: nobody is asked an hour after it was taken out."""
    batch = a_batch(verdict="unknown", probe_ms=PITCHED + 100 * HOUR)
    assert reading_due(batch, PITCHED + 101 * HOUR, has_probe=False) is None
    due = reading_due(batch, PITCHED + 148 * HOUR, has_probe=False)
    assert due is not None
    assert "its last gravity is from 2.0 days ago" in due.message


def test_a_finished_batch_is_not_asked_about_for_ever() -> None:
    """Once finished was said, no more readings are wanted."""
    batch = by_hand(a_batch(rest="finished"), (10.0, 1.05))
    assert reading_due(batch, PITCHED + 30 * DAY, has_probe=False) is None
