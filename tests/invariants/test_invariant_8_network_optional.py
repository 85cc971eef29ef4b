"""Invariant 8: with broker and routes gone all goes on; nothing that waits is dropped, and memory is bounded."""

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import monitor.writer
from monitor.alerts.routes import MemoryRoute
from monitor.alerts.routes.base import Letter
from monitor.app import Daemon
from monitor.control import as_request, ask
from monitor.model.clock import DAY, HOUR, MINUTE, SystemClock
from monitor.model.config import Mqtt, Settings, StoreSettings, Web
from monitor.model.config import Probe as ProbeSettings
from monitor.model.errors import RouteError, StoreTrouble
from monitor.model.inputs import Added, ProbeMoved
from monitor.sources.mqtt import QUEUED, MqttSource
from monitor.store.reader import Reader
from monitor.writer import ROOM
from simulators.wires import Broker, BrokerLink, PtyLine

from .helpers import SETTINGS, Cellar
from .wired import until

DEAD_PORT = 1  # nobody listens there


def configured(folder: Path, line: Path, port: int) -> Settings:
    probes = [
        ProbeSettings(name="fridge-air", source="serial", port=str(line), pattern=r"T=(?P<temperature>-?[0-9.]+)"),
        ProbeSettings(name="float-a", source="mqtt", topic="cellar/float-a"),
    ]
    return Settings(
        store=StoreSettings(path=folder / "store.db"), mqtt=Mqtt(port=port, keepalive=2), web=Web(enabled=False),
        probe=probes, vessel=SETTINGS.vessel, fridge=SETTINGS.fridge, batch=SETTINGS.batch,
    )  # fmt: skip


@contextlib.contextmanager
def running(settings: Settings, *routes: MemoryRoute) -> Iterator[Daemon]:
    assert settings.store.path is not None
    daemon = Daemon(settings, settings.store.path, SystemClock(), routes=routes, calendar=False, group_ms=20)
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


@pytest.fixture
def line(tmp_path: Path) -> Iterator[PtyLine]:
    with PtyLine(tmp_path / "line") as line:
        yield line


def stored(settings: Settings, probe: str = "fridge-air", quantity: str = "temperature") -> list[float]:
    assert settings.store.path is not None
    with Reader(settings.store.path) as reader:
        return [value for _, value in reader.curve(probe, quantity, 0, 2**60)]


# --- rules, commands and local alerts ----------------------------------------------------------------------------


def test_with_no_broker_at_all_wires_rules_commands_and_alerts_work(tmp_path: Path, line: PtyLine) -> None:
    """The broker never was there: a serial probe is read, judged, alerted on, and a person's change is written."""
    settings, phone = configured(tmp_path, line.path, DEAD_PORT), MemoryRoute()
    with running(settings, phone) as daemon:
        until(lambda: daemon.sources[1].status().connected)
        for _ in range(4):
            line.write(b"T=140.0\n")
            time.sleep(0.01)
        assert phone.wait(1, 15.0)
        assert "fridge-air" in phone.letters[0].title
        answer = ask(daemon.path, as_request([Added(batch="amber-1", what="nutrient", at=SystemClock().wall_ms())]))
        assert answer is not None
        assert daemon.health().sources[0].connected is False
        assert daemon.alive()
    assert stored(settings) == [140.0] * 4


def test_a_broker_that_dies_and_comes_back_costs_nothing(tmp_path: Path, line: PtyLine, broker: Broker) -> None:
    """While it is gone the serial probe goes on; once it is back what probes sent it arrives by itself."""
    settings = configured(tmp_path, line.path, broker.port)
    with running(settings) as daemon, BrokerLink(broker.port) as link:
        until(lambda: daemon.sources[0].status().connected and daemon.sources[1].status().connected)
        time.sleep(0.2)
        link.publish("cellar/float-a", b'[{"n":"gravity","v":1.05}]')
        link.settle()
        broker.kill9()
        until(lambda: not daemon.sources[0].status().connected)
        line.write(b"T=4.0\nT=4.1\n")
        until(lambda: stored(settings) == [4.0, 4.1])
        broker.restart()
        link.publish("cellar/float-a", b'[{"n":"gravity","v":1.04}]')
        until(lambda: stored(settings, "float-a", "gravity") == [1.05, 1.04], 40.0)
        assert daemon.alive()


def test_a_network_that_swallows_all_does_not_hold_up_the_rules(tmp_path: Path, line: PtyLine) -> None:
    """A route hangs in its send, another fails at once: readings are committed and the third route delivers."""
    release = threading.Event()

    class Hanging(MemoryRoute):
        def send(self, letter: Letter) -> None:
            release.wait(30)
            raise RouteError("too late")

    hanging, broken, phone = Hanging("hanging"), MemoryRoute("broken"), MemoryRoute("phone")
    broken.broken = "no network"
    settings = configured(tmp_path, line.path, DEAD_PORT)
    with running(settings, hanging, broken, phone) as daemon:
        until(lambda: daemon.sources[1].status().connected)
        for _ in range(4):
            line.write(b"T=140.0\n")
            time.sleep(0.01)
        assert phone.wait(1, 15.0)
        line.write(b"T=4.0\n")
        until(lambda: stored(settings)[-1] == 4.0)
        release.set()


