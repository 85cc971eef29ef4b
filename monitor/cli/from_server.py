"""What the commands share that look at the past on a time-series server instead of the store."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from monitor.cli.common import iso
from monitor.model.config import Relay, Settings
from monitor.model.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from monitor.engine.state import State
    from monitor.relay.recall import Recalled

HERE = ""  # the site of this configuration
_LOST = "they wait at the site, were set aside there (leeswatch relay refused), or are lost"


def with_server(parser: argparse.ArgumentParser) -> None:
    """`--from-server`."""
    parser.add_argument(
        "--from-server", nargs="?", const=HERE, metavar="SITE",
        help="take it from the time-series server of [relay], as that site sent it (left out: this site)",
    )  # fmt: skip


def relay_of(settings: Settings) -> Relay:
    """The server that is configured; UsageError where none is."""
    if settings.relay is None:
        raise UsageError(
            "no [relay] is configured", 'add [relay] with url = "http://…" to the configuration: there it is read back'
        )
    return settings.relay


@contextlib.contextmanager
def store_in(
    settings: Settings, site: str | None, names: Sequence[str],
    also: Callable[[State], Sequence[str]] = lambda _: (),
) -> Iterator[Settings]:  # fmt: skip
    """The settings to look with: these, or (`site` given) those of a temporary store that was read back.

    It holds the batches named, and those that `also` finds beside them. What is missing is told on stderr.
    """
    if site is None:
        yield settings
        return
    from monitor.relay.past import past_of  # noqa: PLC0415 - only where a server is asked
    from monitor.relay.recall import story_of  # noqa: PLC0415
    from monitor.replay.recalled import store_of  # noqa: PLC0415

    relay = relay_of(settings)
    with past_of(relay) as past:
        story = story_of(past, site or settings.site.name)
        batches = list(dict.fromkeys([*names, *(also(story.state) if set(names) <= set(story.state.batches) else ())]))
        with store_of(past, story, batches, _progress) as (path, done):
            print(f"from {relay.url}, site {done.site}: {told(done, settings)}", file=sys.stderr)
            for line in missing(done, settings):
                print(f"missing: {line}", file=sys.stderr)
            yield settings.model_copy(update={"store": settings.store.model_copy(update={"path": path})})


def _progress(count: int, of: int) -> None:
    if sys.stderr.isatty() and of:
        end = "" if count < of else "\r     \r"
        print(f"\r{count * 100 // of:3d} %{end}", end="", file=sys.stderr, flush=True)


def told(done: Recalled, settings: Settings) -> str:
    """How much was read back, and of when."""
    what = f" of {' and '.join(done.batches)}" if done.batches else ""
    if done.first_ms is None or done.last_ms is None:
        return f"no reading{what}"
    return f"{done.readings} readings{what}, {when(done.first_ms, settings)} to {when(done.last_ms, settings)}"


def missing(done: Recalled, settings: Settings) -> list[str]:
    """What is known to be missing, a sentence each."""
    found = []
    if done.gaps:
        count = sum(gap.size for gap in done.gaps)
        times = [time for gap in done.gaps for time in (gap.after_ms, gap.before_ms)]
        found.append(
            f"{_many(count, 'row')} of the site between {when(min(times), settings)} and {when(max(times), settings)}: "
            f"{_LOST}"
        )
    if done.damaged:
        first = done.damaged[0]
        found.append(
            f"{_many(len(done.damaged), 'journal entry', 'journal entries')} that cannot be read (the first of "
            f"{when(first.received_ms, settings)}: {first.why}); what was judged after may come out differently"
        )
    if done.wrong.incomplete:
        found.append(f"{_many(done.wrong.incomplete, 'reading')} that the server has not whole, left out")
    if done.wrong.conflicts:
        found.append(
            f"{_many(done.wrong.conflicts, 'second value')} at a time that has one: the one received first stays"
        )
    if done.wrong.unknown:
        names = ", ".join(sorted(done.wrong.unknown))
        found.append(f"{_many(done.wrong.unknown.total(), 'reading')} of what this version does not know ({names})")
    return found


def missing_json(done: Recalled) -> dict[str, Any]:
    """What is known to be missing, as JSON."""
    return {
        "rows": [
            {"first": gap.first, "last": gap.last, "after": iso(gap.after_ms), "before": iso(gap.before_ms)}
            for gap in done.gaps
        ],
        "entries": [{"received": iso(each.received_ms), "why": each.why} for each in done.damaged],
        "not_whole": done.wrong.incomplete, "conflicts": done.wrong.conflicts, "unknown": dict(done.wrong.unknown),
    }  # fmt: skip


def when(ms: int, settings: Settings) -> str:
    """A time of the past as people here read it, with its year."""
    return (
        datetime.fromtimestamp(ms / 1000, UTC).astimezone(ZoneInfo(settings.site.timezone)).strftime("%d %b %Y %H:%M")
    )


def _many(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or f'{one}s'}"
