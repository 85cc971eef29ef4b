"""A daemon's writer on its thread, with its source on a real broker and its store on disk; to be killed at will."""

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from monitor.ledger import Ledger
from monitor.model.clock import SystemClock
from monitor.model.config import Mqtt, Probe
from monitor.sources.mqtt import MqttSource
from monitor.store.store import Store
from monitor.writer import Writer

from .helpers import SETTINGS

PATIENCE_S = 15.0


def until(true: Callable[[], object], patience_s: float = PATIENCE_S) -> None:
    """Wait until something is so; fail when it is not in time."""
    end = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


class Wired:
    """See above. `acknowledge=False`: it commits and is killed before any acknowledgement leaves."""

    def __init__(self, folder: Path, port: int, topics: dict[str, str], *, acknowledge: bool = True) -> None:
        clock = SystemClock()
        self.store = Store.open(folder / "store.db")
        self.writer = Writer(Ledger(self.store, strict=True), clock, group_ms=20)
        self.writer.begin(SETTINGS)
        probes = [Probe(name=name, source="mqtt", topic=topic) for name, topic in topics.items()]
        self.source = MqttSource(
            Mqtt(port=port, client_id="cellar"), probes, self.writer.submit, clock, self.store.last_session()
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._loop)
        if not acknowledge:
            self.source._session.receipt = lambda *_: None  # type: ignore[method-assign]
        self._thread.start()
        self.source.start()
        until(lambda: self.source.status().connected)
        time.sleep(0.1)  # the broker takes the subscription just after

    def committed(self, messages: int) -> None:
        """Wait for so many messages to be committed."""
        until(lambda: self.writer.status.messages >= messages)

    @property
    def lives(self) -> bool:
        """Whether it was not killed yet."""
        return not self._stop.is_set()

    def kill(self) -> None:
        """As kill -9: no goodbye to the broker, nothing more committed."""
        if not self.lives:
            return
        self._stop.set()
        self.source._client._thread_terminate = True
        self.source._drop_connection()
        self.writer.nudge()
        self._thread.join(5.0)
        self.source._client.loop_stop()
        self.store._connection.close()
        assert self.store._lock is not None
        self.store._lock.close()

    def _loop(self) -> None:
        while not self._stop.is_set():
            self.writer._turn()


@contextlib.contextmanager
def wired(
    folder: Path, port: int, topics: dict[str, str] | None = None, *, acknowledge: bool = True
) -> Iterator[Wired]:
    """One life of the daemon; killed at its end if it still lives."""
    life = Wired(folder, port, topics or {"float-a": "cellar/float-a"}, acknowledge=acknowledge)
    try:
        yield life
    finally:
        life.kill()
