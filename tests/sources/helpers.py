"""What the tests of the sources share: a place where messages arrive, and waiting for things to be so."""

import threading
import time
from collections.abc import Callable

from monitor.model.clock import parse_time
from monitor.model.inputs import Message

NOW = parse_time("2026-03-02T18:00:00Z")
PATIENCE_S = 15.0


def until(true: Callable[[], object], patience_s: float = PATIENCE_S) -> None:
    """Wait until something is so; fail when it is not in time."""
    end = time.monotonic() + patience_s
    while not true():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.01)


class Inbox:
    """A sink that keeps what it is given, and can be told to fail."""

    def __init__(self) -> None:
        self.messages: list[Message] = []
        self.fail = 0
        self._changed = threading.Condition()

    def __call__(self, message: Message) -> None:
        with self._changed:
            if self.fail:
                self.fail -= 1
                raise RuntimeError("no room")
            self.messages.append(message)
            self._changed.notify_all()

    def wait(self, count: int, patience_s: float = PATIENCE_S) -> list[Message]:
        """The messages, once there are at least `count`."""
        with self._changed:
            arrived = self._changed.wait_for(lambda: len(self.messages) >= count, patience_s)
            assert arrived, f"{len(self.messages)} of {count} messages came"
            return list(self.messages)

    def quiet(self, seconds: float = 0.3) -> list[Message]:
        """The messages, after a while in which a further one would have come."""
        time.sleep(seconds)
        return list(self.messages)

    def values(self) -> list[tuple[str | None, str, float]]:
        """Probe, quantity and value of everything so far."""
        return [(each.probe, sample.quantity, sample.value) for each in self.messages for sample in each.samples]
