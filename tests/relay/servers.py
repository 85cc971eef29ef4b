"""Real time-series servers, each private to the tests: a folder of its own, free ports, nothing phones home."""

from __future__ import annotations

import contextlib
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from monitor.model.config import Relay
from tests.relay.translator import Translator

BUCKET = "leeswatch"
NO_PROXY = urllib.request.build_opener(urllib.request.ProxyHandler({}))

INFLUXD = """\
reporting-disabled = true
bind-address = "127.0.0.1:{inner}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
[monitor]
  store-enabled = false
[subscriber]
  enabled = false
[continuous_queries]
  enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
  auth-enabled = {locked}
"""


def free_port() -> int:
    """A port that was free a moment ago."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def binary(name: str) -> str:
    """Where a server's program lies; the test is skipped where it does not."""
    found = shutil.which(name) or shutil.which(name, path="/usr/bin:/usr/sbin:/usr/local/bin")
    if found is None:
        pytest.skip(f"{name} is not installed (as root: apt-get install {name.replace('influxd', 'influxdb')})")
    return found


def said(url: str, body: bytes | None = None, **fields: str) -> bytes:
    """What a server answers to GET, or to POST with a body; HTTPError where it says no."""
    query = f"?{urllib.parse.urlencode(fields)}" if fields else ""
    with NO_PROXY.open(urllib.request.Request(url + query, data=body), timeout=30) as answer:
        return bytes(answer.read())


class Served:
    """A server as a process. `port` and folder stay the same when it is started anew."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    @property
    def base(self) -> str:
        """The address of the server itself."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def url(self) -> str:
        """The address for `[relay].url`."""
        return self.base

    def command(self) -> list[str]:
        """What starts it."""
        raise NotImplementedError

    def start(self) -> None:
        """Start it and wait until it answers."""
        with (self.folder / "log").open("ab") as log:
            self._process = subprocess.Popen(self.command(), cwd=self.folder, stdout=log, stderr=log)
        end = time.monotonic() + 30.0
        while not self._answers():
            told = (self.folder / "log").read_text(errors="replace")[-2000:]
            if self._process.poll() is not None or time.monotonic() > end:
                self.kill()
                pytest.fail(f"the server does not run: {told}")
            time.sleep(0.02)

    def _answers(self) -> bool:
        with contextlib.suppress(OSError):
            said(f"{self.base}/ping")
            return True
        return False

    def kill(self, how: signal.Signals = signal.SIGKILL) -> None:
        """End it at once (or with another signal), and wait for that."""
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(how)
            self._process.wait(30.0)
        self._process = None

    def close(self) -> None:
        """End it for good."""
        self.kill(signal.SIGTERM)

    def write(self, lines: Iterable[str]) -> None:
        """Write lines by the v2 write API, and see them at once."""
        body = "\n".join(lines).encode()
        said(f"{self.url}/api/v2/write", body, org="cellar", bucket=BUCKET, precision="ms")
        self.settle()

    def settle(self) -> None:
        """Make what was written visible to questions."""

    def relay(self, **more: object) -> Relay:
        """The section that names it."""
        return Relay.model_validate({"url": self.url, **more})


class VictoriaMetrics(Served):
    """Debian's VictoriaMetrics: it takes the v2 write API itself."""

    def command(self) -> list[str]:
        return [
            binary("victoria-metrics"), f"-storageDataPath={self.folder}/data",
            f"-httpListenAddr=127.0.0.1:{self.port}", "-retentionPeriod=100y", "-dedup.minScrapeInterval=1ms",
            "-loggerLevel=WARN", "-memory.allowedBytes=200MB",
        ]  # fmt: skip

    def settle(self) -> None:
        said(f"{self.base}/internal/force_flush")


class Influxd(Served):
    """Debian's InfluxDB 1.6.7 with a translator before it, through which it takes the v2 write path."""

    locked = "false"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._translator = Translator(self.base)

    def start(self) -> None:
        super().start()
        if self.locked == "false":
            said(f"{self.base}/query", b"", q=f"CREATE DATABASE {BUCKET}")

    def close(self) -> None:
        self._translator.close()
        super().close()

    @property
    def url(self) -> str:
        return self._translator.url

    def command(self) -> list[str]:
        file = self.folder / "influxd.conf"
        file.write_text(
            INFLUXD.format(inner=free_port(), folder=self.folder, port=self.port, locked=self.locked), encoding="utf-8"
        )
        return [binary("influxd"), "-config", str(file)]


class LockedInfluxd(Influxd):
    """The same, with accounts: whoever brings no good token is turned away."""

    locked = "true"

    def start(self) -> None:
        super().start()
        said(f"{self.base}/query", b"", q="CREATE USER admin WITH PASSWORD 'long-enough' WITH ALL PRIVILEGES")


@contextlib.contextmanager
def serving(kind: type[Served], folder: Path) -> Iterator[Served]:
    """A server of a kind, ended on the way out."""
    server = kind(folder)
    try:
        yield server
    finally:
        server.close()
