"""The servers, each started once a session, and only where a test asks for it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.relay.servers import Influxd, LockedInfluxd, Served, VictoriaMetrics, serving


@pytest.fixture(scope="session")
def victoria(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A VictoriaMetrics."""
    with serving(VictoriaMetrics, tmp_path_factory.mktemp("victoria")) as server:
        yield server


@pytest.fixture(scope="session")
def influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An InfluxDB 1.6.7 behind the translator."""
    with serving(Influxd, tmp_path_factory.mktemp("influxd")) as server:
        yield server


@pytest.fixture(scope="session")
def locked_influxd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """An InfluxDB 1.6.7 that wants to know who asks."""
    with serving(LockedInfluxd, tmp_path_factory.mktemp("locked")) as server:
        yield server


@pytest.fixture(params=["victoria", "influxd"])
def server(request: pytest.FixtureRequest) -> Served:
    """Each of the real servers in turn."""
    found: Served = request.getfixturevalue(request.param)
    return found
