"""Tells the service manager that we are ready, alive and stopping: one datagram each (`sd_notify(3)`)."""

from __future__ import annotations

import contextlib
import os
import socket


class Notifier:
    """Says nothing where no service manager listens."""

    def __init__(self, address: str | None = None) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "") if address is None else address

    def ready(self) -> None:
        """Start-up is over."""
        self._say("READY=1\nSTATUS=watching")

    def starting(self, seconds: int = 120) -> None:
        """Start-up goes on: a long memory is being rebuilt, or the disk refuses. Do not give up on us yet."""
        self._say(f"EXTEND_TIMEOUT_USEC={seconds * 1_000_000}")

    def alive(self) -> None:
        """The watchdog is fed."""
        self._say("WATCHDOG=1")

    def stopping(self) -> None:
        """Shut-down has begun."""
        self._say("STOPPING=1")

    def _say(self, text: str) -> None:
        if not self._address:
            return
        target = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as line:
            line.sendto(text.encode(), target)
