"""What a request sees of the store: one moment of it, read through a connection of its own."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from monitor.engine.state import STATE_VERSION, State
from monitor.engine.view import overview
from monitor.model.config import Probe
from monitor.model.errors import StoreError
from monitor.store.reader import Reader
from monitor.web.refusal import NotNow
from monitor.web.unread import mark_unread


@contextlib.contextmanager
def reading(path: Path) -> Iterator[Reader]:
    """A reader at one moment of the store; NotNow while it cannot be read."""
    try:
        with Reader(path) as reader, reader.moment():
            yield reader
    except StoreError as error:
        raise NotNow(error.what, error.remedy) from error
    except sqlite3.Error as error:
        raise NotNow(f"the store cannot be read: {error}", "look at its disk; try again in a moment") from error


def load(reader: Reader) -> State:
    """The engine's state as last committed, without the hours of its tracks: no picture needs them."""
    version = reader.meta("state_version")
    if version is None:
        return State()
    if version != STATE_VERSION:
        raise NotNow("the watcher is bringing its memory up to date after an update", "try again in a minute")
    return State.restore({key: value for key, value in reader.state().items() if not key.startswith("hour:")})


def picture(reader: Reader, state: State, now_ms: int, probes: Iterable[Probe] = ()) -> dict[str, Any]:
    """The overview, each batch with the verdict as last said; `probes` as configured, with where they are heard."""
    told = overview(state, now_ms)
    mark_unread(told["probes"], reader, probes)
    said = reader.latest_verdicts()
    for batch in told["batches"]:
        batch["judgement"] = said.get(batch["name"])
    return told
