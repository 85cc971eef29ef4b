from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.jobs import Jobs, JobStatus
from monitor.jobs.heartbeat import ping
from monitor.model.clock import DAY, HOUR, MINUTE, SECOND, ManualClock, SystemClock, iso
from monitor.model.errors import RouteError
from monitor.store.reader import Due, Reader
from tests.alerts.conftest import until
from tests.alerts.desk import NIGHT, Desk
from tests.alerts.receivers import HANG, web_receiver

Start = Callable[..., Jobs]


def of(jobs: Jobs, name: str) -> JobStatus:
    return next(status for status in jobs.status() if status.job == name)


def waiting(desk: Desk) -> list[Due]:
    with Reader(desk.path) as reader:
        return reader.due("phone")


def remember(desk: Desk, **days: str) -> None:
    """What an earlier run of the daemon left in the store."""
    for job, day in days.items():
        desk.do(lambda store, job=job, day=day: store.put_meta(f"job:{job}", day)).result()


# --- daily jobs ------------------------------------------------------------------------------------------------


def test_jobs_are_planned_by_the_local_clock(jobs_for: Start) -> None:
    """Each daily job is due next at its time of day in the site's zone, within a day; what is off is not planned."""
    jobs = jobs_for({"digest": "08:00", "backup": None}, by=SystemClock())
    now = SystemClock().wall_ms()
    next_ms = of(jobs, "digest").next_ms
    assert next_ms is not None
    assert now < next_ms <= now + 25 * HOUR
    assert f"{datetime.fromtimestamp(next_ms / SECOND, UTC).astimezone(ZoneInfo('Europe/Lisbon')):%H:%M}" == "08:00"
    assert of(jobs, "retention").next_ms is not None
    assert of(jobs, "backup").next_ms is None
    assert of(jobs, "heartbeat").next_ms is None


def test_a_new_store_owes_nothing(desk: Desk, jobs_for: Start) -> None:
    """At the first start of all, at noon, neither a digest nor a backup is made up for."""
    jobs = jobs_for()
    jobs.stop()
    assert [status.runs for status in jobs.status()] == [0, 0, 0, 0]
    assert waiting(desk) == []
    assert not (desk.path.parent / "backups").exists()


def test_what_was_missed_today_runs_at_the_start(desk: Desk, clock: ManualClock, jobs_for: Start) -> None:
    """Off since yesterday, started at noon: digest, thinning and backup each run once, and not at the next start."""
    remember(desk, digest="2026-03-08", retention="2026-03-08", backup="2026-03-08")
    told = threading.Event()
    jobs = jobs_for(told=told.set)
    assert until(lambda: [status.runs for status in jobs.status()] == [1, 1, 1, 0])
    assert told.is_set()
    (due,) = waiting(desk)
    assert (due.notice.priority, due.notice.title) == ("low", "Morning at Cellar")
    assert due.notice.body.startswith("Cellar, Mon 9 Mar 12:00 (WET): ")
    assert [copy.name for copy in (desk.path.parent / "backups").iterdir()] == ["leeswatch-2026-03-09.db"]
    jobs.stop()
    clock.advance(HOUR)
    again = jobs_for()
    again.stop()
    assert [status.runs for status in again.status()] == [0, 0, 0, 0]
    assert len(waiting(desk)) == 1


def test_a_digest_is_not_made_up_for_in_the_evening(desk: Desk, clock: ManualClock, jobs_for: Start) -> None:
    """More than six hours late the digest waits for the next morning; the backup runs at any hour."""
    remember(desk, digest="2026-03-08", backup="2026-03-08")
    clock.advance(2 * HOUR + MINUTE)
    jobs = jobs_for()
    assert until(lambda: of(jobs, "backup").runs == 1)
    assert of(jobs, "digest").runs == 0


def test_before_its_time_nothing_is_owed(desk: Desk, clock: ManualClock, jobs_for: Start) -> None:
    """Started at two in the morning, today's jobs are still to come."""
    remember(desk, digest="2026-03-08", retention="2026-03-08", backup="2026-03-08")
    clock.advance(-10 * HOUR)
    jobs = jobs_for()
    jobs.stop()
    assert [status.runs for status in jobs.status()] == [0, 0, 0, 0]


