"""The topics of the MQTT probes: what to subscribe to, and what a message on one of them says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from monitor.intake.decode import KEPT_BYTES
from monitor.intake.values import shown
from monitor.model.config import Probe
from monitor.model.inputs import Unreadable
from monitor.sources.hearing import Heard, Hearing

_PRESENCE = {b"online": True, b"offline": False}
_STATUS = "/status"
_REQUEST = 16_384  # bytes: deploy/mosquitto.conf takes no packet over 64 KiB
_LONGEST = 65_535 - len(_STATUS)  # bytes of UTF-8 (MQTT 3.1.1, section 1.5.3)


def topic_fault(topic: str) -> tuple[str, str] | None:
    """Why a probe cannot have this topic, and what to write; None where it can.

    Wildcards and the characters that no topic may hold are those of MQTT 3.1.1, sections 4.7 and 1.5.3.
    """
    if "+" in topic or "#" in topic:
        return (
            f"{shown(topic)} stands for many topics",
            "a probe has one topic, without + and #: write a [[probe]] for each that `leeswatch probe list` shows",
        )
    try:
        length = len(topic.encode("utf-8"))
    except UnicodeEncodeError:
        length = 0
    if not 0 < length <= _LONGEST or "\0" in topic:
        return f"{shown(topic)} is no topic", "write the topic as `leeswatch probe list` shows it"
    return None


class Topics:
    """Each probe's topic, and the `…/status` beside it on which it, or the broker for it, says that it is there."""

    def __init__(self, probes: Iterable[Probe]) -> None:
        """A topic that cannot be had is left out: in one request with the others it would silence them all."""
        topics: dict[str, list[Probe]] = {}
        faults: list[str] = []
        for probe in probes:
            if probe.topic is None:
                continue
            fault = topic_fault(probe.topic)
            if fault:
                faults.append(f"probe {probe.name} is not heard: {fault[0]}")
            else:
                topics.setdefault(probe.topic, []).append(probe)
        self._hearing = {topic: Hearing("mqtt", sharing) for topic, sharing in topics.items()}
        self._watched = {f"{topic}{_STATUS}": [probe.name for probe in sharing] for topic, sharing in topics.items()}
        self.faults = tuple(faults)
        self.names = (*self._hearing, *(topic for topic in self._watched if topic not in self._hearing))

    def in_parts(self) -> Iterator[tuple[str, ...]]:
        """The names, so many at a time that a broker with our settings takes the request to subscribe to them."""
        part: list[str] = []
        size = 0
        for name in self.names:
            length = len(name.encode()) + 3  # its length before it, what is asked for behind it
            if part and size + length > _REQUEST:
                yield tuple(part)
                part, size = [], 0
            part.append(name)
            size += length
        if part:
            yield tuple(part)

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
