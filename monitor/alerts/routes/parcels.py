"""What may go out now, and in how many letters: quiet hours hold back, and what they held is folded. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from monitor.alerts.routes.base import Letter
from monitor.alerts.routes.quiet import QuietHours
from monitor.alerts.routes.text import Writing
from monitor.store.reader import Due

FOLDED = 20  # notices in one letter


@dataclass(frozen=True, slots=True)
class Parcel:
    """A letter and the deliveries that are done once it has arrived."""

    items: tuple[Due, ...]
    letter: Letter


def plan(
    due: Sequence[Due], quiet: QuietHours | None, now_ms: int, writing: Writing, apart: Callable[[Due], bool]
) -> tuple[list[Parcel], int]:
    """The parcels to send now, in the order their notices were made; and how many deliveries are held back.

    While it is quiet only high priority goes out. Afterwards each run of notices that were made in quiet hours
    becomes one parcel, but for those that `apart` wants alone (the service may be refusing just that one).
    """
    if quiet is None:
        return [_single(each, writing) for each in due], 0
    if quiet.until(now_ms) is not None:
        passing = [each for each in due if each.notice.priority == "high"]
        return [_single(each, writing) for each in passing], len(due) - len(passing)

    def was_held(each: Due) -> bool:
        return each.notice.priority != "high" and not apart(each) and quiet.until(each.notice.time_ms) is not None

    parcels: list[Parcel] = []
    for held, group in itertools.groupby(due, was_held):
        run = tuple(group)
        parcels += _folded(run, writing) if held else (_single(each, writing) for each in run)
    return parcels, 0


def _folded(run: Sequence[Due], writing: Writing) -> Iterator[Parcel]:
    for start in range(0, len(run), FOLDED):
        items = tuple(run[start : start + FOLDED])
        if len(items) == 1:
            yield _single(items[0], writing)
        else:
            yield Parcel(items, writing.fold([each.notice for each in items]))


def _single(due: Due, writing: Writing) -> Parcel:
    return Parcel((due,), writing.letter(due.notice))
