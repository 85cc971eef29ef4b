"""MQTT against a real broker: nothing acknowledged before its receipt, nothing lost, nothing acknowledged twice."""

import os
import shutil
import signal
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.model.clock import ManualClock
from monitor.model.config import Mqtt, Probe
from monitor.model.inputs import Message
from monitor.sources.mqtt import MqttSource
from simulators.wires import Broker, BrokerLink, private_broker

from .helpers import NOW, Inbox, until

Start = Callable[..., MqttSource]


@pytest.fixture
def topic() -> str:
    return f"cellar/{uuid.uuid4().hex[:8]}"


@pytest.fixture
def start(mqtt: Mqtt, topic: str, inbox: Inbox, clock: ManualClock) -> Iterator[Start]:
    """Starts sources, and stops them at the end; by default with one probe, its topic and the test's client."""
    running: list[MqttSource] = []

    def start(settings: Mqtt = mqtt, probes: list[Probe] | None = None, session: str | None = None) -> MqttSource:
        found = [Probe(name="a", source="mqtt", topic=topic)] if probes is None else probes
        source = MqttSource(settings, found, inbox, clock, session)
        running.append(source)
        source.start()
        return source

    yield start
    for source in running:
        source.stop()


def started(start: Start, *arguments: object, **options: object) -> MqttSource:
    source = start(*arguments, **options)
    until(lambda: source.status().connected)
    time.sleep(0.1)  # the broker takes the subscription just after
    return source


def gravity(value: float) -> bytes:
    return b'[{"n":"gravity","u":"1","v":%.4f}]' % value


def acknowledge(messages: list[Message]) -> None:
    for message in messages:
        assert message.receipt is not None
        message.receipt()


def test_a_message_arrives_as_samples_with_its_identity(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox
) -> None:
    """A pack becomes one message with its samples, the time of arrival, its packet and a receipt."""
    source = started(start)
    link.publish(topic, b'[{"bn":"x/","n":"gravity","v":1.05},{"n":"temperature","u":"degF","v":50}]')
    (message,) = inbox.wait(1)
    assert (message.source, message.probe, message.arrived_ms, message.arrived_mono_ms) == ("mqtt", "a", NOW, 5_000)
    assert inbox.values() == [("a", "gravity", 1.05), ("a", "temperature", 10.0)]
    assert message.identity is not None
    assert message.identity.packet > 0
    assert len({message.identity.session, message.identity.connection}) == 2
    assert message.receipt is not None
    assert (message.retained, message.online) == (False, None)
    status = source.status()
    assert (status.heard, status.connected, status.last_heard_mono_ms) == ({topic: 1}, True, 5_000)
    assert source.alive()


def test_without_its_receipt_a_message_comes_again(start: Start, link: BrokerLink, topic: str, inbox: Inbox) -> None:
    """What was not committed before a stop is sent again at the next start: same packet, other connection."""
    first = started(start)
    link.publish(topic, gravity(1.05))
    (before,) = inbox.wait(1)
    assert before.identity is not None
    first.stop()
    started(start, session=before.identity.session)
    _, again = inbox.wait(2)
    assert again.identity is not None
    assert again.samples == before.samples
    assert (again.identity.session, again.identity.packet, again.identity.digest) == (
        before.identity.session,
        before.identity.packet,
        before.identity.digest,
    )
    assert again.identity.connection != before.identity.connection


def test_after_its_receipt_a_message_is_gone(start: Start, link: BrokerLink, topic: str, inbox: Inbox) -> None:
    """What was committed and acknowledged is not sent again, what was not is."""
    first = started(start)
    for value in (1.05, 1.04, 1.03):
        link.publish(topic, gravity(value))
    acknowledge(inbox.wait(3)[:2])
    time.sleep(0.2)
    first.stop()
    inbox.messages.clear()
    started(start)
    inbox.wait(1)
    inbox.quiet()
    assert inbox.values() == [("a", "gravity", 1.03)]


def test_messages_sent_while_away_are_kept_by_the_broker(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox
) -> None:
    """The session outlives a stop: what probes send meanwhile arrives at the next start, in order."""
    started(start).stop()
    for value in (1.05, 1.04, 1.03):
        link.publish(topic, gravity(value))
    link.settle()
    started(start)
    inbox.wait(3)
    assert [value for _, _, value in inbox.values()] == [1.05, 1.04, 1.03]


