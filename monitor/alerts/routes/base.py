"""The seam of every route: a letter goes in, and has arrived, or RouteError says why not."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Protocol

from monitor.model.errors import RouteError
from monitor.model.events import Notice, Priority

RANK: dict[Priority, int] = {"low": 0, "medium": 1, "high": 2}


@dataclass(frozen=True, slots=True)
class Letter:
    """What one delivery says. `notice` is what it was written from, unless it folds several or is a test."""

    title: str
    body: str
    priority: Priority
    returned: bool = False
    notice: Notice | None = None


class Route(Protocol):
    """One way out. `send` may block: each route has a thread of its own."""

    @property
    def name(self) -> str:
        """As the store knows it."""
        ...

    @property
    def lowest(self) -> Priority:
        """What is less urgent than this does not go out here."""
        ...

    @property
    def for_people(self) -> bool:
        """Whether a person is at the other end: quiet hours hold it back, and what was held is folded."""
        ...

    def send(self, letter: Letter) -> None:
        """Return once the other side has taken it; RouteError otherwise."""
        ...


class MemoryRoute:
    """The fake: keeps what it was given. `broken` makes it fail with that reason."""

    def __init__(self, name: str = "memory", *, lowest: Priority = "low", for_people: bool = True) -> None:
        self.name = name
        self.lowest: Priority = lowest
        self.for_people = for_people
        self.letters: list[Letter] = []
        self.tries = 0
        self.broken: str | None = None
        self._changed = threading.Condition()

    def send(self, letter: Letter) -> None:
        """Keep it, or fail as told."""
        with self._changed:
            self.tries += 1
            self._changed.notify_all()
            if self.broken is not None:
                raise RouteError(f"route {self.name}: {self.broken}")
            self.letters.append(letter)

    def wait(self, letters: int, seconds: float = 5.0) -> bool:
        """Wait until at least that many letters came; False when they did not."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self.letters) >= letters, seconds)

    def wait_tries(self, tries: int, seconds: float = 5.0) -> bool:
        """Wait until at least that many letters were tried; False when they were not."""
        with self._changed:
            return self._changed.wait_for(lambda: self.tries >= tries, seconds)
