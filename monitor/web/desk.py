"""What the page needs of the daemon behind it, and nothing more."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from monitor.model.clock import Clock
from monitor.model.config import Settings
from monitor.model.inputs import JournalEntry, Message
from monitor.sources.base import SourceStatus
from monitor.writer import WriterStatus

if TYPE_CHECKING:  # routes and jobs bring heavy libraries along
    from monitor.alerts.routes.worker import RouteStatus
    from monitor.jobs.calendar_jobs import JobStatus
    from monitor.relay.sender import RelayStatus


@dataclass(frozen=True, slots=True)
class HealthReport:
    """Whether the watcher itself is well; `reasons` are sentences, and there is one at least when it is not."""

    ok: bool
    reasons: list[str] = field(default_factory=list)
    sources: list[SourceStatus] = field(default_factory=list)
    writer: WriterStatus = field(default_factory=WriterStatus)
    routes: list[RouteStatus] = field(default_factory=list)
    jobs: list[JobStatus] = field(default_factory=list)
    relay: RelayStatus | None = None


class Desk(Protocol):
    """The daemon as the page sees it: it reads the store at `path`, and hands every change to the one writer."""

    @property
    def path(self) -> Path:
        """The store; opened for reading by each request, never shared between threads."""
        ...

    @property
    def settings(self) -> Settings:
        """The configuration."""
        ...

    @property
    def clock(self) -> Clock:
        """The time that readings and alerts live in (a demo drives it ahead of real time)."""
        ...

    def record(self, *items: Message | JournalEntry) -> Future[int]:
        """Commit inputs that stand or fall together; StoreTrouble in the answer when the disk refuses."""
        ...

    def health(self) -> HealthReport:
        """How sources, writer, routes and jobs are."""
        ...
