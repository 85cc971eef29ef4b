"""What the verbs that judge a batch share: a look at the engine's state, and when something was done."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from monitor.cli.common import (
    batch_vessel,
    moment,
    now_ms,
    reader_of,
    with_config,
    with_json,
)
from monitor.model.clock import MINUTE
from monitor.model.config import Settings
from monitor.model.errors import StoreError, UsageError

if TYPE_CHECKING:
    from monitor.engine.state import State
    from monitor.rules.batch import BatchState


def named(parser: argparse.ArgumentParser) -> None:
    """`NAME`, `--config` and `--json`."""
    with_config(parser)
    with_json(parser)
    parser.add_argument("name", metavar="NAME", help="the batch")


def when(parser: argparse.ArgumentParser, what: str) -> None:
    """`--when`."""
    parser.add_argument("--when", metavar="T", help=f"when {what} (default: now)")


def look(settings: Settings, name: str) -> tuple[State, BatchState | None, dict[str, Any] | None, int | None]:
    """The state, the batch in it, its latest verdict, and when it was called finished."""
    from monitor.engine.state import State  # noqa: PLC0415 - start-up: only the verbs that judge need the engine

    batch_vessel(settings, name)
    try:
        with reader_of(settings) as reader, reader.moment():
            state = State.restore(reader.state())
            events = [event for _, event in reader.events() if event.get("batch") == name]
    except StoreError:
        state, events = State(), []
        state.use(settings.for_rules())
    finished = None
    for event in events:
        if event["verdict"] != "finished":
            finished = finished if event["verdict"] == "unknown" else None
        elif finished is None:
            finished = moment(event["time"], settings)
    return state, state.batches.get(name), events[-1] if events else None, finished


def undo(name: str) -> str:
    """The command that takes it back, in a sentence."""
    return f"a mistake? leeswatch batch undo {name}"


def past(args: argparse.Namespace, settings: Settings) -> int:
    """When it was done; UsageError for what is still to come."""
    at = moment(args.when, settings)
    if args.when is not None and at > now_ms(settings) + MINUTE:
        raise UsageError(f"{args.when} is still to come", "say it once it is done")
    return at
