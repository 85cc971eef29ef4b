from __future__ import annotations

import signal
import subprocess
import sys
import threading
from collections.abc import Callable

import pytest

from monitor.alerts.routes import AppriseRoute, Courier, Letter, MemoryRoute
from monitor.alerts.routes.worker import wait_after
from monitor.model import config
from monitor.model.clock import DAY, HOUR, MINUTE, SECOND, ManualClock
from monitor.store.store import Store
from tests.alerts.conftest import until
from tests.alerts.desk import NIGHT, Desk, a_notice
from tests.alerts.receivers import web_receiver

Start = Callable[..., Courier]


class StuckRoute(MemoryRoute):
    """Blocks in its first send until it is let go."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.entered, self.let_go = threading.Event(), threading.Event()

    def send(self, letter: Letter) -> None:
        self.entered.set()
        self.let_go.wait(20.0)
        super().send(letter)


def test_a_notice_goes_to_every_route_and_is_marked(desk: Desk, courier_for: Start) -> None:
    """Each route gets the letter once, and the store then holds nothing open."""
    phone, mail = MemoryRoute("phone"), MemoryRoute("mail")
    courier = courier_for(phone, mail)
    desk.post(a_notice("Stalled"), routes=courier.names)
    courier.wake()
    assert phone.wait(1)
    assert mail.wait(1)
    assert until(lambda: not desk.open_deliveries("phone") and not desk.open_deliveries("mail"))
    assert [letter.title for letter in phone.letters + mail.letters] == ["Stalled", "Stalled"]
    assert until(lambda: [status.sent for status in courier.status()] == [1, 1])
    assert until(lambda: [status.waiting for status in courier.status()] == [0, 0])


def test_order_is_kept(desk: Desk, courier_for: Start) -> None:
    """What was decided first is told first, more of it than one look at the store lists."""
    phone = MemoryRoute("phone")
    titles = [f"{number}" for number in range(230)]
    desk.post(*(a_notice(title, number=int(title)) for title in titles), routes=["phone"])
    courier_for(phone)
    assert phone.wait(len(titles))
    assert [letter.title for letter in phone.letters] == titles


def test_what_is_less_urgent_than_the_route_wants_is_passed_over(desk: Desk, courier_for: Start) -> None:
    """A route for high only sends nothing else, and nothing else stays open for it."""
    phone = MemoryRoute("phone", lowest="high")
    desk.post(a_notice("Stalled"), a_notice("Freezing", alert="freeze-risk", number=2), routes=["phone"])
    courier_for(phone)
    assert until(lambda: not desk.open_deliveries("phone"))
    assert [letter.title for letter in phone.letters] == ["Freezing"]


def test_a_hanging_route_holds_up_no_other(desk: Desk, courier_for: Start) -> None:
    """One route never answers: the other delivers meanwhile, and stopping does not wait for the first."""
    stuck, phone = StuckRoute("stuck"), MemoryRoute("phone")
    courier = courier_for(stuck, phone)
    desk.post(*(a_notice(f"{n}", number=n) for n in range(5)), routes=courier.names)
    courier.wake()
    assert stuck.entered.wait(5.0)
    assert phone.wait(5)
    assert courier.stop(0.1) is False
    stuck.let_go.set()


def test_the_back_off_is_deterministic_and_bounded() -> None:
    """5 s, doubling, up to 15 min, and no overflow after months."""
    waits = [wait_after(failures) // SECOND for failures in range(1, 11)]
    assert waits == [5, 10, 20, 40, 80, 160, 320, 640, 900, 900]
    assert wait_after(1_000_000) == 15 * MINUTE


def test_a_broken_route_is_tried_again_after_its_back_off_only(
    desk: Desk, clock: ManualClock, courier_for: Start
) -> None:
    """Neither a wake nor a step of the wall clock makes it try early; once mended, what waited arrives in order."""
    phone = MemoryRoute("phone")
    phone.broken = "no line"
    courier = courier_for(phone)
    desk.post(a_notice("1", number=1), a_notice("2", number=2), routes=["phone"])
    courier.wake()
    assert phone.wait_tries(1)
    assert until(lambda: courier.status()[0].failures == 1)
    clock.step_wall(DAY)
    clock.advance(5 * SECOND - 1)
    assert not phone.wait_tries(2, 0.6)
    clock.advance(1)
    assert phone.wait_tries(2)
    assert until(lambda: courier.status()[0].failures == 2)
    phone.broken = None
    clock.advance(10 * SECOND)
    assert phone.wait(2)
    assert [letter.title for letter in phone.letters] == ["1", "2"]
    assert until(lambda: not desk.open_deliveries("phone"))
    assert courier.status()[0].failures == 0


def test_a_route_that_fails_for_good_shows(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """After three rounds the status says failing, why, how much waits and when it is tried next."""
    phone = MemoryRoute("phone")
    phone.broken = "wrong password"
    desk.post(a_notice("1"), routes=["phone"])
    courier = courier_for(phone)
    for failures in (1, 2, 3):
        assert until(lambda failures=failures: courier.status()[0].failures == failures)
        assert courier.status()[0].failing is (failures == 3)
        clock.advance(wait_after(failures))
    status = courier.status()[0]
    assert status.waiting == 1
    assert status.error == "route phone: wrong password"
    assert status.next_try_ms is not None


def test_a_notice_that_the_service_refuses_does_not_hold_up_the_rest(
    desk: Desk, clock: ManualClock, courier_for: Start
) -> None:
    """After three refusals of the same letter the next is tried; if it passes, the refused one waits by itself."""

    class Choosy(MemoryRoute):
        def send(self, letter: Letter) -> None:
            self.broken = "too long" if letter.title == "odd" else None
            super().send(letter)

    phone = Choosy("phone")
    desk.post(a_notice("odd", number=1), a_notice("2", number=2), a_notice("3", number=3), routes=["phone"])
    courier = courier_for(phone)
    for failures in (1, 2):
        assert until(lambda failures=failures: courier.status()[0].failures == failures)
        assert phone.letters == []
        clock.advance(wait_after(failures))
    assert phone.wait(2)
    assert [letter.title for letter in phone.letters] == ["2", "3"]
    assert until(lambda: [number for number, _ in desk.open_deliveries("phone")] == [1])
    assert courier.status()[0].failures == 0
    tries = phone.tries
    desk.post(a_notice("4", number=4), routes=["phone"])
    courier.wake()
    assert phone.wait(3)
    assert phone.tries == tries + 1  # the refused one was not tried again on the way
    clock.advance(wait_after(3))
    assert phone.wait_tries(tries + 2)


def test_low_is_given_up_after_two_days_and_counted(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """A stale low notice is tried, fails and is let go, with a counter that survives; a medium one is kept."""
    phone = MemoryRoute("phone")
    phone.broken = "no line"
    desk.post(a_notice("low", alert="yeast-old", number=1), a_notice("medium", number=2), routes=["phone"])
    clock.advance(2 * DAY)
    courier = courier_for(phone)
    assert until(lambda: courier.status()[0].failures == 1)
    assert courier.status()[0].gave_up == 0  # two days are not more than two days
    clock.advance(MINUTE)
    assert until(lambda: courier.status()[0].gave_up == 1)
    assert until(lambda: [number for number, _ in desk.open_deliveries("phone")] == [2])
    assert desk.counters() == {"gave-up:phone": 1}


def test_medium_is_kept_for_seven_days(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """Six days and 23 hours of a dead line lose nothing that is medium or high."""
    phone = MemoryRoute("phone")
    phone.broken = "no line"
    desk.post(a_notice("Stalled"), routes=["phone"])
    clock.advance(7 * DAY - HOUR)
    courier = courier_for(phone)
    assert until(lambda: courier.status()[0].failures == 1)
    phone.broken = None
    clock.advance(MINUTE)
    assert phone.wait(1)


KILLED_BEFORE_THE_MARK = """
import os, signal, sys, time
from pathlib import Path
from zoneinfo import ZoneInfo
from monitor.alerts.routes import AppriseRoute, Courier
from monitor.model.clock import SystemClock
from monitor.model.config import Route
courier = Courier(
    [AppriseRoute(Route(name="phone", url=sys.argv[2]))], Path(sys.argv[1]),
    lambda chore: os.kill(os.getpid(), signal.SIGKILL), SystemClock(), ZoneInfo("UTC"),
)
courier.start()
time.sleep(20)
"""


def test_a_kill_between_sending_and_the_mark_sends_again(desk: Desk, courier_for: Start) -> None:
    """A process is killed after its letter went out, before the mark: the next one sends it again, and only once."""
    desk.post(a_notice("Stalled"), routes=["phone"])
    with web_receiver() as web:
        program = [sys.executable, "-c", KILLED_BEFORE_THE_MARK, str(desk.path), web.address]
        assert subprocess.run(program, check=False, timeout=30).returncode == -signal.SIGKILL
        assert len(web.taken) == 1
        assert len(desk.open_deliveries("phone")) == 1
        courier_for(AppriseRoute(config.Route(name="phone", url=web.address)))
        assert until(lambda: not desk.open_deliveries("phone"))
        assert [body["title"] for body in web.taken] == ["Stalled", "Stalled"]


def test_a_full_disk_makes_no_repeats(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """While the writer cannot take the mark the letter is not sent again, and the mark follows when it can."""
    phone = MemoryRoute("phone")
    courier = courier_for(phone)
    desk.post(a_notice("Stalled"), routes=["phone"])
    desk.full = True
    courier.wake()
    assert phone.wait(1)
    for _ in range(4):
        clock.advance(MINUTE)
        courier.wake()
    assert not phone.wait_tries(2, 0.5)
    desk.full = False
    clock.advance(15 * MINUTE)
    assert until(lambda: not desk.open_deliveries("phone"))
    assert phone.tries == 1


def test_what_cannot_be_stored_is_sent_all_the_same(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """An urgent notice goes out once without the store, after the back-off of a route that is down."""
    phone, siren = MemoryRoute("phone"), MemoryRoute("siren", lowest="high")
    phone.broken = "no line"
    courier = courier_for(phone, siren, quiet=("00:00", "23:59"))
    desk.full = True
    notice = a_notice("Disk full", alert="store-trouble")
    courier.urgent(notice)
    courier.urgent(notice)
    assert siren.wait(1)
    assert until(lambda: courier.status()[0].failures == 1)
    phone.broken = None
    clock.advance(5 * SECOND)
    assert phone.wait(1)
    courier.urgent(notice)
    assert not phone.wait_tries(3, 0.4)
    assert len(siren.letters) == 1


def test_a_fault_in_a_route_ends_nothing(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """An exception that no route should raise counts as a failure and names no content."""

    class Faulty(MemoryRoute):
        def send(self, letter: Letter) -> None:
            super().send(letter)
            if self.tries == 1:
                raise ZeroDivisionError("secret")

    phone = Faulty("phone")
    desk.post(a_notice("Stalled"), routes=["phone"])
    courier = courier_for(phone)
    assert until(lambda: courier.status()[0].error == "route phone: ZeroDivisionError in its code")
    clock.advance(5 * SECOND)
    assert phone.wait(2)
    assert until(lambda: not desk.open_deliveries("phone"))


def test_it_waits_for_a_store_that_is_not_there_yet(
    desk: Desk, clock: ManualClock, courier_for: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A courier that starts before the store exists delivers once it does."""
    phone = MemoryRoute("phone")
    desk.post(a_notice("Stalled"), routes=["phone"])
    away = desk.path.with_name("away.db")
    desk.path, there = away, desk.path
    courier = courier_for(phone)
    assert not phone.wait(1, 0.3)
    away.symlink_to(there)
    courier.wake()
    assert phone.wait(1)


