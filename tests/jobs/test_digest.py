from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

from monitor.jobs import digest_text
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.events import AlertEvent, AlertName, Change, VerdictEvent
from monitor.store.reader import Reader
from tests.alerts.desk import NIGHT, Desk, a_notice

LISBON = ZoneInfo("Europe/Lisbon")
MORNING = NIGHT + 8 * HOUR


def text_of(path: Path, now: int = MORNING) -> list[str]:
    with Reader(path) as reader:
        return digest_text(reader, now, LISBON, "Cellar").splitlines()


def say(desk: Desk, *events: VerdictEvent | AlertEvent) -> None:
    desk.do(lambda store: store.add_outcome(events, [], [])).result()


def an_alert(at: int, number: str, change: Change, alert: AlertName, message: str) -> AlertEvent:
    return AlertEvent(at, number, alert, change, "probe:float-a", message)


def test_an_empty_store_says_so(desk: Desk) -> None:
    """With nothing to tell the digest is its one paragraph: that it came is the message."""
    assert text_of(desk.path) == [
        "Cellar, Mon 9 Mar 08:00 (WET): no batches judged, no alerts open, no probes silent, "
        "no messages waiting to be sent."
    ]


def test_each_batch_has_a_line(desk: Desk) -> None:
    """Verdict, gravity, rate and finish of a batch that works; the reason where nothing can be told."""
    say(
        desk,
        VerdictEvent(
            MORNING - HOUR, "amber-1", "slowing", 0.9, ("…",), gravity=1.01212, rate_per_day=-0.0031,
            finish_expected_ms=MORNING + DAY, finish_range_ms=(MORNING + 12 * HOUR, MORNING + 2 * DAY),
        ),
        VerdictEvent(MORNING - 2 * HOUR, "rye-2", "working", 0.9, ("…",)),
        VerdictEvent(MORNING - HOUR, "rye-2", "unknown", None, ("float-b has been silent for 3 h.",)),
    )  # fmt: skip
    assert text_of(desk.path)[1:] == [
        "amber-1: slowing, gravity 1.0121, −0.0031 a day, finish expected Tue 10 Mar 08:00 (WET), between "
        "Mon 9 Mar 20:00 (WET) and Wed 11 Mar 08:00 (WET).",
        "rye-2: unknown, float-b has been silent for 3 h.",
    ]


def test_an_old_verdict_says_when_and_a_very_old_one_is_left_out(desk: Desk) -> None:
    """A verdict older than the rules let it grow is given with its time; of a batch long over nothing is said."""
    say(desk, VerdictEvent(MORNING - 8 * HOUR, "amber-1", "finished", 0.97, ("…",), gravity=1.008))
    assert text_of(desk.path)[1:] == ["amber-1: finished, gravity 1.0080 (as of Mon 9 Mar 00:00 (WET))."]
    assert len(text_of(desk.path, MORNING + 3 * DAY)) == 1


def test_open_alerts_and_silent_probes_have_lines_and_returned_ones_have_not(desk: Desk) -> None:
    """Each alert that stands is told once, since when, and whether someone has seen it; oldest first."""
    say(
        desk,
        an_alert(NIGHT, "1", "raised", "probe-silent", "float-a is silent."),
        an_alert(NIGHT + HOUR, "2", "raised", "fridge-drift", "fridge drifts."),
        an_alert(NIGHT + 2 * HOUR, "3", "raised", "ferment-stalled", "amber-1 stalled."),
        an_alert(NIGHT + 3 * HOUR, "2", "acknowledged", "fridge-drift", "fridge drifts."),
        an_alert(NIGHT + 4 * HOUR, "3", "returned", "ferment-stalled", "amber-1 goes on."),
        an_alert(NIGHT + 5 * HOUR, "1", "reminded", "probe-silent", "float-a is silent for 5 h."),
    )
    lines = text_of(desk.path)
    assert lines[0].endswith("no batches judged, 1 alert open, 1 probe silent, no messages waiting to be sent.")
    assert lines[1:] == [
        "Open: fridge drifts (since Mon 9 Mar 01:00 (WET), acknowledged).",
        "Silent: float-a is silent for 5 h (since Mon 9 Mar 00:00 (WET)).",
    ]


def test_what_could_not_be_sent_is_told_with_its_reason(desk: Desk) -> None:
    """A route that fails shows in the digest of every other route."""
    desk.post(a_notice("1"), a_notice("2", NIGHT + MINUTE, number=2), routes=["phone"])
    desk.do(lambda store: store.not_delivered(1, "phone", 0, "route phone: wrong password")).result()
    lines = text_of(desk.path)
    assert lines[0].endswith("2 messages waiting to be sent.")
    assert lines[1:] == ["Waiting for phone: 2 (route phone: wrong password)"]
