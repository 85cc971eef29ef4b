"""Events as they happen: server-sent events, numbered as in the store, so that a reader may resume."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from anyio import to_thread

from monitor.model.errors import StoreError
from monitor.model.events import as_line
from monitor.store.reader import Reader
from monitor.web.refusal import NotNow

LOOK_EVERY = 1.0  # seconds between looks at the store
HEARTBEAT = 15.0
STREAMS = 20
AT_ONCE = 200
RETRY_MS = 3_000

Numbered = list[tuple[int, dict[str, Any]]]


class Streams:
    """The open streams of one app; `stop` ends them, from any thread."""

    def __init__(self) -> None:
        self.open = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stopping: asyncio.Event | None = None

    def begin(self) -> None:
        """Called in the server's loop, before any stream."""
        self._loop = asyncio.get_running_loop()
        self._stopping = asyncio.Event()

    def stop(self) -> None:
        """End all streams."""
        if self._loop is not None and self._stopping is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._stopping.set)

    async def follow(self, path: Path, after: int | None, allowed: Callable[[], bool]) -> AsyncIterator[str]:
        """Lines of a stream of events after a number (None: from now on), until stopped or no longer allowed."""
        assert self._stopping is not None
        self.open += 1
        try:
            if after is None:  # settled before the first byte: whoever sees that misses nothing after it
                after, _ = await to_thread.run_sync(_look, path, None)
            yield f"retry: {RETRY_MS}\n\n"
            quiet = 0.0
            while not self._stopping.is_set() and allowed():
                after, found = await to_thread.run_sync(_look, path, after)
                for number, record in found:
                    yield f"id: {number}\nevent: {record['event']}\ndata: {as_line(record)}\n\n"
                quiet = 0.0 if found else quiet + LOOK_EVERY
                if quiet >= HEARTBEAT:
                    quiet = 0.0
                    yield ": nothing new\n\n"
                if len(found) < AT_ONCE:
                    await self._nap()
        finally:
            self.open -= 1

    async def _nap(self) -> None:
        assert self._stopping is not None
        try:
            await asyncio.wait_for(self._stopping.wait(), LOOK_EVERY)
        except TimeoutError:
            return

    def room(self) -> None:
        """NotNow when too many streams are open."""
        if self.open >= STREAMS:
            raise NotNow("too many open streams of events", "close a page, or try later", {"Retry-After": "30"})


def _look(path: Path, after: int | None) -> tuple[int | None, Numbered]:
    try:
        with Reader(path) as reader:
            last = reader.last_event()
            if after is None or after > last:  # a number from another store resumes at the end of this one
                return last, []
            found = list(reader.events(after, AT_ONCE)) if after < last else []
    except (StoreError, sqlite3.Error):
        return after, []  # in trouble just now: the stream stays open and looks again
    return (found[-1][0] if found else after), found
