"""What came in before there was a relay: put into the outbox a piece at a time, whenever nothing else waits there.

What is wanted is kept in the store as a list of jobs with how far each has come, so that a restart goes on from there
and the outbox never holds more of the past than one piece. What went through the outbox already is passed over.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from monitor.engine.state import State
from monitor.engine.whereabouts import Whereabouts
from monitor.store.relayed import STRETCHES, Stretch, as_text, gaps, joined, stretches
from monitor.store.store import Store

JOBS = "relay_past"
JOURNAL = "relay_past_journal"  # `received` up to which all of the journal was queued, whoever asked for it
PIECE = 2_000  # rows; the writer has other work
EARLIEST, LATEST = 0, 2**62

Tag = Callable[[str, int], tuple[str | None, str | None]]  # probe and time -> place and batch


@dataclass(frozen=True, slots=True)
class Job:
    """What is wanted, and how far it has come. Times are UTC ms, both ends within."""

    upto: int
    """`received` of the latest that is wanted: what came later went through the outbox."""
    from_ms: int = EARLIEST
    to_ms: int = LATEST
    step: Literal["journal", "events", "readings"] = "journal"
    at: tuple[int, int] = (-1, -1)
    queued: int = 0

    def whole(self) -> bool:
        """Whether nothing is left out."""
        return self.from_ms == EARLIEST and self.to_ms == LATEST


def jobs(kept: Any) -> list[Job]:
    """What is wanted and not all queued; `kept` is a store or a reader."""
    return [Job(**{**each, "at": tuple(each["at"])}) for each in json.loads(str(kept.meta(JOBS) or "[]"))]


def want(store: Store, from_ms: int = EARLIEST, to_ms: int = LATEST) -> Job:
    """Note what is wanted; what is wanted already is not noted twice."""
    job = Job(upto=store.last_received(), from_ms=from_ms, to_ms=to_ms)
    known = jobs(store)
    if not any((each.from_ms, each.to_ms) == (from_ms, to_ms) for each in known):
        _keep(store, [*known, job])
    return job


def span_of(request: Mapping[str, Any]) -> tuple[int, int]:
    """The span that a command asks for, `from` and `to` in UTC ms; ValueError where it is none."""
    from_ms, to_ms = request.get("from"), request.get("to")
    span = (EARLIEST if from_ms is None else int(from_ms), LATEST if to_ms is None else int(to_ms))
    if not EARLIEST <= span[0] <= span[1] <= LATEST:
        raise ValueError("the span ends before it begins")
    return span


def tags_of(state: State) -> Tag:
    """Where each probe sat, and beside which batch, as it is known now."""
    where = Whereabouts(state)

    def tag(probe: str, measured_ms: int) -> tuple[str | None, str | None]:
        place = state.place_at(probe, measured_ms)
        return place, where.batch_in(place, measured_ms)

    return tag


def queue_piece(store: Store, tag: Tag) -> int | None:
    """Queue the next piece of the first job; how many rows, or None when no job is left. For the writer to do."""
    known = jobs(store)
    if not known:
        return None
    job, rest = known[0], known[1:]
    missing = gaps(stretches(store), job.upto)
    count, job = _STEPS[job.step](store, job, missing, tag) if missing else (0, replace(job, step="readings", at=_END))
    if job.step == "readings" and job.at == _END:
        if job.whole():
            store.put_meta(STRETCHES, as_text(joined([*stretches(store), *missing])))
        _keep(store, rest)
    else:
        _keep(store, [job, *rest])
    return count


_END = (LATEST, LATEST)


def _keep(store: Store, known: list[Job]) -> None:
    store.put_meta(JOBS, json.dumps([asdict(job) for job in known]))


def _within(missing: list[Stretch], at: int) -> bool:
    return any(since <= at <= until for since, until in missing)


def _journal(store: Store, job: Job, missing: list[Stretch], _: Tag) -> tuple[int, Job]:
    """All of it: without places and configuration no reading can be judged."""
    had = store.meta(JOURNAL)
    found = store.outbox.entries_after(max(job.at[0], had if isinstance(had, int) else -1), PIECE)
    wanted = [received for received in found if _within(missing, received)]
    for received in wanted:
        store.outbox.add("entry", received, received, past=1)
    if not found:
        store.put_meta(JOURNAL, max(job.upto, had if isinstance(had, int) else -1))
    return _onwards(job, len(wanted), (found[-1], 0) if found else None, "events")


def _events(store: Store, job: Job, missing: list[Stretch], _: Tag) -> tuple[int, Job]:
    found = store.outbox.events_after(job.at[0], PIECE)
    count = 0
    for number, time_ms, batch, place in found:
        if job.from_ms <= time_ms <= job.to_ms and _within(missing, time_ms):
            store.outbox.add("event", time_ms, number, place, batch, past=1)
            count += 1
    return _onwards(job, count, (found[-1][0], 0) if found else None, "readings")


def _readings(store: Store, job: Job, missing: list[Stretch], tag: Tag) -> tuple[int, Job]:
    found = store.outbox.readings_after(job.at, job.from_ms, job.to_ms, PIECE)
    count = 0
    for series, measured_ms, received_ms, value, flags, probe in found:
        if _within(missing, received_ms):
            place, batch = tag(probe, measured_ms)
            store.outbox.add_reading(series, measured_ms, received_ms, value, flags, place, batch, past=1)
            count += 1
    return _onwards(job, count, found[-1][:2] if found else None, None)


def _onwards(
    job: Job, count: int, at: tuple[int, int] | None, following: Literal["events", "readings"] | None
) -> tuple[int, Job]:
    """The job as far as it has come: at the end of a step the next one begins."""
    queued = job.queued + count
    if at is not None:
        return count, replace(job, at=at, queued=queued)
    if following is None:
        return count, replace(job, at=_END, queued=queued)
    return count, replace(job, at=(-1, -1), queued=queued, step=following)


_STEPS: dict[str, Callable[[Store, Job, list[Stretch], Tag], tuple[int, Job]]] = {
    "journal": _journal,
    "events": _events,
    "readings": _readings,
}
