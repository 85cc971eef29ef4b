"""The broker's settings, against a real mosquitto that is killed."""

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

TOP = Path(__file__).parents[2]
SHIPPED = (TOP / "deploy/mosquitto.conf").read_text(encoding="utf-8")
MOSQUITTO = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
AS_SHIPPED_BY_OTHERS = "listener 1883 127.0.0.1\nallow_anonymous true\npersistence true\n"

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="mosquitto is not installed")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


class Broker:
    """A real broker in a folder of its own, on a free port, with given settings."""

    def __init__(self, folder: Path, settings: str) -> None:
        self.folder = folder
        self.port = free_port()
        self.config = folder / "broker.conf"
        assert settings.count("listener 1883 127.0.0.1") == 1
        settings = settings.replace("listener 1883 127.0.0.1", f"listener {self.port} 127.0.0.1")
        # Started as root the broker would change to a user who may not write here.
        self.config.write_text(f"{settings}\nuser root\npersistence_location {folder}/\n", encoding="utf-8")

    @contextmanager
    def running(self) -> Iterator[subprocess.Popen[bytes]]:
        with (self.folder / "broker.log").open("ab") as log:
            process = subprocess.Popen([str(MOSQUITTO), "-c", str(self.config)], stdout=log, stderr=log)
        try:
            self._wait(process)
            yield process
        finally:
            if process.poll() is None:
                process.kill()
            process.wait(10)

    def _wait(self, process: subprocess.Popen[bytes]) -> None:
        for _ in range(200):
            assert process.poll() is None, self.log()
            with socket.socket() as sock:
                if sock.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.025)
        pytest.fail(f"the broker does not listen: {self.log()}")

    def log(self) -> str:
        return (self.folder / "broker.log").read_text(encoding="utf-8")

    @contextmanager
    def client(self, name: str, heard: list[bytes] | None = None) -> Iterator[mqtt.Client]:
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, clean_session=False)
        subscribed: list[bool] = []
        client.on_connect = lambda *_: client.subscribe("cellar/#", qos=1) if heard is not None else None
        client.on_subscribe = lambda *_: subscribed.append(True)
        if heard is not None:
            client.on_message = lambda _client, _data, message: heard.append(message.payload)
        client.connect("127.0.0.1", self.port)
        client.loop_start()
        try:
            deadline = time.monotonic() + 10
            while not client.is_connected() or (heard is not None and not subscribed):
                assert time.monotonic() < deadline, "no connection to the broker"
                time.sleep(0.01)
            yield client
        finally:
            client.disconnect()
            client.loop_stop()


def messages_after_kill(folder: Path, settings: str, count: int) -> tuple[list[bytes], list[bytes]]:
    """Publish `count` to an absent subscriber, each one acknowledged; kill -9; what it then receives."""
    broker = Broker(folder, settings)
    sent = [b"%d" % number for number in range(count)]
    with broker.running() as process:
        with broker.client("leeswatch", heard=[]):
            pass
        with broker.client("probe") as probe:
            for payload in sent:
                info = probe.publish("cellar/float-a", payload, qos=1)
                info.wait_for_publish(10)
                assert info.is_published()
            process.send_signal(signal.SIGKILL)
            process.wait(10)
    heard: list[bytes] = []
    with broker.running(), broker.client("leeswatch", heard=heard):
        before = -1
        while len(heard) != before:
            before = len(heard)
            time.sleep(0.5)
    return sent, heard


def test_acknowledged_messages_for_an_absent_subscriber_survive_a_killed_broker(tmp_path: Path) -> None:
    """Of 1,500 acknowledged messages, more than a plain broker would queue, only the last may be lost by kill -9."""
    sent, heard = messages_after_kill(tmp_path, SHIPPED, 1500)

    assert heard in (sent, sent[:-1])


def test_a_broker_without_our_settings_loses_them(tmp_path: Path) -> None:
    """The same with plain persistence loses all: our lines are what keeps them."""
    _, heard = messages_after_kill(tmp_path, AS_SHIPPED_BY_OTHERS, 50)

    assert heard == []


def test_the_proposed_listener_for_the_network_asks_for_a_password(tmp_path: Path) -> None:
    """The password listener that the file proposes is valid: it refuses the nameless, and lets the named in."""
    port = free_port()
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", passwords, "float", "grist"], check=True, capture_output=True)
    lines = SHIPPED.replace("#listener 1884\n#allow_anonymous false\n#password_file", "listener 1884\nallow_anonymous"
                            " false\npassword_file")  # fmt: skip
    assert lines != SHIPPED
    lines = lines.replace("listener 1884", f"listener {port} 127.0.0.1")
    broker = Broker(tmp_path, lines.replace("password_file /etc/mosquitto/passwords", f"password_file {passwords}", 1))

    with broker.running():
        assert _reason(port, None) == "Not authorized"
        assert _reason(port, "float") == "Success"
        assert _reason(broker.port, None) == "Success"


def _reason(port: int, name: str | None) -> str:
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    said: list[str] = []
    client.on_connect = lambda _client, _data, _flags, reason, _properties: said.append(str(reason))
    if name:
        client.username_pw_set(name, "grist")
    client.connect("127.0.0.1", port)
    deadline = time.monotonic() + 10
    while not said and time.monotonic() < deadline:
        client.loop(0.1)
    client.disconnect()
    return said[0]


def test_the_open_listener_is_on_loopback_only() -> None:
    """Every listener that asks for no password is bound to this machine."""
    blocks = SHIPPED.replace("\n#", "\n").split("\nlistener ")[1:]

    assert len(blocks) == 3
    for block in blocks:
        address = block.splitlines()[0].split()[1:]
        assert address == ["127.0.0.1"] or "\nallow_anonymous false\n" in block
