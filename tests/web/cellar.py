"""A daemon in small behind the page: a real store, a real writer in its thread, a clock moved by hand."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path

from monitor.intake.recording import Recording, journal_path, merge, read_journal
from monitor.ledger import Ledger
from monitor.model.clock import MINUTE, ManualClock
from monitor.model.config import Settings
from monitor.model.inputs import Configured, JournalEntry, Message, Reading
from monitor.settings import load_settings
from monitor.sources.base import SourceStatus
from monitor.store.store import Store
from monitor.web.app import make_app
from monitor.web.desk import HealthReport
from monitor.web.server import WebServer
from monitor.writer import Writer
from simulators.play import Player
from simulators.record import write
from simulators.scenario import load

START = 1_772_474_400_000  # 2026-03-02T18:00:00Z, when the scenarios start
WAIT = 10.0


class SmallDesk:
    """What `monitor/app.py` hands to the page."""

    def __init__(self, path: Path, settings: Settings, now_ms: int) -> None:
        self.path = path
        self.settings = settings
        self.clock = ManualClock(now_ms, mono_ms=50_000_000)
        self.reasons: list[str] = []
        self.store = Store.open(path)
        self.writer = Writer(Ledger(self.store), self.clock)
        self.writer.begin(settings.for_rules())
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.writer.run, args=(self._stop,), daemon=True)
        self._thread.start()

    def record(self, *items: Message | JournalEntry) -> Future[int]:
        return self.writer.record(*items)

    def health(self) -> HealthReport:
        sources = [SourceStatus("mqtt", connected=not self.reasons, detail="subscribed to 3 topics")]
        return HealthReport(not self.reasons, list(self.reasons), sources, self.writer.status)

    def close(self) -> None:
        self._stop.set()
        self.clock.advance(0)
        self._thread.join(WAIT)
        self.store.close()


class House:
    """A desk with its server."""

    def __init__(self, desk: SmallDesk, clock: ManualClock | None = None) -> None:
        self.desk = desk
        self.app = make_app(desk, clock=clock)
        web = desk.settings.web
        self.server = WebServer(self.app, web.host, 0)
        self.server.start()

    @property
    def url(self) -> str:
        return self.server.url

    def close(self) -> None:
        assert self.server.stop(WAIT)
        self.desk.close()


def play(scenario: str, folder: Path) -> tuple[Path, Settings]:
    """Write a scenario's files; returns the recording and its settings."""
    paths = write(Player(load(scenario)), folder)
    return paths["recording"], load_settings(paths["configuration"])


def fill(path: Path, recording: Path, settings: Settings, until_ms: int | None = None) -> int:
    """File a recording into a store on disk through the engine, up to a time; returns the last `received`."""
    last = 0
    with Store.open(path) as store:
        ledger = Ledger(store, strict=True)
        ledger.load()
        with ledger.commit():
            for item in _inputs(recording, settings):
                at = item.received_ms if isinstance(item, Reading) else item.received
                if until_ms is not None and at > until_ms:
                    break
                ledger.put(item)
                last = at
            if until_ms is not None:
                ledger.tick(until_ms)
                last = until_ms
    return last


def _inputs(recording: Path, settings: Settings) -> Iterator[Reading | JournalEntry]:
    beside = journal_path(recording)
    journal = read_journal(beside) if beside.exists() else []
    first = True
    for item in merge(Recording(recording), journal):
        if first:
            at = item.received_ms if isinstance(item, Reading) else item.received
            yield Configured(settings=settings.for_rules().as_json(), received=at - 1)
            first = False
        yield item


def house_of(path: Path, settings: Settings, last_ms: int, clock: ManualClock | None = None) -> House:
    """Serve a filled store as of a minute after its last input."""
    return House(SmallDesk(path, settings, last_ms + MINUTE), clock)


def copy_of(filled: Path, to: Path) -> Path:
    """A store of one's own from one that was filled once."""
    shutil.copyfile(filled, to)
    return to
