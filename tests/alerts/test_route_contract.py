from __future__ import annotations

from collections.abc import Iterator

import pytest

from monitor.alerts.routes import AppriseRoute, LogRoute, MemoryRoute, Route, TopicRoute
from monitor.alerts.routes.base import RANK
from monitor.alerts.routes.text import Writing
from monitor.model import config
from monitor.model.errors import RouteError
from tests.alerts.conftest import LISBON
from tests.alerts.desk import a_notice
from tests.alerts.receivers import web_receiver

LETTER = Writing(LISBON).letter(a_notice("Stalled"))


def refuse(*_: object) -> None:
    raise ConnectionError("gone")


@pytest.fixture(params=["memory", "topic", "log", "address"])
def good(request: pytest.FixtureRequest) -> Iterator[Route]:
    with web_receiver() as web:
        yield {
            "memory": MemoryRoute(),
            "topic": TopicRoute(lambda _topic, _payload: None),
            "log": LogRoute(),
            "address": AppriseRoute(config.Route(name="phone", url=web.address)),
        }[request.param]


@pytest.fixture(params=["memory", "topic", "address"])
def bad(request: pytest.FixtureRequest) -> Iterator[Route]:
    memory = MemoryRoute()
    memory.broken = "gone"
    with web_receiver(503) as web:
        yield {
            "memory": memory,
            "topic": TopicRoute(refuse),
            "address": AppriseRoute(config.Route(name="phone", url=web.address)),
        }[request.param]


def test_every_route_takes_letter_after_letter(good: Route) -> None:
    """A route that works says nothing, and works a second time."""
    assert good.lowest in RANK
    good.send(LETTER)
    good.send(LETTER)


def test_every_route_that_fails_raises_a_route_error_that_names_it(bad: Route) -> None:
    """Whatever broke underneath, the courier sees one kind of error, which a retry may mend."""
    for _ in range(2):
        with pytest.raises(RouteError, match=f"route {bad.name}: ") as caught:
            bad.send(LETTER)
        assert caught.value.retry
