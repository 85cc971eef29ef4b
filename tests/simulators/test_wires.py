"""The wires are real: a pseudo-terminal, a mosquitto, files."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
import serial
from paho.mqtt.enums import CallbackAPIVersion

from simulators.play import Emission, Player
from simulators.rig import Rig
from simulators.scenario import load
from simulators.wires import Broker, BrokerLink, BrokerMissing, OneWireTree, PtyLine, broker, private_broker

HOUR = 3_600_000


class Ear:
    """A subscriber with a session that outlives its connection."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self._more = threading.Condition()
        self._ready = threading.Event()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="ear", clean_session=False)
        self.client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._ready.wait(10)

    def _hear(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        with self._more:
            self.heard.append((message.topic, bytes(message.payload)))
            self._more.notify_all()

    def wait(self, count: int) -> list[tuple[str, bytes]]:
        with self._more:
            assert self._more.wait_for(lambda: len(self.heard) >= count, timeout=20), len(self.heard)
            return list(self.heard)

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Broker]:
    with private_broker(tmp_path / "broker") as started:
        yield started


def test_a_published_message_arrives_and_is_acknowledged(running: Broker) -> None:
    """What is published at QoS 1 is heard, and settle() returns once the broker has all of it."""
    ear = Ear(running.port)
    with BrokerLink(running.port, in_flight=20) as link:
        for number in range(300):
            link.publish("a/b", f"{number}".encode())
        link.settle()
        assert link.sent == link.acknowledged == 300
    assert [payload for _, payload in ear.wait(300)] == [f"{number}".encode() for number in range(300)]
    ear.leave()


def test_queued_messages_survive_a_power_cut(running: Broker) -> None:
    """Messages taken for an absent subscriber are there after kill -9 and a restart on the same port."""
    ear = Ear(running.port)
    ear.leave()
    port = running.port
    with BrokerLink(port) as link:
        for number in range(40):
            link.publish("q", f"kept-{number:03}".encode())
        link.settle()
        assert running.kept(b"kept-039")
        running.kill9()
        assert not running.running
        running.restart()
        assert running.port == port
        again = Ear(port)
        assert [payload for _, payload in again.wait(40)] == [f"kept-{n:03}".encode() for n in range(40)]
        again.leave()


def test_the_publisher_finds_a_restarted_broker(running: Broker) -> None:
    """A message handed over while the broker is away is taken once it is back."""
    with BrokerLink(running.port) as link:
        link.publish("a", b"before")
        link.settle()
        running.stop()
        link.publish("a", b"between")
        running.restart()
        link.settle()
        assert link.acknowledged == 2


def test_a_publisher_without_a_broker_says_so_in_time(running: Broker) -> None:
    """With the broker gone for good, waiting ends with an error that counts what is open."""
    with BrokerLink(running.port) as link:
        running.kill9()
        link.publish("a", b"lost")
        with pytest.raises(broker.BrokerDown, match="1 of 1"):
            link.settle(patience_s=0.3)


def test_a_missing_mosquitto_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Without the program the error says what to install."""
    monkeypatch.setattr("shutil.which", lambda *_, **__: None)
    with pytest.raises(BrokerMissing, match="apt install mosquitto"):
        Broker(tmp_path)


def test_a_broker_that_cannot_start_shows_its_last_words(tmp_path: Path) -> None:
    """A faulty setting ends in an error with the broker's own complaint."""
    with pytest.raises(BrokerMissing, match="no_such_setting"):
        Broker(tmp_path, extra="no_such_setting true")


def test_a_line_is_read_like_a_serial_port(tmp_path: Path) -> None:
    """pyserial opens the path, alone, and reads what was written, byte for byte."""
    with PtyLine(tmp_path / "by-id" / "float") as line:
        with serial.Serial(str(line.path), timeout=2, exclusive=True) as reader:
            assert line.write(b"T=19.31 G=1.0421\r\n\xff\x00\x04\x03\r\n") == 24
            assert reader.readline() == b"T=19.31 G=1.0421\r\n"
            assert reader.readline() == b"\xff\x00\x04\x03\r\n"
        assert line.lost == 0


def test_what_nobody_reads_is_lost_without_blocking(tmp_path: Path) -> None:
    """A full buffer takes no more; the writer goes on and counts the loss."""
    with PtyLine(tmp_path / "float") as line:
        data = b"x" * 100_000
        taken = line.write(data, patience_s=0.05)
        assert 0 < taken < len(data)
        assert line.lost == len(data) - taken


def test_a_pulled_plug_is_an_error_and_comes_back_under_its_path(tmp_path: Path) -> None:
    """The reader's port fails, the path is gone, writes go nowhere; replugged, the same path works again."""
    with PtyLine(tmp_path / "float") as line:
        reader = serial.Serial(str(line.path), timeout=2)
        line.unplug()
        assert not line.path.is_symlink()
        with pytest.raises((serial.SerialException, OSError)):
            reader.read(reader.in_waiting or 1)
        reader.close()
        assert line.write(b"nobody\n") == 0
        line.replug()
        with serial.Serial(str(line.path), timeout=2) as again:
            line.write(b"back\n")
            assert again.readline() == b"back\n"


def test_one_wire_files_look_like_the_kernels(tmp_path: Path) -> None:
    """A thermometer is a folder with w1_slave and temperature; it can fail its check and fall off."""
    tree = OneWireTree(tmp_path)
    tree.put("28-0316a2795b1c", -10.125)
    folder = tmp_path / "devices" / "28-0316a2795b1c"
    first, second = (folder / "w1_slave").read_text().splitlines()
    assert first.startswith("5e ff 4b 46 7f ff 0c 10 ")
    assert first.endswith(" YES")
    assert second.endswith(" t=-10125")
    assert (folder / "temperature").read_text() == "-10125\n"
    tree.spoil("28-0316a2795b1c", 20.0)
    assert "NO" in (folder / "w1_slave").read_text().splitlines()[0]
    tree.remove("28-0316a2795b1c")
    assert not folder.exists()


def test_a_rig_delivers_over_every_wire(running: Broker, tmp_path: Path) -> None:
    """Broker, pseudo-terminal and one-wire files carry what the play says, no more and no less."""
    player = Player(load("garbled-wires"))
    ear = Ear(running.port)
    by_hand: list[Emission] = []
    with Rig(player, tmp_path, mqtt_port=running.port, hand=by_hand.append) as rig:
        assert str(rig.lines["float-b"].path) in rig.configuration()
        with serial.Serial(str(rig.lines["float-b"].path), timeout=1) as reader:
            count = rig.deliver_until(player.start_ms + 6 * HOUR)
            rig.settle()
            sent = player.emissions[:count]
            wanted = b"".join(e.payload for e in sent if e.wire == "serial")
            assert reader.read(len(wanted)) == wanted
        messages = [(e.line, e.payload) for e in sent if e.wire == "mqtt"]
        assert sorted(ear.wait(len(messages))) == sorted(messages)
        last = [e for e in sent if e.wire == "onewire"][-1]
        assert (rig.onewire.devices / last.line / "w1_slave").read_bytes() == last.payload
    assert by_hand == []
    ear.leave()
