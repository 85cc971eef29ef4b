"""Real parts for the sources: a broker, and a place where messages arrive."""

import threading
import time
import uuid
from collections.abc import Callable, Iterator

import pytest

from monitor.model.clock import ManualClock, parse_time
from monitor.model.config import Mqtt
from monitor.model.inputs import Message
from simulators.wires import Broker, BrokerLink, private_broker

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


@pytest.fixture
def inbox() -> Inbox:
    return Inbox()


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(NOW, 5_000)


@pytest.fixture(scope="session")
def shared_broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """One broker for the tests that do it no harm; each has topics and a client of its own."""
    with private_broker(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


@pytest.fixture
def broker(request: pytest.FixtureRequest) -> Iterator[Broker]:
    """A broker to be stopped, killed and started again."""
    with private_broker(request.getfixturevalue("tmp_path") / "broker") as broker:
        yield broker


@pytest.fixture
def link(shared_broker: Broker) -> Iterator[BrokerLink]:
    """A probe's end of the shared broker."""
    with BrokerLink(shared_broker.port, name=f"probe-{uuid.uuid4().hex[:8]}") as link:
        yield link


@pytest.fixture
def mqtt(shared_broker: Broker) -> Mqtt:
    """Settings for the shared broker, with a client of the test's own."""
    return Mqtt(port=shared_broker.port, client_id=f"test-{uuid.uuid4().hex[:8]}")