def test_no_digest_comes_twice_on_a_day(desk: Desk, jobs_for: Start) -> None:
    """However often it is run, also by two at once, one digest a local day is handed to the routes."""
    jobs = jobs_for()
    remember(desk, digest="2026-03-08")
    threads = [threading.Thread(target=jobs._digest) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(waiting(desk)) == 1
    assert jobs._digest() == "sent before today"


def test_a_day_is_a_local_day(desk: Desk, jobs_for: Start) -> None:
    """At half past midnight in Lisbon's summer it is a new day, though UTC still has the old one."""
    jobs = jobs_for(by=ManualClock(NIGHT + 120 * DAY - 30 * MINUTE))
    assert jobs._day() == "2026-07-07"
    assert iso(NIGHT + 120 * DAY - 30 * MINUTE).startswith("2026-07-06")


def test_with_the_clock_not_set_nothing_runs(desk: Desk, jobs_for: Start) -> None:
    """In 1970 no backup is named after its day and no digest is sent; it fails openly."""
    remember(desk, digest="2026-03-08")
    jobs = jobs_for(by=ManualClock(12 * HOUR))
    with pytest.raises(Exception, match="the clock is not set"):
        jobs._digest()
    assert waiting(desk) == []


def test_a_step_of_the_wall_clock_makes_all_plans_anew(desk: Desk, clock: ManualClock, jobs_for: Start) -> None:
    """Started in the dead of night by a wrong clock: when it is set to noon, what is owed runs then."""
    remember(desk, digest="2026-03-08", retention="2026-03-08", backup="2026-03-08")
    clock.step_wall(-10 * HOUR)
    jobs = jobs_for()
    clock.advance(MINUTE)
    assert jobs.look_at_clock() is False
    clock.step_wall(10 * HOUR)
    assert until(lambda: [status.runs for status in jobs.status()] == [1, 1, 1, 0])  # the watch saw it by itself
    assert jobs.look_at_clock() is False
    assert of(jobs, "digest").next_ms is not None


def test_retention_asks_for_closed_spans_and_their_age(desk: Desk, jobs_for: Start) -> None:
    """It runs over what it is given, and says how much went."""
    remember(desk, retention="2026-03-08")
    asked = threading.Event()

    def closed() -> list[tuple[str, int, int]]:
        asked.set()
        return [("float-a", NIGHT, NIGHT + HOUR)]

    jobs = jobs_for(closed=closed)
    assert until(lambda: of(jobs, "retention").runs == 1)
    assert asked.is_set()
    assert of(jobs, "retention").result == "0 readings of closed batches went"


def test_a_failing_job_is_seen_and_logged(desk: Desk, jobs_for: Start, caplog: pytest.LogCaptureFixture) -> None:
    """A job that raises is counted with its reason and logged once; the others run, and it is still owed."""
    remember(desk, digest="2026-03-08", backup="2026-03-08", retention="2026-03-08")

    def broken(reader: Reader, now_ms: int) -> str:
        raise ValueError("no words")

    with caplog.at_level(logging.INFO):
        jobs = jobs_for(digest=broken)
        assert until(lambda: of(jobs, "digest").failed == 1 and of(jobs, "backup").runs == 1)
    assert of(jobs, "digest").error == "no words"
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING] == [
        "the digest failed: no words"
    ]
    jobs.stop()
    mended = jobs_for()
    assert until(lambda: of(mended, "digest").runs == 1)


def test_a_full_disk_fails_the_digest_openly(desk: Desk, jobs_for: Start) -> None:
    """When the writer refuses, the job has failed with the writer's words."""
    remember(desk, digest="2026-03-08", backup="2026-03-09", retention="2026-03-09")
    desk.full = True
    jobs = jobs_for()
    assert until(lambda: of(jobs, "digest").failed == 1)
    assert "disk is full" in str(of(jobs, "digest").error)
    desk.full = False


# --- the heartbeat -----------------------------------------------------------------------------------------------


def test_the_heartbeat_asks_for_its_address_again_and_again(jobs_for: Start) -> None:
    """While the daemon is well the address is asked for at its interval."""
    with web_receiver() as web:
        jobs = jobs_for({"heartbeat_url": f"http://127.0.0.1:{web.port}/beat/key", "heartbeat_every": 0.1})
        assert web.wait(3)
        assert until(lambda: of(jobs, "heartbeat").runs >= 3)
        jobs.stop()
    assert {(method, path) for method, path, _ in web.asked} == {("GET", "/beat/key")}
    assert of(jobs, "heartbeat").result == "answered"


def test_no_heartbeat_while_unwell(jobs_for: Start) -> None:
    """An unhealthy daemon stays silent, so that the other side raises its alarm; well again, it goes on."""
    well = threading.Event()
    with web_receiver() as web:
        jobs = jobs_for(
            {"heartbeat_url": f"http://127.0.0.1:{web.port}/", "heartbeat_every": 0.05}, healthy=well.is_set
        )
        assert until(lambda: of(jobs, "heartbeat").runs >= 3)
        assert of(jobs, "heartbeat").result == "withheld: not healthy"
        assert web.asked == []
        well.set()
        assert web.wait(1)
        jobs.stop()


def test_a_heartbeat_that_is_refused_is_seen(jobs_for: Start) -> None:
    """A 500 counts as failed, with the server but without the path, which is often a key; then it recovers."""
    with web_receiver(500, 200) as web:
        jobs = jobs_for({"heartbeat_url": f"http://127.0.0.1:{web.port}/secret", "heartbeat_every": 0.3})
        assert until(lambda: of(jobs, "heartbeat").failed == 1)
        assert of(jobs, "heartbeat").error == "heartbeat to http://127.0.0.1: answered 500"
        assert until(lambda: of(jobs, "heartbeat").runs >= 1)
        assert of(jobs, "heartbeat").error is None
        jobs.stop()


def test_a_ping_does_not_wait_for_ever() -> None:
    """A server that takes the request and never answers, and one that is not there, are errors in a short time."""
    with web_receiver(HANG) as web, pytest.raises(RouteError, match="timed out"):
        ping(f"http://127.0.0.1:{web.port}/secret", timeout=0.2)
    with pytest.raises(RouteError, match="refused"):
        ping(f"http://127.0.0.1:{web.port}/secret")


@pytest.mark.parametrize("url", ["file:///etc/passwd", "ftp://127.0.0.1/x", "127.0.0.1/x"])
def test_only_the_web_is_pinged(url: str) -> None:
    """No other kind of address is opened."""
    with pytest.raises(RouteError, match="not an address of the web"):
        ping(url)


def test_a_job_that_is_due_while_it_still_runs_is_counted(jobs_for: Start, caplog: pytest.LogCaptureFixture) -> None:
    """The second run is passed over, and that shows."""
    go_on = threading.Event()

    def slow() -> bool:
        go_on.wait(10.0)
        return False

    with caplog.at_level(logging.WARNING):
        jobs = jobs_for({"heartbeat_url": "http://127.0.0.1:1/", "heartbeat_every": 0.05}, healthy=slow)
        assert until(lambda: of(jobs, "heartbeat").missed >= 1)
    go_on.set()
    assert "the heartbeat was due while it still ran: passed over" in caplog.text
    jobs.stop()