def test_a_receipt_of_an_older_connection_acknowledges_nothing(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox
) -> None:
    """A receipt that comes after a reconnect is let fall: its packet number may by now mean another message."""
    source = started(start)
    link.publish(topic, gravity(1.05))
    (old,) = inbox.wait(1)
    source._drop_connection()
    _, new = inbox.wait(2)
    assert old.identity is not None
    assert new.identity is not None
    assert old.identity.packet == new.identity.packet
    acknowledge([old])  # the same number, and it must not count
    time.sleep(0.2)
    source.stop()
    started(start)
    again = inbox.wait(3)[2]
    assert again.samples == new.samples
    acknowledge([again])


def test_the_broker_holds_back_beyond_twenty_uncommitted(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox
) -> None:
    """Without receipts twenty messages come and no more; receipts let the others through."""
    source = started(start)
    for n in range(30):
        link.publish(topic, gravity(1.05 - n / 1000))
    link.settle()
    inbox.wait(20)
    assert len(inbox.quiet()) == 20
    assert source.alive()
    acknowledge(inbox.messages[:20])
    acknowledge(inbox.wait(30)[20:])
    assert [value for _, _, value in inbox.values()] == [round(1.05 - n / 1000, 4) for n in range(30)]


def test_a_sink_that_raises_loses_nothing(start: Start, link: BrokerLink, topic: str, inbox: Inbox) -> None:
    """When a message cannot be handed over it comes again, the thread lives, and the reason is shown."""
    source = started(start)
    inbox.fail = 2
    link.publish(topic, gravity(1.05))
    link.publish(topic, gravity(1.04))
    until(lambda: "could not be handed over" in source.status().detail and "no room" in source.status().detail)
    inbox.wait(2)
    assert {value for _, _, value in inbox.values()} == {1.05, 1.04}
    until(lambda: source.status().connected and not source.status().detail)
    assert source.alive()


def test_what_cannot_be_read_is_handed_over_with_its_reason(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox
) -> None:
    """A poison message carries its reason and its receipt like any other, and the next one is read."""
    source = started(start)
    link.publish(topic, b"\xff\x00{")
    link.publish(topic, gravity(1.05))
    bad, good = inbox.wait(2)
    assert bad.samples == ()
    assert bad.unreadable[0].content == b"\xff\x00{"
    assert bad.unreadable[0].origin == topic
    assert bad.receipt is not None
    assert good.samples
    assert source.status().unreadable == 1


def test_an_empty_message_is_acknowledged_at_once(start: Start, link: BrokerLink, topic: str, inbox: Inbox) -> None:
    """Thirty empty messages, more than the broker's window, block nothing and are no readings."""
    started(start)
    for _ in range(30):
        link.publish(topic, b"")
    link.publish(topic, gravity(1.05))
    inbox.wait(1)
    assert inbox.values() == [("a", "gravity", 1.05)]


def test_a_probe_says_that_it_comes_and_goes(start: Start, link: BrokerLink, topic: str, inbox: Inbox) -> None:
    """`…/status` becomes the probe's own word; anything else there is unreadable."""
    link.publish(f"{topic}/status", b"online", retained=True)
    link.settle()
    started(start)
    link.publish(f"{topic}/status", b"Offline")
    link.publish(f"{topic}/status", b"perhaps")
    there, gone, strange = inbox.wait(3)
    assert (there.probe, there.online, there.retained) == ("a", True, True)
    assert (gone.probe, gone.online, gone.retained) == ("a", False, False)
    assert strange.online is None
    assert "online or offline" in strange.unreadable[0].reason
    link.publish(f"{topic}/status", b"", retained=True)


def test_a_retained_message_says_so(start: Start, link: BrokerLink, topic: str, inbox: Inbox) -> None:
    """A message that the broker retained is marked, so that it is not taken for a new reading."""
    link.publish(topic, gravity(1.05), retained=True)
    link.settle()
    started(start)
    (message,) = inbox.wait(1)
    assert message.retained
    link.publish(topic, b"", retained=True)


def test_quality_of_service_0_has_neither_identity_nor_receipt(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox
) -> None:
    """A message sent at most once can be neither recognised nor acknowledged."""
    started(start)
    link._client.publish(topic, gravity(1.05), qos=0).wait_for_publish(5)
    (message,) = inbox.wait(1)
    assert (message.identity, message.receipt) == (None, None)


