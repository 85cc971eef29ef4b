"""Invariant 2: one process, one thread, one connection writes; all others open the store to read."""

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.app import Daemon
from monitor.control import as_request, ask
from monitor.model.clock import SystemClock, iso
from monitor.model.errors import StoreBusy
from monitor.model.inputs import StageChanged, Started
from monitor.settings import load_settings
from monitor.store.reader import Reader
from monitor.store.store import Store

from .helpers import Cellar
from .wired import until

ROOT = Path(__file__).parents[2]

CONFIG = """
[store]
path = "{folder}/store.db"
[web]
enabled = false
[jobs]
digest = "07:00"
[[vessel]]
name = "bucket-a"
[[batch]]
name = "amber-1"
vessel = "bucket-a"
pitched = {pitched}
"""


def leeswatch(*arguments: str) -> "subprocess.CompletedProcess[str]":
    """A command, to its end."""
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli.main", *arguments], cwd=ROOT, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip


@pytest.fixture
def config(tmp_path: Path) -> Path:
    file = tmp_path / "leeswatch.toml"
    pitched = iso(SystemClock().wall_ms() - 3_600_000)
    file.write_text(CONFIG.format(folder=tmp_path, pitched=pitched), "utf-8")
    return file


@pytest.fixture
def daemon(config: Path) -> "Iterator[subprocess.Popen[str]]":
    """A real one, in a process of its own."""
    process = subprocess.Popen(
        [sys.executable, "-m", "monitor.cli.main", "run", "--config", str(config)], cwd=ROOT, text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    assert process.stdout is not None
    for line in process.stdout:
        if "watching" in line:
            break
    yield process
    process.kill()
    process.wait(10)
    process.stdout.close()


def started(folder: Path) -> list[str]:
    with Reader(folder / "store.db") as reader:
        return [item.by for item in reader.inputs() if isinstance(item, Started)]


# --- processes ---------------------------------------------------------------------------------------------------


def test_a_second_daemon_exits_with_the_reason(config: Path, daemon: "subprocess.Popen[str]") -> None:
    """It exits 1, says who the writer is and what to do, and the first one goes on undisturbed."""
    second = leeswatch("run", "--config", str(config))
    assert second.returncode == 1
    assert f"pid {daemon.pid}" in second.stderr
    assert "stop it, or name another [store].path" in second.stderr
    assert "Traceback" not in second.stderr
    assert daemon.poll() is None
    assert ask(config.parent / "store.db", {"ask": "health"}) is not None


def test_the_lock_dies_with_its_holder(config: Path, daemon: "subprocess.Popen[str]") -> None:
    """After kill -9 nothing has to be cleaned away by hand: the next daemon starts at once."""
    os.kill(daemon.pid, signal.SIGKILL)
    daemon.wait(10)
    with Store.open(config.parent / "store.db") as store:
        assert store.salvaged is None


def test_two_names_of_one_file_are_one_store(tmp_path: Path, cellar: Cellar) -> None:
    """A relative path or one through the folder's parent meets the same lock."""
    other = tmp_path / "x" / ".." / "store.db"
    (tmp_path / "x").mkdir()
    with pytest.raises(StoreBusy):
        Store.open(other)


def test_with_a_daemon_a_command_hands_its_change_over(config: Path, daemon: "subprocess.Popen[str]") -> None:
    """It does not write itself: the daemon's journal has the change, and only the daemon ever started."""
    done = leeswatch("batch", "stage", "amber-1", "clearing", "--config", str(config))
    assert (done.returncode, done.stderr) == (0, "")
    assert started(config.parent) == ["daemon"]
    with Reader(config.parent / "store.db") as reader:
        assert [item.stage for item in reader.inputs() if isinstance(item, StageChanged)] == ["clearing"]


def test_with_no_daemon_a_command_is_the_writer(config: Path) -> None:
    """It takes the lock, writes, and lets go: a daemon can start right after."""
    for stage in ("clearing", "cold"):
        done = leeswatch("batch", "stage", "amber-1", stage, "--config", str(config))
        assert (done.returncode, done.stderr) == (0, "")
    assert started(config.parent) == ["command", "command"]
    Store.open(config.parent / "store.db").close()


def test_commands_that_only_look_take_no_lock(config: Path, cellar: Cellar) -> None:
    """Listing works while another process, here this one, is the writer."""
    done = leeswatch("alert", "list", "--json", "--config", str(config))
    assert (done.returncode, json.loads(done.stdout)) == (0, [])


# --- readers -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM readings",
        "CREATE TABLE more (x)",
        "PRAGMA user_version = 7",
        "PRAGMA journal_mode = DELETE",
        "VACUUM",
    ],
)
def test_a_reader_cannot_write(cellar: Cellar, statement: str) -> None:
    """Whatever a reader's connection is told to write, SQLite refuses, and the store is as it was."""
    before = cellar.ask("PRAGMA user_version"), cellar.ask("PRAGMA journal_mode")
    with Reader(cellar.path) as reader, contextlib.suppress(sqlite3.Error):
        reader._connection.execute(statement).fetchall()
    assert (cellar.ask("PRAGMA user_version"), cellar.ask("PRAGMA journal_mode")) == before


