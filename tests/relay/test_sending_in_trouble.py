"""What can go wrong between the yes of a server and the moment when a row is let go, and beside it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from .receiver import Answer, Receiver
from .tower import Tower


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    found = Receiver()
    yield found
    found.close()


@pytest.fixture
def tower(tmp_path: Path, receiver: Receiver) -> Iterator[Tower]:
    found = Tower(tmp_path / "store.db", receiver.url)
    yield found
    found.close()


def readings(receiver: Receiver) -> list[str]:
    return [line for line in receiver.kept if line.startswith("leeswatch_reading,")]


def rows_here(tower: Tower) -> set[int]:
    """Numbers of the rows that are in the store."""
    return {seq for (seq,) in tower.store._connection.execute("SELECT seq FROM outbox")}


# --- is it still the same server ---------------------------------------------------------------------------------


def test_rows_sent_again_are_held_as_long_as_any(tower, receiver):
    """The server started anew and is busy: what it takes again late is kept for a minute after that, too."""
    tower.say(5)
    tower.turn()
    tower.wait(30)
    receiver.restart()
    receiver.script.extend([Answer(), Answer(429, {"Retry-After": "40"})])
    tower.say(3)
    taken: dict[str, int] = {}  # when this server first took a line
    while tower.waiting()[1] or tower.waiting()[0]:
        taken |= {line: tower.clock.mono_ms() for line in readings(receiver) if line not in taken}
        before = rows_here(tower)
        tower.wait(1)
        gone = before - rows_here(tower)
        for line in readings(receiver):
            if any(f"seq={seq}i" in line for seq in gone):
                assert tower.clock.mono_ms() - taken[line] >= 60_000
    assert len(taken) == 8
