"""The alert book: raised, seen, shelved, reminded, grouped, returned."""

from __future__ import annotations

from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from monitor.alerts.book import ASK_AGAIN, REFRESH, REMIND_MOST, TITLES, Book, Outcome
from monitor.model.clock import DAY, HOUR, MINUTE
from monitor.model.events import NOTICES, PRIORITIES, AlertEvent, AlertName, Cause, Event
from monitor.model.findings import Finding

T0 = 1_772_474_400_000
STEP = 12 * HOUR  # the usual time to the first reminder


class Desk:
    """A book, a clock, and what came of it."""

    def __init__(self) -> None:
        self.book, self.out, self.now = Book(), Outcome(), T0

    def find(self, alert: AlertName = "fridge-drift", about: str = "fridge:larder", **more: object) -> None:
        """A finding that is so."""
        told = {"message": "It is so.", "because": ("why",), "do": ("this",), **more}
        self.book.note(Finding(alert, about, active=True, **told), self.now, self.out)  # type: ignore[arg-type]

    def clear(self, alert: AlertName = "fridge-drift", about: str = "fridge:larder", message: str = "Over.") -> None:
        """A good reading."""
        self.book.note(Finding(alert, about, active=False, message=message), self.now, self.out)

    def wait(self, ms: int, every: int = 10 * MINUTE) -> None:
        """Let time pass, tick by tick."""
        end = self.now + ms
        while self.now < end:
            self.now = min(self.now + every, end)
            self.book.tick(self.now, self.out)

    @property
    def id(self) -> str:
        """The id of the one alert that stands."""
        (alert,) = self.book.standing.values()
        return alert.id

    def changes(self, alert: AlertName | None = None) -> list[str]:
        """The changes told as events so far."""
        return [_alert(e).change for e in self.out.events if alert is None or _alert(e).alert == alert]

    def reasons(self, alert: AlertName | None = None) -> list[str]:
        """Why people were told, so far."""
        return [n.reason for n in self.out.notices if alert is None or n.alert == alert]


def _alert(event: Event) -> AlertEvent:
    assert isinstance(event, AlertEvent)
    return event


# --- raise and return --------------------------------------------------------------------------------------------


def test_an_alert_is_raised_once_and_returned_once() -> None:
    """The same finding again is no second alert, and a good reading ends it under the same id."""
    desk = Desk()
    desk.find()
    number = desk.id
    desk.wait(HOUR)
    desk.find()
    desk.clear()
    desk.clear()
    assert desk.changes() == ["raised", "returned"]
    assert desk.reasons() == ["first", "returned"]
    assert {_alert(e).id for e in desk.out.events} == {number}
    assert desk.book.standing == {}


def test_a_good_reading_without_an_alert_says_nothing() -> None:
    """Nothing stands, nothing returns."""
    desk = Desk()
    desk.clear()
    assert (desk.out.events, desk.out.notices, desk.book.changed) == ([], [], False)


def test_ids_follow_from_what_when_and_where() -> None:
    """The same history gives the same ids, another time or thing another."""
    ids = []
    for about, at in (("fridge:a", T0), ("fridge:a", T0), ("fridge:b", T0), ("fridge:a", T0 + 1)):
        desk = Desk()
        desk.now = at
        desk.find(about=about)
        ids.append(desk.id)
    assert ids[0] == ids[1]
    assert len(set(ids)) == 3


def test_a_notice_holds_the_sentence_its_reasons_and_what_to_do() -> None:
    """The body is message, because and next steps; the title names the thing."""
    desk = Desk()
    desk.find()
    (notice,) = desk.out.notices
    assert notice.title == "larder: drifting"
    assert notice.body == "It is so.\nBecause why.\nWhat to do: this."
    assert (notice.priority, notice.reason) == ("medium", "first")


def test_what_has_returned_says_so_without_orders() -> None:
    """The returned notice has the good reading's sentence, and nothing left to do."""
    desk = Desk()
    desk.find()
    desk.clear(message="Back at 4.1 °C.")
    assert desk.out.notices[-1].title == "larder: no longer drifting"
    assert desk.out.notices[-1].body == "Back at 4.1 °C."
    assert _alert(desk.out.events[-1]).do == ()


