"""A cellar without wires: the daemon's writer, ledger and store on a clock moved by hand, to be killed at will."""

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from monitor.intake.recording import journal_path, write_journal, write_recording
from monitor.ledger import Ledger
from monitor.model.clock import MINUTE, ManualClock, TimeTrust, parse_time
from monitor.model.config import Batch, Fridge, Room, RuleProbe, RuleSettings, Vessel
from monitor.model.events import OF_THE_WATCHER, Event
from monitor.model.inputs import Exported, Identity, JournalEntry, Message, Reading, Sample, Stopped
from monitor.replay.replay import replay
from monitor.store.reader import Reader
from monitor.store.store import Store
from monitor.writer import Writer

Item = Reading | JournalEntry

NOW = parse_time("2026-03-02T18:00:00Z")
ROUTES = ["phone"]

SETTINGS = RuleSettings(
    site="Test cellar",
    probe=[RuleProbe(name="float-a"), RuleProbe(name="float-b"), RuleProbe(name="fridge-air", measures="air")],
    vessel=[
        Vessel(name="bucket-a", probes=["float-a"]),
        Vessel(name="bucket-b", probes=["float-b"]),
        Vessel(name="jug", volume_l=4, material="glass"),
    ],
    room=[Room(name="cellar", probes=["cellar-air"])],
    fridge=[Fridge(name="fridge", probes=["fridge-air"], contents=["jug"])],
    batch=[
        # The second in the alphabet stands first: no order may hang on the spelling of names.
        Batch(name="pale-2", vessel="bucket-b", pitched=NOW, expected_final=1.010, yeast_range_c=(18.0, 24.0)),
        Batch(name="amber-1", vessel="bucket-a", pitched=NOW, original_gravity=1.060, expected_final=1.008),
        Batch(name="jug-1", vessel="jug", pitched=NOW, original_gravity=1.050, fermentables="sugar"),
    ],
)


def open_store(path: Path) -> Store:
    """Without waiting for the disk: it is processes that are killed here, and what they wrote stays with the kernel."""
    store = Store.open(path)
    store._connection.execute("PRAGMA synchronous = OFF")
    return store


