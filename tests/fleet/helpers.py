"""What the tests of many sites share: an ear on a broker, a small site with a daemon, summaries made by hand."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from monitor.app import Daemon
from monitor.fleet.summary import Standing, Summary
from monitor.model.clock import SystemClock, iso, parse_time
from monitor.settings import load_settings

PATIENCE_S = 15.0
NOW = parse_time("2026-03-09T12:00:00Z")


class Ear:
    """Hears a broker from outside: each message as (topic, payload, retained)."""

    def __init__(self, port: int, *topics: str) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self._changed = threading.Condition()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=f"ear-{uuid.uuid4().hex[:8]}")
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe([(topic, 1) for topic in topics or ("#",)])
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, _: Client, __: Any, message: MQTTMessage) -> None:
        with self._changed:
            self.heard.append((message.topic, bytes(message.payload), message.retain))
            self._changed.notify_all()

    def on(self, topic: str) -> list[bytes]:
        """What came on a topic."""
        with self._changed:
            return [payload for heard, payload, _ in self.heard if heard == topic]

    def wait(self, true: Callable[[], object]) -> None:
        """Wait until something is so of what was heard."""
        with self._changed:
            assert self._changed.wait_for(lambda: bool(true()), PATIENCE_S), self.heard[-20:]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


SITE = """\
[site]
name = "{name}"
[store]
path = "store.db"
[web]
enabled = false
[mqtt]
port = {port}
client_id = "{client}"
[[probe]]
name = "float-a"
source = "mqtt"
topic = "cellar/float-a"
[[vessel]]
name = "bucket-a"
probes = ["float-a"]
[[batch]]
name = "amber-1"
vessel = "bucket-a"
pitched = 2026-03-02T18:00:00Z
original_gravity = 1.062
expected_final = 1.008
"""


def site_config(folder: Path, port: int, name: str = "Cellar") -> Path:
    """A site's configuration, with a client id that no other test's broker session has."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "site.toml"
    path.write_text(SITE.format(name=name, port=port, client=f"site-{uuid.uuid4().hex[:8]}"), encoding="utf-8")
    return path


@contextmanager
def watching(config: Path) -> Iterator[Daemon]:
    """A daemon in this process, quick to send its summary."""
    daemon = Daemon(load_settings(config), config.parent / "store.db", SystemClock(), calendar=False, group_ms=20)
    for sender in daemon.summaries:
        sender._look_s, sender._apart_ms = 0.05, 0.0
    daemon.start()
    try:
        yield daemon
    finally:
        daemon.stop()


def summary(time_ms: int = NOW, **more: Any) -> Summary:
    """What a site says."""
    told: dict[str, Any] = {"site": "Cellar", "time": iso(time_ms), "version": "0.1.0"}
    return Summary(**(told | more))


def standing(alert: str = "probe-silent", priority: str = "medium", **more: Any) -> Standing:
    """An alert that stands."""
    told: dict[str, Any] = {
        "alert": alert, "about": "probe:float-a", "priority": priority, "state": "unacknowledged",
        "since": iso(NOW - 3_600_000), "message": f"This is {alert}.",
    }  # fmt: skip
    return Standing(**(told | more))
