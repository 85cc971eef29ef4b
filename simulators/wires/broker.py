"""A private MQTT broker (a real mosquitto) and a publisher that knows what the broker has taken."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

_TRIES = 5
_READY_S = 10.0


class BrokerMissing(RuntimeError):
    """No mosquitto on this machine, or it does not start; the message says what to do."""


class BrokerDown(RuntimeError):
    """The broker took too long to take what was published."""


def _find() -> str:
    """Debian keeps mosquitto in /usr/sbin, which is not on an ordinary user's PATH."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/opt/homebrew/sbin")
    if found is None:
        raise BrokerMissing("mosquitto is not installed: on Debian, `sudo apt install mosquitto`")
    return found


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Broker:
    """A mosquitto on a free loopback port, keeping its queue on disk in `folder`."""

    def __init__(self, folder: Path, *, extra: str = "") -> None:
        self.folder = folder
        self.host = "127.0.0.1"
        self._program = _find()
        self._extra = extra
        self._process: subprocess.Popen[bytes] | None = None
        self.port = 0
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "kept").mkdir(exist_ok=True)
        self._begin()

    @property
    def log(self) -> Path:
        """What it says."""
        return self.folder / "mosquitto.log"

    @property
    def running(self) -> bool:
        """Whether its process lives."""
        return self._process is not None and self._process.poll() is None

    def kill9(self) -> None:
        """As a power cut would: nothing is written on the way out."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it in good order: it writes its queue first."""
        self._end(signal.SIGTERM)

    def restart(self) -> None:
        """Start it again on the same port, with what its folder kept."""
        if self.running:
            self.stop()
        self._start()

    def kept(self, content: bytes, patience_s: float = 5.0) -> bool:
        """Whether `content` stands in the file that survives a kill, waiting up to `patience_s` for it."""
        store = self.folder / "kept" / "mosquitto.db"
        until = time.monotonic() + patience_s
        while time.monotonic() < until:
            if store.exists() and content in store.read_bytes():
                return True
            time.sleep(0.02)
        return False

    def _begin(self) -> None:
        """Another program may take a port between our finding it free and the broker's asking for it."""
        for attempt in range(_TRIES):
            self.port = _free_port()
            self._configure()
            try:
                self._start()
            except BrokerMissing:
                if attempt == _TRIES - 1:
                    raise
            else:
                return

    def _configure(self) -> None:
        # Started by root, mosquitto becomes the user `mosquitto`, who may not write here.
        user = "user root\n" if os.geteuid() == 0 else ""
        (self.folder / "mosquitto.conf").write_text(
            f"listener {self.port} 127.0.0.1\n"
            "allow_anonymous true\n"
            f"{user}"
            "persistence true\n"
            f"persistence_location {self.folder.resolve()}/kept/\n"
            "autosave_interval 1\n"
            "autosave_on_changes true\n"
            "max_queued_messages 100000\n"
            f"{self._extra}\n",
            encoding="utf-8",
        )

    def _start(self) -> None:
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(  # noqa: S603  (a program we found ourselves)
                [self._program, "-c", str(self.folder / "mosquitto.conf")], stdout=log, stderr=log
            )
        until = time.monotonic() + _READY_S
        while time.monotonic() < until:
            if not self.running:
                break
            try:
                socket.create_connection((self.host, self.port), timeout=1).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        self._end(signal.SIGKILL)
        last = self.log.read_text(encoding="utf-8", errors="replace")[-400:]
        raise BrokerMissing(f"mosquitto did not start: {last.strip()}")

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=10)


@contextmanager
def private_broker(folder: Path, *, extra: str = "") -> Iterator[Broker]:
    """A broker of one's own, ended on the way out. `extra` lines are added to its configuration."""
    broker = Broker(folder, extra=extra)
    try:
        yield broker
    finally:
        broker.stop()


class BrokerLink:
    """Publishes at QoS 1 and counts what the broker has acknowledged. Connects again by itself."""

    def __init__(self, port: int, *, name: str = "simulated-probes", in_flight: int = 200) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
        self._client.max_inflight_messages_set(in_flight)
        self._client.reconnect_delay_set(min_delay=1, max_delay=2)
        self._client.on_publish = self._acknowledged
        self._room = threading.Condition()
        self._limit = in_flight
        self._open: set[int] = set()
        self._early: set[int] = set()
        self.sent = 0
        self.acknowledged = 0
        self._client.connect("127.0.0.1", port, keepalive=30)
        self._client.loop_start()

    def publish(self, topic: str, payload: bytes, *, retained: bool = False, patience_s: float = 30.0) -> None:
        """Hand one message over; waits while too many are unacknowledged, then raises `BrokerDown`."""
        with self._room:
            if not self._room.wait_for(lambda: len(self._open) < self._limit, timeout=patience_s):
                raise BrokerDown(f"{len(self._open)} messages unacknowledged for {patience_s:.0f} s")
        told = self._client.publish(topic, payload, qos=1, retain=retained)
        with self._room:
            self.sent += 1
            if told.mid in self._early:
                self._early.discard(told.mid)
            else:
                self._open.add(told.mid)

    def settle(self, patience_s: float = 30.0) -> None:
        """Wait until the broker has acknowledged everything; raises `BrokerDown`."""
        with self._room:
            if not self._room.wait_for(lambda: not self._open, timeout=patience_s):
                raise BrokerDown(f"{len(self._open)} of {self.sent} messages unacknowledged")

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def _acknowledged(self, _client: Any, _data: Any, mid: int, _reason: Any, _properties: Any) -> None:
        with self._room:
            self.acknowledged += 1
            if mid in self._open:
                self._open.discard(mid)
            else:  # the answer came before publish() had returned
                self._early.add(mid)
            self._room.notify_all()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
