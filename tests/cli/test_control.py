"""The local socket between a command and the one writer."""

import json
import socket
import stat
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest

from monitor.cli.common import moment
from monitor.control import ControlServer, TypedReading, as_request, ask, socket_path
from monitor.model.clock import MINUTE, SystemClock, parse_time
from monitor.model.errors import StoreError, StoreTrouble, UsageError
from monitor.model.inputs import Acknowledged, Message, Started, Stopped
from monitor.settings import parse_settings

from .helpers import CELLAR, run_here

NOW = parse_time("2026-03-09T04:10:00Z")


class Scribe:
    """A writer that keeps what it is asked to write."""

    def __init__(self) -> None:
        self.items: list[Any] = []
        self.error: Exception | None = None

    def record(self, *items: Any) -> "Future[int]":
        answer: Future[int] = Future()
        if self.error is not None:
            answer.set_exception(self.error)
        else:
            self.items.extend(items)
            answer.set_result(NOW)
        return answer


@pytest.fixture
def scribe() -> Scribe:
    return Scribe()


@pytest.fixture
def store(tmp_path: Path, scribe: Scribe) -> Iterator[Path]:
    health = {"health": {"ok": True}}
    server = ControlServer(tmp_path / "store.db", scribe.record, SystemClock().wall_ms, lambda: health)
    server.start()
    yield tmp_path / "store.db"
    server.stop()


def raw(store: Path, content: bytes) -> dict[str, Any]:
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(10.0)
        line.connect(str(socket_path(store)))
        line.sendall(content)
        answer: dict[str, Any] = json.loads(line.makefile("rb").readline())
        return answer


def test_entries_and_readings_reach_the_writer(store: Path, scribe: Scribe) -> None:
    """What a command asks for is handed over whole, and the answer is when it was received."""
    typed = [
        TypedReading(probe="hand:bucket-a", quantity="temperature", value=18.0, time=NOW - MINUTE),
        TypedReading(probe="hand:bucket-a", quantity="hydrometer", value=1.012, time=NOW - MINUTE),
    ]

    assert ask(store, as_request([Acknowledged(id="x1")], typed)) == {"received": NOW}

    entry, message = scribe.items
    assert entry == Acknowledged(id="x1")
    assert isinstance(message, Message)
    assert [(each.quantity, each.value, each.time_ms) for each in message.samples] == [
        ("temperature", 18.0, NOW - MINUTE), ("hydrometer", 1.012, NOW - MINUTE),
    ]  # fmt: skip


def test_health_can_be_asked(store: Path) -> None:
    """Without writing anything."""
    assert ask(store, {"ask": "health"}) == {"health": {"ok": True}}


def test_time_is_the_writers(store: Path) -> None:
    """A command that is told no time takes the daemon's: in a demo that is far from the machine's."""
    server = ControlServer(store.with_name("other.db"), lambda: None, lambda: NOW, dict)
    server.start()
    try:
        settings = parse_settings(f'[store]\npath = "{store.with_name("other.db")}"\n', "cellar.toml")

        assert moment(None, settings) == NOW
    finally:
        server.stop()
    assert abs(moment(None, settings) - SystemClock().wall_ms()) < MINUTE


def test_only_this_user_may_connect(store: Path) -> None:
    """Nobody but the owner, and the service's group where it has one, can open the socket."""
    mode = stat.S_IMODE(socket_path(store).stat().st_mode)

    assert mode & 0o007 == 0


@pytest.mark.parametrize(
    "content",
    [b"\n", b"garbage\n", b"[1]\n", b"7\n", b'{"entries": 5}\n', b'{"readings": [5]}\n', b"{" * 9_000 + b"\n"],
)
def test_what_is_no_request_is_answered_in_words(store: Path, scribe: Scribe, content: bytes) -> None:
    """Whatever comes over the socket, the answer says what is wrong, nothing is written, and the next is served."""
    answer = raw(store, content)

    assert answer["what"]
    assert answer["remedy"]
    assert scribe.items == []
    assert ask(store, {"ask": "health"}) == {"health": {"ok": True}}


