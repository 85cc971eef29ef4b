"""The broker: a client as the configuration describes it, and listening to everything for a while."""

from __future__ import annotations

import ssl
import threading
import uuid
from collections.abc import Callable
from typing import Any, NamedTuple

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from monitor.model.config import Mqtt
from monitor.model.errors import SourceError

TOPICS_HEARD = 1000  # at most, in one listening
SAMPLE_BYTES = 200


class HeardTopic(NamedTuple):
    """How often a topic was heard, and the beginning of its last message."""

    messages: int
    sample: bytes


def client_for(settings: Mqtt, client_id: str, *, persistent: bool) -> Client:
    """A client that is not connected yet; SourceError where its password or certificates cannot be read.

    MQTT 3.1.1: its `clean_session = False` is the persistent session we need, and every broker has it. Version 5
    would add an expiry to choose and nothing that we use.
    """
    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        clean_session=not persistent,
        protocol=MQTTProtocolVersion.MQTTv311,
        manual_ack=persistent,
    )
    try:
        if settings.username is not None:
            password = settings.password_file.read_text("utf-8").strip() if settings.password_file else None
            client.username_pw_set(settings.username, password)
        if settings.tls is not None:
            ca, certificate, key = (
                str(path) if path else None for path in (settings.tls.ca, settings.tls.certificate, settings.tls.key)
            )
            client.tls_set(ca, certificate, key)
    except (OSError, ValueError, ssl.SSLError) as error:
        raise SourceError(f"the broker's password or certificates cannot be read: {error}", "correct [mqtt]") from error
    client.connect_timeout = 5.0
    client.reconnect_delay_set(1, 30)
    return client


def hear_broker(settings: Mqtt, seconds: float, wait: Callable[[float], object] | None = None) -> dict[str, HeardTopic]:
    """Every topic heard on the broker within `seconds`, retained messages included; SourceError where it cannot be had.

    It listens beside the daemon, with a session of its own that leaves nothing behind.
    """
    heard: dict[str, HeardTopic] = {}
    listening = threading.Event()  # only once the broker has taken the subscription
    answer: list[str] = []

    def on_connect(client: Client, _: Any, __: ConnectFlags, reason: ReasonCode, ___: Properties | None) -> None:
        answer.append(str(reason) if reason.is_failure else "")
        if reason.is_failure:
            listening.set()
        else:
            client.subscribe("#", qos=0)

    def on_message(_: Client, __: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        if topic in heard or len(heard) < TOPICS_HEARD:
            before = heard[topic].messages if topic in heard else 0
            heard[topic] = HeardTopic(before + 1, bytes(message.payload[:SAMPLE_BYTES]))

    client = client_for(settings, f"{settings.client_id}-listen-{uuid.uuid4().hex[:8]}", persistent=False)
    client.on_connect, client.on_message = on_connect, on_message
    client.on_subscribe = lambda *_: listening.set()
    where = f"{settings.host}:{settings.port}"
    try:
        client.connect(settings.host, settings.port, keepalive=max(1, round(settings.keepalive)))
    except OSError as error:
        raise SourceError(f"the broker at {where} cannot be reached: {error}", "start it, or correct [mqtt]") from error
    client.loop_start()
    try:
        if not listening.wait(10.0) or answer[0]:
            raise SourceError(f"the broker at {where} refuses: {''.join(answer[:1]) or 'no answer'}", "correct [mqtt]")
        (wait or threading.Event().wait)(seconds)
    finally:
        client.disconnect()
        client.loop_stop()
    return heard