def test_probes_that_share_a_topic_share_its_receipt(start: Start, link: BrokerLink, topic: str, inbox: Inbox) -> None:
    """Each probe gets its values, told apart in the store, and the packet is acknowledged when both are committed."""
    probes = [
        Probe(name=name, source="mqtt", topic=topic, fields={"temperature": f"{name}.t"}) for name in ("a", "b", "c")
    ]
    first = started(start, probes=probes)
    link.publish(topic, b'{"a":{"t":4},"b":{"t":20}}')
    one, two = inbox.wait(2)
    assert inbox.values() == [("a", "temperature", 4.0), ("b", "temperature", 20.0)]
    assert one.identity is not None
    assert two.identity is not None
    assert one.identity.packet == two.identity.packet
    assert one.identity.digest != two.identity.digest
    assert source_unreadable(inbox) == []
    acknowledge([one])
    time.sleep(0.1)
    first.stop()
    started(start, probes=probes)
    acknowledge(inbox.wait(4)[2:])
    link.publish(topic, b'{"nobody":1}')
    nobody = inbox.wait(5)[4]
    assert nobody.probe is None
    assert all(f"{name}: none of the fields" in nobody.unreadable[0].reason for name in "abc")


def source_unreadable(inbox: Inbox) -> list[object]:
    return [each for message in inbox.messages for each in message.unreadable]


def test_a_topic_of_an_earlier_configuration_is_given_up(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox
) -> None:
    """A probe no longer configured leaves its subscription in the session: it is ended, and blocks nothing."""
    started(start).stop()
    for _ in range(30):
        link.publish(topic, gravity(1.05))
    link.settle()
    other = f"{topic}-b"
    started(start, probes=[Probe(name="b", source="mqtt", topic=other)])
    link.publish(other, gravity(1.04))
    inbox.wait(1)
    inbox.quiet()
    assert inbox.values() == [("b", "gravity", 1.04)]


@pytest.mark.parametrize("wrong", ["garage/#", "garage/+", "ga#rage", "#", "a\0b", "x" * 70_000])
def test_a_topic_that_cannot_be_had_silences_no_other(
    start: Start, link: BrokerLink, topic: str, inbox: Inbox, wrong: str
) -> None:
    """A wildcard, or what is no topic at all, is told in the status; the probe beside it is heard."""
    probes = [Probe(name=name, source="mqtt", topic=at) for name, at in (("b", wrong), ("a", topic))]
    source = started(start, probes=probes)
    link.publish(topic, gravity(1.05))

    inbox.wait(1)

    assert inbox.values() == [("a", "gravity", 1.05)]
    assert "probe b is not heard: " in source.status().detail


def test_hundreds_of_probes_are_more_than_one_packet_may_hold(
    tmp_path: Path, start: Start, mqtt: Mqtt, inbox: Inbox
) -> None:
    """A broker with the settings we ship takes no packet over 64 KiB: it is asked for the topics in parts."""
    topics = [f"a-teaching-cellar/second-floor/row-{number:04}/float" for number in range(1200)]
    assert sum(len(topic) for topic in topics) > 50_000  # and the same again, and more, for `…/status`
    probes = [Probe(name=f"float-{number}", source="mqtt", topic=topic) for number, topic in enumerate(topics)]
    with private_broker(tmp_path / "strict", extra="max_packet_size 65536") as broker, BrokerLink(broker.port) as link:
        source = started(start, mqtt.model_copy(update={"port": broker.port}), probes)
        time.sleep(0.5)
        link.publish(topics[0], gravity(1.05))
        link.publish(topics[-1], gravity(1.04))
        inbox.wait(2)
        assert source.status().detail == ""
    assert inbox.values() == [("float-0", "gravity", 1.05), ("float-1199", "gravity", 1.04)]


def test_a_broker_that_is_away_at_the_start_is_waited_for(
    broker: Broker, start: Start, mqtt: Mqtt, topic: str, inbox: Inbox
) -> None:
    """With no broker the source starts, says so, and connects once there is one."""
    broker.stop()
    source = start(mqtt.model_copy(update={"port": broker.port}))
    until(lambda: "cannot be reached" in source.status().detail)
    assert not source.status().connected
    assert source.alive()
    broker.restart()
    until(lambda: source.status().connected)
    with BrokerLink(broker.port) as link:
        until(lambda: published(link, topic, inbox))
    assert source.status().detail == ""


def published(link: BrokerLink, topic: str, inbox: Inbox) -> bool:
    link.publish(topic, gravity(1.05))
    link.settle()
    time.sleep(0.05)
    return bool(inbox.messages)


def test_a_broker_that_lost_its_files_is_subscribed_to_again(
    broker: Broker, start: Start, mqtt: Mqtt, topic: str, inbox: Inbox
) -> None:
    """After kill -9 and an empty store the topics are subscribed anew, and packets count as a new session's."""
    source = start(mqtt.model_copy(update={"port": broker.port}))
    with BrokerLink(broker.port) as link:
        until(lambda: published(link, topic, inbox))
        old = inbox.messages[0].identity
        broker.kill9()
        until(lambda: not source.status().connected)
        shutil.rmtree(broker.folder / "kept")
        (broker.folder / "kept").mkdir()
        inbox.messages.clear()
        broker.restart()
        until(lambda: source.status().connected)
        until(lambda: published(link, topic, inbox))
    new = inbox.messages[-1].identity
    assert old is not None
    assert new is not None
    assert new.session != old.session


