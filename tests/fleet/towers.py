"""A tower and sites as deploy/mosquitto/ ships them: real brokers, a real bridge, TLS, passwords and access rules."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).parents[2]
MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
NAMES = ("viewer", "north", "south")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@dataclass
class Running:
    """A mosquitto with given settings on a given port, in a folder of its own."""

    folder: Path
    port: int
    settings: str
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        config = self.folder / "mosquitto.conf"
        # Started as root the broker would change to a user who may not write here.
        config.write_text(f"user root\npersistence_location {self.folder}/\n{self.settings}\n", encoding="utf-8")
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen([str(MOSQUITTO), "-c", str(config)], stdout=log, stderr=log)
        end = time.monotonic() + 10
        while time.monotonic() < end:
            assert self.process.poll() is None, self.log()
            with socket.socket() as sock:
                if sock.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise AssertionError(self.log())

    def end(self, how: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(how)
            self.process.send_signal(signal.SIGCONT)
            self.process.wait(10)
            self.process = None

    def freeze(self, *, still: bool = True) -> None:
        """As a power cut looks from afar: nothing answers, and no connection is closed."""
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP if still else signal.SIGCONT)

    def log(self) -> str:
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")


def shipped(name: str) -> str:
    """A file of deploy/."""
    return (TOP / "deploy" / name).read_text(encoding="utf-8")


def changed(text: str, changes: dict[str, str]) -> str:
    """A text with these of its parts replaced, each of which must be there."""
    for old, new in changes.items():
        assert old in text, old
        text = text.replace(old, new)
    return text


class Land:
    """A tower, and sites that pass on to it."""

    def __init__(self, folder: Path, keys: Path) -> None:
        self.folder, self.keys = folder, keys
        port = free_port()
        here = {"listener 8883": f"listener {port} 127.0.0.1", "/etc/mosquitto/certs/": f"{keys}/"}
        text = changed(shipped("mosquitto/tower.conf"), here | {"/etc/mosquitto/": f"{keys}/"})
        self.tower = Running(folder / "tower", port, text)
        self.sites: dict[str, Running] = {}

    def site(self, name: str, *, speaks_as: str | None = None) -> Running:
        """A site's broker with its bridge; `speaks_as` another site's topics."""
        port = free_port()
        own = changed(shipped("mosquitto.conf"), {"listener 1883": f"listener {port}"})
        bridge = shipped("mosquitto/bridge.conf")
        assert sum("SITE" in line for line in bridge.splitlines() if line[:1] != "#") == 6
        bridge = changed(
            bridge,
            {
                "fleet/SITE/": f"fleet/{speaks_as or name}/",
                "SITE": name,
                "/etc/mosquitto/certs/": f"{self.keys}/",
                "tower.example:8883": f"127.0.0.1:{self.tower.port}",
                "the-password-of-this-site": f"word-of-{name}",
                "restart_timeout 5 60": "restart_timeout 1",
                "keepalive_interval 60": "keepalive_interval 5",
            },
        )
        self.sites[name] = Running(self.folder / name, port, f"{own}\n{bridge}")
        return self.sites[name]

    def options(self) -> list[str]:
        """How `leeswatch fleet` is told of the tower."""
        return [
            "--host", "127.0.0.1", "--port", str(self.tower.port), "--ca", str(self.keys / "tower-ca.crt"),
            "--user", "viewer", "--password-file", str(self.keys / "viewer.word"),
        ]  # fmt: skip


@contextmanager
def land(folder: Path, keys: Path, *sites: str) -> Iterator[Land]:
    """A tower and sites that run, ended on the way out."""
    found = Land(folder, keys)
    found.tower.start()
    try:
        for name in sites:
            found.site(name).start()
        yield found
    finally:
        for each in (*found.sites.values(), found.tower):
            each.end(signal.SIGKILL)


def make_keys(folder: Path) -> Path:
    """An authority, the tower's certificate for this machine, and a password for each name."""

    def openssl(*arguments: str) -> None:
        subprocess.run(["openssl", *arguments], cwd=folder, check=True, capture_output=True)

    new = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl("req", "-x509", *new, "-days", "2", "-keyout", "ca.key", "-out", "tower-ca.crt", "-subj", "/CN=authority")
    openssl("req", *new, "-keyout", "tower.key", "-out", "tower.csr", "-subj", "/CN=127.0.0.1")
    (folder / "names").write_text("subjectAltName=IP:127.0.0.1\n")
    openssl("x509", "-req", "-in", "tower.csr", "-CA", "tower-ca.crt", "-CAkey", "ca.key", "-CAcreateserial",
            "-days", "2", "-extfile", "names", "-out", "tower.crt")  # fmt: skip
    passwords = folder / "passwords"
    passwords.touch(mode=0o600)
    for name in NAMES:
        subprocess.run(["mosquitto_passwd", "-b", str(passwords), name, f"word-of-{name}"], check=True)
        (folder / f"{name}.word").write_text(f"word-of-{name}\n")
    shutil.copy(TOP / "deploy/mosquitto/tower.acl", folder / "tower.acl")
    return folder
