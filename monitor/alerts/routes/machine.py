"""Routes that no person waits at: the program's log, and the broker's topic for other programs."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable
from typing import Final, Literal

from monitor.alerts.routes.base import Letter
from monitor.model.errors import RouteError
from monitor.model.events import AlertEvent, Change, Priority

ALERTS_TOPIC = "leeswatch/alerts"

_CHANGES: dict[Literal["first", "returned", "reminder"], Change] = {
    "first": "raised",
    "returned": "returned",
    "reminder": "reminded",
}
_LEVELS: dict[Priority, int] = {"low": logging.INFO, "medium": logging.WARNING, "high": logging.ERROR}

# Colons: no route of the configuration can have such a name.
TOPIC_ROUTE = "topic:alerts"
LOG_ROUTE = "log:alerts"


class LogRoute:
    """Writes each letter as one line of the log."""

    name: Final = LOG_ROUTE
    lowest: Final[Priority] = "low"
    for_people: Final = False

    def __init__(self, logger: logging.Logger | None = None) -> None:
        self._logger = logger or logging.getLogger(__name__)

    def send(self, letter: Letter) -> None:
        """Log it, more loudly the more urgent it is."""
        level = logging.INFO if letter.returned else _LEVELS[letter.priority]
        self._logger.log(level, "%s | %s", letter.title, " | ".join(letter.body.splitlines()))


class TopicRoute:
    """Publishes alert records as JSON: the keys of an alert event, and the notice's `body`.

    `publish` takes topic and payload and raises when the broker has not got it, so that it is tried again.
    """

    name: Final = TOPIC_ROUTE
    lowest: Final[Priority] = "low"
    for_people: Final = False

    def __init__(self, publish: Callable[[str, bytes], None], topic: str = ALERTS_TOPIC) -> None:
        self._publish = publish
        self._topic = topic

    def send(self, letter: Letter) -> None:
        """Publish the record; what is no alert (the digest, a test) is for people only and passed over."""
        notice = letter.notice
        if notice is None or notice.alert == "digest":
            return
        event = AlertEvent(
            time_ms=notice.time_ms,
            id=notice.alert_id,
            alert=notice.alert,
            change=_CHANGES[notice.reason],
            about=notice.about,
            message=notice.title,
            seen_ms=notice.seen_ms,
        )
        record = event.record() | {"body": notice.body}
        try:
            self._publish(self._topic, json.dumps(record, ensure_ascii=False).encode())
        except Exception as error:
            raise RouteError(f"route {self.name}: not published: {error}", "check that the broker runs") from error