def test_the_words_are_refreshed_each_quarter_of_an_hour_or_when_the_cause_changes() -> None:
    """A standing alert takes newer words after fifteen minutes, at once when its causes differ, silently."""
    desk = Desk()
    desk.find(message="at 8 °C")
    desk.wait(REFRESH - MINUTE)
    desk.find(message="at 9 °C")
    (alert,) = desk.book.standing.values()
    assert alert.message == "at 8 °C"
    desk.find(message="at 9 °C", causes=(Cause("door", 1.0),))
    assert alert.message == "at 9 °C"
    desk.wait(REFRESH)
    desk.find(message="at 10 °C", causes=(Cause("door", 1.0),))
    assert alert.message == "at 10 °C"
    assert desk.changes() == ["raised"]


# --- reminders ---------------------------------------------------------------------------------------------------


def test_reminders_grow_further_and_further_apart() -> None:
    """After twelve hours, then a day, two, four, and at last each week."""
    desk = Desk()
    desk.find()
    desk.wait(40 * DAY, HOUR)
    times = [n.time_ms - T0 for n in desk.out.notices if n.reason == "reminder"]
    gaps = [b - a for a, b in zip([0, *times], times, strict=False)]
    assert gaps[:5] == [STEP, 2 * STEP, 4 * STEP, 8 * STEP, REMIND_MOST]
    assert set(gaps[4:]) == {REMIND_MOST}
    assert desk.changes().count("reminded") == len(times)


def test_the_setting_rules_the_first_reminder() -> None:
    """remind_every is the time to the first one."""
    desk = Desk()
    desk.book.remind_every_ms = 2 * HOUR
    desk.find()
    desk.wait(2 * HOUR - MINUTE, MINUTE)
    assert desk.reasons() == ["first"]
    desk.wait(MINUTE, MINUTE)
    assert desk.reasons() == ["first", "reminder"]
    assert desk.out.notices[-1].title.endswith("(still)")


def test_what_somebody_has_seen_is_not_reminded_of() -> None:
    """Acknowledged: no more reminders, the return is told, and a second acknowledgement is nothing."""
    desk = Desk()
    desk.find()
    number = desk.id
    desk.book.acknowledge(number, desk.now, desk.out)
    desk.book.acknowledge(number, desk.now, desk.out)
    desk.wait(10 * DAY, HOUR)
    desk.clear()
    assert desk.changes() == ["raised", "acknowledged", "returned"]
    assert desk.reasons() == ["first", "returned"]


def test_an_alert_that_comes_again_is_new_and_unseen() -> None:
    """Acknowledging one does not silence the next."""
    desk = Desk()
    desk.find()
    desk.book.acknowledge(desk.id, desk.now, desk.out)
    desk.clear()
    desk.wait(HOUR)
    desk.find()
    (alert,) = desk.book.standing.values()
    assert alert.state == "unacknowledged"
    assert desk.reasons() == ["first", "returned", "first"]


@pytest.mark.parametrize("deed", ["acknowledge", "shelve", "tick_off"])
def test_an_id_that_stands_no_longer_does_nothing(deed: str) -> None:
    """An answer to an alert that has gone is passed over."""
    desk = Desk()
    desk.find()
    number = desk.id
    desk.clear()
    before = len(desk.out.events)
    args = (number, desk.now + HOUR, desk.now, desk.out) if deed == "shelve" else (number, desk.now, desk.out)
    getattr(desk.book, deed)(*args)
    assert len(desk.out.events) == before


# --- shelves -----------------------------------------------------------------------------------------------------


def test_a_shelf_holds_all_words_back_until_its_time() -> None:
    """Shelved for three days: no reminder meanwhile, and one when the shelf runs out."""
    desk = Desk()
    desk.find()
    desk.book.shelve(desk.id, desk.now + 3 * DAY, desk.now, desk.out)
    desk.wait(3 * DAY - MINUTE, MINUTE)
    assert desk.reasons() == ["first"]
    desk.wait(MINUTE, MINUTE)
    assert desk.reasons() == ["first", "reminder"]
    assert desk.changes() == ["raised", "shelved", "reminded"]


def test_what_is_shelved_returns_in_silence() -> None:
    """The event is told, nobody is."""
    desk = Desk()
    desk.find()
    desk.book.shelve(desk.id, desk.now + DAY, desk.now, desk.out)
    desk.clear()
    assert desk.changes() == ["raised", "shelved", "returned"]
    assert desk.reasons() == ["first"]


