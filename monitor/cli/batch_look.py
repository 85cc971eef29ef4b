"""What the verbs that judge a batch share: a look at the engine's state, and when something was done."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from monitor.cli.common import batch_of, moment, now_ms, reader_of, whole_state
from monitor.model.clock import MINUTE
from monitor.model.config import Settings
from monitor.model.errors import StoreError, UsageError

if TYPE_CHECKING:
    from monitor.engine.state import State
    from monitor.rules.batch import BatchState


def look(settings: Settings, name: str) -> tuple[State, BatchState, dict[str, Any] | None, int | None]:
    """The state, the batch in it, its latest verdict with ranges, and when it was called finished."""
    state = whole_state(settings)
    batch = batch_of(state, name)
    try:
        with reader_of(settings) as reader:
            events = [event for _, event in reader.events() if event.get("batch") == name]
    except StoreError:
        events = []
    finished = None
    for event in events:
        if event["verdict"] != "finished":
            finished = finished if event["verdict"] == "unknown" else None
        elif finished is None:
            finished = moment(event["time"], settings)
    said = next((event for event in reversed(events) if event.get("remaining_range")), None)
    return state, batch, said, finished


def open_batch(batch: BatchState) -> None:
    """UsageError where it is over."""
    if batch.closed:
        raise UsageError(f"batch {batch.name} is closed", f"leeswatch batch reopen {batch.name}")


def past(args: argparse.Namespace, settings: Settings) -> int:
    """When it was done; UsageError for what is still to come."""
    at = moment(args.when, settings)
    if args.when is not None and at > now_ms(settings) + MINUTE:
        raise UsageError(f"{args.when} is still to come", "say it once it is done")
    return at


def undo(name: str) -> str:
    """The command that takes it back."""
    return f"leeswatch batch undo {name}"