# --- quiet hours ---------------------------------------------------------------------------------------------


def test_quiet_holds_back_all_but_high_and_then_folds(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """In the night only high goes out; at seven what was held comes as one letter in its order, all marked."""
    clock.advance(13 * HOUR)  # Tuesday 01:00
    phone, log = MemoryRoute("phone"), MemoryRoute("log", for_people=False)
    courier = courier_for(phone, log, quiet=("22:30", "07:00"))
    now = clock.wall_ms()
    desk.post(
        a_notice("Too cold", now, alert="ferment-too-cold", number=1, seen=now),
        a_notice("Freezing", now, alert="freeze-risk", number=2),
        a_notice("Jar is old", now, alert="yeast-old", number=3),
        a_notice("Too cold", now + HOUR, alert="ferment-too-cold", number=1, reason="returned", seen=now + HOUR),
        routes=courier.names,
    )
    courier.wake()
    assert phone.wait(1)
    assert log.wait(4)
    clock.advance(6 * HOUR - 1)
    assert not phone.wait(2, 0.6)
    assert [letter.title for letter in phone.letters] == ["Freezing"]
    assert courier.status()[0].held == 3
    clock.advance(1)
    assert phone.wait(2)
    assert until(lambda: not desk.open_deliveries("phone"))
    folded = phone.letters[1]
    assert folded.title == "While it was quiet: 2 notices"
    assert folded.body == (
        "Came and went: Too cold\n"
        "Too cold: raised Tue 10 Mar 01:00 (WET) and back to normal by Tue 10 Mar 02:00 (WET).\n"
        "Because.\n\nJar is old\nBecause."
    )
    assert len(phone.letters) == 2


def test_day_and_night_stay_in_order(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """A line that was dead for a night, a day and a night tells them in that order, each night folded."""
    night, day, next_night = NIGHT + 2 * HOUR, NIGHT + 12 * HOUR, NIGHT + 26 * HOUR
    desk.post(
        a_notice("a", night, number=1), a_notice("b", night, number=2), a_notice("c", day, number=3),
        a_notice("d", next_night, number=4), a_notice("e", next_night, number=5), routes=["phone"],
    )  # fmt: skip
    clock.advance(DAY)
    phone = MemoryRoute("phone")
    courier_for(phone, quiet=("22:30", "07:00"))
    assert phone.wait(3)
    assert [letter.body.split("\n")[0] if " " in letter.title else letter.title for letter in phone.letters] == [
        "a", "c", "d",
    ]  # fmt: skip


def test_a_folded_letter_that_is_refused_is_split(desk: Desk, clock: ManualClock, courier_for: Start) -> None:
    """A service that takes single letters but not the long one still gets them all."""

    class Short(MemoryRoute):
        def send(self, letter: Letter) -> None:
            self.broken = "too long" if letter.title.startswith("While") else None
            super().send(letter)

    phone = Short("phone")
    desk.post(*(a_notice(f"{n}", NIGHT, number=n) for n in range(3)), routes=["phone"])
    courier = courier_for(phone, quiet=("22:30", "07:00"))
    for failures in (1, 2, 3):
        assert until(lambda failures=failures: courier.status()[0].failures == failures)
        clock.advance(wait_after(failures))
    assert phone.wait(3)
    assert [letter.title for letter in phone.letters] == ["0", "1", "2"]


def test_the_same_urgent_notice_goes_out_again_after_an_hour(desk: Desk, courier_for: Start) -> None:
    """A trouble that comes back later is told anew, though its id is the same."""
    phone = MemoryRoute("phone")
    courier = courier_for(phone)
    for at in (NIGHT, NIGHT + HOUR - 1, NIGHT + HOUR, NIGHT + HOUR + MINUTE):
        courier.urgent(a_notice("Disk full", at, alert="store-trouble"))
    assert phone.wait(2)
    assert not phone.wait_tries(3, 0.4)


def test_what_waits_for_a_route_that_is_gone_is_let_go(desk: Desk, courier_for: Start) -> None:
    """A route taken out of the configuration leaves nothing waiting for ever, and a counter says how much went."""
    desk.post(a_notice("1"), a_notice("2", number=2), routes=["old", "phone"])
    phone = MemoryRoute("phone")
    courier_for(phone)
    assert phone.wait(2)
    assert until(lambda: not desk.open_deliveries("old"))
    assert desk.counters() == {"gave-up:old": 2}


def test_attempts_are_kept_in_the_store(desk: Desk, courier_for: Start) -> None:
    """Each failure is noted with its reason, for the page and for the next process."""
    phone = MemoryRoute("phone")
    phone.broken = "no line"
    desk.post(a_notice("Stalled"), routes=["phone"])
    courier_for(phone)
    assert until(lambda: desk.open_deliveries("phone") == [(1, 1)])

    def read(store: Store) -> object:
        return store._connection.execute("SELECT error FROM deliveries").fetchone()

    assert desk.do(read).result() == ("route phone: no line",)
