"""Which broker session and connection a message came on: what tells a redelivery from a new, equal message."""

from __future__ import annotations

import hashlib
import threading
import uuid
from collections.abc import Callable

from paho.mqtt.client import Client, MQTTMessage

from monitor.model.inputs import Identity


class Session:
    """The session with the broker, and the connection inside it while there is one."""

    def __init__(self, known: str | None) -> None:
        """`known` is the last session that the store has seen."""
        self._session = known or uuid.uuid4().hex
        self._connection: str | None = None
        self._lock = threading.Lock()  # between a receipt and the end of its connection

    def opened(self, *, known_to_broker: bool) -> None:
        """A connection stands. A broker that has forgotten the session numbers its packets anew: a new one begins."""
        if not known_to_broker:
            self._session = uuid.uuid4().hex
        with self._lock:
            self._connection = uuid.uuid4().hex

    def closed(self) -> None:
        """The connection is gone, and with it the right to acknowledge what came on it."""
        with self._lock:
            self._connection = None

    def identity(self, message: MQTTMessage, probe: str | None) -> Identity | None:
        """What the store knows the message by; None for quality of service 0, which is never sent twice."""
        if not message.qos or self._connection is None:
            return None
        # Probes that share a topic share its packets: their name keeps them apart.
        parts = (message.topic.encode(), (probe or "").encode(), bytes(message.payload))
        digest = hashlib.blake2b(b"\0".join(parts), digest_size=16).hexdigest()
        return Identity(self._session, self._connection, message.mid, digest)

    def receipt(self, client: Client, message: MQTTMessage, parts: int) -> Callable[[], None] | None:
        """What acknowledges the message when it was called `parts` times, if its connection still stands."""
        if not message.qos:
            return None
        connection, mid, waiting = self._connection, message.mid, [parts]

        def receipt() -> None:
            with self._lock:
                waiting[0] -= 1
                if waiting[0] == 0 and connection is not None and self._connection == connection:
                    client.ack(mid, 1)

        return receipt