@pytest.mark.parametrize("entry", [Stopped(), Started(version="9", watched_until=None)])
def test_what_the_daemon_alone_writes_is_refused(store: Path, scribe: Scribe, entry: Any) -> None:
    """A command cannot note that the daemon started or stopped."""
    with pytest.raises(UsageError, match="written by the daemon alone"):
        ask(store, as_request([entry]))
    assert scribe.items == []


@pytest.mark.parametrize(
    "reading",
    [
        {"probe": "float-a", "quantity": "gravity", "value": 1.01, "time": NOW},
        {"probe": "hand:b", "quantity": "warmth", "value": 1.01, "time": NOW},
        {"probe": "hand:b", "quantity": "gravity", "value": 7.0, "time": NOW},
        {"probe": "hand:b", "quantity": "gravity", "value": "1.01", "time": NOW},
    ],
)
def test_a_reading_that_cannot_be_is_refused(store: Path, scribe: Scribe, reading: dict[str, Any]) -> None:
    """Only hand probes, known quantities and possible values are taken."""
    with pytest.raises(UsageError):
        ask(store, {"readings": [reading]})
    assert scribe.items == []


def test_trouble_with_the_disk_is_not_wrong_use(store: Path, scribe: Scribe) -> None:
    """What the writer cannot keep comes back as trouble of the store, with its remedy."""
    scribe.error = StoreTrouble("the store cannot be written: full", "free space")

    with pytest.raises(StoreError, match="full; free space"):
        ask(store, as_request([Acknowledged(id="x1")]))


def test_trouble_with_the_disk_is_exit_one(
    store: Path, scribe: Scribe, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command was right, the answer is no."""
    config = tmp_path / "cellar.toml"
    config.write_text(CELLAR, encoding="utf-8")
    scribe.error = StoreTrouble("the store cannot be written: full", "free space")

    code, _, err = run_here(capsys, "batch", "reading", "amber-1", "1.012", "--at", "20", "--config", config)

    assert (code, err) == (1, "leeswatch: the store cannot be written: full; free space\n")


def test_nobody_there_is_none(tmp_path: Path) -> None:
    """With no socket, or one that a kill left behind, no daemon answers and the command may write itself."""
    assert ask(tmp_path / "store.db", {"ask": "health"}) is None
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(socket_path(tmp_path / "store.db")))
    assert ask(tmp_path / "store.db", {"ask": "health"}) is None


@pytest.mark.parametrize("answer", [b"", b"gar", b'{"received": '])
def test_a_daemon_that_dies_before_its_answer_is_said(tmp_path: Path, answer: bytes) -> None:
    """Whether the change came is not known then, and that is said."""
    path = socket_path(tmp_path / "store.db")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))
        server.listen()

        def die() -> None:
            line, _ = server.accept()
            with line:
                line.recv(65_536)
                line.sendall(answer)

        dying = threading.Thread(target=die)
        dying.start()
        with pytest.raises(StoreError, match=r"gave no answer.*look whether the change has come"):
            ask(tmp_path / "store.db", {"ask": "health"})
        dying.join()


def test_one_who_says_nothing_or_goes_away_holds_nobody_up(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Open connections without a word do not keep others from being answered, nor leave a traceback."""
    with socket.socket(socket.AF_UNIX) as silent, socket.socket(socket.AF_UNIX) as gone:
        silent.connect(str(socket_path(store)))
        gone.connect(str(socket_path(store)))
        gone.sendall(b'{"ask": "health"}\n')
        gone.close()
        for _ in range(3):
            assert ask(store, {"ask": "health"}) == {"health": {"ok": True}}
    assert capsys.readouterr().err == ""


def test_a_long_folder_name_still_has_a_socket(tmp_path: Path, scribe: Scribe) -> None:
    """Where the name beside the store would be too long for a socket, both ends find the same short one."""
    store = tmp_path / ("x" * 120) / "store.db"
    store.parent.mkdir()
    server = ControlServer(store, scribe.record, lambda: NOW, dict)
    server.start()
    try:
        assert ask(store, as_request([Acknowledged(id="x1")])) == {"received": NOW}
        assert len(str(socket_path(store))) < 108
    finally:
        server.stop()
    assert not socket_path(store).exists()