def test_a_shelf_outlives_a_return() -> None:
    """An alert that flaps stays shelved until its time, and is told as new if it still stands then."""
    desk = Desk()
    desk.find()
    desk.book.shelve(desk.id, desk.now + DAY, desk.now, desk.out)
    for _ in range(4):
        desk.clear()
        desk.wait(HOUR)
        desk.find()
        desk.wait(HOUR)
    assert desk.reasons() == ["first"]
    desk.wait(DAY)
    assert desk.reasons() == ["first", "first"]


def test_a_shelf_that_ran_out_meanwhile_holds_nothing_back() -> None:
    """Raised again after the shelf's time, it is told at once, and the shelf is forgotten."""
    desk = Desk()
    desk.find()
    desk.book.shelve(desk.id, desk.now + HOUR, desk.now, desk.out)
    desk.clear()
    desk.wait(2 * HOUR)
    assert desk.book.shelves == {}
    desk.find()
    assert desk.reasons() == ["first", "first"]


def test_a_shelf_does_not_undo_an_acknowledgement() -> None:
    """Acknowledged and shelved: nothing is told when the shelf runs out."""
    desk = Desk()
    desk.find()
    desk.book.acknowledge(desk.id, desk.now, desk.out)
    desk.book.shelve(desk.id, desk.now + HOUR, desk.now, desk.out)
    desk.wait(10 * DAY, HOUR)
    assert desk.reasons() == ["first"]


# --- ticking off -------------------------------------------------------------------------------------------------


def test_a_finish_that_was_ticked_off_stays_done() -> None:
    """The verdict goes on being finished each hour; the notice does not come back until it was something else."""
    desk = Desk()
    desk.find("ferment-finished", "batch:amber-1")
    desk.book.tick_off(desk.id, desk.now, desk.out)
    for _ in range(100):
        desk.wait(HOUR)
        desk.find("ferment-finished", "batch:amber-1")
    assert desk.changes() == ["raised", "returned"]
    desk.clear("ferment-finished", "batch:amber-1")
    desk.find("ferment-finished", "batch:amber-1")
    assert desk.changes() == ["raised", "returned", "raised"]


def test_a_wanted_reading_that_was_ticked_off_is_asked_for_again_in_two_days() -> None:
    """Not now is not never."""
    desk = Desk()
    desk.find("reading-due", "batch:amber-1")
    desk.book.tick_off(desk.id, desk.now, desk.out)
    desk.wait(ASK_AGAIN - HOUR, HOUR)
    desk.find("reading-due", "batch:amber-1")
    assert desk.reasons().count("first") == 1
    desk.wait(HOUR)
    desk.find("reading-due", "batch:amber-1")
    assert desk.reasons().count("first") == 2


@pytest.mark.parametrize("alert", sorted(set(get_args(AlertName)) - NOTICES))
def test_what_readings_raised_cannot_be_ticked_away(alert: AlertName) -> None:
    """Only a good reading returns it."""
    desk = Desk()
    desk.find(alert)
    desk.book.tick_off(desk.id, desk.now, desk.out)
    assert desk.changes() == ["raised"]
    assert len(desk.book.standing) == 1


@pytest.mark.parametrize("alert", sorted(NOTICES))
def test_every_notice_can_be_ticked_off(alert: AlertName) -> None:
    """And returns by that."""
    desk = Desk()
    desk.find(alert)
    desk.book.tick_off(desk.id, desk.now, desk.out)
    assert desk.changes() == ["raised", "returned"]


def test_closing_a_thing_returns_all_about_it_and_forgets_what_was_done() -> None:
    """A new stage starts with a clean sheet, and other things keep theirs."""
    desk = Desk()
    desk.find("ferment-finished", "batch:amber-1")
    desk.book.tick_off(desk.id, desk.now, desk.out)
    desk.find("ferment-too-warm", "batch:amber-1")
    desk.find("ferment-too-warm", "batch:amber-2")
    desk.book.close("batch:amber-1", desk.now, desk.out)
    assert [alert.about for alert in desk.book.standing.values()] == ["batch:amber-2"]
    desk.find("ferment-finished", "batch:amber-1")
    assert desk.changes("ferment-finished") == ["raised", "returned", "raised"]


# --- one cause, one notice ---------------------------------------------------------------------------------------

CAUSE = "fridge-compressor/fridge:larder"


