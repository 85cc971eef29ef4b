"""The calendar: which job runs when, what became of it, and what is made up for after a time away.

Daily jobs keep the local day on which they last ran in the store. A day is never run twice. What fell into a time
when the daemon was off runs once at the next start of the same day: the backup and the thinning at any later hour,
the digest up to six hours late (a morning's digest at night helps nobody). A new store owes nothing.

The scheduler reads the machine's wall clock. Where that is stepped, all its plans are made anew: it would else wait
for a moment that has passed, or that lies a year ahead.
"""

from __future__ import annotations

import functools
import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, EVENT_JOB_MAX_INSTANCES, EVENT_JOB_MISSED
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.date import DateTrigger
from apscheduler.triggers.interval import IntervalTrigger

from monitor.alerts.routes.worker import Do
from monitor.jobs.digest import digest_text
from monitor.jobs.heartbeat import ping
from monitor.jobs.upkeep import WRITER_SECONDS, Span, back_up, thin_closed
from monitor.model.clock import EARLIEST_MS, HOUR, MINUTE, SECOND, Clock
from monitor.model.config import Settings
from monitor.model.errors import StoreTrouble
from monitor.model.events import Notice
from monitor.store.reader import Reader
from monitor.store.store import Store

DIGEST_LATE = 6 * HOUR
STEP = MINUTE  # a wall clock that moved this far against the monotonic one was stepped
FIRST_BEAT = 10.0  # seconds after the start

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class JobStatus:
    """What became of a job since the start; times are UTC ms."""

    job: str
    runs: int = 0
    failed: int = 0
    missed: int = 0  # it was due while it still ran
    result: str | None = None  # of the latest run that did not fail
    last_run_ms: int | None = None
    error: str | None = None  # of the latest run, if that failed
    next_ms: int | None = None


