"""The topics of the MQTT probes: what to subscribe to, and what a message on one of them says."""

from __future__ import annotations

from collections.abc import Iterable

from monitor.intake.decode import KEPT_BYTES
from monitor.intake.values import shown
from monitor.model.config import Probe
from monitor.model.inputs import Unreadable
from monitor.sources.hearing import Heard, Hearing

_PRESENCE = {b"online": True, b"offline": False}


class Topics:
    """Each probe's topic, and the `…/status` beside it on which it, or the broker for it, says that it is there."""

    def __init__(self, probes: Iterable[Probe]) -> None:
        topics: dict[str, list[Probe]] = {}
        for probe in probes:
            if probe.topic is not None:
                topics.setdefault(probe.topic, []).append(probe)
        self._hearing = {topic: Hearing("mqtt", sharing) for topic, sharing in topics.items()}
        self._watched = {f"{topic}/status": [probe.name for probe in sharing] for topic, sharing in topics.items()}
        self.names = (*self._hearing, *(topic for topic in self._watched if topic not in self._hearing))

    def read(self, topic: str, payload: bytes) -> tuple[list[Heard], bool | None]:
        """What each probe said on a topic, or that it comes or goes. Never raises."""
        if topic in self._hearing:
            return self._hearing[topic].read(payload, topic), None
        if topic not in self._watched:
            return [], None
        online = _PRESENCE.get(payload.strip().lower())
        if online is not None:
            return [Heard(name) for name in self._watched[topic]], online
        if not payload:
            return [], None
        reason = f"a probe's status is online or offline, not {shown(repr(payload[:40]))}"
        return [Heard(None, (), (Unreadable("mqtt", topic, reason, payload[:KEPT_BYTES]),))], None
