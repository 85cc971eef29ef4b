"""A serial line: a real pseudo-terminal behind a path that stays the same when the plug is pulled."""

from __future__ import annotations

import os
import select
import termios
import tty
from pathlib import Path
from types import TracebackType
from typing import Self


class PtyLine:
    """One end of a serial cable. `path` is what a reader opens, like a name under /dev/serial/by-id.

    While plugged in, bytes wait in the terminal's buffer (about 4 KiB) for a reader; without one, what does
    not fit is lost, as on a real line.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._master: int | None = None
        self._slave: int | None = None
        self.lost = 0
        """Bytes nobody took."""
        self.replug()

    @property
    def plugged(self) -> bool:
        """Whether the cable is in."""
        return self._master is not None

    def write(self, data: bytes, patience_s: float = 0.5) -> int:
        """Send; returns the bytes taken. Waits up to `patience_s` for room each time the buffer is full."""
        sent = 0
        while self._master is not None and sent < len(data):
            _, free, _ = select.select([], [self._master], [], patience_s)
            if not free:
                break
            try:
                sent += os.write(self._master, data[sent:])
            except BlockingIOError:  # room for less than the terminal's smallest piece
                break
        self.lost += len(data) - sent
        return sent

    def unplug(self) -> None:
        """Pull the cable: the path is gone and a reader gets an error or end of file."""
        self.path.unlink(missing_ok=True)
        for end in (self._slave, self._master):
            if end is not None:
                os.close(end)
        self._master = self._slave = None

    def replug(self) -> None:
        """Put the cable back, under another device number but the same path."""
        if self._master is not None:
            return
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave, termios.TCSANOW)
        os.set_blocking(self._master, False)
        self.path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.path.with_name(self.path.name + ".new")
        fresh.unlink(missing_ok=True)
        fresh.symlink_to(os.ttyname(self._slave))
        fresh.replace(self.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()
