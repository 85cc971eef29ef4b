"""`leeswatch run`: the daemon as a process among others."""

import os
import re
import signal
import socket
import threading
import time
from pathlib import Path

import pytest

from monitor.control import socket_path
from monitor.model.inputs import Reading, Started, Stopped
from monitor.sdnotify import Notifier
from monitor.settings import load_settings, store_path
from monitor.store.reader import Reader
from simulators.wires import BrokerLink, private_broker

from .helpers import cellar, daemon, run_here, run_there, until


def inputs(config: Path) -> list[object]:
    with Reader(store_path(load_settings(config))) as reader:
        return list(reader.inputs())


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_in_good_order(tmp_path: Path, how: signal.Signals) -> None:
    """Told to stop it exits 0, notes start and end in the journal, and leaves neither socket nor log file of SQLite."""
    config = cellar(tmp_path)
    with daemon(config) as running:
        begun = time.monotonic()
        assert running.end(how) == 0
        assert time.monotonic() - begun < 10.0
        assert running.errors == []

    assert not socket_path(tmp_path / "store.db").exists()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["cellar.toml", "store.db", "store.db.lock"]
    kinds = [type(each) for each in inputs(config)]
    assert kinds[0] is Started
    assert kinds[-1] is Stopped


def test_it_says_what_it_watches_and_waits_for(tmp_path: Path) -> None:
    """The log is on the standard output, each line with its time, and names topic and port of a probe never heard."""
    with daemon(cellar(tmp_path)) as running:
        running.wait_for("probe larder-air has not been heard yet: waiting on port /dev/serial/by-id/larder")
        running.wait_for("probe float-a has not been heard yet: waiting on topic cellar/float-a")
        running.end()
        assert f"watching; the store is {tmp_path}/store.db" in running.log
        for line in running.lines:
            assert re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d{4} [A-Z]+ ", line), line
        assert running.errors == []


def test_it_works_with_no_broker_and_finds_it_when_it_comes(tmp_path: Path) -> None:
    """The broker away is no reason to end: it starts, stays healthy, and takes readings once the broker is there."""
    with private_broker(tmp_path / "broker") as broker:
        config = cellar(tmp_path, port=broker.port)
        broker.stop()
        with daemon(config) as running:
            time.sleep(1.0)
            assert running.process.poll() is None
            broker.restart()
            with BrokerLink(broker.port, name="float-a") as link:
                until(lambda: _got(config, link))
            assert running.end() == 0
            assert running.errors == []


def _got(config: Path, link: BrokerLink) -> bool:
    link.publish("cellar/float-a", b'{"n":"temperature","u":"Cel","v":20.5}')
    time.sleep(0.3)
    return any(isinstance(each, Reading) for each in inputs(config))


def test_a_second_daemon_on_one_store_is_refused(tmp_path: Path) -> None:
    """It exits 1 at once with the number of the first, which goes on undisturbed."""
    config = cellar(tmp_path)
    with daemon(config) as first:
        second = run_there("run", "--config", config, cwd=tmp_path)
        assert second.returncode == 1
        assert f"leeswatch: another process (pid {first.process.pid}) is the writer of" in second.stderr
        assert "let that one do the work, stop it, or name another [store].path" in second.stderr
        assert first.process.poll() is None
        assert first.end() == 0


def test_a_wrong_configuration_starts_nothing(tmp_path: Path) -> None:
    """It exits 1 with every problem, and makes no store."""
    config = cellar(tmp_path, more="x = 1\ny = 2\n")

    done = run_there("run", "--config", config, cwd=tmp_path)

    assert done.returncode == 1
    assert done.stderr.count("unknown key") == 2
    assert sorted(each.name for each in tmp_path.iterdir()) == ["cellar.toml"]


def test_a_page_whose_port_is_taken_ends_it_with_the_reason(tmp_path: Path) -> None:
    """It does not hang half started: the reason is said, the store is let go in good order, and it exits 1."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        config = cellar(tmp_path)
        text = config.read_text(encoding="utf-8").replace("enabled = false", f"port = {port}")
        config.write_text(text, encoding="utf-8")
        done = run_there("run", "--config", config, cwd=tmp_path)

    assert done.returncode == 1
    assert f"leeswatch: the page cannot listen on 127.0.0.1:{port}: Address already in use" in done.stderr
    assert "Traceback" not in done.stderr
    assert isinstance(inputs(config)[-1], Stopped)


def test_a_command_reaches_the_daemon_and_a_dead_one_is_no_hindrance(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """After a kill its socket still lies there: a command writes by itself, and the next daemon starts."""
    config = cellar(tmp_path)
    with daemon(config) as running:
        running.process.kill()
        running.process.wait()
        assert socket_path(tmp_path / "store.db").exists()
        words = ("batch", "reading", "amber-1", "1.030", "--at", "20", "--config", config)
        assert run_here(capsys, *words)[0] == 0
    with daemon(config) as running:
        assert run_here(capsys, *words)[0] == 0
        assert running.end() == 0


# --- the service manager -----------------------------------------------------------------------------------------


class Manager:
    """The service manager's end of its socket."""

    def __init__(self, address: str) -> None:
        self.told: list[str] = []
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind(address)
        self._line.settimeout(0.2)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while not self._over.is_set():
            try:
                self.told.extend(self._line.recv(4096).decode().split("\n"))
            except TimeoutError:
                continue

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._line.close()


@pytest.mark.parametrize("kind", ["file", "abstract"])
def test_the_service_manager_is_told(tmp_path: Path, kind: str) -> None:
    """Ready only once it watches, alive again and again, stopping at the end; over both kinds of socket."""
    name = str(tmp_path / "notify") if kind == "file" else f"@leeswatch-test-{os.getpid()}"
    manager = Manager(name if kind == "file" else f"\0{name[1:]}")
    try:
        with daemon(cellar(tmp_path), NOTIFY_SOCKET=name, WATCHDOG_USEC="10000000") as running:
            until(lambda: "WATCHDOG=1" in manager.told)
            running.end()
        until(lambda: "STOPPING=1" in manager.told)
    finally:
        manager.close()

    assert manager.told[0] == "READY=1"
    assert manager.told.index("READY=1") < manager.told.index("WATCHDOG=1") < manager.told.index("STOPPING=1")
    assert manager.told.count("READY=1") == 1


def test_with_no_service_manager_nothing_is_said(tmp_path: Path) -> None:
    """Without an address, or with nobody listening there, telling is no error."""
    for notifier in (Notifier(""), Notifier(str(tmp_path / "nobody"))):
        notifier.ready()
        notifier.alive()
        notifier.stopping()
