"""What several replays add up to, on hand-made ones."""

from collections import Counter

import pytest

from monitor.replay.sweep import BatchTold, Outcome, Sweep


def outcome(*hours: float | None, digest: str = "a") -> Outcome:
    """One replay with so many batches, called finished at these hours."""
    return Outcome(
        batches=[BatchTold("a.csv", f"batch-{number}", 0, each) for number, each in enumerate(hours)],
        told=Counter({"finished": 2, "stalled": 1, "working": 3}), false=Counter({"stalled": 1}),
        alerts=Counter({"ferment-finished": 2}), changes=4, reminders=5, told_when=[digest],
    )  # fmt: skip


def test_replays_are_added_up() -> None:
    """Counts add, and the hours of all batches give the median, earliest and latest; those without one are counted."""
    whole = Outcome()
    for each in (outcome(150.0, None), outcome(100.0, 130.0)):
        whole.add(each)
    found = whole.as_json()

    assert found["finished"] == {"batches": 3, "of": 4, "median_h": 130.0, "earliest_h": 100.0, "latest_h": 150.0}
    assert found["told"] == {"finished": 4, "stalled": 2}
    assert found["proved_false"] == {"finished": 0, "stalled": 2}
    assert (found["verdict_changes"], found["reminders"], found["alerts"]) == (8, 10, {"ferment-finished": 4})
    assert whole.told_when == ["a", "a"]


def test_nothing_finished_has_no_hours() -> None:
    """Unknown numbers are null, not zero."""
    assert outcome(None, None).as_json()["finished"] == {
        "batches": 0, "of": 2, "median_h": None, "earliest_h": None, "latest_h": None,
    }  # fmt: skip


@pytest.mark.parametrize(("digest", "same"), [("a", ["1.0"]), ("b", [])])
def test_a_value_tells_the_same_only_where_times_do(digest: str, same: list[str]) -> None:
    """Equal counts alone are not the same story."""
    found = Sweep("batch.expected_final", {}, outcome(100.0), [("1.0", outcome(100.0, digest=digest))], [])

    assert found.the_same() == same
