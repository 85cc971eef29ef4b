"""The seam of every source: it hands over what a probe said, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from monitor.model.inputs import Message

# Where a source puts what it heard. It may block while the writer is busy; it never raises for bad content.
Sink = Callable[[Message], None]


@dataclass(slots=True)
class SourceStatus:
    """What a source can say of itself, for the page, the health check and `probe list`."""

    name: str
    connected: bool = False
    detail: str = ""  # a plain sentence: what it waits for, or why it cannot
    last_heard_mono_ms: int | None = None
    heard: dict[str, int] = field(default_factory=dict)  # messages by topic, port or device
    unreadable: int = 0


class Source(Protocol):
    """One way readings come in."""

    def start(self) -> None:
        """Begin to hand over; returns at once."""
        ...

    def stop(self) -> None:
        """Stop handing over; returns when its thread has ended."""
        ...

    def status(self) -> SourceStatus:
        """How it is."""
        ...

    def alive(self) -> bool:
        """Whether its thread still runs."""
        ...
