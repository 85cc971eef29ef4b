"""A cellar to be killed at will, a real broker, and one whole life in a cellar to look at from all sides."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.store.reader import Reader
from simulators.wires import Broker, private_broker

from .helpers import Cellar, Item
from .life import Life


@pytest.fixture
def cellar(tmp_path: Path) -> Iterator[Cellar]:
    """A running cellar."""
    cellar = Cellar(tmp_path)
    cellar.start()
    yield cellar
    if cellar.running:
        cellar.kill()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker to be stopped, killed and started again."""
    with private_broker(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture(scope="session")
def life(tmp_path_factory: pytest.TempPathFactory) -> Life:
    """Twelve days in a cellar, stopped in good order at their end: to be looked at, or copied, not to be changed."""
    life = Life(Cellar(tmp_path_factory.mktemp("life")), seed=0)
    life.run()
    life.cellar.stop()
    return life


@pytest.fixture(scope="session")
def lived(life: Life) -> list[Item]:
    """All that the writer was given in that life, in its order."""
    with Reader(life.cellar.path) as reader:
        return list(reader.inputs())
