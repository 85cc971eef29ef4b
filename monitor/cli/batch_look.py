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
    from monitor.engine import clocks  # noqa: PLC0415 - the engine, for verbs that judge only

    state = whole_state(settings)
    batch = batch_of(state, name)
    try:
        with reader_of(settings) as reader:
            events = list(reader.verdicts(name))
    except StoreError:
        events = []
    said = next((event for event in reversed(events) if event.get("remaining_range")), None)
    return state, batch, said, clocks.called_finished(events)


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