class Cellar:
    """One store and, while it runs, one writer on it. Nothing is taken from the inbox but by `turn` and `settle`."""

    def __init__(
        self, folder: Path, settings: RuleSettings = SETTINGS, *, clock: ManualClock | None = None,
        trust: TimeTrust | None = None, boot: str = "boot-1",
    ) -> None:  # fmt: skip
        self.path = folder / "store.db"
        self.settings = settings
        self.clock = clock or ManualClock(NOW, 1_000)
        self.trust = trust
        self.boot = boot
        self.store: Store
        self.ledger: Ledger
        self.writer: Writer
        self.running = False
        self.receipts: list[str] = []

    def start(self, *, by: str = "daemon") -> None:
        """As the daemon starts, or a command that writes in its place."""
        self.store = open_store(self.path)
        self.ledger = Ledger(self.store, ROUTES, strict=True)
        self.writer = Writer(self.ledger, self.clock, trust=self.trust, boot=self.boot)
        self.writer.begin(self.settings, by="daemon" if by == "daemon" else "command")
        self.running = True

    def kill(self) -> None:
        """As kill -9 does: no last commit, no Stopped, no mark that the store was closed in good order."""
        self.store._connection.close()
        assert self.store._lock is not None
        self.store._lock.close()
        self.running = False

    def stop(self) -> None:
        """In good order."""
        self.writer.settle()
        self.writer.record(Stopped())
        self.writer.settle()
        self.store.close()
        self.running = False

    def turn(self) -> None:
        """What the writer's thread does when it wakes: take what is there, commit if it is time."""
        self._take()
        if self.writer._due():
            self.writer.flush()

    def _take(self) -> None:
        while not self.writer._inbox.empty():
            self.writer._take(self.writer._inbox.get_nowait())

    def settle(self) -> None:
        """Commit all that is there."""
        self.writer.settle()

    def settled(self) -> bool:
        """Commit all that is there; whether the disk let it."""
        self.writer.settle()
        return self.writer.status.trouble is None

    def say(
        self, probe: str, values: dict[str, float], *, at: int | None = None, ago: int = 0,
        identity: Identity | None = None, receipt: str | None = None, retained: bool = False,
        online: bool | None = None,
    ) -> None:  # fmt: skip
        """A probe speaks: `at` is its own time, if it has one; a receipt is noted under its name once given."""
        self.writer.submit(
            Message(
                "mqtt", probe, self.clock.wall_ms(), self.clock.mono_ms(),
                tuple(Sample(quantity, value, at, -ago) for quantity, value in values.items()),
                identity=identity, retained=retained, online=online,
                receipt=None if receipt is None else lambda: self.receipts.append(receipt),
            )
        )  # fmt: skip

    def record(self, *items: Message | JournalEntry) -> int:
        """A person's change, committed at once; returns its `received`."""
        answer = self.writer.record(*items)
        self.writer.settle()
        return answer.result(0)

    def pass_time(self, ms: int, step: int = MINUTE) -> None:
        """Let time pass, the writer looking up at each step."""
        end = self.clock.mono_ms() + ms
        while (left := end - self.clock.mono_ms()) > 0:
            self._take()
            self.clock.advance(min(step, left))
            self.turn()

    # --- looking ---------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def reader(self) -> Iterator[Reader]:
        with Reader(self.path) as reader:
            yield reader

    def ask(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        with contextlib.closing(sqlite3.connect(f"{self.path.as_uri()}?mode=ro", uri=True)) as connection:
            return connection.execute(query, values).fetchall()

    def readings(self) -> list[Reading]:
        with self.reader() as reader:
            return [item for item in reader.inputs() if isinstance(item, Reading)]

    def values(self, probe: str = "float-a", quantity: str = "gravity") -> list[float]:
        """What is stored of one series, by measured time."""
        found = [each for each in self.readings() if (each.probe, each.quantity) == (probe, quantity)]
        return [each.value for each in sorted(found, key=lambda each: each.measured_ms)]

    def entries(self) -> list[JournalEntry]:
        with self.reader() as reader:
            return [item for item in reader.inputs() if not isinstance(item, Reading)]

    def counters(self) -> dict[str, int]:
        with self.reader() as reader:
            return reader.counters()

    def events(self) -> list[dict[str, Any]]:
        with self.reader() as reader:
            return [record for _, record in reader.events()]

    def notices(self) -> list[tuple[Any, ...]]:
        return self.ask(
            "SELECT time, alert_id, alert, about, priority, reason, title, body, seen FROM notices ORDER BY id"
        )

    def alerts(self, name: str) -> list[str]:
        """The changes of one alert, in order."""
        return [event["change"] for event in self.events() if event.get("alert") == name]

    # --- replay ----------------------------------------------------------------------------------------------------

    def export(self, to: Path) -> int:
        """As `leeswatch export` does; returns the time of the entry at which replay ends."""
        last = self.record(Exported())
        with self.reader() as reader:
            with to.open("w", encoding="utf-8", newline="") as file:
                write_recording((item for item in reader.inputs() if isinstance(item, Reading)), file)
            with journal_path(to).open("w", encoding="utf-8") as file:
                write_journal((item for item in reader.inputs() if not isinstance(item, Reading)), file)
        return last

    def replayed(self, recording: Path) -> list[dict[str, Any]]:
        """The events that a replay of an export tells."""
        events: list[Event] = []
        done = replay(recording, self.settings, events.append)
        assert not done.problems
        return [event.record() for event in events]


def dump(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every table of a store."""
    with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {name: connection.execute(f"SELECT * FROM {name}").fetchall() for name in names}


def at_of(item: Item) -> int:
    """When it was received."""
    return item.received_ms if isinstance(item, Reading) else item.received


def of_the_cellar(events: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """Without the four alerts about the watcher itself."""
    return [event for event in events if event.get("alert") not in OF_THE_WATCHER]


def alternates(events: Iterable[dict[str, Any]]) -> None:
    """Each alert about each thing is raised, then returned under the same id, and so on; nothing else between."""
    standing: dict[tuple[str, str], str] = {}
    for event in events:
        if event["event"] != "alert":
            continue
        key = (event["alert"], event["about"])
        if event["change"] == "raised":
            assert key not in standing, f"{key} was raised twice"
            standing[key] = event["id"]
        else:
            assert standing.get(key) == event["id"], f"{key} {event['change']} without standing"
            if event["change"] == "returned":
                del standing[key]
