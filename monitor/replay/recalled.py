"""Batches read back from a time-series server into a store of their own, which vanishes when it was looked at."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from monitor.model.errors import RelayError
from monitor.model.inputs import Configured
from monitor.relay.past import Past
from monitor.relay.recall import Recalled, Story, recall
from monitor.replay import filing
from monitor.store.store import Store


@contextlib.contextmanager
def store_of(
    past: Past, story: Story, batches: Sequence[str] = (), progress: Callable[[int, int], None] = lambda *_: None
) -> Iterator[tuple[Path, Recalled]]:
    """A temporary store of some batches of a site, or of the whole site, judged anew as an import would.

    `progress` is told how many readings of how many were filed.
    """
    if not any(isinstance(entry, Configured) for entry in story.entries):
        raise RelayError(
            f"the server has no configuration of site {story.site}",
            "it is older than its relay: do `leeswatch relay backfill` at that site",
        )
    with tempfile.TemporaryDirectory(prefix="leeswatch-") as folder:
        recording, path = Path(folder) / "past.csv", Path(folder) / "past.db"
        done = recall(past, story, recording, batches)
        source = filing.look_through(recording)
        done.wrong.incomplete += source.refused
        with Store.open(path) as store:
            filing.as_it_was(store, source, None, lambda count: progress(count, done.readings))
        yield path, done
