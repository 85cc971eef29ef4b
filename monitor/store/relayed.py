"""Which stretches of `received` went through the outbox: what lies between them came in while there was no relay."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Protocol

Stretch = tuple[int, int]  # from and to, both within

STRETCHES, UNTIL = "relayed", "relayed_until"


class _Kept(Protocol):
    def meta(self, key: str) -> str | int | None: ...


class _Keeps(_Kept, Protocol):
    def put_meta(self, key: str, value: str | int | None) -> None: ...


def note(store: _Keeps, last_before: int | None, until: int) -> None:
    """What was committed up to `until` was queued.

    `last_before` is the store's last `received` before the first commit of whoever writes, None after that one: where
    others wrote since, a new stretch begins.
    """
    if last_before is not None:
        found = stretches(store)
        if not found or found[-1][1] < last_before:
            store.put_meta(STRETCHES, as_text([*found, (last_before + 1, until)]))
    store.put_meta(UNTIL, until)


def stretches(kept: _Kept) -> list[Stretch]:
    """Those that were queued, in order; the latest is still growing while a relay is configured."""
    found = [(int(since), int(until)) for since, until in json.loads(str(kept.meta(STRETCHES) or "[]"))]
    until = kept.meta(UNTIL)
    if found and isinstance(until, int):
        found[-1] = (found[-1][0], max(found[-1][1], until))
    return found


def as_text(found: Iterable[Stretch]) -> str:
    """As it is kept."""
    return json.dumps([list(stretch) for stretch in found])


def gaps(found: Iterable[Stretch], upto: int) -> list[Stretch]:
    """What lies before, between and, up to `upto`, after them."""
    between: list[Stretch] = []
    at = 0
    for since, until in sorted(found):
        if at < since:
            between.append((at, since - 1))
        at = max(at, until + 1)
    if at <= upto:
        between.append((at, upto))
    return between


def joined(found: Iterable[Stretch]) -> list[Stretch]:
    """The same with those that touch or overlap as one."""
    out: list[Stretch] = []
    for since, until in sorted(found):
        if out and since <= out[-1][1] + 1:
            out[-1] = (out[-1][0], max(out[-1][1], until))
        else:
            out.append((since, until))
    return out
