from __future__ import annotations

from zoneinfo import ZoneInfo

from monitor.alerts.routes.text import Writing, local_time
from monitor.model.clock import HOUR, MINUTE, parse_time
from tests.alerts.desk import NIGHT, a_notice

WRITING = Writing(ZoneInfo("Europe/Lisbon"))


def test_local_time_names_day_and_zone() -> None:
    """Times are told as the site's clock shows them, with the zone's short name, summer and winter."""
    assert local_time(parse_time("2026-03-09T04:09:41Z"), WRITING.zone) == "Mon 9 Mar 04:09 (WET)"
    assert local_time(parse_time("2026-07-01T23:30:00Z"), WRITING.zone) == "Thu 2 Jul 00:30 (WEST)"


def test_a_letter_adds_when_it_was_seen_and_where_to_look() -> None:
    """The engine's words stay as they are; the time of the deciding reading and the page's address follow."""
    letter = Writing(WRITING.zone, "https://cellar.example").letter(a_notice("Stalled", seen=NIGHT + 4 * HOUR))
    assert letter.title == "Stalled"
    assert letter.body == "Because.\nSeen Mon 9 Mar 04:00 (WET)\nhttps://cellar.example"


def test_a_notice_without_a_reading_says_no_time() -> None:
    """Nothing was seen, so nothing is said of it."""
    assert WRITING.letter(a_notice("Stalled")).body == "Because."


def test_reminders_and_returns_are_marked_once() -> None:
    """A title that does not say so itself is marked; one that does is left alone."""
    assert WRITING.letter(a_notice("Stalled", reason="reminder")).title == "Reminder: Stalled"
    assert WRITING.letter(a_notice("Still stalled", reason="reminder")).title == "Still stalled"
    assert WRITING.letter(a_notice("Stalled", reason="returned")).title == "Back to normal: Stalled"
    assert WRITING.letter(a_notice("Stall is over", reason="returned")).title == "Stall is over"
    assert WRITING.letter(a_notice("Stalled", reason="returned")).returned


def test_raised_and_returned_in_the_night_is_one_sentence() -> None:
    """Both times stand in one sentence, and the letter is marked as over."""
    letter = WRITING.fold(
        [
            a_notice("Too cold", NIGHT + HOUR, seen=NIGHT + HOUR),
            a_notice("Too cold", NIGHT + 2 * HOUR, reason="reminder"),
            a_notice(
                "Too cold", NIGHT + 3 * HOUR, reason="returned", body="It is 18.2 °C again.", seen=NIGHT + 3 * HOUR
            ),
        ]
    )
    assert letter.title == "Came and went: Too cold"
    assert letter.body == (
        "Too cold: raised Mon 9 Mar 01:00 (WET) and back to normal by Mon 9 Mar 03:00 (WET).\nIt is 18.2 °C again."
    )
    assert letter.returned


def test_several_are_told_in_the_order_they_came() -> None:
    """Each alert is told once, under its own title, first come first; the letter is as urgent as its most urgent."""
    letter = WRITING.fold(
        [
            a_notice("Probe silent", NIGHT, alert="probe-silent", number=1),
            a_notice("Look at the jar", NIGHT + MINUTE, alert="yeast-old", number=2),
            a_notice(
                "Probe silent", NIGHT + HOUR, alert="probe-silent", number=1, reason="reminder", body="Hours now."
            ),
        ]
    )
    assert letter.title == "While it was quiet: 2 notices"
    assert letter.body == "Probe silent\nHours now.\n\nLook at the jar\nBecause."
    assert letter.priority == "medium"
    assert not letter.returned


def test_a_reminder_alone_stays_a_reminder() -> None:
    """What was told before the night and is repeated in it does not turn into news."""
    letter = WRITING.fold(
        [a_notice("Stalled", NIGHT, reason="reminder"), a_notice("Stalled", NIGHT + HOUR, reason="reminder")]
    )
    assert letter.title == "Reminder: Stalled"
