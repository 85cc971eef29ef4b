"""Real parts for the sources: a broker, and where messages arrive."""

import uuid
from collections.abc import Iterator

import pytest

from monitor.model.clock import ManualClock
from monitor.model.config import Mqtt
from simulators.wires import Broker, BrokerLink, private_broker

from .helpers import NOW, Inbox


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
