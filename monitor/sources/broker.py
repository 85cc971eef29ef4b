"""The broker: a client as the configuration describes it, and listening to everything for a while."""

from __future__ import annotations

import ssl
import threading
import uuid
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple, Self

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


class Listener:
    """Listens beside the daemon, with a session of its own that leaves nothing behind; connects again by itself.

    `take` is given topic, payload and whether it was retained, on the network's thread.
    """

    def __init__(self, settings: Mqtt, topics: Iterable[str], take: Callable[[str, bytes, bool], None]) -> None:
        self._settings, self._topics, self._take = settings, tuple(topics), take
        self._listening = threading.Event()  # only once the broker has taken the subscription
        self._refused = ""
        client = client_for(settings, f"{settings.client_id}-listen-{uuid.uuid4().hex[:8]}", persistent=False)
        client.on_connect, client.on_message, client.on_subscribe = (
            self._on_connect,
            self._on_message,
            self._on_subscribe,
        )
        self._client = client

    @property
    def connected(self) -> bool:
        """Whether the broker is there now."""
        return bool(self._client.is_connected())

    def __enter__(self) -> Self:
        """Begin to listen; SourceError where the broker cannot be had, or does not let us."""
        settings = self._settings
        where = f"{settings.host}:{settings.port}"
        try:
            self._client.connect(settings.host, settings.port, keepalive=max(1, round(settings.keepalive)))
        except (OSError, ValueError) as error:
            raise SourceError(
                f"the broker at {where} cannot be reached: {error}", "start it, or correct [mqtt]"
            ) from error
        self._client.loop_start()
        if not self._listening.wait(10.0) or self._refused:
            self.__exit__()
            raise SourceError(f"the broker at {where} refuses: {self._refused or 'no answer'}", "correct [mqtt]")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, client: Client, _: Any, __: ConnectFlags, reason: ReasonCode, ___: Properties | None) -> None:
        if reason.is_failure:
            self._refused = str(reason)
            self._listening.set()
        else:
            client.subscribe([(topic, 0) for topic in self._topics])

    def _on_subscribe(
        self, _: Client, __: Any, ___: int, reasons: Sequence[ReasonCode], ____: Properties | None
    ) -> None:
        refused = [topic for topic, why in zip(self._topics, reasons, strict=False) if why.is_failure]
        if refused:
            self._refused = f"it does not let us read {', '.join(refused)}"
        self._listening.set()

    def _on_message(self, _: Client, __: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        self._take(topic, bytes(message.payload), message.retain)


def hear_broker(settings: Mqtt, seconds: float, wait: Callable[[float], object] | None = None) -> dict[str, HeardTopic]:
    """Every topic heard on the broker within `seconds`, retained messages included; SourceError where there is none."""
    heard: dict[str, HeardTopic] = {}

    def take(topic: str, payload: bytes, _: bool) -> None:  # noqa: FBT001
        if topic in heard or len(heard) < TOPICS_HEARD:
            before = heard[topic].messages if topic in heard else 0
            heard[topic] = HeardTopic(before + 1, payload[:SAMPLE_BYTES])

    with Listener(settings, ("#",), take):
        (wait or threading.Event().wait)(seconds)
    return heard
