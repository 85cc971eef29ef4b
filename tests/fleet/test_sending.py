"""A site's summary on its own broker: a real daemon, a real mosquitto."""

import json
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.app import Daemon
from monitor.fleet.sending import SummarySender
from monitor.fleet.summary import SUMMARY_TOPIC, Summary, decode
from monitor.model.inputs import BatchClosed, Message, Sample
from simulators.wires import Broker, private_broker

from .helpers import NOW, Ear, site_config, summary, watching


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with private_broker(tmp_path / "broker") as broker:
        yield broker


def latest(ear: Ear) -> Summary:
    return decode(ear.on(SUMMARY_TOPIC)[-1])


def test_it_tells_of_what_stands_and_of_each_change(tmp_path: Path, broker: Broker) -> None:
    """Retained, so that who comes later has it; said anew when a batch is over or its first reading came."""
    with Ear(broker.port) as ear, watching(site_config(tmp_path, broker.port, "North cellar")) as daemon:
        ear.wait(lambda: ear.on(SUMMARY_TOPIC))
        first = latest(ear)
        assert (first.site, first.version) == ("North cellar", "0.1.0")
        assert [(each.batch, each.verdict, each.sentence) for each in first.batches] == [
            ("amber-1", "unknown", "Nothing heard yet.")
        ]
        assert (first.probes.all, first.probes.never_heard) == (1, 1)
        with Ear(broker.port, SUMMARY_TOPIC) as late:
            late.wait(lambda: late.heard)
            assert late.heard[0][2]

        daemon.record(BatchClosed(batch="amber-1")).result(10)
        ear.wait(lambda: not latest(ear).batches)
        assert latest(ear).time_ms > first.time_ms


def test_an_alert_is_in_it_as_long_as_it_stands(tmp_path: Path, broker: Broker) -> None:
    """With its name, what it is about, how urgent it is, and its sentence."""
    with Ear(broker.port) as ear, watching(site_config(tmp_path, broker.port)) as daemon:
        for number in range(3):
            _say(daemon, 120.0 + number)
        ear.wait(lambda: ear.on(SUMMARY_TOPIC) and latest(ear).alerts)
        (alert,) = latest(ear).alerts
        assert (alert.alert, alert.about, alert.priority) == ("probe-suspect", "probe:float-a", "low")
        assert alert.message == "Probe float-a says temperature 122 Cel: that cannot be right."
        _say(daemon, 20.0)
        ear.wait(lambda: not latest(ear).alerts)


def _say(daemon: Daemon, celsius: float) -> None:
    now = daemon.clock.wall_ms()
    daemon.record(Message("mqtt", "float-a", now, daemon.clock.mono_ms(), (Sample("temperature", celsius),))).result(10)


def test_a_broker_that_lost_everything_gets_it_again(tmp_path: Path, broker: Broker) -> None:
    """After each connection it is said anew, though nothing changed."""
    with watching(site_config(tmp_path, broker.port)):
        with Ear(broker.port, SUMMARY_TOPIC) as ear:
            ear.wait(lambda: ear.heard)
        broker.kill9()
        (broker.folder / "kept" / "mosquitto.db").unlink(missing_ok=True)
        time.sleep(0.3)  # the daemon sees that it is gone
        broker.restart()
        with Ear(broker.port, SUMMARY_TOPIC) as ear:
            ear.wait(lambda: ear.heard)


def test_the_writer_does_not_wait_for_it(tmp_path: Path, broker: Broker) -> None:
    """While the making of a summary hangs, commits go on."""
    held, begun = threading.Event(), threading.Event()
    with watching(site_config(tmp_path, broker.port)) as daemon:
        (sender,) = daemon.summaries

        def hang() -> Summary:
            begun.set()
            held.wait(20)
            return summary()

        sender._make = hang
        daemon.record(BatchClosed(batch="amber-1")).result(10)
        assert begun.wait(10)
        for _ in range(5):
            _say(daemon, 20.0)
        assert not held.is_set()
        held.set()


class Desk:
    """What a sender is given, to be looked at."""

    def __init__(self) -> None:
        self.here, self.room, self.made = True, True, 0
        self.now = summary()
        self.sent: list[bytes] = []

    def make(self) -> Summary:
        self.made += 1
        if self.now.site == "broken":
            raise ValueError("no picture")
        return self.now.model_copy(update={"time": summary(NOW + self.made).time})

    def publish(self, topic: str, payload: bytes) -> bool:
        assert topic == SUMMARY_TOPIC
        if self.room:
            self.sent.append(payload)
        return self.room

    def sender(self, every_s: float = 300.0) -> SummarySender:
        return SummarySender(self.make, self.publish, lambda: self.here, every_s=every_s, apart_s=0.0)


def test_it_is_said_again_when_it_changed_or_is_old() -> None:
    """A change that changes nothing of it is not sent; after the longest pause it is sent as it is."""
    desk = Desk()
    sender = desk.sender()
    sender._look()
    assert len(desk.sent) == 1
    sender._look()
    assert (len(desk.sent), desk.made) == (1, 1)

    sender.changed()
    sender._look()
    assert (len(desk.sent), desk.made) == (1, 2)
    desk.now = summary(site="Other")
    sender.changed()
    sender._look()
    assert json.loads(desk.sent[-1])["site"] == "Other"

    sender._sent_ms -= 300_001
    sender._look()
    assert len(desk.sent) == 3


def test_what_could_not_be_sent_is_tried_again() -> None:
    """No room in the client's queue, no picture for a while, no broker: the change is not forgotten."""
    desk = Desk()
    sender = desk.sender()
    sender._look()
    desk.here = False
    desk.now = summary(site="Other")
    sender.changed()
    sender._look()
    assert desk.made == 1
    desk.here, desk.room = True, False
    sender._look()
    desk.room, desk.now = True, summary(site="broken")
    with pytest.raises(ValueError, match="no picture"):
        sender._look()
    desk.now = summary(site="Last")
    sender._look()
    assert [json.loads(each)["site"] for each in desk.sent] == ["Cellar", "Last"]
    desk.room, desk.now = False, summary(site="Full")
    sender.changed()
    sender._look()
    desk.room = True
    sender._look()
    assert json.loads(desk.sent[-1])["site"] == "Full"


def test_a_fault_is_told_once_and_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """The thread goes on; the log has one line of it until it went well again."""
    desk = Desk()
    desk.now = summary(site="broken")
    sender = desk.sender()
    sender._look_s = 0.01
    sender.start()
    end = time.monotonic() + 10
    while desk.made < 5:
        assert time.monotonic() < end
        time.sleep(0.01)
    desk.now = summary()
    while not desk.sent:
        assert time.monotonic() < end
        time.sleep(0.01)
    sender.stop()
    assert sum("the summary could not be sent" in each.message for each in caplog.records) == 1
