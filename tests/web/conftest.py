from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.model.clock import HOUR, ManualClock
from monitor.model.config import Settings, Site, Web
from tests.web.cellar import START, House, copy_of, fill, house_of, play


@dataclass(frozen=True)
class Filled:
    """A store that was filled once for all tests; each works on a copy."""

    path: Path
    settings: Settings
    last_ms: int


def lisbon(settings: Settings, **web: object) -> Settings:
    """The scenario's settings in a zone of its own, with what the page is told."""
    site = Site(name="Stone cellar", timezone="Europe/Lisbon")
    return settings.model_copy(update={"site": site, "web": Web.model_validate({"port": 0, **web})})


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, float | None], Filled]:
    """A scenario's recording, run through the engine into a store on disk, up to an hour after its start."""
    made: dict[tuple[str, float | None], Filled] = {}

    def record(scenario: str, hours: float | None) -> Filled:
        if (scenario, hours) not in made:
            folder = tmp_path_factory.mktemp(scenario)
            recording, settings = play(scenario, folder)
            settings = lisbon(settings)
            path = folder / "store.db"
            start = settings.batch[0].pitched if settings.batch else START
            last = fill(path, recording, settings, None if hours is None else start + round(hours * HOUR))
            made[scenario, hours] = Filled(path, settings, last)
        return made[scenario, hours]

    return record


@pytest.fixture(scope="session")
def still(recorded: Callable[[str, float | None], Filled]) -> Iterator[Callable[..., House]]:
    """Serves a filled store for tests that only look: each is started once for all of them."""
    made: dict[tuple[str, float | None], House] = {}

    def start(scenario: str = "two-siblings", hours: float | None = None) -> House:
        if (scenario, hours) not in made:
            filled = recorded(scenario, hours)
            path = copy_of(filled.path, filled.path.with_name("still.db"))
            made[scenario, hours] = house_of(path, filled.settings, filled.last_ms)
        return made[scenario, hours]

    yield start
    for house in made.values():
        house.close()


@pytest.fixture
def serve(recorded: Callable[[str, float | None], Filled], tmp_path: Path) -> Iterator[Callable[..., House]]:
    """Serves a copy of a filled store; every house is closed in the end."""
    open_houses: list[House] = []

    def start(
        scenario: str = "two-siblings", hours: float | None = None, clock: ManualClock | None = None, **web: object
    ) -> House:
        filled = recorded(scenario, hours)
        path = copy_of(filled.path, tmp_path / f"store-{len(open_houses)}.db")
        settings = lisbon(filled.settings, **web) if web else filled.settings
        house = house_of(path, settings, filled.last_ms, clock)
        open_houses.append(house)
        return house

    yield start
    for house in open_houses:
        house.close()


@pytest.fixture
def house(serve: Callable[..., House]) -> House:
    """The two siblings at the end of their recording: one finished, one stalled."""
    return serve()


@pytest.fixture
def client(house: House) -> Iterator[httpx.Client]:
    """A program on the same machine."""
    with client_of(house) as client:
        yield client


@pytest.fixture
def visitor(still: Callable[..., House]) -> Iterator[httpx.Client]:
    """A program that only looks."""
    with client_of(still()) as client:
        yield client


def client_of(house: House, **options: Any) -> httpx.Client:
    """A client; without certificates, whose loading would take longer than the test."""
    return httpx.Client(base_url=house.url, timeout=20.0, verify=False, **options)


def may_change(client: httpx.Client) -> httpx.Client:
    """Give a client a session, and its token with every request."""
    client.headers["X-CSRF-Token"] = client.get("/api/session").json()["csrf"]
    return client


@pytest.fixture
def person(client: httpx.Client) -> httpx.Client:
    """The same, with a session."""
    return may_change(client)