def test_what_routes_could_not_send_waits_in_the_store_and_is_sent_in_order(tmp_path: Path, line: PtyLine) -> None:
    """A phone without network over many alerts and a restart: all of them arrive, oldest first, none twice."""
    settings, phone = configured(tmp_path, line.path, DEAD_PORT), MemoryRoute("phone", for_people=False)
    phone.broken = "no network"
    titles = 12
    with running(settings, phone) as daemon:
        until(lambda: daemon.sources[1].status().connected)
        for number in range(titles):  # odd ones raise, even ones return
            for _ in range(4):
                line.write(b"T=140.0\n" if number % 2 == 0 else b"T=4.0\n")
                time.sleep(0.01)
        until(lambda: _waiting(settings) >= titles)
        assert phone.letters == []
    told = _notices(settings)
    working = MemoryRoute("phone", for_people=False)
    with running(settings, working):
        assert working.wait(len(told), 20.0)
        time.sleep(0.3)
    assert [letter.title.removeprefix("Back to normal: ") for letter in working.letters] == told
    assert _waiting(settings) == 0


def _waiting(settings: Settings) -> int:
    assert settings.store.path is not None
    with Reader(settings.store.path) as reader:
        return reader.waiting().get("phone", (0, None))[0]


def _notices(settings: Settings) -> list[str]:
    assert settings.store.path is not None
    with Reader(settings.store.path) as reader:
        return [due.notice.title for due in reader.due("phone", 1000)]


# --- bounded -----------------------------------------------------------------------------------------------------


def test_our_own_messages_wait_bounded_while_the_broker_is_away() -> None:
    """A thousand are kept for it; the next is refused, so that its notice stays in the store instead of in memory."""
    source = MqttSource(Mqtt(port=DEAD_PORT), [], lambda _: None, SystemClock())
    source.start()
    try:
        answers = [source.publish("leeswatch/alerts", b"x" * 100) for _ in range(QUEUED + 50)]
    finally:
        source.stop()
    assert answers == [True] * QUEUED + [False] * 50


def test_while_the_disk_refuses_a_bounded_number_of_messages_waits(
    cellar: Cellar, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A source that goes on talking is made to wait, then told; what was taken is all committed later, in order."""
    monkeypatch.setattr(monitor.writer, "ROOM_SECONDS", 0.05)
    cellar.store._connection.set_progress_handler(lambda: 1, 1)
    for number in range(ROOM):
        cellar.say("float-a", {"gravity": 1.0 + number / 10_000})
        cellar.clock.advance(10)
        if number % 50 == 0:
            cellar.turn()
    for _ in range(3):
        with pytest.raises(StoreTrouble, match="wait for the store"):
            cellar.say("float-a", {"gravity": 1.2})
    cellar.store._connection.set_progress_handler(None, 1)
    cellar.pass_time(2 * MINUTE)
    assert cellar.values() == [1.0 + number / 10_000 for number in range(ROOM)]
    for number in range(ROOM + 10):  # there is room again, as much as before
        cellar.say("float-b", {"gravity": 1.0 + number / 10_000})
        if number % 10 == 0:
            cellar.settle()
    cellar.settle()
    assert len(cellar.values("float-b")) == ROOM + 10


def test_people_get_in_while_messages_wait_for_room(cellar: Cellar) -> None:
    """However many messages wait, a command and the mark of a delivery are taken, and answered."""
    cellar.store._connection.set_progress_handler(lambda: 1, 1)
    for _ in range(ROOM):
        cellar.say("float-a", {"gravity": 1.05})
    began = time.monotonic()
    change = cellar.writer.record(ProbeMoved(probe="float-a", to=None, at=cellar.clock.wall_ms()))
    mark = cellar.writer.do(lambda store: store.count("x"))
    cellar.turn()
    assert isinstance(change.exception(0), StoreTrouble)
    assert isinstance(mark.exception(0), StoreTrouble)
    assert time.monotonic() - began < 5.0


def test_a_refused_change_is_not_made_later(cellar: Cellar) -> None:
    """Whoever was told that it failed must not find it done an hour later."""
    cellar.store._connection.set_progress_handler(lambda: 1, 1)
    change = cellar.writer.record(Added(batch="amber-1", what="sugar", at=cellar.clock.wall_ms()))
    cellar.settle()
    assert isinstance(change.exception(0), StoreTrouble)
    cellar.store._connection.set_progress_handler(None, 1)
    cellar.pass_time(10 * MINUTE)
    assert not any(isinstance(entry, Added) for entry in cellar.entries())


def test_while_the_disk_refuses_the_writer_does_not_spin(tmp_path: Path) -> None:
    """It waits between tries instead of burning the one core there is."""
    cellar = Cellar(tmp_path)
    cellar.clock = SystemClock()  # type: ignore[assignment]
    cellar.start()
    cellar.store._connection.set_progress_handler(lambda: 1, 1)
    turns, turn = [0], cellar.writer._turn
    stop = threading.Event()

    def loop() -> None:
        while not stop.is_set():
            turns[0] += 1
            turn()

    thread = threading.Thread(target=loop)
    thread.start()
    for _ in range(20):
        cellar.say("float-a", {"gravity": 1.05})
    time.sleep(2.5)
    stop.set()
    cellar.writer.nudge()
    thread.join(5.0)
    cellar.kill()
    assert turns[0] < 60


def test_a_week_without_any_route_loses_no_decision(cellar: Cellar) -> None:
    """Nobody fetches the notices for a week: each stands in the store with its delivery undone."""
    _days(cellar, 7, lambda hour: {"gravity": 1.06 - 0.0002 * hour, "temperature": 20.0 if hour % 24 < 12 else 30.0})
    with cellar.reader() as reader:
        waiting = [due.notice.alert_id for due in reader.due("phone", 10_000)]
    assert waiting == [row[1] for row in cellar.notices()]
    assert len(waiting) > 8


def _days(cellar: Cellar, days: int, values: Callable[[int], dict[str, float]]) -> None:
    for hour in range(days * DAY // HOUR):
        cellar.say("float-b", values(hour))
        cellar.pass_time(HOUR, 15 * MINUTE)