def test_what_follows_from_a_standing_cause_is_recorded_and_not_told() -> None:
    """A drift under a dead compressor is an event, and no second message."""
    desk = Desk()
    desk.find("fridge-compressor")
    desk.find("fridge-drift", under=CAUSE)
    desk.wait(5 * DAY, HOUR)
    assert desk.changes("fridge-drift") == ["raised"]
    assert desk.reasons("fridge-drift") == []
    assert len(desk.reasons("fridge-compressor")) > 1


def test_a_follower_that_goes_with_its_cause_is_never_told() -> None:
    """Both return: only the cause's return is told."""
    desk = Desk()
    desk.find("fridge-compressor")
    desk.find("fridge-drift", under=CAUSE)
    desk.clear("fridge-drift")
    desk.clear("fridge-compressor")
    assert desk.reasons() == ["first", "returned"]


def test_a_follower_that_outlives_its_cause_is_told_then() -> None:
    """The compressor runs again and the drift stands: now it is news."""
    desk = Desk()
    desk.find("fridge-compressor")
    desk.find("fridge-drift", under=CAUSE)
    desk.clear("fridge-compressor")
    desk.wait(MINUTE, MINUTE)
    assert desk.reasons("fridge-drift") == ["first"]
    assert desk.changes("fridge-drift") == ["raised"]


def test_a_cause_that_does_not_stand_groups_nothing() -> None:
    """Without the cause the follower speaks for itself."""
    desk = Desk()
    desk.find("fridge-drift", under=CAUSE)
    assert desk.reasons() == ["first"]


def test_an_alert_is_grouped_also_under_a_cause_that_came_later() -> None:
    """Its reminders stop while the cause is told, and go on when it outlives it."""
    desk = Desk()
    desk.find("fridge-drift")
    desk.wait(HOUR)
    desk.find("fridge-compressor")
    desk.find("fridge-drift", under=CAUSE)
    desk.wait(3 * DAY, HOUR)
    assert desk.reasons("fridge-drift") == ["first"]
    desk.clear("fridge-compressor")
    desk.wait(MINUTE, MINUTE)
    assert desk.reasons("fridge-drift") == ["first", "reminder"]


# --- all of it ---------------------------------------------------------------------------------------------------


def test_every_alert_has_a_title_and_a_priority() -> None:
    """No name of an alert is without words for the top of its message."""
    assert set(TITLES) == set(PRIORITIES) == set(get_args(AlertName))


DEEDS = st.lists(
    st.tuples(
        st.sampled_from(["find", "clear", "ack", "shelve", "tick", "wait", "follow"]),
        st.sampled_from(["fridge-drift", "ferment-finished", "fridge-compressor"]),
        st.integers(1, 40),
    ),
    max_size=40,
)


@given(DEEDS)
def test_no_history_breaks_the_order_of_states(deeds: list[tuple[str, AlertName, int]]) -> None:
    """Whatever happens, each id is raised first, returned at most once and last; nobody is told of what is grouped
    or shelved; and the book is the same after a round through JSON."""
    desk = Desk()
    for deed, alert, amount in deeds:
        standing = desk.book.standing.get(f"{alert}/fridge:larder")
        if deed == "find":
            desk.find(alert)
        elif deed == "follow" and alert != "fridge-compressor":
            desk.find(alert, under=CAUSE)
        elif deed == "clear":
            desk.clear(alert)
        elif deed == "wait":
            desk.wait(amount * HOUR, HOUR)
        elif standing is not None and deed == "ack":
            desk.book.acknowledge(standing.id, desk.now, desk.out)
        elif standing is not None and deed == "shelve":
            desk.book.shelve(standing.id, desk.now + amount * HOUR, desk.now, desk.out)
        elif standing is not None and deed == "tick":
            desk.book.tick_off(standing.id, desk.now, desk.out)
        desk.now += 1
    by_id: dict[str, list[str]] = {}
    for event in desk.out.events:
        by_id.setdefault(_alert(event).id, []).append(_alert(event).change)
    for changes in by_id.values():
        assert changes[0] == "raised"
        assert changes.count("raised") == 1
        assert "returned" not in changes[:-1]
    for alert_id in {notice.alert_id for notice in desk.out.notices}:
        reasons = [notice.reason for notice in desk.out.notices if notice.alert_id == alert_id]
        assert reasons[0] == "first"
        assert reasons.count("first") == 1
        assert "returned" not in reasons[:-1]
    again = TypeAdapter(Book).validate_json(TypeAdapter(Book).dump_json(desk.book))
    assert again == desk.book
