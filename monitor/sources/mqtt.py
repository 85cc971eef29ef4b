"""Probes on MQTT. A message is acknowledged when its `receipt` is called, which the writer does after the commit.

    broker ──PUBLISH──► network thread ──sink(Message)──► writer ──commit──► receipt() ──PUBACK──► broker

Until then the broker keeps it, so that a kill at any moment loses nothing. An acknowledgement belongs to the
connection on which the message came: packet numbers start anew on the next one, so a receipt that comes late is let
fall, and the broker sends the message again.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.intake.values import shown
from monitor.model.clock import Clock, SystemClock
from monitor.model.config import Mqtt, Probe
from monitor.model.inputs import Message
from monitor.sources.base import Sink, SourceStatus
from monitor.sources.broker import client_for
from monitor.sources.session import Session
from monitor.sources.topics import Topics

STATE_TOPIC = "leeswatch/state"
QUEUED = 1000  # of our own messages, while the broker is away


class MqttSource:
    """Subscribes to the topics of its probes and to their `…/status`."""

    def __init__(
        self, settings: Mqtt, probes: Iterable[Probe], sink: Sink, clock: Clock, session: str | None = None
    ) -> None:
        """`session` is the last broker session the store knows; SourceError where a key or password is unreadable."""
        self._topics = Topics(probes)
        self._settings, self._sink, self._clock = settings, sink, clock
        self._session = Session(session)
        self._status = SourceStatus("mqtt", detail="not started")
        self._asked: dict[int, Sequence[str]] = {}  # what each request to subscribe was for
        self._refused: list[str] = []
        self._thread: threading.Thread | None = None
        self._real = SystemClock()  # the broker lives in real time, whatever the clock of the readings does
        self._packet_ms = self._real.mono_ms()
        self._keepalive_s = max(1, round(settings.keepalive))
        self._client = self._configured(client_for(settings, settings.client_id, persistent=True))

    def _configured(self, client: Client) -> Client:
        client.max_queued_messages_set(QUEUED)
        client.will_set(STATE_TOPIC, "offline", qos=1, retain=True)
        client.on_pre_connect = self._on_pre_connect
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_connect_fail = self._on_connect_fail
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_log = self._on_log
        client.suppress_exceptions = True  # an exception that leaves a callback would end the network thread
        return client

    def start(self) -> None:
        """Connect, now or when the broker can be had, and go on doing so."""
        self._status.detail = f"waiting for the broker at {self._settings.host}:{self._settings.port}"
        self._client.connect_async(self._settings.host, self._settings.port, keepalive=self._keepalive_s)
        self._client.loop_start()

    def stop(self) -> None:
        """Say offline and disconnect; the broker keeps the session and what comes for it."""
        if self._client.is_connected():
            with suppress(RuntimeError, ValueError):
                self._client.publish(STATE_TOPIC, "offline", qos=1, retain=True).wait_for_publish(2.0)
        self._client.disconnect()
        if self._thread is not None:
            self._thread.join(2.0)
            self._drop_connection()  # a broker that does not answer must not hold us up
        self._client.loop_stop()

    def status(self) -> SourceStatus:
        """How it is."""
        return replace(self._status, heard=dict(self._status.heard))

    def connected(self) -> bool:
        """Whether the broker is there."""
        return self._status.connected

    def alive(self) -> bool:
        """Whether the network thread runs and, when connected, a packet came within three keepalives."""
        if self._thread is not None and not self._thread.is_alive():
            return False
        quiet_s = (self._real.mono_ms() - self._packet_ms) / 1000
        return not self._status.connected or quiet_s < 3 * self._keepalive_s

    def publish(self, topic: str, payload: str | bytes, *, retain: bool = False) -> bool:
        """Send a message of our own, or keep it (a thousand at most) until the broker is back; False when full."""
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        return info.rc != MQTTErrorCode.MQTT_ERR_QUEUE_SIZE

    # --- on the network thread ---

    def _on_pre_connect(self, _: Client, __: Any) -> None:
        self._thread = threading.current_thread()

    def _on_log(self, _: Client, __: Any, ___: int, text: str) -> None:
        if text.startswith("Received "):  # the only sign of an answered ping
            self._packet_ms = self._real.mono_ms()

    def _on_connect(
        self, client: Client, _: Any, flags: ConnectFlags, reason: ReasonCode, __: Properties | None
    ) -> None:
        if reason.is_failure:
            self._status.detail = f"the broker refuses: {reason}"
            return
        self._session.opened(known_to_broker=flags.session_present)
        self._status.connected, self._status.detail = True, "; ".join(self._topics.faults)
        self._asked.clear()
        self._refused.clear()
        for topics in self._topics.in_parts():  # on every connect: a broker that lost its files has lost these too
            _, number = client.subscribe([(topic, 1) for topic in topics])
            self._asked[number or 0] = topics
        client.publish(STATE_TOPIC, "online", qos=1, retain=True)

    def _on_subscribe(
        self, _: Client, __: Any, number: int, reasons: Sequence[ReasonCode], ___: Properties | None
    ) -> None:
        topics = self._asked.pop(number, ())
        self._refused += [topic for topic, why in zip(topics, reasons, strict=False) if why.is_failure]
        if self._refused:
            why = f"the broker does not let us read {', '.join(self._refused)}"
            self._status.detail = "; ".join([*self._topics.faults, why])

    def _on_disconnect(
        self, _: Client, __: Any, ___: DisconnectFlags, reason: ReasonCode, ____: Properties | None
    ) -> None:
        self._session.closed()
        self._status.connected = False
        if not self._status.detail:
            self._status.detail = f"the connection to the broker was lost ({reason})"

    def _on_connect_fail(self, _: Client, __: Any) -> None:
        where = f"{self._settings.host}:{self._settings.port}"
        self._status.detail = f"the broker at {where} cannot be reached; trying again"

    def _on_message(self, _: Client, __: Any, message: MQTTMessage) -> None:
        try:
            self._take(message)
        except Exception as error:  # noqa: BLE001  whatever the sink raises, the thread goes on
            # Not acknowledged, and so it holds a place in the broker's window until it is sent again: make it so.
            self._status.detail = f"a message could not be handed over: {shown(repr(error))}"
            self._drop_connection()

    def _take(self, message: MQTTMessage) -> None:
        self._status.heard[message.topic] = self._status.heard.get(message.topic, 0) + 1
        self._status.last_heard_mono_ms = self._clock.mono_ms()
        if message.topic not in self._topics.names:
            self._client.unsubscribe(message.topic)  # the session remembers it from an earlier configuration
        heard, online = self._topics.read(message.topic, bytes(message.payload))
        receipt = self._session.receipt(self._client, message, max(1, len(heard)))
        if not heard and receipt:
            receipt()  # an empty message: nothing to commit
        for each in heard:
            self._status.unreadable += len(each.unreadable)
            self._sink(
                Message(
                    "mqtt", each.probe, self._clock.wall_ms(), self._clock.mono_ms(), each.samples, each.unreadable,
                    self._session.identity(message, each.probe), message.retain, online, receipt,
                )
            )  # fmt: skip

    def _drop_connection(self) -> None:
        held = self._client.socket()
        if isinstance(held, socket.socket):
            with suppress(OSError):
                held.shutdown(socket.SHUT_RDWR)