def test_a_reader_neither_waits_for_the_writer_nor_holds_it_up(cellar: Cellar) -> None:
    """In the midst of a commit a reader sees the state before it; with a reader in the midst, a commit goes through."""
    cellar.say("float-a", {"gravity": 1.05})
    cellar.settle()
    with Reader(cellar.path) as reader, reader.moment():
        assert len(list(reader.inputs())) == len(cellar.entries()) + 1
        with cellar.store.transaction():
            cellar.store.count("in the midst")
            with Reader(cellar.path) as other:
                assert other.counters() == {}
        began = time.monotonic()
        for value in (1.04, 1.03, 1.02):
            cellar.say("float-a", {"gravity": value})
            cellar.settle()
        assert time.monotonic() - began < 1.0
        assert reader.counters() == {}  # one moment is held
    assert cellar.values() == [1.05, 1.04, 1.03, 1.02]


def test_readers_leave_no_trace_in_the_file(cellar: Cellar) -> None:
    """A reader that comes and goes does not fold the log back in: only the writer checkpoints."""
    for value in range(20):
        cellar.say("float-a", {"gravity": 1.05 - value / 1000})
        cellar.settle()
    before = cellar.path.read_bytes(), Path(f"{cellar.path}-wal").read_bytes()
    for _ in range(3):
        with Reader(cellar.path) as reader:
            list(reader.inputs())
    assert (cellar.path.read_bytes(), Path(f"{cellar.path}-wal").read_bytes()) == before


# --- threads -----------------------------------------------------------------------------------------------------


def test_only_the_writers_thread_touches_the_writing_connection(config: Path) -> None:
    """Sources, commands, deliveries and jobs all go through it: from its start on no other thread says a statement."""
    by: list[str] = []
    daemon = Daemon(load_settings(config), config.parent / "store.db", SystemClock(), group_ms=20)
    daemon.store._connection.set_trace_callback(lambda _: by.append(threading.current_thread().name))
    daemon.start()
    try:
        for stage in ("clearing", "fermenting"):  # fermenting: a verdict, so that there is something to deliver
            ask(config.parent / "store.db", as_request([StageChanged(batch="amber-1", stage=stage)]))
        daemon.writer.do(lambda store: store.count("chore")).result(5)
        daemon.health()
        until(lambda: daemon.writer.status.committed >= 2)
        time.sleep(0.3)
    finally:
        daemon.store._connection.set_trace_callback(None)
        daemon.stop()
    assert by.count("writer") > 20
    assert set(by[by.index("writer") :]) == {"writer"}