class Jobs:
    """Runs them. `start` and `stop` once each; stop before the writer stops."""

    def __init__(
        self, settings: Settings, path: Path, do: Do, clock: Clock, *, routes: Sequence[str],
        closed: Callable[[], list[Span]], healthy: Callable[[], bool],
        digest: Callable[[Reader, int], str] | None = None, told: Callable[[], None] | None = None,
    ) -> None:  # fmt: skip
        """`closed` names what belongs to closed batches only; `told` runs when a digest waits to be sent."""
        self._zone = ZoneInfo(settings.site.timezone)
        self._site = settings.site.name
        self._plan = settings.jobs
        self._keep_raw_ms = int(settings.store.keep_raw * SECOND)
        self._path, self._do, self._clock = path, do, clock
        self._routes, self._closed, self._healthy, self._told = list(routes), closed, healthy, told
        self._digest_text = digest or functools.partial(digest_text, zone=self._zone, site=self._site)
        self._work: dict[str, Callable[[], str]] = {
            "digest": self._digest, "retention": self._retention, "backup": self._backup, "heartbeat": self._heartbeat,
        }  # fmt: skip
        self._status = {name: JobStatus(name) for name in self._work}
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._watch = threading.Thread(target=self._watch_clock, name="calendar clock", daemon=True)
        self._offset = 0
        self._scheduler = BackgroundScheduler(
            timezone=self._zone,
            executors={"default": ThreadPoolExecutor(len(self._work))},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self._scheduler.add_listener(
            self._heard, EVENT_JOB_EXECUTED | EVENT_JOB_ERROR | EVENT_JOB_MISSED | EVENT_JOB_MAX_INSTANCES
        )
        for quiet in ("apscheduler.scheduler", "apscheduler.executors.default"):
            logging.getLogger(quiet).setLevel(logging.CRITICAL)  # what it would log, `_heard` says in our words

    def start(self) -> None:
        """Plan all jobs, and run what was missed today."""
        self._offset = self._clock.wall_ms() - self._clock.mono_ms()
        self._scheduler.start()
        self._make_plans()
        self._watch.start()

    def stop(self) -> None:
        """Plan no more, and wait for what runs (a heartbeat up to its timeout, a backup to its end)."""
        self._ended.set()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)
        if self._watch.ident is not None:
            self._watch.join()

    def status(self) -> list[JobStatus]:
        """Every job, those that are switched off too (they have no next run)."""
        with self._lock:
            known = list(self._status.values())
        return [replace(each, next_ms=self._next(each.job)) for each in known]

    def look_at_clock(self) -> bool:
        """Whether the wall clock was stepped since the last look; if so, all plans are made anew."""
        offset = self._clock.wall_ms() - self._clock.mono_ms()
        if abs(offset - self._offset) < STEP:
            return False
        self._offset = offset
        self._scheduler.remove_all_jobs()
        self._make_plans()
        return True

    # --- planning -----------------------------------------------------------------------------------------------

    def _make_plans(self) -> None:
        for name, at in (("digest", self._plan.digest), ("retention", self._plan.retention),
                         ("backup", self._plan.backup)):  # fmt: skip
            if at is not None:
                hour, minute = map(int, at.split(":"))
                self._add(name, name, CronTrigger(hour=hour, minute=minute, timezone=self._zone))
                if self._owed(name, hour, minute):
                    self._add(f"{name} late", name, DateTrigger(timezone=self._zone))
        if self._plan.heartbeat_url is not None:
            every = self._plan.heartbeat_every
            first = self._clock.wall_ms() / SECOND + min(every, FIRST_BEAT)
            trigger = IntervalTrigger(seconds=every, start_date=datetime.fromtimestamp(first, UTC), timezone=UTC)
            self._add("heartbeat", "heartbeat", trigger)

    def _add(self, number: str, name: str, trigger: Any) -> None:
        self._scheduler.add_job(self._work[name], trigger, id=number, name=name, replace_existing=True)

    def _owed(self, name: str, hour: int, minute: int) -> bool:
        """Whether today's run should have been by now, and was not. A store that knows no run owes none."""
        now = self._clock.wall_ms()
        if now < EARLIEST_MS:
            return False
        here = datetime.fromtimestamp(now / SECOND, UTC).astimezone(self._zone)
        late = ((here.hour - hour) * 60 + here.minute - minute) * MINUTE
        if late < 0:
            return False
        with Reader(self._path) as reader:
            last = reader.meta(_key(name))
        if last is None:
            self._do(lambda store: store.put_meta(_key(name), self._day())).result(WRITER_SECONDS)
            return False
        return last != self._day() and not (name == "digest" and late > DIGEST_LATE)

    def _day(self) -> str:
        return datetime.fromtimestamp(self._clock.wall_ms() / SECOND, UTC).astimezone(self._zone).date().isoformat()

    def _next(self, name: str) -> int | None:
        job = self._scheduler.get_job(name)
        moment = getattr(job, "next_run_time", None)
        return None if moment is None else int(moment.timestamp() * SECOND)

    def _watch_clock(self) -> None:
        while not self._ended.wait(self._clock.real_seconds(MINUTE)):
            try:
                self.look_at_clock()
            except Exception:  # noqa: BLE001 - it must go on looking
                _log.exception("the calendar could not be planned anew")

    # --- what became of them ------------------------------------------------------------------------------------

    def _heard(self, event: Any) -> None:
        name = str(event.job_id).partition(" ")[0]
        now = self._clock.wall_ms()
        with self._lock:
            known = self._status[name]
            if event.code == EVENT_JOB_EXECUTED:
                new = replace(known, runs=known.runs + 1, result=event.retval, last_run_ms=now, error=None)
            elif event.code == EVENT_JOB_ERROR:
                new = replace(known, failed=known.failed + 1, last_run_ms=now, error=_words(event.exception))
            else:
                new = replace(known, missed=known.missed + 1)
            self._status[name] = new
        if new.failed > known.failed:
            _log.error("the %s failed: %s", name, new.error)
        elif new.missed > known.missed:
            _log.warning("the %s was due while it still ran: passed over", name)
        else:
            _log.debug("the %s ran: %s", name, new.result)

    # --- the jobs -----------------------------------------------------------------------------------------------

    def _once_a_day(self, name: str) -> str | None:
        """Today, if the job has not run today and the clock can be believed."""
        day = self._day()
        if self._clock.wall_ms() < EARLIEST_MS:
            raise StoreTrouble("the clock is not set", "it runs once it is")
        with Reader(self._path) as reader:
            return None if reader.meta(_key(name)) == day else day

    def _digest(self) -> str:
        day = self._once_a_day("digest")
        if day is None:
            return "sent before today"
        now = self._clock.wall_ms()
        with Reader(self._path) as reader:
            text = self._digest_text(reader, now)
        notice = Notice(
            time_ms=now, alert_id=f"digest-{day}", alert="digest", about="site:digest",
            priority="low", reason="first", title=f"Morning at {self._site}", body=text, seen_ms=None,
        )  # fmt: skip

        def chore(store: Store) -> None:
            if store.meta(_key("digest")) != day:  # with the notice in one transaction: never twice, never none
                store.add_outcome([], [notice], self._routes)
                store.put_meta(_key("digest"), day)

        self._do(chore).result(WRITER_SECONDS)
        if self._told is not None:
            self._told()
        return "handed to the routes"

    def _retention(self) -> str:
        day = self._once_a_day("retention")
        if day is None:
            return "done before today"
        gone = thin_closed(self._path, self._do, self._closed(), self._clock.wall_ms() - self._keep_raw_ms)
        self._done("retention", day)
        return f"{gone} readings of closed batches went"

    def _backup(self) -> str:
        day = self._once_a_day("backup")
        if day is None:
            return "done before today"
        folder = self._plan.backup_dir or self._path.parent / "backups"
        copy = back_up(self._path, folder, day, self._plan.backups_kept)
        self._done("backup", day)
        return f"{copy.name}, {copy.stat().st_size} bytes"

    def _heartbeat(self) -> str:
        assert self._plan.heartbeat_url is not None
        if not self._healthy():
            return "withheld: not healthy"
        ping(self._plan.heartbeat_url)
        return "answered"

    def _done(self, name: str, day: str) -> None:
        self._do(lambda store: store.put_meta(_key(name), day)).result(WRITER_SECONDS)


def _key(name: str) -> str:
    return f"job:{name}"


def _words(error: BaseException) -> str:
    return str(error) or type(error).__name__