def test_a_killed_broker_sends_what_it_kept(broker: Broker, start: Start, mqtt: Mqtt, topic: str, inbox: Inbox) -> None:
    """A message sent while we were away survives kill -9 of a broker that saves each change, in the same session."""
    settings = mqtt.model_copy(update={"port": broker.port})
    first = start(settings)
    with BrokerLink(broker.port) as link:
        until(lambda: published(link, topic, inbox))
        known = inbox.messages[0].identity
        acknowledge(inbox.messages)
        time.sleep(0.1)
        first.stop()
        inbox.messages.clear()
        link.publish(topic, gravity(1.0421))
        link.settle()
        assert broker.kept(b"1.0421")
        broker.kill9()
    broker.restart()
    assert known is not None
    start(settings, session=known.session)
    inbox.wait(1)
    assert inbox.values()[-1] == ("a", "gravity", 1.0421)
    assert {each.identity.session for each in inbox.messages if each.identity} == {known.session}


def test_the_state_is_retained_and_the_last_will_tells_of_a_crash(
    broker: Broker, start: Start, mqtt: Mqtt, clock: ManualClock
) -> None:
    """An observer sees online, offline by the broker's hand when the connection breaks, and offline after a stop."""
    seen: list[str] = []

    def see(message: Message) -> None:
        seen.extend(each.content.decode() for each in message.unreadable)

    # The observer is a source too: its probe cannot read these words, and so keeps them as they were.
    watcher = MqttSource(
        mqtt.model_copy(update={"port": broker.port, "client_id": "watcher"}),
        [Probe(name="w", source="mqtt", topic="leeswatch/state", fields={"power": "w"})],
        see,
        clock,
    )
    watcher.start()
    until(lambda: watcher.status().connected)
    time.sleep(0.1)
    seen.clear()
    source = start(mqtt.model_copy(update={"port": broker.port}))
    until(lambda: "online" in seen)
    seen.clear()
    source._drop_connection()
    until(lambda: seen[:2] == ["offline", "online"])
    source.stop()
    until(lambda: seen[-1] == "offline")
    watcher.stop()


def test_our_own_messages_wait_for_the_broker_within_bounds(
    broker: Broker, start: Start, mqtt: Mqtt, topic: str, inbox: Inbox, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Alerts published while the broker is away are sent when it is back; a full queue says no."""
    monkeypatch.setattr("monitor.sources.mqtt.QUEUED", 2)
    broker.stop()
    settings = mqtt.model_copy(update={"port": broker.port})
    source = start(settings, probes=[])
    assert source.publish(topic, gravity(1.05), retain=True)
    assert source.publish(f"{topic}/x", b"2")
    assert not source.publish(f"{topic}/y", b"3")
    broker.restart()
    start(settings.model_copy(update={"client_id": "reader"}))
    inbox.wait(1)
    assert inbox.values() == [("a", "gravity", 1.05)]


def test_a_frozen_broker_does_not_hold_up_the_stop(broker: Broker, start: Start, mqtt: Mqtt) -> None:
    """With a broker that takes and answers nothing, so that even our goodbye cannot be sent, the stop takes seconds."""
    source = start(mqtt.model_copy(update={"port": broker.port}))
    until(lambda: source.status().connected)
    assert broker._process is not None
    os.kill(broker._process.pid, signal.SIGSTOP)
    try:
        for _ in range(20):
            source.publish("large", b"x" * 1_000_000)  # more than the buffers between us hold
        began = time.monotonic()
        source.stop()
        assert time.monotonic() - began < 8
        assert not source.alive()
    finally:
        os.kill(broker._process.pid, signal.SIGCONT)


def test_a_silent_connection_is_not_alive(start: Start, mqtt: Mqtt, monkeypatch: pytest.MonkeyPatch) -> None:
    """A thread that runs while no packet has come for three keepalives does not count as alive."""
    source = started(start)
    assert source.alive()
    monkeypatch.setattr(source, "_packet_ms", source._packet_ms - 3 * round(mqtt.keepalive) * 1000 - 1)
    assert not source.alive()


def test_an_answered_ping_counts_as_life(start: Start, mqtt: Mqtt) -> None:
    """Probes may be silent for hours: the broker's answers to pings show that the connection stands."""
    source = started(start, mqtt.model_copy(update={"keepalive": 1.0}))
    before = source._packet_ms
    until(lambda: source._packet_ms > before + 900, 6)
    assert source.alive()
