"""Handing a message to the writer from a thread that has nothing else to do."""

from __future__ import annotations

import threading

from monitor.intake.values import shown
from monitor.model.inputs import Message
from monitor.sources.base import Sink, SourceStatus

_PAUSE_S = 0.5


def hand_over(sink: Sink, message: Message, status: SourceStatus, stop: threading.Event) -> None:
    """Give `message` to the sink, again and again while it raises: nobody would send it a second time.

    A sink does not raise for what a message holds, so this is no poison; it ends when `stop` is set.
    """
    status.unreadable += len(message.unreadable)
    while True:
        try:
            sink(message)
        except Exception as error:  # noqa: BLE001  the thread goes on whatever is wrong on the other side
            status.detail = f"a reading could not be handed over: {shown(repr(error))}; trying again"
            if stop.wait(_PAUSE_S):
                return
        else:
            if status.detail.startswith("a reading could not"):
                status.detail = ""
            return
