from __future__ import annotations

import json
import logging
from collections.abc import Callable
from typing import cast

import pytest

from monitor.alerts.routes import Courier, Letter, LogRoute, TopicRoute
from monitor.alerts.routes.machine import TOPIC_ROUTE
from monitor.alerts.routes.text import Writing
from monitor.model.clock import HOUR, SECOND, ManualClock
from monitor.model.events import AlertName
from tests.alerts.conftest import LISBON, until
from tests.alerts.desk import NIGHT, Desk, a_notice

WRITING = Writing(LISBON)


def test_the_topic_gets_a_record_in_the_form_of_an_alert_event() -> None:
    """Other programs read the keys of the event log, times in UTC, and the notice's text."""
    sent: list[tuple[str, bytes]] = []
    route = TopicRoute(lambda topic, payload: sent.append((topic, payload)))
    route.send(WRITING.letter(a_notice("Stalled", NIGHT, reason="reminder", seen=NIGHT)))
    ((topic, payload),) = sent
    assert topic == "leeswatch/alerts"
    assert json.loads(payload) == {
        "time": "2026-03-09T00:00:00.000Z", "event": "alert", "id": "a1", "alert": "ferment-stalled",
        "change": "reminded", "priority": "medium", "about": "batch:amber-1", "message": "Stalled", "causes": [],
        "because": [], "do": [], "seen": "2026-03-09T00:00:00.000Z", "body": "Because.",
    }  # fmt: skip


def test_what_is_no_alert_is_not_published() -> None:
    """A digest or a test is for people; programs get alerts only."""
    sent: list[bytes] = []
    route = TopicRoute(lambda _, payload: sent.append(payload))
    route.send(WRITING.letter(a_notice("Good morning", alert=cast("AlertName", "digest"))))
    route.send(Letter("Test", "", "low"))
    assert sent == []


def test_a_broker_that_is_away_loses_no_record(
    desk: Desk, clock: ManualClock, courier_for: Callable[..., Courier]
) -> None:
    """A record that could not be published waits in the store and follows."""
    sent: list[bytes] = []
    away = True

    def publish(_: str, payload: bytes) -> None:
        if away:
            raise ConnectionError("not connected")
        sent.append(payload)

    desk.post(a_notice("Stalled"), routes=[TOPIC_ROUTE])
    courier = courier_for(TopicRoute(publish), quiet=("00:00", "23:59"))
    assert until(lambda: courier.status()[0].failures == 1)
    away = False
    clock.advance(5 * SECOND)
    assert until(lambda: len(sent) == 1)
    assert until(lambda: not desk.open_deliveries(TOPIC_ROUTE))


def test_the_log_is_louder_the_more_urgent(caplog: pytest.LogCaptureFixture) -> None:
    """High is an error, medium a warning, what is over an information; each is one line."""
    caplog.set_level(logging.INFO)
    route = LogRoute()
    route.send(WRITING.letter(a_notice("Freezing", alert="freeze-risk", seen=NIGHT + HOUR)))
    route.send(WRITING.letter(a_notice("Stalled")))
    route.send(WRITING.letter(a_notice("Freezing", alert="freeze-risk", reason="returned")))
    assert [(record.levelname, record.getMessage()) for record in caplog.records] == [
        ("ERROR", "Freezing | Because. | Seen Mon 9 Mar 01:00 (WET)"),
        ("WARNING", "Stalled | Because."),
        ("INFO", "Back to normal: Freezing | Because."),
    ]
